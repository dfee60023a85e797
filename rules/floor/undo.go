package floor

import (
	"slices"
	"time"

	"rollwarden/rules/event"
)

// The parts of a machine that entries change. An entry can be taken back as long
// as none of those that it changed has changed since.
const (
	rollPart = iota
	edgePart
	leaderPart
	runPart
	lastPart
	queuePart
	headPart
	partCount
)

// partNames say what has changed, in the order of the constants.
var partNames = [partCount]string{"roll", "edge", "leader", "running job", "last job", "queue", "head"}

// Parts holds parts of a machine as they were.
type Parts struct {
	Roll   Roll   `json:"roll,omitzero"`
	Edge   Edge   `json:"edge,omitzero"`
	Leader Leader `json:"leader,omitzero"`
	Run    *Run   `json:"run,omitzero"`
	Last   *Run   `json:"last,omitzero"`
	Queue  []*Run `json:"queue,omitzero"`
	Head   Head   `json:"head,omitzero"`
}

// Entry is an entry that can still be taken back, with what it replaced. It is
// never changed, so that readers may share it.
type Entry struct {
	ID      string     `json:"id"` // of the event
	Type    event.Type `json:"type"`
	At      time.Time  `json:"at"`   // when it happened
	Told    time.Time  `json:"told"` // when it was told, from which on it can be taken back for a while
	Seq     uint64     `json:"seq"`
	Undone  bool       `json:"undone,omitzero"` // it was taken back; nothing else is kept of it
	Changed []int      `json:"changed,omitzero"`
	Was     Parts      `json:"was,omitzero"`   // the parts that it changed
	Since   []uint64   `json:"since,omitzero"` // where in the journal those had been changed before
	Added   *Tally     `json:"added,omitzero"` // what it counted; nil for nothing
}

// An entry can be taken back for so long, and only among so many of a machine's
// newest: a person has a minute, and a slow network the other.
const (
	undoFor    = 2 * time.Minute
	maxEntries = 8
)

func (m *Machine) parts() Parts {
	return Parts{Roll: m.Roll, Edge: m.Edge, Leader: m.Leader, Run: m.Run, Last: m.Last, Queue: m.Queue, Head: m.Head}
}

// QueueVersion is where in the journal the queue was changed last: it is another
// queue exactly when this is another number.
func (m *Machine) QueueVersion() uint64 { return m.Changed[queuePart] }

// compare notes which parts an event changed. Whoever changes the queue notes it
// there and then.
func (m *Machine) compare(was *Parts, seq uint64) {
	for part, changed := range [partCount]bool{
		rollPart: m.Roll != was.Roll, edgePart: m.Edge != was.Edge, leaderPart: m.Leader != was.Leader,
		runPart: m.Run != was.Run, lastPart: m.Last != was.Last, headPart: m.Head != was.Head,
	} {
		if changed {
			m.Changed[part] = seq
		}
	}
}

// remember keeps an entry with what it replaced and counted, among the newest.
func (st step) remember(m *Machine, was *Parts, tally *Tally, changed *[partCount]uint64) {
	e := &Entry{ID: st.ID, Type: st.Type, At: st.Time, Told: st.Told(), Seq: st.seq, Added: m.Tally.since(tally)}
	for part, before := range changed {
		if m.Changed[part] != before {
			e.Changed, e.Since = append(e.Changed, part), append(e.Since, before)
			e.Was.set(was, part)
		}
	}
	young := without(m.Entries, func(o *Entry) bool { return e.Told.Sub(o.Told) > undoFor })
	m.Entries = keep(young, maxEntries, e)
}

// set copies one part.
func (p *Parts) set(from *Parts, part int) {
	switch part {
	case rollPart:
		p.Roll = from.Roll
	case edgePart:
		p.Edge = from.Edge
	case leaderPart:
		p.Leader = from.Leader
	case runPart:
		p.Run = from.Run
	case lastPart:
		p.Last = from.Last
	case queuePart:
		p.Queue = from.Queue
	case headPart:
		p.Head = from.Head
	}
}

// entryUndone takes an entry back, as if it had not been made. Of what was counted
// it notes how much no longer counts.
func (st step) entryUndone(m *Machine, d *event.EntryUndone) {
	i := lastIndex(m.Entries, func(e *Entry) bool { return e.ID == d.Event && e.Type == d.Type })
	if i < 0 {
		st.anomaly(undoUnknown, "%s %s was taken back, but is not among the newest entries of %s", d.Type, d.Event, m.Name)
		return
	}
	e := m.Entries[i]
	if e.Undone {
		st.anomaly(undoRepeated, "%s %s was taken back once more", d.Type, d.Event)
		return
	}
	if age := st.Told().Sub(e.Told); age > undoFor {
		st.anomaly(undoLate, "%s %s was taken back after %s", d.Type, d.Event, age)
		return
	}
	for _, part := range e.Changed {
		if m.Changed[part] != e.Seq {
			st.anomaly(undoLate, "%s %s was taken back, but the %s has changed since", d.Type, d.Event, partNames[part])
			return
		}
	}
	st.takeBack(m, e)
	m.Entries = slices.Clone(m.Entries)
	m.Entries[i] = &Entry{ID: e.ID, Type: e.Type, At: e.At, Told: e.Told, Seq: e.Seq, Undone: true}
}

func (st step) takeBack(m *Machine, e *Entry) {
	now := m.parts()
	for i, part := range e.Changed {
		now.set(&e.Was, part)
		m.Changed[part] = e.Since[i]
	}
	m.Roll, m.Edge, m.Leader, m.Run, m.Last, m.Queue, m.Head = now.Roll, now.Edge, now.Leader, now.Run, now.Last, now.Queue, now.Head
	m.Tally.undo(e.Type, e.Added)
	st.forget(m, e)
}

// TookBack reports whether an entry was taken back and can still be told from
// those that were refused.
func (m *Machine) TookBack(d *event.EntryUndone) bool {
	return slices.ContainsFunc(m.Entries, func(e *Entry) bool { return e.Undone && e.ID == d.Event && e.Type == d.Type })
}

// lastIndex is slices.IndexFunc from the end.
func lastIndex[T any](list []T, is func(T) bool) int {
	for i := len(list) - 1; i >= 0; i-- {
		if is(list[i]) {
			return i
		}
	}
	return -1
}
