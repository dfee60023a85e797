package app

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"rollwarden/rules/event"
)

// quarantine stands between the sources and the journal. A sensor that went mad, or
// a log whose columns moved, would fill the journal with what does not fit. So the
// first such inputs of each source are told in full; the rest of the hour is said to
// be only counted, and its count is told when the hour is over. What fits always
// passes.
type quarantine struct {
	tell func(context.Context, ...event.Event) error
	now  func() time.Time

	mu   sync.Mutex
	held map[string]*hour // by source
}

// The first so many are told in full, in each such time.
const (
	toldInFull = 10
	countFor   = time.Hour
)

// hour is what came of one source and did not fit, since the first of it.
type hour struct {
	from time.Time
	ids  map[string]bool // of those that were told or counted, and whether told
	told int
	more int // that were counted
	// The first of those, and the newest.
	first, last event.Event
}

func newQuarantine(tell func(context.Context, ...event.Event) error, now func() time.Time) *quarantine {
	return &quarantine{tell: tell, now: now, held: map[string]*hour{}}
}

// publish tells the journal of events, but for those that are only counted. An event
// that comes again because the journal was away meets the same fate as before.
func (q *quarantine) publish(ctx context.Context, events ...event.Event) error {
	var pass []event.Event
	for _, e := range events {
		pass = append(pass, q.admit(e)...)
	}
	if len(pass) == 0 {
		return nil
	}
	return q.tell(ctx, pass...)
}

// admit returns what is told of one event: itself, nothing, or that the rest is only
// counted.
func (q *quarantine) admit(e event.Event) []event.Event {
	d, rejected := e.Data.(*event.TicketRejected)
	if !rejected {
		return []event.Event{e}
	}
	name, _, _ := strings.Cut(d.SourceFile, ", line ")
	key := e.Source + " " + e.Site + "/" + e.Machine + " " + name
	q.mu.Lock()
	defer q.mu.Unlock()
	h := q.held[key]
	if h == nil {
		h = &hour{from: q.now(), ids: map[string]bool{}}
		q.held[key] = h
	}
	told, known := h.ids[e.ID]
	switch {
	case known && told:
		return []event.Event{e}
	case known && e.ID == h.first.ID:
		return []event.Event{h.note(h.first, name, "more")}
	case known:
		return nil
	case h.told < toldInFull:
		h.told++
		h.ids[e.ID] = true
		return []event.Event{e}
	}
	h.more++
	h.ids[e.ID] = false
	if h.last = e; h.more == 1 {
		h.first = e
		return []event.Event{h.note(e, name, "more")}
	}
	return nil
}

// note is what is told instead of many, with one of them; which says which of the two
// notes it is.
func (h *hour) note(e event.Event, name, which string) event.Event {
	d := *e.Data.(*event.TicketRejected)
	until := h.from.Add(countFor).UTC().Format("15:04 UTC")
	reason := fmt.Sprintf("%d inputs of this source did not fit; until %s more of them are only counted, and the first that is was: ", toldInFull, until)
	if which == "count" {
		reason = fmt.Sprintf("%d more inputs of this source did not fit until %s; the last was: ", h.more, until)
	}
	d.SourceFile, d.Reason = name, event.Shorten(reason+d.Reason)
	e.ID, e.Data = event.DerivedID("quarantine", which, e.Source, e.Site, e.Machine, name, h.from.UTC().Format(time.RFC3339Nano)), &d
	return e
}

// run tells of what was counted, until ctx ends.
func (q *quarantine) run(ctx context.Context) {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			q.settle(ctx)
		}
	}
}

// settle ends the hours that are over. One whose count the journal does not take
// goes on.
func (q *quarantine) settle(ctx context.Context) {
	for key, e := range q.over() {
		if e.ID != "" && q.tell(ctx, e) != nil {
			continue
		}
		q.mu.Lock()
		delete(q.held, key)
		q.mu.Unlock()
	}
}

// over lists the sources whose hour is over, with what to tell of each; without an
// id when nothing was counted.
func (q *quarantine) over() map[string]event.Event {
	q.mu.Lock()
	defer q.mu.Unlock()
	all := map[string]event.Event{}
	for key, h := range q.held {
		if q.now().Sub(h.from) < countFor {
			continue
		}
		if all[key] = (event.Event{}); h.more > 0 {
			name, _, _ := strings.Cut(h.last.Data.(*event.TicketRejected).SourceFile, ", line ")
			all[key] = h.note(h.last, name, "count")
		}
	}
	return all
}
