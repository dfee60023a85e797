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
// The old one saves its state, and the new one goes on from there. What arrives
// meanwhile waits in the journal, in a drop folder or at the socket, and what was
// decided and not written down yet is decided again. Leases are given back, so
// that a daemon that stands by may be the one that goes on. A configuration that
// is wrong changes nothing, and one that turns out wrong when it is put to use is
// taken back.
type Reloader struct {
	load    func() (*config.Config, error)
	options func(*config.Config) Options
	asked   chan string // who wants the configuration read again
	mend    time.Duration
	started func(*App)
	last    atomic.Pointer[Reload]
}

// Reload is how one went.
type Reload struct {
	At  time.Time
	By  string // who asked for it; empty for a signal
	Err error  // why the configuration before is still in use; nil when it is not
}

// mendEvery is how often a watch whose disk was full looks whether there is room
// again.
const mendEvery = 10 * time.Second

// NewReloader returns a reloader that reads the configuration with load and
// runs what options makes of it.
func NewReloader(load func() (*config.Config, error), options func(*config.Config) Options) *Reloader {
	return &Reloader{load: load, options: options, asked: make(chan string, 1), mend: mendEvery, started: func(*App) {}}
}

// Run watches until ctx ends or a watch fails. Each value of hangups has the
// configuration read again. A stop during a reload is a stop like any other.
func (r *Reloader) Run(ctx context.Context, hangups <-chan os.Signal) error {
	cfg, err := r.load()
	if err != nil {
		return err
	}
	ground := &Ground{}
	mend := time.NewTicker(r.mend)
	defer mend.Stop()
	a, err := r.start(ctx, ground, cfg)
	for err == nil && ctx.Err() == nil {
		select {
		case failed := <-a.Done():
			err = fmt.Errorf("the watch ended by itself: %w", failed)
		case <-ctx.Done():
			a.log.Info().Msg("stopping")
		case <-hangups:
			a, err = r.reload(ctx, ground, a, "")
		case by := <-r.asked:
			a, err = r.reload(ctx, ground, a, by)
		case <-mend.C:
			a = r.reopen(ctx, ground, a, mend.C)
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
	a.announce()
	return a, nil
}

// announce says in the log that the watch has begun, and where it is found.
func (a *App) announce() {
	board := a.shownURL()
	line := a.log.Info().Str("board", board).Str("metrics", board+"/metrics").Str("nats", a.NATS())
	if mqtt := a.MQTT(); mqtt != "" {
		line = line.Str("mqtt", mqtt)
	}
	what := "watching"
	if a.shared() {
		what = "standing by until a lease says what to watch"
	}
	line.Msg(what + "; Rollwarden is an adviser, not a safety interlock")
}

// shownURL is where people find the board: under the address that they were given, or
// else where it listens, which may be no address that anybody can open.
func (a *App) shownURL() string {
	if a.cfg.HTTP.PublicURL != "" {
		return a.cfg.PublicURL()
	}
	return a.URL()
}

// Ask has the configuration read again for a person. It returns what is wrong
// with it, or nil when it is about to be taken up. It is read once more then, so
// that what is taken up last is what the file said last.
func (r *Reloader) Ask(a *App, by string) error {
	if _, err := r.read(a); err != nil {
		r.refuse(a, by, err)
		return err
	}
	select {
	case r.asked <- by:
	default: // it is about to be read for somebody who asked a moment ago
	}
	return nil
}

// read reads the configuration. A file that is away in the moment is no wish for the
// built-in defaults: the watch would forget its machines.
func (r *Reloader) read(a *App) (*config.Config, error) {
	cfg, err := r.load()
	if err == nil && a.cfg.File != "" && cfg.File == "" {
		return nil, fmt.Errorf("%s is not there any more: put it back; to watch with the built-in defaults, stop and start", a.cfg.File)
	}
	return cfg, err
}

// asking reports whether somebody waits for the configuration to be read.
func (r *Reloader) asking() bool { return len(r.asked) > 0 }

func (r *Reloader) refuse(a *App, by string, err error) {
	r.last.Store(&Reload{At: time.Now(), By: by, Err: err})
	a.log.Error().Err(err).Str("by", by).Msg("another configuration cannot be taken up, and the one before stays in use")
}

// reload reads the configuration and puts it to use, if it is well as far as can
// be told before that.
func (r *Reloader) reload(ctx context.Context, g *Ground, a *App, by string) (*App, error) {
	cfg, err := r.read(a)
	if err == nil {
		err = g.bears(ctx, a, cfg)
	}
	if err != nil {
		r.refuse(a, by, err)
		return a, nil
	}
	return r.replace(ctx, g, a, cfg, by)
}

// replace puts a watch with another configuration in the place of one. When the
// new one cannot start, the old one does again; only when that fails, too, is
// there an error. There is no watch when ctx ends meanwhile.
func (r *Reloader) replace(ctx context.Context, g *Ground, a *App, cfg *config.Config, by string) (*App, error) {
	a.log.Info().Str("by", by).Str("file", cfg.File).Msg("taking up another configuration")
	stopFor(a, "another configuration")
	started, err := r.start(ctx, g, cfg)
	if err == nil {
		r.last.Store(&Reload{At: time.Now(), By: by})
		return started, nil
	}
	again, failed := r.start(ctx, g, a.cfg)
	switch {
	case failed == nil:
		r.refuse(again, by, err)
		return again, nil
	case ctx.Err() != nil:
		return nil, nil
	}
	return nil, fmt.Errorf("neither the new configuration nor the one before can be used: %w", errors.Join(err, failed))
}

// reopen starts a watch anew, whose own journal was given up because its disk was
// full, once there is room again.
func (r *Reloader) reopen(ctx context.Context, g *Ground, a *App, tick <-chan time.Time) *App {
	if !a.bus.Mendable() {
		return a
	}
	a.log.Warn().Msg("the disk has room again: opening the journal anew")
	stopFor(a, "the journal to be opened anew")
	return r.startAgain(ctx, g, a, tick)
}

// startAgain starts the watch that has just stopped. The room may be gone again, so
// one that fails is tried again at each tick; there is no watch when ctx ends before
// that. Who asks for the board meanwhile waits, and the log says for what.
func (r *Reloader) startAgain(ctx context.Context, g *Ground, a *App, tick <-chan time.Time) *App {
	for told := ""; ; {
		started, err := r.start(ctx, g, a.cfg)
		if err == nil {
			return started
		}
		if why := err.Error(); why != told && ctx.Err() == nil {
			told = why
			a.log.Error().Err(err).Msg("NOT WATCHING: the watch cannot be started; it is tried again, so make room on the disk or mend what the error names")
		}
		select {
		case <-tick:
		case <-ctx.Done():
			return nil
		}
	}
}

func stopFor(a *App, what string) {
	if err := a.Stop(); err != nil {
		a.log.Error().Err(err).Msg("the watch did not stop well for " + what)
	}
}

// Last is how the last reload went; nil when there was none.
func (r *Reloader) Last() *Reload { return r.last.Load() }

// Refused reports whether the last configuration that was read could not be
// taken up.
func (r *Reloader) Refused() bool {
	last := r.Last()
	return last != nil && last.Err != nil
}
