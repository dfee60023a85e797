package command

import "time"

type demoCommand struct {
	Stay bool          `help:"Keep the watch running after the week, until stopped."`
	Seed uint64        `help:"Seed of the invented week; the same seed plays the same week." default:"7"`
	Pace time.Duration `help:"How long the week takes to play." default:"1m"`
}
