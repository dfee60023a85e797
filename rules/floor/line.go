package floor

import (
	"slices"

	"rollwarden/rules/event"
)

// enqueue puts a run behind all that should go before it.
func (st step) enqueue(m *Machine, r Run) {
	i := len(m.Queue)
	for i > 0 && st.passes(&r, m.Queue[i-1]) {
		i--
	}
	st.put(m, i, r)
}

// passes reports whether a run goes before one that stands before it. Runs that a
// person gave a place keep it, unless one is planned to start sooner than the other:
// what is ordered once would otherwise hold up, unjudged, whatever comes later and is
// due earlier.
func (st step) passes(r, queued *Run) bool {
	if r.Pinned || queued.Pinned {
		return sooner(r, queued)
	}
	return st.before(r, queued)
}

// give puts a queued run on a ticket. It keeps its place as long as that is right.
func (st step) give(m *Machine, i int, t *Ticket) {
	r := st.take(m, i)
	r.onTicket(t)
	early := i > 0 && st.passes(&r, m.Queue[i-1])
	late := i < len(m.Queue) && st.passes(m.Queue[i], &r)
	if early || late {
		st.enqueue(m, r)
	} else {
		st.put(m, i, r)
	}
}

// take removes a run from the queue, and put inserts one. A reader may share the
// queue, or an entry that can be taken back, so its runs stay what and where they
// are: what is not done at one of its ends makes a new queue. A long one would
// otherwise be copied with every ticket. What is appended lies behind all that
// anyone shares: nothing but a copy takes from the back, and an entry is not taken
// back once the queue has changed.
func (st step) take(m *Machine, i int) Run {
	r := *m.Queue[i]
	switch {
	case len(m.Queue) == 1:
		m.Queue = nil // as before the first
	case i == 0:
		m.Queue = m.Queue[1:]
	default:
		m.Queue = slices.Concat(m.Queue[:i], m.Queue[i+1:])
	}
	if x := st.queueChanged(m); x != nil {
		delete(x.runs, jobPart{r.Job, r.Part})
	}
	return r
}

func (st step) put(m *Machine, i int, r Run) {
	if i == len(m.Queue) {
		m.Queue = append(m.Queue, &r)
	} else {
		m.Queue = slices.Concat(m.Queue[:i], []*Run{&r}, m.Queue[i:])
	}
	if x := st.queueChanged(m); x != nil {
		x.runs[jobPart{r.Job, r.Part}] = true
	}
}

// order puts the named runs first, in that order, and pins them there. Of runs that
// are called alike each name takes the next.
func (st step) order(m *Machine, names []string) {
	places := make(map[string][]int, len(m.Queue))
	for i, r := range m.Queue {
		name := event.JobName(r.Job, r.Part)
		places[name] = append(places[name], i)
	}
	queue := slices.Grow([]*Run(nil), len(m.Queue)) // nil when there are none, as before the first
	named := make([]bool, len(m.Queue))
	for _, name := range names {
		left, known := places[name]
		switch {
		case !known:
			st.anomaly(adviceUnknown, "the accepted order of the queue names %s, which is not in it", name)
		case len(left) > 0:
			r := *m.Queue[left[0]]
			r.Pinned = true
			queue, named[left[0]], places[name] = append(queue, &r), true, left[1:]
		}
	}
	for i, r := range m.Queue {
		if !named[i] {
			queue = append(queue, r)
		}
	}
	m.Queue, m.Changed[queuePart] = queue, st.seq
}

// index says which job parts stand in a long queue, in which none does twice, so that
// one that does not, as that of nearly every new ticket, is not looked for along all
// of it. It is made anew when the queue has become another without it.
type index struct {
	version uint64 // of the queue
	runs    map[jobPart]bool
}

type jobPart struct{ job, part string }

// longQueue is how many runs are looked through without an index.
const longQueue = 64

// find returns the place of a job part's run in the queue, or -1.
func (s *State) find(m *Machine, job, part string) int {
	if len(m.Queue) > longQueue && !s.index(m).runs[jobPart{job, part}] {
		return -1
	}
	return slices.IndexFunc(m.Queue, func(r *Run) bool { return r.Same(job, part) })
}

func (s *State) index(m *Machine) *index {
	key := Key(m.Site, m.Name)
	x := s.indexes[key]
	if x == nil || x.version != m.QueueVersion() {
		x = &index{m.QueueVersion(), make(map[jobPart]bool, len(m.Queue))}
		for _, r := range m.Queue {
			x.runs[jobPart{r.Job, r.Part}] = true
		}
		if s.indexes == nil {
			s.indexes = map[string]*index{}
		}
		s.indexes[key] = x
	}
	return x
}

// queueChanged notes that the queue is another one, and returns the index that has to
// follow it; nil for none.
func (st step) queueChanged(m *Machine) *index {
	before := m.QueueVersion()
	m.Changed[queuePart] = st.seq
	if len(st.indexes) == 0 {
		return nil
	}
	key := Key(m.Site, m.Name)
	x := st.indexes[key]
	if x == nil || x.version != before || len(m.Queue) <= longQueue {
		delete(st.indexes, key)
		return nil
	}
	x.version = st.seq
	return x
}
