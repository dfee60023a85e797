package alarm

import (
	"slices"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// bareEdge is the hazard whose lead time and strikes are counted.
const bareEdge = string(hazard.BareEdge)

// Warning is the first annunciation of the bare-edge alarm of a job part since
// that started last. It outlives its alarm: who heeds one ends it, and was warned
// all the same.
type Warning struct {
	Job  string    `json:"job"`
	Part string    `json:"part,omitzero"`
	At   time.Time `json:"at,omitzero"`
	Led  bool      `json:"led,omitzero"` // its lead time is counted
}

// Start is one start of a run, with the warning that waited for it.
type Start struct {
	ID      string    `json:"id"`     // of the run.started event
	Number  uint64    `json:"number"` // of the starts of its machine, from 1
	At      time.Time `json:"at"`
	Warning Warning   `json:"warning"`         // of its job part; without a time when there was none
	Undone  bool      `json:"undone,omitzero"` // it was taken back
}

// Warned reports whether a bare-edge alarm came before the start.
func (s *Start) Warned() bool { return !s.Warning.At.IsZero() && !s.Warning.At.After(s.At) }

// What is kept of one machine. Only the next run of a queue is warned of, so that
// few warnings wait; of starts, the floor takes so many back and there is one
// before them.
const (
	mostWarnings = 64
	mostStarts   = 9
)

// warned keeps the first warning of a run that has not started.
func (b *Book) warned(e event.Event, d *event.AlarmChanged) {
	if d.Hazard == bareEdge && d.Job != "" && d.Phase != string(hazard.Running) {
		b.wait(floor.Key(e.Site, e.Machine), Warning{Job: d.Job, Part: d.Part, At: e.Time})
	}
}

// wait lets a warning wait for the start of its job part, unless one does.
func (b *Book) wait(machine string, w Warning) {
	list := b.Warnings[machine]
	if findWarning(list, w.Job, w.Part) < 0 {
		b.Warnings[machine] = append(slices.Clone(newest(list, mostWarnings-1)), w)
	}
}

// takeWarning returns the warning that waits for a job part, which then waits no
// longer.
func (b *Book) takeWarning(machine, job, part string) Warning {
	list := b.Warnings[machine]
	i := findWarning(list, job, part)
	if i < 0 {
		return Warning{Job: job, Part: part}
	}
	if b.Warnings[machine] = slices.Concat(list[:i], list[i+1:]); len(list) == 1 {
		delete(b.Warnings, machine)
	}
	return list[i]
}

func findWarning(list []Warning, job, part string) int {
	return slices.IndexFunc(list, func(w Warning) bool { return w.Job == job && w.Part == part })
}

func newest[T any](list []T, most int) []T { return list[max(0, len(list)-most):] }

// started keeps the start and notes how long before it the warning came.
func (b *Book) started(e event.Event, m *floor.Machine) {
	if m == nil || m.Run == nil {
		return
	}
	machine, number := floor.Key(e.Site, e.Machine), m.Tally.TotalStarts()
	starts := b.Starts[machine]
	if n := len(starts); n > 0 && starts[n-1].Number == number {
		return // a machine may say again that it has started
	}
	s := Start{ID: e.ID, Number: number, At: e.Time, Warning: b.takeWarning(machine, m.Run.Job, m.Run.Part)}
	if s.Warned() && !s.Warning.Led {
		s.Warning.Led = true
		b.lead(machine, s.At.Sub(s.Warning.At).Seconds())
	}
	b.Starts[machine] = append(slices.Clone(newest(starts, mostStarts-1)), s)
}

// lead counts a lead time, in s.
func (b *Book) lead(machine string, s float64) {
	if b.Totals.Leads[machine] == nil {
		b.Totals.Leads[machine] = make([]uint64, len(LeadBounds)+1)
	}
	i, _ := slices.BinarySearch(LeadBounds, s)
	b.Totals.Leads[machine][i]++
	b.Totals.LeadSum[machine] += s
}

// struck counts whether a bare-edge alarm came before the start of the run that
// struck: of the running one, else of the last one, as the floor has it.
func (b *Book) struck(m *floor.Machine) {
	if m != nil && b.warnedOf(m) {
		b.Totals.Warned++
	} else {
		b.Totals.Unwarned++
	}
}

func (b *Book) warnedOf(m *floor.Machine) bool {
	run := m.Latest()
	s, seen := b.LastStart(m.Site, m.Name)
	return seen && run != nil && run.Same(s.Warning.Job, s.Warning.Part) && s.Warned()
}

// LastStart returns the last start of a machine that was not taken back.
func (b *Book) LastStart(site, machine string) (s Start, seen bool) {
	for _, s := range slices.Backward(b.Starts[floor.Key(site, machine)]) {
		if !s.Undone {
			return s, true
		}
	}
	return Start{}, false
}

// undone takes a start back once the floor has: its warning waits again.
func (b *Book) undone(d *event.EntryUndone, m *floor.Machine) {
	if m == nil || !m.TookBack(d) {
		return
	}
	machine := floor.Key(m.Site, m.Name)
	starts := b.Starts[machine]
	i := slices.IndexFunc(starts, func(s Start) bool { return s.ID == d.Event && !s.Undone })
	if i < 0 || d.Type != "run.started" {
		return
	}
	starts = slices.Clone(starts)
	starts[i].Undone = true
	b.Starts[machine] = starts
	if w := starts[i].Warning; !w.At.IsZero() {
		b.takeWarning(machine, w.Job, w.Part) // of since; the first one counts
		b.wait(machine, w)
	}
}
