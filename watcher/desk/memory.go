package desk

import (
	"crypto/sha256"
	"fmt"
	"sync"
	"time"

	"rollwarden/rules/event"
)

// record is what the desk remembers of one request.
type record struct {
	id            string
	print         [sha256.Size]byte // of what was sent with the id
	stored        time.Time         // when the journal took it; zero while nobody knows
	typ           event.Type
	site, machine string
	undoable      bool
	undone        bool
}

// memory remembers the newest requests by their ids. It is a convenience: what
// it forgets, the fold and the journal still know.
type memory struct {
	mu      sync.Mutex
	records map[string]*record
	order   []string // ids, oldest first; released ones included
}

// mostRecords bounds the memory. It is far more than people enter in a minute.
const mostRecords = 10_000

func newMemory() *memory { return &memory{records: map[string]*record{}} }

// claim notes that a request is about to be carried out. known is true if its id
// came before; ok is false if it came with something else.
func (m *memory) claim(id string, print [sha256.Size]byte) (prior record, known, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.records[id]; r != nil {
		return *r, true, r.print == print
	}
	if len(m.order) == mostRecords {
		delete(m.records, m.order[0])
		m.order = m.order[1:]
	}
	m.records[id] = &record{id: id, print: print}
	m.order = append(m.order, id)
	return record{}, false, true
}

// release forgets a claim that led to nothing, so that the sender may mend what
// was refused and keep the id.
func (m *memory) release(id string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.records[id]; r != nil && r.stored.IsZero() {
		delete(m.records, id)
	}
}

// store notes that an event is stored. again is true if it was before; then the
// first time counts.
func (m *memory) store(e event.Event, now time.Time) (done record, again bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r := m.records[e.ID]
	if r == nil {
		r = &record{id: e.ID} // pushed out meanwhile
	}
	if !r.stored.IsZero() {
		return *r, true
	}
	r.stored, r.typ, r.site, r.machine, r.undoable = now, e.Type, e.Site, e.Machine, undoable(e)
	if undo, ok := e.Data.(*event.EntryUndone); ok {
		if of := m.records[undo.Event]; of != nil {
			of.undone = true
		}
	}
	return *r, false
}

// find returns what is remembered of an event that is stored.
func (m *memory) find(id string) (record, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.records[id]; r != nil && !r.stored.IsZero() {
		return *r, true
	}
	return record{}, false
}

// fingerprint tells what was sent from anything else that could have been. Who
// sends a form that answers a state is no part of it: a page shows that form to
// everybody under one id, and the first who sends it has done it for all.
func (q *request) fingerprint(route *route) [sha256.Size]byte {
	texts := map[string][]string{}
	for name, v := range q.values {
		if name != byField.Name || !q.form || !route.answers {
			texts[name] = v.texts
		}
	}
	return sha256.Sum256(fmt.Appendf(nil, "%q %q %q %q", route.path, q.site, q.machine, texts)) // a map is written in the order of its keys
}
