package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"rollwarden/rules"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/lease"
	"rollwarden/watcher/pager"
)

// shard is the watch over one journal: the pipeline that folds and judges it, the
// pager of its alarms, and the drop folders and other sources of its sites. A watch with its
// own NATS server has one, for as long as it runs. With an external one a daemon
// has as many as it holds leases of, and makes a new one for each holding.
type shard struct {
	app     *App // what all shards share
	number  int
	journal *journal.Journal
	pipe    *pipeline
	pager   *pager.Pager
	inboxes []folder.Inbox

	folderTroubles troubles[folder.Inbox]
	sourceTroubles troubles[string] // of run logs by nameOf, and of signals by ""
}

// states keeps what a shard folds, so that a restart need not read the whole
// journal. The sequence is that of the last entry in a state, 0 for none.
type states interface {
	Save(seq uint64, state []byte) error
	Load() (seq uint64, state []byte, err error)
	Remove() error
}

// openShard folds the newest state of a journal and gets everything around it
// ready. What must not be done by two daemons asks held right before.
func (a *App) openShard(ctx context.Context, number int, held func() bool) (*shard, error) {
	s := &shard{app: a, number: number, journal: a.journals[number], inboxes: a.inboxesOf(number)}
	s.prepareSources(ctx)
	first, last, err := s.journal.Span(ctx)
	if err != nil {
		return nil, fmt.Errorf("ask the journal for its end: %w", err)
	}
	kept, err := a.statesOf(ctx, s.journal)
	if err != nil {
		return nil, err
	}
	if s.pager, err = a.newPager(s.journal, held); err != nil {
		return nil, err
	}
	engine := a.restore(kept, last)
	s.pipe = newPipeline(engine, a.clock, a.log)
	s.pipe.held, s.pipe.publish, s.pipe.pages, s.pipe.last = held, s.journal.Publish, s.offerPages, readable(first, last)
	s.pipe.latency, s.pipe.shown = a.metrics.ObserveAlarm, a.front.hub.Changed
	s.pipe.snapshots = newSnapshotter(unlessLost(ctx, kept.Save), engine.Seq(), a.log)
	a.makeFolders(s.inboxes) // before anybody is told that the watch is ready
	return s, nil
}

// unlessLost leaves a save out once the lease is lost: NATS may be out of reach,
// and whoever holds the lease now saves a newer state.
func unlessLost(ctx context.Context, save func(uint64, []byte) error) func(uint64, []byte) error {
	return func(seq uint64, state []byte) error {
		if errors.Is(context.Cause(ctx), lease.ErrLost) {
			return nil
		}
		return save(seq, state)
	}
}

// run watches until ctx ends or a part of it fails.
func (s *shard) run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	after := s.pipe.engine.Seq()
	group.Go(func() error { return s.pipe.loop(ctx) })
	group.Go(func() error { s.pipe.snapshots.run(); return nil })
	group.Go(func() error { return s.pipe.publisher(ctx) })
	group.Go(func() error { return s.follow(ctx, after) })
	group.Go(func() error { return s.watchFolders(ctx) })
	group.Go(func() error { return s.watchSources(ctx) })
	group.Go(func() error { return s.pager.Run(ctx) })
	return group.Wait()
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

// statesOf is where the states of a journal are kept: in files, or in NATS where
// another daemon may go on from them.
func (a *App) statesOf(ctx context.Context, j *journal.Journal) (states, error) {
	if a.shared() {
		return a.openShared(ctx, j)
	}
	return journal.Snapshots{Dir: a.snapshotFolder(), Log: a.log}, nil
}

// openShared opens what the daemons of a shared floor know in common of a journal.
func (a *App) openShared(ctx context.Context, j *journal.Journal) (journal.Shared, error) {
	return j.OpenShared(ctx, a.bus.JetStream(), a.cfg.NATS.Replicas)
}

// restore folds the newest snapshot that the journal still bears out.
func (a *App) restore(s states, last uint64) *rules.Engine {
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

func (s *shard) follow(ctx context.Context, after uint64) error {
	err := s.journal.Follow(ctx, after, func(batch []journal.Entry) error { return s.pipe.decode(ctx, batch) })
	if ctx.Err() != nil {
		return nil
	}
	if errors.Is(err, journal.ErrReplaced) && !s.app.shared() {
		return fmt.Errorf("%w: move %s away and start again, so that the journal is folded from its start", err, s.app.snapshotFolder())
	}
	return err
}

// watchFolders begins once the journal has been read, since a ticket is only
// new against what is known.
func (s *shard) watchFolders(ctx context.Context) error {
	if err := s.caughtUp(ctx); err != nil || len(s.inboxes) == 0 {
		return nil
	}
	a := s.app
	o := a.cfg.FolderOptions(a.part("folder"))
	o.Inboxes, o.Read, o.Publish, o.Now, o.Trouble = s.inboxes, a.readTicket, a.tell, a.clock.Now, s.folderTroubles.set
	return folder.Watch(ctx, o)
}

// caughtUp waits until everything is folded that was in the journal when the
// shard was opened.
func (s *shard) caughtUp(ctx context.Context) error { return s.pipe.Quiet(ctx, s.pipe.last) }

// settle waits until everything that is in the journal now has been folded and
// judged, and what follows from it is in the journal too.
func (s *shard) settle(ctx context.Context) error {
	first, last, err := s.journal.Span(ctx)
	if err != nil {
		return err
	}
	return s.pipe.Quiet(ctx, readable(first, last))
}

// inboxesOf are the drop folders of the sites in a partition.
func (a *App) inboxesOf(number int) []folder.Inbox {
	return slices.DeleteFunc(a.cfg.Inboxes(), func(in folder.Inbox) bool { return a.partitions.Of(in.Site) != number })
}

// makeFolders makes the drop folders that are not there at the start. Their root is
// waited for if it has a path of its own, and so is each that goes away later: it may
// lie on a share that is not mounted yet, or was lost. People of the group drop
// tickets in them where the umask lets them.
func (a *App) makeFolders(inboxes []folder.Inbox) {
	if a.cfg.TicketsAway() {
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

// newPager makes the pager of one shard.
func (a *App) newPager(j *journal.Journal, held func() bool) (*pager.Pager, error) {
	channels, err := a.cfg.Channels(time.Now)
	if err != nil {
		return nil, err
	}
	o := pager.Options{
		Channels: append(channels, a.opts.Channels...), Publish: j.Publish, Held: held,
		GiveUpAfter: a.cfg.Pager.GiveUpAfter, Log: a.part("pager"),
		Links: func(p pager.Page) (board, runbook string) { return a.cfg.PublicURL(), a.cfg.RunbookFor(p.Hazard) },
	}
	if a.shared() {
		o.Grace = min(pager.Grace, lease.Margin(a.cfg.NATS.Lease))
	}
	return pager.New(o)
}
