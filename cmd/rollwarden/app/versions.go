package app

import (
	"maps"
	"sync"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// versions know the newest ticket of each job part. A view is a moment behind the
// journal: of two versions that are dropped together the second is read before the
// view shows the first, and would be taken for what it replaces. So what this daemon
// has stored of a ticket counts until the view has come as far. They are safe for
// concurrent use.
type versions struct {
	view func(site string) *rules.View // of the journal that a site is in; nil where this daemon does not watch it

	mu   sync.Mutex
	told map[floor.TicketKey]told // what a view does not show yet
}

// told is the ticket that the journal has at a sequence.
type told struct {
	seq     uint64
	id, sha string
}

func newVersions(view func(site string) *rules.View) *versions {
	return &versions{view: view, told: map[floor.TicketKey]told{}}
}

// stored notes an event that the journal has at a sequence, if it is a ticket.
func (v *versions) stored(e event.Event, seq uint64) {
	d, ok := e.Data.(*event.TicketReceived)
	if !ok {
		return
	}
	key := floor.TicketKey{Site: e.Site, Machine: e.Machine, Job: d.Job, Part: d.Part}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.told[key].seq < seq {
		v.told[key] = told{seq, e.ID, d.SourceSHA256}
	}
	maps.DeleteFunc(v.told, func(k floor.TicketKey, t told) bool { return t.shownIn(v.view(k.Site)) })
}

// newest returns the hash of the newest ticket of a job part, empty when there is none,
// and the id of what was said of it last; both empty when another daemon knows.
func (v *versions) newest(key floor.TicketKey) (id, sha string) {
	v.mu.Lock()
	defer v.mu.Unlock() // so that nothing goes from told that the view here does not show
	view := v.view(key.Site)
	if t, ok := v.told[key]; ok && !t.shownIn(view) {
		return t.id, t.sha
	}
	if view == nil {
		return "", ""
	}
	if t := view.Floor.Tickets.Get(key); t != nil {
		sha = t.Data.SourceSHA256
	}
	return view.Floor.Tickets.LastID(key), sha
}

// shownIn reports whether a view needs nothing added. What another daemon watches
// changes unseen, and is not remembered.
func (t told) shownIn(view *rules.View) bool { return view == nil || view.Seq >= t.seq }
