package reliability

import (
	"slices"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// undo takes a record back once the floor has taken the entry back, in whatever
// month the record lies: an entry of a month's last minutes may be taken back in
// the next one. Metres that the entry had printed are taken off the month of the
// undoing. Where the floor refuses, because it is too late, the record stays.
func (f *Fold) undo(e event.Event, d *event.EntryUndone, t *tally, after *floor.Machine) {
	if after == nil || !after.TookBack(d) {
		return
	}
	t.undone++
	key := floor.Key(e.Site, e.Machine)
	undone := func(r recorded) bool {
		h := r.head()
		return h.ID == d.Event && h.Site == e.Site && h.Machine == e.Machine
	}
	switch d.Type {
	case "run.started":
		f.undoStart(key, d.Event, undone)
	case "run.finished", "run.stopped":
		f.undoEnd(key, d.Event)
	case "strike.recorded":
		f.undoStrike(key, undone)
	case "film.wasted":
		f.wastes = without(f.wastes, undone)
	case "job.reprinted":
		f.reprints = without(f.reprints, undone)
	}
	// What was done about the edge may look otherwise now.
	start := f.machine(key).start()
	if start != nil && after.Run != nil && after.Run.Kind != nil && after.Run.Same(start.Job, start.Part) {
		start.describe(*after.Run.Kind)
	}
}

// undoStart lets go on what the start had ended: the run before it, a downtime,
// and the wait of its alarms for a start.
func (f *Fold) undoStart(key, id string, undone func(recorded) bool) {
	m := f.machine(key)
	for _, s := range f.strikes {
		if s.start != nil && undone(s.start) {
			s.start = nil
		}
		if s.backBy == id && s.key() == key {
			s.back, s.backBy, m.down = time.Time{}, "", s
		}
	}
	if start := m.start(); start != nil && undone(start) {
		f.unheed(key, start)
	}
	if m.run != nil && undone(m.run) {
		m.run = nil
	}
	m.starts = without(m.starts, undone)
	f.starts, f.runs = without(f.starts, undone), without(f.runs, undone)
	f.undoEnd(key, id)
}

// undoEnd lets the run go on.
func (f *Fold) undoEnd(key, id string) {
	for _, r := range f.runs {
		if r.end == id && r.key() == key {
			ended := *r
			*r = run{Entry: ended.Entry}
			f.machine(key).run = r
		}
	}
}

func (f *Fold) undoStrike(key string, undone func(recorded) bool) {
	for _, s := range f.strikes {
		if undone(s) && s.start != nil {
			s.start.Strikes--
		}
	}
	if m := f.machine(key); m.down != nil && undone(m.down) {
		m.down = nil
	}
	f.strikes = without(f.strikes, undone)
}

func without[T recorded](list []T, undone func(recorded) bool) []T {
	return slices.DeleteFunc(list, func(r T) bool { return undone(r) })
}

func byTime[T recorded](a, b T) int { return a.head().At.Compare(b.head().At) }

// in lists the records of a period by time.
func in[T recorded](list []T, p Period) []T {
	var out []T
	for _, r := range list {
		if p.Has(r.head().At) {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, byTime)
	return out
}
