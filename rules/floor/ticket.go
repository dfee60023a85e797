package floor

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/event"
)

// Ticket is an accepted job ticket. It is never changed once it is here.
type Ticket struct {
	Site    string               `json:"site"`
	Machine string               `json:"machine"` // event.AnyMachine when none was chosen
	ID      string               `json:"id"`      // of the ticket.received event
	Data    event.TicketReceived `json:"data"`
	At      time.Time            `json:"at"`

	// Gone says that the ticket was withdrawn, by the event of that id. It is kept
	// only so that the same ticket, when it comes again, is another one.
	Gone string `json:"gone,omitzero"`
}

// TicketKey finds a ticket.
type TicketKey struct{ Site, Machine, Job, Part string }

// Tickets holds the newest tickets of the shop.
type Tickets struct {
	byKey map[TicketKey]*Ticket
	order []TicketKey // oldest first
	parts []*Tickets  // of merged floors; it then has none of its own

	generation uint64
}

// MaxTickets is how many tickets are remembered; the oldest go first.
const MaxTickets = 20000

func newTickets() *Tickets { return &Tickets{byKey: map[TicketKey]*Ticket{}} }

// Get returns a ticket, or nil.
func (t *Tickets) Get(k TicketKey) *Ticket {
	if found := t.last(k); found != nil && found.Gone == "" {
		return found
	}
	return nil
}

// last is the newest ticket of a key, also a withdrawn one, or nil.
func (t *Tickets) last(k TicketKey) *Ticket {
	for _, p := range t.parts {
		if found := p.last(k); found != nil {
			return found
		}
	}
	return t.byKey[k]
}

// LastID is the id of the event that said something of the ticket last, be it that it
// came or that it was withdrawn; empty when nothing was said that is remembered.
func (t *Tickets) LastID(k TicketKey) string {
	found := t.last(k)
	if found == nil {
		return ""
	}
	return cmp.Or(found.Gone, found.ID)
}

// Find returns the ticket for a job part on a machine, or the one that was
// given to no machine yet, or nil.
func (t *Tickets) Find(site, machine, job, part string) *Ticket {
	if k := t.Get(TicketKey{site, machine, job, part}); k != nil {
		return k
	}
	return t.Get(TicketKey{site, event.AnyMachine, job, part})
}

// All returns every ticket, oldest first.
func (t *Tickets) All() []*Ticket {
	return slices.DeleteFunc(t.remembered(), func(k *Ticket) bool { return k.Gone != "" })
}

// remembered are all tickets, also those that were withdrawn.
func (t *Tickets) remembered() []*Ticket {
	all := make([]*Ticket, len(t.order))
	for i, k := range t.order {
		all[i] = t.byKey[k]
	}
	if len(t.parts) > 0 {
		for _, p := range t.parts {
			all = append(all, p.remembered()...)
		}
		slices.SortStableFunc(all, func(a, b *Ticket) int { return a.At.Compare(b.At) })
	}
	return all
}

func (t *Tickets) put(k TicketKey, ticket *Ticket) {
	t.remove(k) // a ticket that replaces another is as new as any
	t.order = append(t.order, k)
	t.byKey[k] = ticket
	if len(t.order) > MaxTickets {
		delete(t.byKey, t.order[0])
		t.order = t.order[1:]
	}
}

func (t *Tickets) remove(k TicketKey) {
	if _, ok := t.byKey[k]; !ok {
		return
	}
	delete(t.byKey, k)
	t.order = slices.DeleteFunc(t.order, func(o TicketKey) bool { return o == k })
}

// editTickets returns the tickets to change, copied first if a reader shares
// them.
func (s *State) editTickets() *Tickets {
	if t := s.Tickets; t.generation != s.generation {
		s.Tickets = &Tickets{byKey: maps.Clone(t.byKey), order: slices.Clone(t.order), generation: s.generation}
	}
	return s.Tickets
}

// MarshalJSON writes the tickets in their order.
func (t *Tickets) MarshalJSON() ([]byte, error) { return json.Marshal(t.remembered()) }

// UnmarshalJSON reads what MarshalJSON wrote.
func (t *Tickets) UnmarshalJSON(data []byte) error {
	var all []*Ticket
	if err := json.Unmarshal(data, &all); err != nil {
		return err
	}
	*t = *newTickets()
	for _, k := range all {
		t.put(TicketKey{k.Site, k.Machine, k.Data.Job, k.Data.Part}, k)
	}
	return nil
}

// before reports whether run a should stand before run b in a queue: the earlier
// planned start first, one that may start at any moment before one that is not due
// for long, then the higher priority, then who came first.
func (st step) before(a, b *Run) bool {
	switch {
	case sooner(a, b) || st.fillsIn(a, b):
		return true
	case sooner(b, a) || st.fillsIn(b, a):
		return false
	}
	return priority(a) > priority(b)
}

// notForLong is how far off a planned start must lie for others to be printed first:
// as long as hazards of the next run are told ahead of its start by default.
const notForLong = time.Hour

// fillsIn reports whether run a may start at any moment and run b is not due for long.
func (st step) fillsIn(a, b *Run) bool {
	return a.PlannedStart().IsZero() && b.PlannedStart().After(st.Time.Add(notForLong))
}

// sooner reports whether run a is planned to start before run b is.
func sooner(a, b *Run) bool {
	x, y := a.PlannedStart(), b.PlannedStart()
	return !x.IsZero() && !y.IsZero() && x.Before(y)
}

func priority(r *Run) float64 {
	if r.Ticket == nil || r.Ticket.Data.Priority == nil {
		return 50 // the middle of XJDF's scale of 0 to 100
	}
	return *r.Ticket.Data.Priority
}
