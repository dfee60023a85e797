package command

import (
	"io"
	"time"

	"rollwarden/cmd/rollwarden/demo"
)

type demoCommand struct {
	Stay bool          `help:"Keep the watch running after the week, until stopped."`
	Seed uint64        `help:"Seed of the invented week; the same seed plays the same week." default:"7"`
	Pace time.Duration `help:"How long the week takes to play; 0 for as fast as it can." default:"1m"`
}

// Run plays the week. For a program each line is a record: opening, moment,
// alarm, and at last score.
func (d demoCommand) Run(e *env) error {
	o := demo.Options{Seed: d.Seed, Pace: d.Pace, Stay: d.Stay, Version: Version()}
	out := e.out
	switch {
	case e.json:
		out = io.Discard
		o.Record = func(record any) { _ = e.record(record) } // when nobody reads any more, the week is played to its end
	case !isTerminal(e.out): // else its lines show how far it is
		tick, end := e.progress("the week")
		defer end()
		o.Progress = tick
	}
	return demo.Play(e.ctx, out, o)
}
