package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"

	"rollwarden/cmd/rollwarden/config"
)

// Reloader runs a watch and gives it another configuration when it is told to,
// by a signal or from the board.
//
// A reload puts a new watch in the place of the old one, on the same Ground.
// The old one writes down what it has decided and saves its state, and the new
// one goes on from there, so that what arrives meanwhile waits in the journal,
// in a drop folder or at the socket. A configuration that is wrong changes
// nothing, and one that turns out wrong when it is put to use is taken back.
type Reloader struct {
	load    func() (*config.Config, error)
	options func(*config.Config) Options
	chosen  chan choice
	started func(*App)
	last    atomic.Pointer[Reload]
}

// Reload is how one went.
type Reload struct {
	At  time.Time
	By  string // who asked for it; empty for a signal
	Err error  // why the configuration before is still in use; nil when it is not
}

// choice is a configuration that was read and is well, as far as can be told
// before it is used.
type choice struct {
	cfg *config.Config
	by  string
}

// NewReloader returns a reloader that reads the configuration with load and
// runs what options makes of it.
func NewReloader(load func() (*config.Config, error), options func(*config.Config) Options) *Reloader {
	return &Reloader{load: load, options: options, chosen: make(chan choice, 1), started: func(*App) {}}
}

// Run watches until ctx ends or a watch fails. Each value of hangups has the
// configuration read again.
func (r *Reloader) Run(ctx context.Context, hangups <-chan os.Signal) error {
	cfg, err := r.load()
	if err != nil {
		return err
	}
	ground := &Ground{}
	a, err := r.start(ctx, ground, cfg)
	for err == nil {
		var next choice
		select {
		case failed := <-a.Done():
			err = fmt.Errorf("the watch ended by itself: %w", failed)
		case <-ctx.Done():
			a.log.Info().Msg("stopping")
			return errors.Join(a.Stop(), closeGround(ground))
		case <-hangups:
			next = r.read(a)
		case next = <-r.chosen:
		}
		if next.cfg != nil {
			a, err = r.replace(ctx, ground, a, next)
		}
	}
	if a != nil {
		err = errors.Join(err, a.Stop())
	}
	return errors.Join(err, closeGround(ground))
}

func closeGround(g *Ground) error {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	return g.Close(ctx)
}

func (r *Reloader) start(ctx context.Context, g *Ground, cfg *config.Config) (*App, error) {
	o := r.options(cfg)
	o.Config, o.Ground, o.Reload = cfg, g, r
	a, err := Start(ctx, o)
	if err != nil {
		return nil, err
	}
	r.started(a)
	a.log.Info().Str("board", a.URL()).Str("metrics", a.URL()+"/metrics").Str("nats", a.NATS()).Str("mqtt", a.MQTT()).
		Msg("watching; Rollwarden is an adviser, not a safety interlock")
	return a, nil
}

// read reads the configuration for a signal.
func (r *Reloader) read(a *App) choice {
	cfg, err := r.load()
	if err != nil {
		r.refuse(a, "", err)
	}
	return choice{cfg: cfg}
}

// Ask reads the configuration for a person. It returns what is wrong with it,
// or nil when it is about to be taken up.
func (r *Reloader) Ask(a *App, by string) error {
	cfg, err := r.load()
	if err != nil {
		r.refuse(a, by, err)
		return err
	}
	select {
	case r.chosen <- choice{cfg, by}:
	default: // the one that was asked for a moment ago comes first
	}
	return nil
}

func (r *Reloader) refuse(a *App, by string, err error) {
	r.last.Store(&Reload{At: time.Now(), By: by, Err: err})
	a.log.Error().Err(err).Str("by", by).Msg("the configuration is wrong, and the one before stays in use")
}

// replace puts a watch with another configuration in the place of one. When the
// new one cannot start, the old one does again; only when that fails, too, is
// there an error.
func (r *Reloader) replace(ctx context.Context, g *Ground, a *App, next choice) (*App, error) {
	a.log.Info().Str("by", next.by).Str("file", next.cfg.File).Msg("taking up another configuration")
	if err := a.Stop(); err != nil {
		a.log.Error().Err(err).Msg("the watch did not stop well for another configuration")
	}
	started, err := r.start(ctx, g, next.cfg)
	if err == nil {
		r.last.Store(&Reload{At: time.Now(), By: next.by})
		return started, nil
	}
	again, failed := r.start(ctx, g, a.cfg)
	if failed != nil {
		return nil, fmt.Errorf("neither the new configuration nor the one before can be used: %w", errors.Join(err, failed))
	}
	r.refuse(again, next.by, err)
	return again, nil
}

// Last is how the last reload went; nil when there was none.
func (r *Reloader) Last() *Reload { return r.last.Load() }

// Refused reports whether the last configuration that was read could not be
// taken up.
func (r *Reloader) Refused() bool {
	last := r.Last()
	return last != nil && last.Err != nil
}
