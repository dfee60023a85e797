package command

import (
	"os"
	"os/signal"
	"syscall"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
)

type runCommand struct {
	Check bool `help:"Only check the configuration and the rule book, and stop."`
}

// Run watches until the process is told to stop, or a part of it fails. A hangup
// has the configuration read again.
func (r runCommand) Run(e *env) error {
	if r.Check {
		return checkCommand{}.Run(e)
	}
	hangups := make(chan os.Signal, 1)
	signal.Notify(hangups, syscall.SIGHUP)
	defer signal.Stop(hangups)
	return app.NewReloader(e.load, e.watch).Run(e.ctx, hangups)
}

// watch is how a configuration is run.
func (e *env) watch(cfg *config.Config) app.Options {
	log := e.logger(cfg)
	log.Info().Str("version", Version()).Msg(cfg.Chosen)
	for _, w := range cfg.Warnings {
		log.Warn().Msg(w)
	}
	return app.Options{Log: log, Version: Version()}
}
