package command

import (
	"time"

	"rollwarden/cmd/rollwarden/demo"
)

type demoCommand struct {
	Stay bool          `help:"Keep the watch running after the week, until stopped."`
	Seed uint64        `help:"Seed of the invented week; the same seed plays the same week." default:"7"`
	Pace time.Duration `help:"How long the week takes to play; 0 for as fast as it can." default:"1m"`
}

// Run plays the week.
func (d demoCommand) Run(e *env) error {
	return demo.Play(e.ctx, e.out, demo.Options{Seed: d.Seed, Pace: d.Pace, Stay: d.Stay, Version: Version()})
}
