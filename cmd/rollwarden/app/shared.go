package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/lease"
)

// With an external NATS there may be several daemons on one floor, by plan or by
// mistake. Each watches the shards that it holds a lease of. With one partition
// the second daemon is a standby; with several they share them.

// leaseBucket is the key-value bucket that says which daemon watches what.
const leaseBucket = "FLOOR-LEASES"

// shared reports whether other daemons may watch the same floor.
func (a *App) shared() bool { return a.cfg.NATS.URL != "" }

// openLeases opens the table of leases, for a floor that may be shared.
func (a *App) openLeases(ctx context.Context) (err error) {
	if !a.shared() {
		return nil
	}
	me := lease.Holder{Name: a.cfg.NATS.Name, URL: strings.TrimRight(a.cfg.HTTP.PublicURL, "/")}
	if me.Name == "" {
		if me.Name, err = os.Hostname(); err != nil {
			return fmt.Errorf("find out the name of this computer: %w: set nats.name", err)
		}
	}
	if me.ID, err = a.identify(); err != nil {
		return err
	}
	a.table, err = lease.Open(ctx, a.bus.JetStream(), lease.Options{
		Bucket: leaseBucket, Shares: a.partitions.Len(), TTL: a.cfg.NATS.Lease, Replicas: a.cfg.NATS.Replicas, Me: me, Log: a.part("lease"),
	})
	return err
}

// identify returns the id of the daemon of this data folder, which it keeps over
// a restart, and holds the folder so that no second one has the same.
func (a *App) identify() (id string, err error) {
	dir := filepath.Join(a.cfg.DataFolder(), "daemon")
	release, err := bus.Hold(dir)
	if err != nil {
		return "", err
	}
	a.onClose("daemon folder", func(context.Context) error { return release() })
	name := filepath.Join(dir, "id")
	kept, err := os.ReadFile(name)
	if id = strings.TrimSpace(string(kept)); err == nil && id != "" {
		return id, nil
	}
	id = rand.Text()
	if err := os.WriteFile(name, []byte(id+"\n"), 0o600); err != nil {
		return "", fmt.Errorf("keep the id of this daemon: %w: let this user write there", err)
	}
	return id, nil
}

// holdShard watches a partition for as long as its lease lasts. What goes wrong
// with it gives the lease back, and is tried again, here or by another daemon;
// only what no lease can help ends the watch.
func (a *App) holdShard(ctx context.Context, number int, held func() bool) error {
	log := a.part("lease").With().Int("partition", number).Logger()
	log.Info().Msg("watching this partition")
	err := a.watchShard(ctx, number, held)
	why := context.Cause(ctx)
	switch {
	case errors.Is(err, journal.ErrReplaced), errors.Is(err, nats.ErrConnectionClosed):
		return err
	case errors.Is(why, lease.ErrLost):
		log.Warn().Err(err).Msg("the lease is lost: not watching this partition any more")
	case ctx.Err() != nil:
		log.Info().AnErr("error", err).Msg("not watching this partition any more")
	default:
		log.Error().Err(err).Msg("this partition cannot be watched; it is tried again")
	}
	return nil
}

func (a *App) watchShard(ctx context.Context, number int, held func() bool) error {
	s, err := a.openShard(ctx, number, held)
	if err != nil {
		return err
	}
	a.held.put(s)
	defer func() {
		a.held.drop(s)
		if a.View() != nil { // or there is nothing to paint any more
			a.front.hub.Changed()
		}
	}()
	return s.run(ctx)
}
