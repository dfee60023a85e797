package app

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"

	"golang.org/x/sync/errgroup"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/watcher/ipp"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/runlog"
	"rollwarden/watcher/signal"
)

// sources are what tells of machines besides tickets, people and signals.
type sources struct {
	logs     []runlog.Log
	printers []ipp.Printer
	roots    *x509.CertPool // that the printers' certificates may be signed by; nil for the system's
}

// openSources makes them once, so that what is wrong with them is said at the start.
func (a *App) openSources(context.Context) (err error) {
	if a.sources.logs, err = a.cfg.RunLogs(); err != nil {
		return fmt.Errorf("sources.run_logs: %w", err)
	}
	a.sources.printers, a.sources.roots, err = a.cfg.Printers()
	return err
}

// MQTT is where signals can be published by MQTT; empty when nothing listens.
func (a *App) MQTT() string { return a.bus.MQTT() }

// watchSources follows what tells of the shard's machines besides tickets and
// people. Like the folders it begins once the journal has been read.
func (s *shard) watchSources(ctx context.Context) error {
	if err := s.caughtUp(ctx); err != nil {
		return nil
	}
	q := newQuarantine(s.app.tell, s.app.clock.Now)
	group, ctx := errgroup.WithContext(ctx)
	for _, watch := range []func(context.Context, *quarantine) error{s.watchSignals, s.watchRunLogs, s.askPrinters} {
		group.Go(func() error { return watch(ctx, q) })
	}
	group.Go(func() error { q.run(ctx); return nil })
	defer q.leave(ctx)
	return group.Wait()
}

// prepareSources makes what signals wait in until the journal has been read.
func (s *shard) prepareSources(ctx context.Context) {
	if !s.mapsSignals() {
		return
	}
	if err := signal.Prepare(ctx, s.signals(s.app.tell)); err != nil {
		s.app.log.Warn().Err(err).Msg("signals are lost until there is a place for them to wait; it is tried again")
	}
}

func (s *shard) watchSignals(ctx context.Context, q *quarantine) error {
	if !s.mapsSignals() {
		return nil
	}
	return signal.Watch(ctx, s.signals(q.publish))
}

// mapsSignals reports whether the shard is the one that reads the signals of all
// sites, since a signal is in nobody's partition until it is read.
func (s *shard) mapsSignals() bool {
	return s.number == s.app.partitions.Of(s.app.cfg.Machines[0].Site)
}

func (s *shard) signals(publish func(context.Context, ...event.Event) error) signal.Options {
	a := s.app
	return signal.Options{
		JetStream: a.bus.JetStream(), BuiltIn: !a.shared(), Rows: a.cfg.Signals(), Site: a.cfg.Nowhere(), Place: a.cfg.Place,
		Publish: publish, Log: a.part("signals"), Trouble: func(why string) { s.sourceTroubles.set("", why) },
	}
}

func (s *shard) watchRunLogs(ctx context.Context, q *quarantine) error {
	a := s.app
	logs := s.runLogs()
	if len(logs) == 0 {
		return nil
	}
	return runlog.Watch(ctx, runlog.Options{
		Logs: logs, State: s.runLogState(),
		Poll: a.cfg.Sources.Poll, Publish: q.publish, Now: a.clock.Now, Log: a.part("run logs"),
		Trouble: func(l *runlog.Log, why string) { s.sourceTroubles.set(nameOf(l), why) },
	})
}

// runLogs are those of the shard's machines.
func (s *shard) runLogs() []runlog.Log {
	return slices.DeleteFunc(slices.Clone(s.app.sources.logs), func(l runlog.Log) bool { return s.app.partitions.Of(l.Site) != s.number })
}

// nameOf is what people call a run log.
func nameOf(l *runlog.Log) string { return floor.Key(l.Site, l.Machine) + ": " + l.Files }

// runLogState is where the shard remembers how far its run logs were read: in a file,
// or in NATS where another daemon may go on from there.
func (s *shard) runLogState() runlog.State {
	file := runlog.File(filepath.Join(s.app.cfg.DataFolder(), "run-logs", fmt.Sprintf("%d.json", s.number)))
	if s.app.shared() {
		return sharedState{s, file}
	}
	return file
}

// sharedState is how far run logs were read, where several daemons watch a floor.
type sharedState struct {
	*shard
	before runlog.File // of a version that kept it in each daemon's folder
}

// runLogsKept is its name among what is kept of a journal.
const runLogsKept = "run logs"

// Load implements runlog.State.
func (s sharedState) Load() ([]byte, error) {
	store, err := s.open()
	if err != nil {
		return nil, err
	}
	data, err := store.Kept(runLogsKept)
	if errors.Is(err, fs.ErrNotExist) {
		return s.before.Load()
	}
	return data, err
}

// Save implements runlog.State.
func (s sharedState) Save(data []byte) error {
	store, err := s.open()
	if err != nil {
		return err
	}
	return store.Keep(runLogsKept, data)
}

func (s sharedState) open() (journal.Shared, error) {
	ctx, cancel := context.WithTimeout(context.Background(), askWithin)
	defer cancel()
	return s.app.openShared(ctx, s.journal)
}

func (s *shard) askPrinters(ctx context.Context, q *quarantine) error {
	a := s.app
	printers := slices.DeleteFunc(slices.Clone(a.sources.printers), func(p ipp.Printer) bool { return a.partitions.Of(p.Site) != s.number })
	return ipp.Watch(ctx, ipp.Options{
		Printers: printers, Every: a.cfg.Sources.Poll, Roots: a.sources.roots, Publish: q.publish, Now: a.clock.Now, Log: a.part("ipp"),
	})
}
