package app

import (
	"fmt"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules"
	"rollwarden/rules/event"
)

// A snapshot that took long keeps the next one away, though many events have come;
// the last one, when the watch ends, is always taken.
func TestSnapshotsTakeAShareOfTheTime(t *testing.T) {
	site, err := shopOf(t, 1).Site()
	if err != nil {
		t.Fatal(err)
	}
	engine := rules.New(site)
	var saved []uint64
	s := newSnapshotter(func(seq uint64, _ []byte) error { saved = append(saved, seq); return nil }, 0, zerolog.Nop())
	s.every = 1
	apply := func(seq uint64) {
		e := say("m0", time.Now(), "climate.read", &event.ClimateRead{RHPct: f(45)})
		engine.Apply(seq, e)
		s.offer(engine)
	}
	apply(1)
	if len(s.saving) != 1 {
		t.Fatal("no snapshot after enough events")
	}
	<-s.saving
	s.took.Store(int64(time.Hour))
	apply(2)
	if len(s.saving) != 0 {
		t.Fatal("a snapshot right after one that took an hour")
	}
	s.last(engine)
	s.run()
	if fmt.Sprint(saved) != "[2]" || s.took.Load() >= int64(time.Hour) {
		t.Fatalf("saved %v in the end, want [2], and how long it took", saved)
	}
}
