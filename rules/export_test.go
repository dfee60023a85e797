package rules

// JudgeEverything makes the next Judge check every row on every run, whatever it
// remembers of calm machines.
func (e *Engine) JudgeEverything() {
	for _, w := range e.watches {
		w.calm = calm{}
	}
}

// IsCalm reports whether the next Judge may pass over the steady rows of a machine.
func (e *Engine) IsCalm(machine string) bool {
	w := e.watches[machine]
	return w != nil && w.calm.known
}
