// Package app puts the watch together: it opens the bus and its journals, starts
// the shards that watch them and the front that people meet, and takes everything
// down again in reverse order. A Reloader puts a watch with another configuration
// in the place of one. pipeline.go shows the whole path of an event on one page.
package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/prom"
	"rollwarden/rules"
	"rollwarden/rules/ticket"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/lease"
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
	began   time.Time
	log     zerolog.Logger
	ground  *Ground
	site    rules.Site
	sources sources
	tickets ticket.Options
	bus     *bus.Bus
	metrics *prom.Collector
	http    net.Listener
	tls     *tls.Config // nil for plain HTTP
	front   *front
	reading sync.Mutex   // guards reader
	reader  rules.Reader // works out for pages and scrapes what a view does not hold

	partitions journal.Partitions
	journals   []*journal.Journal // of all partitions, whoever watches them
	channels   []string           // that pages go out on, the log last
	held       *holding           // what this daemon watches
	versions   *versions          // of tickets
	table      *lease.Table       // who watches what; nil for a watch with its own NATS

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
	a := &App{opts: o, cfg: o.Config, clock: o.Clock, log: o.Log, ground: o.Ground, began: o.Clock.Now(), held: newHolding(), done: make(chan error, 1)}
	a.versions = newVersions(func(site string) *rules.View { return a.held.viewOf(a.partitions.Of(site)) })
	if a.ground == nil {
		a.ground = &Ground{}
		a.onClose("bus and board address", a.ground.Close)
	}
	for _, step := range []func(context.Context) error{a.openSite, a.openSources, a.closeData, a.openBus, a.openJournals, a.openPager, a.openLeases, a.openFront, a.openHTTP, a.run} {
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

// openJournals opens the journal, or that of each partition.
func (a *App) openJournals(ctx context.Context) (err error) {
	if a.partitions, err = a.cfg.Partitions(); err != nil {
		return fmt.Errorf("nats.%w", err)
	}
	o := a.cfg.JournalOptions(a.part("journal"))
	if a.shared() {
		o.Now = a.clock.Now
	}
	for n := range a.partitions.Len() {
		j, err := journal.Open(ctx, a.bus.JetStream(), a.partitions.Options(o, n))
		if err != nil {
			return err
		}
		a.journals = append(a.journals, j)
	}
	return a.partitions.Check(ctx, a.bus.JetStream(), a.sites())
}

// journalOf is the journal that a site is in.
func (a *App) journalOf(site string) *journal.Journal { return a.journals[a.partitions.Of(site)] }

// reachJournals reports why the journals cannot be asked at this moment, or nil.
func (a *App) reachJournals(ctx context.Context) error {
	if err := a.bus.Health(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	for _, j := range a.journals {
		if _, _, err := j.Span(ctx); err != nil {
			return err
		}
	}
	return nil
}

// askWithin bounds how long the journals may take to answer before a reload.
const askWithin = 5 * time.Second

// sites are those of the configured machines, each once.
func (a *App) sites() (sites []string) {
	for _, m := range a.site.Machines {
		if !slices.Contains(sites, m.Site) {
			sites = append(sites, m.Site)
		}
	}
	return sites
}

// openPager makes the channels once, so that what is wrong with them is said at
// the start, and keeps their names.
func (a *App) openPager(context.Context) error {
	channels, err := a.cfg.Channels(time.Now)
	if err != nil {
		return err
	}
	for _, c := range append(channels, a.opts.Channels...) {
		a.channels = append(a.channels, c.Name())
	}
	a.channels = append(a.channels, pager.LogName)
	return nil
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
	var scrape http.Handler
	var err error
	if a.metrics, scrape, err = a.newMetrics(); err != nil {
		return err
	}
	handler, err := a.handler(scrape)
	if err != nil {
		return err
	}
	watch, err := a.watch(ctx)
	if err != nil {
		return err
	}
	a.ground.handOver(a.front.gate) // nothing can fail from here on
	ctx, a.cancel = context.WithCancel(context.WithoutCancel(ctx))
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return watch(ctx) })
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

// watch gets ready to watch, and returns what watches: the one shard of a watch
// with its own NATS, or those that the leases give this daemon.
func (a *App) watch(ctx context.Context) (func(context.Context) error, error) {
	if a.shared() {
		return func(ctx context.Context) error { return a.table.Run(ctx, a.holdShard) }, nil
	}
	s, err := a.openShard(ctx, 0, always)
	if err != nil {
		return nil, err
	}
	release, err := a.claim(s.inboxes)
	if err != nil {
		return nil, err
	}
	a.onClose("ticket folders", func(context.Context) error { release(); return nil })
	a.held.put(s)
	return s.run, nil
}

// lastRequests is how long a server waits for the requests of the connections
// that it took last.
const lastRequests = 100 * time.Millisecond

func serve(ctx context.Context, s *http.Server, l net.Listener) error {
	failed := make(chan error, 1) // told when it takes no more connections
	go func() { failed <- s.Serve(l) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve the board: %w", err)
	case <-ctx.Done():
		// A request that is read while the server shuts down gets no answer, so
		// those whose connection was just taken have a moment to send theirs.
		l.Close()
		<-failed // or it might take a connection from the next server
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
func (a *App) View() *rules.View { return a.held.view() }

// Settle waits until everything that is in the journal now has been folded and
// judged, and what follows from it is in the journal too. Of a floor that several
// daemons share it is about what this one watches, once it watches something.
func (a *App) Settle(ctx context.Context) error {
	return a.held.each(ctx, func(s *shard) error { return s.settle(ctx) })
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
