package app

import (
	"sync"

	"rollwarden/metrics/upkeep"
)

// troubles are why what comes from outside waits, by where it comes from. It is safe
// for concurrent use.
type troubles[K comparable] struct {
	mu sync.Mutex
	of map[K]string
}

// set notes a trouble, or with an empty text that there is none.
func (t *troubles[K]) set(from K, why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.of == nil {
		t.of = map[K]string{}
	}
	t.of[from] = why
}

// at is the trouble there; empty when there is none.
func (t *troubles[K]) at(from K) string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.of[from]
}

// folders is the state of the ticket folders that this daemon watches.
func (a *App) folders() (all []upkeep.Folder) {
	for _, s := range a.held.list() {
		for _, in := range s.inboxes {
			all = append(all, upkeep.Folder{Path: in.Dir, Trouble: s.folderTroubles.at(in)})
		}
	}
	return all
}

// sourcesInUse is the state of the run logs and the signals that this daemon reads.
func (a *App) sourcesInUse() (all []upkeep.Source) {
	for _, s := range a.held.list() {
		for _, l := range s.runLogs() {
			name := nameOf(&l)
			all = append(all, upkeep.Source{Name: name, Trouble: s.sourceTroubles.at(name)})
		}
		if s.mapsSignals() && len(a.cfg.Sources.Signals) > 0 {
			all = append(all, upkeep.Source{Trouble: s.sourceTroubles.at("")})
		}
	}
	return all
}

// foldersInTrouble is in how many of them tickets wait.
func (a *App) foldersInTrouble() (n int) {
	for _, f := range a.folders() {
		if f.Trouble != "" {
			n++
		}
	}
	return n
}
