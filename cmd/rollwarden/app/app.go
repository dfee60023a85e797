// Package app puts the watch together: it opens the journal, starts the loop
// and the edges around it, and takes everything down again in reverse order.
// pipeline.go shows the whole path of an event on one page.
package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/prom"
	"rollwarden/rules"
	"rollwarden/rules/ticket"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/pager"
)

// Options say what to run.
type Options struct {
	Config  *config.Config
	Clock   Clock // the real one when nil
	Log     zerolog.Logger
	Version string
	// Channels come besides those that the configuration names.
	Channels []pager.Channel
	// Ground is what the watch stands on and leaves in place when it stops. It
	// has one of its own when nil.
	Ground *Ground
	// Reload is how the board has the configuration read again; nil where that
	// cannot be done.
	Reload *Reloader
}

// App is a running watch.
type App struct {
	opts    Options
	cfg     *config.Config
	clock   Clock
	log     zerolog.Logger
	ground  *Ground
	site    rules.Site
	tickets ticket.Options
	bus     *bus.Bus
	journal *journal.Journal
	pager   *pager.Pager
	pipe    *pipeline
	metrics *prom.Collector
	http    net.Listener
	tls     *tls.Config // nil for plain HTTP
	front   *front
	reading sync.Mutex   // guards reader
	reader  rules.Reader // works out for pages and scrapes what a view does not hold

	cleanups []cleanup
	cancel   context.CancelFunc
	done     chan error
}

// cleanup undoes one step of the start. Cleanups run last-in-first-out.
type cleanup struct {
	name string
	undo func(context.Context) error
}

func (a *App) onClose(name string, undo func(context.Context) error) {
	a.cleanups = append(a.cleanups, cleanup{name, undo})
}

// Start opens everything and begins to watch. When it fails it has closed what
// it had opened. The watch goes on until Stop, or until a part of it fails,
// which Done tells.
func Start(ctx context.Context, o Options) (*App, error) {
	if o.Clock == nil {
		o.Clock = RealClock{}
	}
	a := &App{opts: o, cfg: o.Config, clock: o.Clock, log: o.Log, ground: o.Ground, done: make(chan error, 1)}
	if a.ground == nil {
		a.ground = &Ground{}
		a.onClose("bus and board address", a.ground.Close)
	}
	for _, step := range []func(context.Context) error{a.openSite, a.openBus, a.openJournal, a.openPager, a.openFront, a.openHTTP, a.run} {
		if err := step(ctx); err != nil {
			return nil, errors.Join(err, a.close(ctx))
		}
	}
	return a, nil
}

func (a *App) openSite(context.Context) (err error) {
	if a.tickets, err = a.cfg.TicketOptions(); err != nil {
		return err
	}
	if a.site, err = a.cfg.Site(); err != nil {
		return err
	}
	a.reader = rules.NewReader(a.site)
	return nil
}

func (a *App) openBus(ctx context.Context) (err error) {
	a.bus, err = a.ground.openBus(ctx, a.cfg, a.cfg.BusOptions("rollwarden", a.part("nats")))
	return err
}

func (a *App) openJournal(ctx context.Context) (err error) {
	a.journal, err = journal.Open(ctx, a.bus.JetStream(), a.cfg.JournalOptions(a.part("journal")))
	return err
}

func (a *App) openPager(context.Context) error {
	channels, err := a.cfg.Channels(time.Now)
	if err != nil {
		return err
	}
	a.pager, err = pager.New(pager.Options{
		Channels: append(channels, a.opts.Channels...), Publish: a.journal.Publish,
		GiveUpAfter: a.cfg.Pager.GiveUpAfter, Log: a.part("pager"),
		Links: func(p pager.Page) (board, runbook string) { return a.cfg.PublicURL(), a.cfg.RunbookFor(p.Hazard) },
	})
	return err
}

// part is the log of one part of the watch.
func (a *App) part(name string) zerolog.Logger { return a.log.With().Str("part", name).Logger() }

func (a *App) openHTTP(context.Context) (err error) {
	if a.tls, err = a.cfg.ServerTLS(a.part("tls")); err != nil {
		return err
	}
	l, err := a.ground.openSocket(a.cfg.HTTP.Listen)
	if err != nil {
		return err
	}
	a.onClose("board address", func(context.Context) error { return l.Close() })
	if a.http = l; a.tls != nil {
		a.http = tls.NewListener(l, a.tls)
	}
	return nil
}

// URL is where the board is served.
func (a *App) URL() string {
	if a.tls != nil {
		return "https://" + a.http.Addr().String()
	}
	return "http://" + a.http.Addr().String()
}

// NATS is where events can be published; empty when nothing listens.
func (a *App) NATS() string { return a.bus.URL() }

// run starts the goroutines. They all end with the context; the first that
// fails ends the others.
func (a *App) run(ctx context.Context) error {
	first, last, err := a.journal.Span(ctx)
	if err != nil {
		return fmt.Errorf("ask the journal for its end: %w", err)
	}
	snapshots := journal.Snapshots{Dir: a.snapshotFolder(), Log: a.log}
	engine := a.restore(snapshots, last)
	a.pipe = newPipeline(engine, a.clock, a.log)
	a.pipe.publish, a.pipe.pages, a.pipe.last = a.journal.Publish, a.offerPages, readable(first, last)
	a.pipe.snapshots = newSnapshotter(snapshots.Save, engine.Seq(), a.log)
	var scrape http.Handler
	if a.metrics, scrape, err = a.newMetrics(); err != nil {
		return err
	}
	a.pipe.latency = a.metrics.ObserveAlarm
	handler, err := a.handler(scrape)
	if err != nil {
		return err
	}
	a.pipe.shown = a.front.hub.Changed
	a.makeFolders(a.cfg.Inboxes()) // before anybody is told that the watch is ready
	ctx, a.cancel = context.WithCancel(context.WithoutCancel(ctx))
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return a.pipe.loop(ctx) })
	group.Go(func() error { a.pipe.snapshots.run(); return nil })
	group.Go(func() error { return a.pipe.publisher(ctx) })
	group.Go(func() error { return a.follow(ctx, engine.Seq()) })
	group.Go(func() error { return a.watchFolders(ctx) })
	group.Go(func() error { return a.pager.Run(ctx) })
	group.Go(func() error { return a.front.hub.Run(ctx) })
	group.Go(func() error { return a.front.reports.run(ctx) })
	group.Go(func() error { return serve(ctx, newServer(handler, a.part("http")), a.http) })
	a.onClose("goroutines", a.endGoroutines)
	go func() { a.done <- group.Wait(); close(a.done) }()
	return nil
}

func (a *App) endGoroutines(ctx context.Context) error {
	a.cancel()
	select {
	case err := <-a.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// readable is the last entry that a journal still holds. When every entry was
// let go by its age none will ever come, whatever the last one was.
func readable(first, last uint64) uint64 {
	if first > last {
		return 0
	}
	return last
}

func (a *App) snapshotFolder() string { return filepath.Join(a.cfg.DataFolder(), "snapshots") }

// restore folds the newest snapshot that the journal still bears out.
func (a *App) restore(s journal.Snapshots, last uint64) *rules.Engine {
	engine := rules.New(a.site)
	seq, state, err := s.Load()
	switch {
	case err != nil:
		a.log.Warn().Err(err).Msg("cannot read the snapshots, folding the whole journal")
	case seq == 0:
	case seq > last:
		// It is of another journal, and would pass for this one's once that is
		// as long.
		a.log.Warn().Uint64("snapshot", seq).Uint64("journal", last).Msg("the snapshot is newer than the journal, removing it and folding the whole journal")
		if err := s.Remove(); err != nil {
			a.log.Warn().Err(err).Msg("cannot remove the snapshots of another journal")
		}
	default:
		if err := engine.Restore(state); err != nil {
			a.log.Warn().Err(err).Msg("cannot use the snapshot, folding the whole journal")
			return rules.New(a.site)
		}
	}
	return engine
}

func (a *App) follow(ctx context.Context, after uint64) error {
	err := a.journal.Follow(ctx, after, func(batch []journal.Entry) error { return a.pipe.decode(ctx, batch) })
	if ctx.Err() != nil {
		return nil
	}
	if errors.Is(err, journal.ErrReplaced) {
		return fmt.Errorf("%w: move %s away and start again, so that the journal is folded from its start", err, a.snapshotFolder())
	}
	return err
}

// watchFolders begins once the journal has been read, since a ticket is only
// new against what is known.
func (a *App) watchFolders(ctx context.Context) error {
	if err := a.pipe.Quiet(ctx, a.pipe.last); err != nil {
		return nil
	}
	o := a.cfg.FolderOptions(a.part("folder"))
	o.Read, o.Publish, o.Now = a.readTicket, a.tell, a.clock.Now
	return folder.Watch(ctx, o)
}

// makeFolders makes the drop folders that are not there at the start, if they
// belong beside the configuration. One with a path of its own may lie on a share
// that is not mounted yet, and one that goes away later on a share that was
// lost: both are waited for.
func (a *App) makeFolders(inboxes []folder.Inbox) {
	if filepath.IsAbs(a.cfg.Tickets.Folder) {
		return
	}
	for _, in := range inboxes {
		if _, err := os.Stat(in.Dir); !errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err := os.MkdirAll(in.Dir, 0o775); err != nil {
			a.log.Error().Err(err).Msg("cannot make a ticket folder: make it, and let this user write to it")
			continue
		}
		a.log.Info().Str("folder", in.Dir).Msg("made a ticket folder")
	}
}

// lastRequests is how long a server waits for the requests of the connections
// that it took last.
const lastRequests = 100 * time.Millisecond

func serve(ctx context.Context, s *http.Server, l net.Listener) error {
	failed := make(chan error, 1)
	go func() { failed <- s.Serve(l) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve the board: %w", err)
	case <-ctx.Done():
		// A request that is read while the server shuts down gets no answer, so
		// those whose connection was just taken have a moment to send theirs.
		l.Close()
		time.Sleep(lastRequests)
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		if err := s.Shutdown(end); err != nil {
			return s.Close() // a slow reader is no reason to fail
		}
		return nil
	}
}

// Done is closed, or tells the error, when the watch has ended by itself.
func (a *App) Done() <-chan error { return a.done }

// View is the floor as readers see it; nil until the journal has been read.
func (a *App) View() *rules.View { return a.pipe.view.Load() }

// Settle waits until everything that is in the journal now has been folded and
// judged, and what follows from it is in the journal too.
func (a *App) Settle(ctx context.Context) error {
	first, last, err := a.journal.Span(ctx)
	if err != nil {
		return err
	}
	return a.pipe.Quiet(ctx, readable(first, last))
}

// stopWithin bounds how long a stop may take.
const stopWithin = 15 * time.Second

// Stop ends the watch and closes everything, the last opened first.
func (a *App) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	return a.close(ctx)
}

func (a *App) close(ctx context.Context) error {
	var errs []error
	for i := len(a.cleanups) - 1; i >= 0; i-- {
		if err := a.cleanups[i].undo(ctx); err != nil {
			errs = append(errs, fmt.Errorf("close %s: %w", a.cleanups[i].name, err))
		}
	}
	a.cleanups = nil
	return errors.Join(errs...)
}
