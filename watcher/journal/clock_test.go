package journal

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// A clock that is wrong by more than an event may lie ahead is told, whichever way
// it is wrong, and that it is right again too.
func TestClocksAreCompared(t *testing.T) {
	for _, test := range []struct {
		wrong time.Duration
		says  string
	}{{30 * time.Hour, "is 30h0m0s ahead of that of NATS"}, {-2 * time.Minute, "is 2m0s behind that of NATS"}, {event.MaxSkew - 10*time.Second, ""}, {-event.MaxSkew + 10*time.Second, ""}} {
		var log bytes.Buffer
		wrong := test.wrong
		now := func() time.Time { return time.Now().Add(wrong) }
		j, _ := start(t, Options{Now: now, Log: zerolog.New(&log)})
		if test.says == "" {
			if err := j.Health(); err != nil || log.Len() > 0 {
				t.Errorf("%s: %v, %s", test.wrong, err, &log)
			}
			continue
		}
		wantError(t, j.Health(), test.says, "set both by a time server")
		if !strings.Contains(log.String(), test.says) {
			t.Errorf("%s: the log says %s", test.wrong, &log)
		}
		wrong = 0
		j.lookForRoom(t.Context())
		if err := j.Health(); err != nil || !strings.Contains(log.String(), "agree again") {
			t.Errorf("the clock was set: %v, %s", err, &log)
		}
	}
}

// What a caller whose clock is a day and more ahead has to say happens now: as it
// is, it would be stored and then refused by everybody who reads it.
func TestNothingIsLostToTheCallersClock(t *testing.T) {
	ahead := func() time.Time { return time.Now().Add(30 * time.Hour) }
	said := moved(1)
	said.Time = ahead()
	for _, test := range []struct {
		now  func() time.Time
		lost bool
	}{{nil, true}, {ahead, false}} {
		j, _ := start(t, Options{Now: test.now, Log: noLog})
		old := moved(2)
		publish(t, j, said, old)
		kept, err := j.Get(soon(t), 1)
		if err != nil {
			t.Fatal(err)
		}
		got, err := event.Decode(kept.Message)
		if lost := err != nil; lost != test.lost {
			t.Errorf("lost: %t (%v), want %t", lost, err, test.lost)
		}
		if off := got.Time.Sub(kept.Stored).Abs(); err == nil && off > event.MaxSkew {
			t.Errorf("it happened %s from when it was stored", off)
		}
		if kept, err = j.Get(soon(t), 2); err != nil {
			t.Fatal(err)
		}
		if got, err = event.Decode(kept.Message); err != nil || !got.Time.Equal(old.Time) {
			t.Errorf("an event of the past happened at %s (%v), want %s", got.Time, err, old.Time)
		}
	}
}
