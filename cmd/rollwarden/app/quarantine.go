package app

import (
	"context"
	"fmt"
	"maps"
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

// The first so many are told in full, in each such time. Sources beyond so many count
// as one, because who names a new one each time must not fill the journal either; and
// of so many inputs it is known when they come again.
const (
	toldInFull  = 10
	countFor    = time.Hour
	mostSources = 200
	mostIDs     = 1000
)

// hour is what came of one source and did not fit, since the first of it.
type hour struct {
	name string // of the source
	from time.Time
	ids  map[string]bool // of those that were told or counted last, and whether told
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
	q.mu.Lock()
	defer q.mu.Unlock()
	h := q.hourOf(e, name)
	told, known := h.ids[e.ID]
	switch {
	case known && told:
		return []event.Event{e}
	case known && e.ID == h.first.ID:
		return []event.Event{h.rest()}
	case known:
		return nil
	case h.told < toldInFull:
		h.told++
		h.ids[e.ID] = true
		return []event.Event{e}
	}
	h.more++
	if len(h.ids) >= mostIDs {
		maps.DeleteFunc(h.ids, func(id string, told bool) bool { return !told && id != h.first.ID })
	}
	h.ids[e.ID] = false
	if h.last = e; h.more == 1 {
		h.first = e
		return []event.Event{h.rest()}
	}
	return nil
}

// hourOf finds the hour that an event counts in.
func (q *quarantine) hourOf(e event.Event, name string) *hour {
	key := e.Source + " " + e.Site + "/" + e.Machine + " " + name
	if q.held[key] == nil && len(q.held) >= mostSources {
		key, name = e.Source, "many sources"
	}
	if q.held[key] == nil {
		q.held[key] = &hour{name: name, from: q.now(), ids: map[string]bool{}}
	}
	return q.held[key]
}

// rest says that from now on inputs are only counted, with the first of them.
func (h *hour) rest() event.Event {
	return h.note("more", h.first, fmt.Sprintf("%d inputs of this source did not fit; until %s more of them are only counted, and the first that is was: ",
		toldInFull, clockTime(h.from.Add(countFor))))
}

// count says how many inputs were only counted until now, with the last of them.
func (h *hour) count(now time.Time) event.Event {
	return h.note("count", h.last, fmt.Sprintf("%d more inputs of this source did not fit until %s; the last was: ", h.more, clockTime(now)))
}

func clockTime(t time.Time) string { return t.UTC().Format("15:04 UTC") }

// note is what is told instead of many inputs, with one of them.
func (h *hour) note(which string, e event.Event, reason string) event.Event {
	d := *e.Data.(*event.TicketRejected)
	d.SourceFile, d.Reason = h.name, event.Shorten(reason+d.Reason)
	e.ID, e.Data = event.DerivedID("quarantine", which, e.Source, e.Site, e.Machine, h.name, h.from.UTC().Format(time.RFC3339Nano)), &d
	return e
}

// run tells of what was counted, hour by hour, until ctx ends.
func (q *quarantine) run(ctx context.Context) {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			q.settle(ctx, q.over)
		}
	}
}

// leaveWithin bounds how long a journal that is away holds up a stop.
const leaveWithin = 2 * time.Second

// leave tells of all that was counted, once nothing comes any more.
func (q *quarantine) leave(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), leaveWithin)
	defer cancel()
	q.settle(ctx, func(*hour) bool { return true })
}

func (q *quarantine) over(h *hour) bool { return q.now().Sub(h.from) >= countFor }

// settle ends hours and tells of what was counted in them. What comes meanwhile
// counts in a new hour. One whose count the journal does not take goes on.
func (q *quarantine) settle(ctx context.Context, which func(*hour) bool) {
	for key, h := range q.takeOut(which) {
		if h.more > 0 && q.tell(ctx, h.count(q.now())) != nil {
			q.putBack(key, h)
		}
	}
}

func (q *quarantine) takeOut(which func(*hour) bool) map[string]*hour {
	q.mu.Lock()
	defer q.mu.Unlock()
	out := map[string]*hour{}
	for key, h := range q.held {
		if which(h) {
			out[key] = h
			delete(q.held, key)
		}
	}
	return out
}

// putBack lets an hour go on, together with the one that began meanwhile.
func (q *quarantine) putBack(key string, h *hour) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if since := q.held[key]; since != nil {
		maps.Copy(h.ids, since.ids)
		if h.more += since.more; since.more > 0 {
			h.last = since.last
		}
	}
	q.held[key] = h
}
