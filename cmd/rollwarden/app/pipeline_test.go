package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
)

// looped is a pipeline whose journal is the test itself, with a clock an hour ahead.
type looped struct {
	*testing.T
	*pipeline
	refuse atomic.Value // the machine whose transitions the journal refuses

	mu     sync.Mutex
	seq    uint64
	stored map[string]time.Time // by event id
	took   map[string]time.Duration
}

func runLooped(t *testing.T) *looped {
	site, err := shopOf(t, 2).Site()
	fail(t, err)
	l := &looped{T: t, pipeline: newPipeline(rules.New(site), RealClock{}, zerolog.Nop()), stored: map[string]time.Time{}, took: map[string]time.Duration{}}
	l.refuse.Store("")
	l.snapshots = newSnapshotter(func(uint64, []byte) error { return nil }, 0, zerolog.Nop())
	l.pages = func([]alarm.Page, map[string][]alarm.Alarm) {}
	l.latency = func(took time.Duration, id string) { l.mu.Lock(); defer l.mu.Unlock(); l.took[id] = took }
	l.publish = func(_ context.Context, events ...event.Event) error {
		for _, e := range events {
			if e.Machine == l.refuse.Load() {
				return fmt.Errorf("event: %w", &event.Fault{Field: "data.message", Want: "at most 4096 characters"})
			}
		}
		l.put(events...)
		return nil
	}
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { l.loop(ctx) })
	running.Go(l.snapshots.run)
	running.Go(func() { l.publisher(ctx) })
	t.Cleanup(func() { stop(); running.Wait() })
	return l
}

func (l *looped) put(events ...event.Event) {
	for _, e := range events {
		l.mu.Lock()
		l.seq++
		l.stored[e.ID] = time.Now().Add(time.Hour)
		next := entry{seq: l.seq, stored: l.stored[e.ID], event: e}
		l.mu.Unlock()
		l.batches <- []entry{next}
	}
}

// bare puts a cheap film's bare edge before a job.
func (l *looped) bare(machine string) {
	l.put(append(loaded(machine, time.Now(), 0), say(machine, time.Now(), "run.queued", &event.RunQueued{Job: "KL-1"}))...)
}

// alarms are those of a machine, when all is at rest.
func (l *looped) alarms(machine string) []alarm.Alarm {
	l.Helper()
	l.mu.Lock()
	seq := l.seq
	l.mu.Unlock()
	fail(l.T, l.Quiet(deadline(l), seq))
	return l.view.Load().Alarms.Alarms["north/"+machine]
}

// One transition that the journal can never take keeps no other out and nobody
// waiting, and is tried again when something happens on its machine.
func TestARefusedTransitionKeepsNoOtherOut(t *testing.T) {
	l := runLooped(t)
	l.refuse.Store("m0")
	l.bare("m0")
	l.bare("m1")
	if l.alarms("m0") != nil || l.alarms("m1") == nil {
		t.Fatalf("alarms stand on %v, want m1", l.view.Load().Alarms.Alarms)
	}
	l.refuse.Store("")
	l.put(say("m0", time.Now(), "climate.read", &event.ClimateRead{RHPct: f(45)}))
	if l.alarms("m0") == nil {
		t.Error("an alarm that was refused once never comes")
	}
}

// How long an alarm took is told by the clock of the journal alone.
func TestLatencyIsTheJournals(t *testing.T) {
	l := runLooped(t)
	l.bare("m0")
	standing := l.alarms("m0")
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, a := range standing {
		if took, ok := l.took[a.RaisedID]; !ok || took < 0 || took > time.Minute {
			t.Errorf("%s took %s (%t)", a.Hazard, took, ok)
		}
	}
	if len(standing) == 0 || len(l.causes) != 0 {
		t.Errorf("%d alarms; %d are waited for", len(standing), len(l.causes))
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
