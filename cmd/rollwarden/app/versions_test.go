package app

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/ticket"
)

// Versions of one ticket that arrive together are read a moment apart, sooner than the
// view shows the first of them. The one that was written last is the one that counts,
// and what was dropped in between is on the floor's books too.
func TestTheLastOfManyVersionsCounts(t *testing.T) {
	for _, tc := range []struct {
		known, dropped string // one letter for each version, "-" for a withdrawal
		received       uint64 // tickets in all
	}{
		{"", "AB", 2},
		{"", "ABA", 3},
		{"A", "BA", 3},
		{"A", "AB", 2},
		{"AB", "ABB", 4},
		{"A-", "A", 2},
		{"A-B-", "A", 3},
		{"A-", "AA", 2},
	} {
		t.Run(tc.known+" then "+tc.dropped, func(t *testing.T) {
			cfg := shopOf(t, 1)
			dir, taken := cfg.Inboxes()[1].Dir, 0
			fail(t, os.MkdirAll(dir, 0o755))
			a := startApp(t, Options{Config: cfg})
			drop := func(versions string) {
				t.Helper()
				for _, v := range versions { // the oldest first, within one turn
					name := filepath.Join(dir, fmt.Sprint(taken, ".json"))
					at := time.Now().Add(time.Duration(taken-60) * time.Second)
					fail(t, os.WriteFile(name+".part", version(v), 0o644))
					fail(t, os.Chtimes(name+".part", at, at))
					fail(t, os.Rename(name+".part", name))
					taken++
				}
				eventually(t, "the files are taken", func() bool { return strings.Count(filesIn(t, filepath.Join(dir, "accepted")), ".json") == taken })
				fail(t, a.Settle(deadline(t)))
			}
			for i, v := range tc.known {
				if v != '-' {
					drop(string(v))
					continue
				}
				fail(t, a.tell(deadline(t), event.Event{ID: fmt.Sprint("gone", i), Source: "/test", Type: "ticket.withdrawn", Time: time.Now(),
					Site: "north", Machine: "m0", Data: &event.TicketWithdrawn{Job: "KL-1"}}))
				fail(t, a.Settle(deadline(t)))
			}
			drop(tc.dropped)
			at := a.View().Floor.Tickets.Get(floor.TicketKey{Site: "north", Machine: "m0", Job: "KL-1"})
			last := rune(tc.dropped[len(tc.dropped)-1])
			if at == nil || at.Data.Stock != stockOf(last) {
				t.Errorf("the floor says %+v, and the newest file %s", at, stockOf(last))
			}
			if got := a.View().Floor.Counts.Events["ticket.received"]; got != tc.received || a.View().Floor.Counts.Duplicate != 0 {
				t.Errorf("%d tickets and %d duplicates, want %d and none", got, a.View().Floor.Counts.Duplicate, tc.received)
			}
		})
	}
}

// stockOf is the film that a version of the ticket asks for.
func stockOf(version rune) string {
	return []string{"MONO-GLOSS-137", "POLY-GLOSS-137"}[slices.Index([]rune("AB"), version)]
}

func version(v rune) []byte {
	return fmt.Appendf(nil, `{"job": "KL-1", "stock": %q, "length_m": 3}`, stockOf(v))
}

// However far the view is behind, and wherever the watch is killed: each version that
// differs from the one before counts once, and the last one stands.
func TestEveryVersionCountsOnce(t *testing.T) {
	key := floor.TicketKey{Site: "north", Machine: "m0", Job: "KL-1"}
	rapid.Check(t, func(rt *rapid.T) {
		var journal []event.Event
		view, changes, last := &rules.View{Floor: floor.New()}, uint64(0), rune(0)
		show := func() {
			v := &rules.View{Seq: uint64(len(journal)), Floor: floor.New()}
			seen := map[string]bool{}
			for i, e := range journal {
				if seen[e.ID] {
					rt.Fatalf("entry %d has the id of another", i)
				}
				seen[e.ID] = true
				v.Floor.Apply(uint64(i+1), e)
			}
			view = v
		}
		begin := func() *versions { return newVersions(func(string) *rules.View { return view }) }
		v := begin()
		restart := func() { show(); v = begin() }
		read := func(of rune) []event.Event {
			doc, err := ticket.Parse("KL-1.json", version(of), ticket.Options{})
			fail(t, err)
			events, err := doc.Events(ticket.Target{Site: key.Site, Machine: key.Machine, Received: time.Now(),
				Current:   func(string, string, string, string) string { _, sha := v.newest(key); return sha },
				CurrentID: func(string, string, string, string) string { id, _ := v.newest(key); return id }})
			fail(t, err)
			return events
		}
		for range rapid.IntRange(1, 12).Draw(rt, "files") {
			of := rapid.SampledFrom([]rune("AB")).Draw(rt, "version")
			events := read(of)
			switch rapid.SampledFrom([]string{"stored", "stored", "stored", "killed before", "killed after"}).Draw(rt, "fate") {
			case "killed before":
				restart()
				events = read(of)
			case "killed after":
				journal = append(journal, events...)
				restart()
				events = read(of)
			}
			for _, e := range events {
				journal = append(journal, e)
				v.stored(e, uint64(len(journal)))
			}
			if of != last {
				changes, last = changes+1, of
			}
			if rapid.Bool().Draw(rt, "shown") {
				show()
			}
		}
		show()
		if got := view.Floor.Counts.Events["ticket.received"]; got != changes || view.Floor.Tickets.Get(key).Data.Stock != stockOf(last) {
			rt.Fatalf("%d tickets, want %d; the floor says %+v, the last file %s", got, changes, view.Floor.Tickets.Get(key), stockOf(last))
		}
		v.stored(event.Event{Site: "north", Data: &event.TicketReceived{Job: "KL-2"}}, view.Seq+1)
		if len(v.told) != 1 {
			rt.Fatalf("%d tickets are remembered, and the view lacks one", len(v.told))
		}
	})
}
