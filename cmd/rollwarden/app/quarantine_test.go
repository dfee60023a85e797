package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
)

// TestQuarantine lets a thousand inputs come that do not fit, from two sources, with
// the journal away in between: the first are told in full, the rest as a number, and
// what fits is never held up.
func TestQuarantine(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	told := map[string]event.Event{}
	var away error
	q := newQuarantine(func(_ context.Context, events ...event.Event) error {
		for _, e := range events {
			if away == nil {
				told[e.ID] = e
			}
		}
		return away
	}, func() time.Time { return now })
	odd := func(n int, file string) event.Event {
		return event.Event{ID: fmt.Sprint(file, n), Source: "/test", Type: "ticket.rejected", Time: now, Site: "north", Machine: "heron",
			Data: &event.TicketRejected{SourceFile: file, Kind: "malformed", Reason: fmt.Sprint("odd ", n)}}
	}
	count := func() int { return len(told) }
	for n := range 1000 {
		file := fmt.Sprintf("runs.csv, line %d", n)
		if n%100 == 5 || n == toldInFull { // not stored at first, and so offered again
			away = errors.New("full")
			if q.publish(t.Context(), odd(n, file)) == nil && n <= toldInFull {
				t.Fatalf("%d: nothing was said of the journal's failure", n)
			}
			away = nil
		}
		if err := q.publish(t.Context(), odd(n, file)); err != nil {
			t.Fatal(err)
		}
	}
	if got := count(); got != toldInFull+1 {
		t.Errorf("want %d in full and a note, got %d", toldInFull, got)
	}
	if err := q.publish(t.Context(), odd(1, "kestrel/climate"), event.Event{ID: "good", Type: "climate.read", Data: &event.ClimateRead{}}); err != nil || count() != toldInFull+3 {
		t.Errorf("another source and what fits: %v, %d", err, count())
	}
	q.settle(t.Context())
	now = now.Add(countFor)
	away = errors.New("full")
	q.settle(t.Context())
	away = nil
	q.settle(t.Context())
	q.settle(t.Context())
	if got := count(); got != toldInFull+4 {
		t.Errorf("want one count besides, got %d", got)
	}
	reasons := ""
	for _, e := range told {
		if d, ok := e.Data.(*event.TicketRejected); ok {
			reasons += d.SourceFile + ": " + d.Reason + "\n"
			if err := d.Check(); err != nil {
				t.Error(err)
			}
		}
	}
	for _, want := range []string{
		"runs.csv: 10 inputs of this source did not fit; until 09:00 UTC more of them are only counted, and the first that is was: odd 10\n",
		"runs.csv: 990 more inputs of this source did not fit until 09:00 UTC; the last was: odd 999\n",
	} {
		if strings.Count(reasons, want) != 1 {
			t.Errorf("want once %q in\n%s", want, reasons)
		}
	}
	if err := q.publish(t.Context(), odd(1001, "runs.csv, line 9")); err != nil || count() != toldInFull+5 {
		t.Errorf("a new hour: %v, %d", err, count())
	}
}

// TestQuarantineOfManySources: who names another source each time fills neither the
// journal nor the memory, and nor does a single source.
func TestQuarantineOfManySources(t *testing.T) {
	told := 0
	q := newQuarantine(func(_ context.Context, events ...event.Event) error { told += len(events); return nil }, time.Now)
	odd := func(n int, source string) {
		e := event.Event{ID: fmt.Sprint(n), Source: "/test", Type: "ticket.rejected", Site: "north", Machine: "heron",
			Data: &event.TicketRejected{SourceFile: source, Kind: "malformed", Reason: "odd"}}
		for range 2 { // it comes again at once
			if err := q.publish(t.Context(), e); err != nil {
				t.Fatal(err)
			}
		}
	}
	for n := range 5 * mostSources {
		odd(n, fmt.Sprint("kestrel/", n))
	}
	if want := 2 * (mostSources + toldInFull + 1); told != want || len(q.held) != mostSources+1 {
		t.Errorf("told %d times of %d sources, want %d of %d", told, len(q.held), want, mostSources+1)
	}
	for n := range 5 * mostIDs {
		odd(1e6+n, "kestrel/0")
	}
	for key, h := range q.held {
		if len(h.ids) > mostIDs {
			t.Errorf("%s: %d ids are kept", key, len(h.ids))
		}
	}
	if h := q.held["/test north/heron kestrel/0"]; h == nil || h.more != 5*mostIDs-toldInFull+1 {
		t.Errorf("want every input counted once, got %+v", h)
	}
}
