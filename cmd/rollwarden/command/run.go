package command

import (
	"fmt"

	"rollwarden/cmd/rollwarden/app"
)

type runCommand struct {
	Check bool `help:"Only check the configuration and the rule book, and stop."`
}

// Run watches until the process is told to stop, or a part of it fails.
func (r runCommand) Run(e *env) error {
	if r.Check {
		return checkCommand{}.Run(e)
	}
	cfg, err := e.load()
	if err != nil {
		return err
	}
	log := e.logger(cfg)
	log.Info().Str("version", Version()).Msg(cfg.Chosen)
	for _, w := range cfg.Warnings {
		log.Warn().Msg(w)
	}
	a, err := app.Start(e.ctx, app.Options{Config: cfg, Log: log, Version: Version()})
	if err != nil {
		return err
	}
	log.Info().Str("board", a.URL()).Str("metrics", a.URL()+"/metrics").Str("nats", a.NATS()).
		Msg("watching; Rollwarden is an adviser, not a safety interlock")
	select {
	case err = <-a.Done():
		err = fmt.Errorf("the watch ended by itself: %w", err)
	case <-e.ctx.Done():
		log.Info().Msg("stopping")
	}
	if stopErr := a.Stop(); err == nil {
		err = stopErr
	}
	return err
}
