package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
)

// One transition that the journal can never take keeps no other out.
func TestARefusedTransitionKeepsNoOtherOut(t *testing.T) {
	var stored []string
	p := newPipeline(nil, nil, zerolog.Nop())
	p.latency = func(time.Duration, string) {}
	p.publish = func(_ context.Context, events ...event.Event) error {
		for _, e := range events {
			if e.ID == "bad" {
				return fmt.Errorf("event: %w", &event.Fault{Field: "data.message", Want: "at most 4096 characters"})
			}
		}
		for _, e := range events {
			stored = append(stored, e.ID)
		}
		return nil
	}
	var out []outgoing
	for _, id := range []string{"a", "bad", "b"} {
		out = append(out, outgoing{event: event.Event{ID: id, Type: event.AlarmChangedType}})
	}
	p.store(deadline(t), out)
	if !slices.Equal(stored, []string{"a", "b"}) {
		t.Errorf("stored %v, want a and b", stored)
	}
}

// Whoever waits for a watch that has ended must not wait for ever.
func TestNobodyWaitsForAWatchThatHasEnded(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	if err := a.Stop(); err != nil {
		t.Fatal(err)
	}
	if err := a.held.list()[0].pipe.Quiet(deadline(t), 0); !errors.Is(err, errEnded) {
		t.Errorf("got %v, want %v", err, errEnded)
	}
}

// Snapshots that lie beside another journal would be taken for its own as soon
// as it has as many entries.
func TestSnapshotsOfAnotherJournalAreRemoved(t *testing.T) {
	cfg := shopOf(t, 1)
	snapshots := journal.Snapshots{Dir: filepath.Join(cfg.DataFolder(), "snapshots"), Log: zerolog.Nop()}
	if err := snapshots.Save(1000, []byte("another floor")); err != nil {
		t.Fatal(err)
	}
	a := startApp(t, Options{Config: cfg})
	publish(t, a, loaded("m0", time.Now(), 0)...)
	last, err := a.journals[0].Last(deadline(t))
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Stop(); err != nil {
		t.Fatal(err)
	}
	if seq, _, err := snapshots.Load(); err != nil || seq != last {
		t.Errorf("the newest snapshot is of entry %d (%v), want %d", seq, err, last)
	}
}

// A journal that has let every entry go by its age has a last sequence that
// will never be read. The watch must not wait for it.
func TestAWatchOverAnEmptiedJournalIsReady(t *testing.T) {
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server does not start")
	}
	nc, err := nats.Connect(s.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.CreateStream(deadline(t), jetstream.StreamConfig{Name: journal.StreamName, Subjects: []string{"floor.>"}})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := js.Publish(deadline(t), "floor.north.m0.edge.moved", nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := stream.Purge(deadline(t)); err != nil {
		t.Fatal(err)
	}
	cfg := shopOf(t, 1)
	cfg.NATS.URL, cfg.NATS.Listen = s.ClientURL(), ""
	a := startApp(t, Options{Config: cfg}) // waits until it is ready
	if lag := a.lag(); lag != 0 {
		t.Errorf("%g entries are said to be unread", lag)
	}
	publish(t, a, loaded("m0", time.Now(), 0)...)
	if m := a.View().Floor.Machine("north", "m0"); m == nil || !m.Roll.Loaded {
		t.Errorf("what came after is not folded: %+v", m)
	}
}
