package faults

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
)

// jumpClock is the clock of a computer that somebody sets, or that comes back
// from sleep: it ticks as time does, so far off.
type jumpClock struct {
	mu    sync.Mutex
	off   time.Duration
	waits int // how often somebody began to wait for a moment
}

func (c *jumpClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Now().Add(c.off)
}

// At wakes within a tenth of a second, as the real clock does within a minute: a
// timer knows nothing of a clock that is set.
func (c *jumpClock) At(t time.Time) (<-chan time.Time, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.waits++
	timer := time.NewTimer(min(t.Sub(time.Now().Add(c.off)), 100*time.Millisecond))
	return timer.C, func() { timer.Stop() }
}

func (c *jumpClock) jump(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.off += by
}

func (c *jumpClock) waited() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.waits
}

// startInside runs the watch in this process, by a clock of the test's own: the
// program takes none.
func (s *shop) startInside(c app.Clock) {
	s.tb.Helper()
	cfg, err := config.Load(s.path("rollwarden.yaml"), []string{"ROLLWARDEN_NATS_LISTEN=127.0.0.1:0"})
	s.must(err)
	a, err := app.Start(context.Background(), app.Options{Config: cfg, Clock: c, Log: zerolog.Nop(), Version: "test"})
	s.must(err)
	s.watch = &watch{board: a.URL(), nats: a.NATS()}
	s.tb.Cleanup(func() {
		s.watch = nil
		if err := a.Stop(); err != nil {
			s.tb.Errorf("stop: %v", err)
		}
	})
	s.until("the watch is ready", s.ready)
}

// A clock that is set by hours or days, either way, raises no storm of timers,
// takes no alarm back, and keeps none from coming.
func TestTheClockJumps(t *testing.T) {
	clock := &jumpClock{}
	s := newShop(t, "")
	s.startInside(clock)
	s.clock = clock.Now
	m := s.play("north/heron", 1)
	s.must(s.drop(m.name, "KL-stays.json", ticket("KL-stays")))
	m.must1(m.alarmed(soon(t), "KL-stays", "queued"), "the alarm that stands")

	// A start in three hours is not announced before its last one.
	later := &machine{shop: s, name: "quay/wren"}
	s.must1(later.load(soon(t)), "a loaded machine")
	s.must1(later.say(soon(t), "run.queued", fmt.Sprintf(`{"job":"KL-later","metres":3,"start_at":%q}`, clock.Now().Add(3*time.Hour).UTC().Format(time.RFC3339))), "a run")
	s.settle()
	if alarms := bareEdgesOf(s.journal(), later.name); len(alarms) > 0 {
		t.Fatalf("three hours ahead: %+v", alarms)
	}
	clock.jump(150 * time.Minute)
	s.until("a start that is near after the jump is announced", func() (bool, string) {
		alarms := bareEdgesOf(s.journal(), later.name)
		return len(alarms) == 1, fmt.Sprintf("%+v", alarms)
	})

	stood := bareEdgesOf(s.journal(), m.name)
	// The journal's own clock does not jump here, and takes no time more than a day
	// ahead of it.
	for n, by := range []time.Duration{-2 * time.Hour, 2 * time.Hour, -5 * 24 * time.Hour, 140 * time.Hour, -400 * 24 * time.Hour} {
		clock.jump(by)
		s.calm(clock)
		if ok, instead := s.ready(); !ok {
			t.Errorf("after a jump by %s: %s", by, instead)
		}
		next := &machine{shop: s, name: machines[1+n%2], ids: 1000 * n, n: 100 * n}
		s.must1(next.load(soon(t)) && next.job(soon(t)), fmt.Sprint("a job with its alarms after a jump by ", by))
		// What stands may lapse or be told again, but not be taken back.
		now := bareEdgesOf(s.journal(), m.name)
		if slices.ContainsFunc(now[len(stood):], func(a alarm) bool { return a.Emit == "clear" }) {
			t.Errorf("a jump by %s called an alarm off: %+v", by, now)
		}
	}
	metrics, journal := s.settle(), s.journal()
	var r report
	r.transitions(distinct(journal))
	r.acked(distinct(journal), s.acked)
	r.files(distinct(journal), s.files)
	r.counts(journal, distinct(journal), metrics)
	complain(t, r.faults)
}

// bareEdgesOf are the transitions of a machine's bare-edge alarms.
func bareEdgesOf(journal []entry, machine string) []alarm {
	var r report
	return slices.DeleteFunc(r.transitions(distinct(journal)), func(a alarm) bool {
		return a.machine() != machine || a.Hazard != "bare-edge"
	})
}

// calm watches how often the watch looks at the clock when nothing happens. Each
// wait lasts up to a tenth of a second; a storm begins the next one at once.
func (s *shop) calm(c *jumpClock) {
	s.tb.Helper()
	s.settle()
	const looks = 500 // of them twenty are to be expected, and tens of thousands in a storm
	before := c.waited()
	time.Sleep(2 * time.Second)
	if n := c.waited() - before; n > looks {
		s.tb.Errorf("the watch waited %d times within two seconds", n)
	}
}
