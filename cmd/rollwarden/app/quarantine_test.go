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
	q.settle(t.Context(), q.over)
	now = now.Add(countFor)
	away = errors.New("full")
	q.settle(t.Context(), q.over)
	away = nil
	q.settle(t.Context(), q.over)
	q.settle(t.Context(), q.over)
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

// TestQuarantineCountsWhatComesWhileItTells: inputs that come while the journal takes
// a count, or refuses it, are in a count too, and so are those before a stop.
func TestQuarantineCountsWhatComesWhileItTells(t *testing.T) {
	for _, refusals := range []int{0, 1, 2} {
		now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
		sent, counted, inFull := 0, 0, 0
		var q *quarantine
		send := func(times int) {
			for range times {
				sent++
				fail(t, q.publish(t.Context(), event.Event{ID: fmt.Sprint(sent), Source: "/test", Type: "ticket.rejected", Site: "north", Machine: "heron",
					Data: &event.TicketRejected{SourceFile: "runs.csv, line 1", Kind: "malformed", Reason: "odd"}}))
			}
		}
		var during int // so many come while a count is told
		ids := map[string]bool{}
		q = newQuarantine(func(_ context.Context, events ...event.Event) error {
			reason, n := events[0].Data.(*event.TicketRejected).Reason, 0
			switch {
			case reason == "odd":
				inFull++
			case strings.Contains(reason, "more inputs"):
				come := during
				during = 0
				if send(come); refusals > 0 {
					refusals--
					return errors.New("full")
				}
				if _, err := fmt.Sscanf(reason, "%d more", &n); err != nil || ids[events[0].ID] {
					t.Errorf("%v: %q, told before: %t", err, reason, ids[events[0].ID])
				}
				ids[events[0].ID] = true
				counted += n
			}
			return nil
		}, func() time.Time { return now })
		send(20)
		now = now.Add(countFor)
		during = toldInFull + 5
		for range 3 {
			q.settle(t.Context(), q.over)
		}
		send(4)
		now = now.Add(countFor / 4)
		q.leave(t.Context())
		if inFull+counted != sent || len(q.held) != 0 {
			t.Errorf("%d in full and %d counted of %d; left are %v", inFull, counted, sent, q.held)
		}
	}
}

// A count that is told because the watch stops says until when it counted.
func TestQuarantineSaysUntilWhenItCounted(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var last string
	q := newQuarantine(func(_ context.Context, events ...event.Event) error {
		last = events[0].Data.(*event.TicketRejected).Reason
		return nil
	}, func() time.Time { return now })
	for n := range toldInFull + 3 {
		fail(t, q.publish(t.Context(), event.Event{ID: fmt.Sprint(n), Source: "/test", Type: "ticket.rejected", Site: "north", Machine: "heron",
			Data: &event.TicketRejected{SourceFile: "runs.csv", Kind: "malformed", Reason: "odd"}}))
	}
	now = now.Add(countFor / 4)
	q.leave(t.Context())
	if want := "3 more inputs of this source did not fit until 08:15 UTC; the last was: odd"; last != want {
		t.Errorf("said %q, want %q", last, want)
	}
}
