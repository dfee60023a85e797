package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// step is one event on its way into the state.
type step struct {
	*State
	event.Event
	seq uint64
}

// Apply folds one event into the state. seq is its place in the journal.
func (s *State) Apply(seq uint64, e event.Event) {
	st := step{s, e, seq}
	kind, known := event.KindOf(e.Type)
	if !known || e.Data == nil {
		s.Counts.Unknown++
		st.anomaly(unknownType, "event type %q is not part of the contract", e.Type)
		return
	}
	s.Counts.Events[e.Type]++
	if kind.From == event.FromDaemon {
		return // alarms and pages have a fold of their own
	}
	switch {
	case st.site():
		if s.Machine(e.Site, e.Machine) != nil {
			m := s.edit(e.Site, e.Machine)
			m.Touched = later(m.Touched, e.Time)
		}
	case e.Machine == event.AnyMachine:
		st.anomaly(noMachine, "%s needs a machine, not %q", e.Type, event.AnyMachine)
	default:
		m := s.edit(e.Site, e.Machine)
		m.LastHeard, m.Touched = later(m.LastHeard, e.Time), later(m.Touched, e.Time)
		st.machine(m)
	}
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Refuse records a message of the journal that could not be decoded.
func (s *State) Refuse(seq uint64, stored time.Time, subject string, err error) {
	s.Counts.Rejected["event"]++
	// NATS takes any bytes for a subject, and a state is text.
	text := strings.ToValidUTF8(fmt.Sprintf("%s: %v", subject, err), "\uFFFD")
	s.Anomalies.add(Anomaly{Seq: seq, At: stored, Kind: refused, Text: text})
}

func (st step) anomaly(kind, format string, args ...any) {
	st.Anomalies.add(Anomaly{
		Seq: st.seq, At: st.Time, Site: st.Site, Machine: st.Event.Machine,
		Kind: kind, Text: fmt.Sprintf(format, args...),
	})
}

// site applies what concerns a whole site or what a person does at a desk, and
// reports whether that was all. What it leaves is a sign of life from a machine.
func (st step) site() bool {
	switch d := st.Data.(type) {
	case *event.ClimateRead:
		if st.Event.Machine != event.AnyMachine {
			return false
		}
		st.Rooms[st.Site] = st.Rooms[st.Site].read(d, st.Time)
	case *event.TicketReceived:
		st.ticketReceived(d)
	case *event.TicketWithdrawn:
		st.ticketWithdrawn(d)
	case *event.TicketRejected:
		st.Counts.Rejected[d.Kind]++
		st.Rejects = keep(st.Rejects, maxRejects, Reject{
			At: st.Time, Site: st.Site, Machine: st.Event.Machine, File: d.SourceFile, Kind: d.Kind, Reason: d.Reason,
		})
	case *event.ChangeMarked:
	case *event.AdviceAccepted:
		st.adviceAccepted(d)
	case *event.OperatorNoted:
		return st.operatorNoted(d)
	default:
		return false
	}
	return true
}

// operatorNoted makes the machine known of which a person wants something, so
// that it is judged and the wish carried out, or the note kept. Every alarm belongs
// to a machine.
func (st step) operatorNoted(d *event.OperatorNoted) bool {
	note := d.Action == event.ActNote
	if st.Event.Machine == event.AnyMachine {
		return note // about the site: it stands in the journal
	}
	if m := st.edit(st.Site, st.Event.Machine); note {
		st.noted(m, d)
	}
	return true
}

// machine applies what concerns one machine, notes which of its parts that
// changed, and keeps what it would take to take it back.
func (st step) machine(m *Machine) {
	if d, undo := st.Data.(*event.EntryUndone); undo {
		st.entryUndone(m, d)
		return
	}
	was := m.parts()
	if !slices.Contains(event.Undoable, st.Type) {
		st.change(m)
		m.compare(&was, st.seq)
		return
	}
	tally, changed := m.Tally, m.Changed
	st.change(m)
	m.compare(&was, st.seq)
	st.remember(m, &was, &tally, &changed)
}

func (st step) change(m *Machine) {
	switch d := st.Data.(type) {
	case *event.RollLoaded:
		st.rollLoaded(m, d)
	case *event.RollRemoved:
		st.rollRemoved(m)
	case *event.EdgeMoved:
		st.edgeMoved(m, d)
	case *event.LeaderAttached:
		st.leaderAttached(m, d)
	case *event.LeaderRemoved:
		st.leaderRemoved(m)
	case *event.EdgeShaped:
		st.edgeShaped(m, d)
	case *event.RunQueued:
		st.runQueued(m, d)
	case *event.RunStarted:
		st.runStarted(m, &d.Run)
	case *event.RunProgress:
		st.runProgress(m, &d.Run)
	case *event.RunFinished:
		st.runEnded(m, &d.Run, true)
	case *event.RunStopped:
		st.runEnded(m, &d.Run, false)
	case *event.CutFinished:
		st.cutFinished(m, d)
	case *event.StrikeRecorded:
		st.strikeRecorded(m, d)
	case *event.HeadChecked:
		st.headChecked(m, d)
	case *event.FilmWasted:
		st.filmWasted(m, d)
	case *event.JobReprinted:
		i := causeIndex(d.Cause)
		m.Tally.Reprints[i]++
		m.Tally.Copies[i] += units.From(d.Copies).Or(0)
		st.mark(m, Mark{Kind: MarkReprint, Job: d.Job, Part: d.Part, Value: units.From(d.Copies).Or(0), Cause: d.Cause})
	case *event.ClimateRead:
		m.Climate = m.Climate.read(d, st.Time)
	case *event.StripMeasured:
		st.stripMeasured(m, d)
	case *event.MachineReported:
		m.Reported = &Reported{*d, st.Time}
	}
}

// Rolls, edges and leaders.

// late reports whether the event happened before a moment by more than clocks may
// differ. An entry may be told hours after it happened, as by a tablet that was out of
// reach, and then says nothing about what came after it.
func (st step) late(known time.Time) bool { return st.Time.Add(event.MaxSkew).Before(known) }

// overtaken reports whether the event happened before a later word about the same
// thing, and notes that it is left out.
func (st step) overtaken(known time.Time, what string) bool {
	late := st.late(known)
	if late {
		st.anomaly(toldLate, "%s of %s is left out: of %s something newer is known", st.Type, st.Time.UTC().Format(time.RFC3339), what)
	}
	return late
}

// jumbled reports whether the event moves the edge from where it lay before a
// movement that was told first. Where it lies after both, nobody can tell.
func (st step) jumbled(m *Machine) bool {
	late := st.late(m.Edge.At)
	if late {
		st.anomaly(toldLate, "%s of %s was told after a later movement: where the edge is now is not known", st.Type, st.Time.UTC().Format(time.RFC3339))
		m.Edge.PositionMM = units.Maybe{}
	}
	return late
}

// dropLeader notes that the leader is off, unless one was taped since.
func (st step) dropLeader(m *Machine) {
	if !st.late(m.Leader.At) {
		m.Leader = Leader{At: st.Time}
	}
}

// rollName is how people call a roll: by its stock code, if it has one.
func rollName(stock string) string {
	if stock == "" {
		return "a roll without a stock code"
	}
	return stock
}

func (st step) rollLoaded(m *Machine, d *event.RollLoaded) {
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	if m.Roll.Loaded {
		st.anomaly(rollReplaced, "%s was loaded without %s being removed", rollName(d.Stock), rollName(m.Roll.Stock))
	}
	class := d.FilmClass
	if class == "" {
		class = event.Unknown
	}
	m.Roll = Roll{
		Loaded: true, Stock: d.Stock, Class: class, Lot: d.Lot, At: st.Time,
		WidthMM: units.From(d.WidthMM), LeftM: units.From(d.LengthM), ThicknessUM: units.From(d.ThicknessUM),
	}
	// How far a fresh roll was threaded is not known until somebody says so.
	if !st.jumbled(m) {
		m.Edge = Edge{PositionMM: units.From(d.EdgeMM), At: st.Time, InRun: m.Run != nil}
	}
	st.dropLeader(m)
	st.mark(m, Mark{Kind: MarkRoll, Value: m.Roll.LeftM.Or(0), Cause: d.Stock})
}

func (st step) rollRemoved(m *Machine) {
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	if !m.Roll.Loaded {
		st.anomaly(rollAbsent, "a roll was removed, but none was known to be loaded")
	}
	st.mark(m, Mark{Kind: MarkRollOff, Value: m.Roll.LeftM.Or(0), Cause: m.Roll.Stock})
	m.Roll = Roll{At: st.Time}
	if !st.jumbled(m) {
		m.Edge = Edge{At: st.Time}
	}
	st.dropLeader(m)
}

func (st step) edgeShaped(m *Machine, d *event.EdgeShaped) {
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	m.Edge.Shape = d.Shape
	st.mark(m, Mark{Kind: MarkShape, Cause: d.Shape})
}

func (st step) edgeMoved(m *Machine, d *event.EdgeMoved) {
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	if d.Cause == event.CauseTrim {
		st.dropLeader(m) // a trimmed lip takes it along
	}
	if st.jumbled(m) {
		m.Roll.unroll(units.From(d.ByMM).Or(0) / 1000)
		return
	}
	old := m.Edge.PositionMM
	moved := units.From(d.ByMM)
	if d.PositionMM != nil {
		m.Edge.PositionMM, m.Edge.InRun = units.Some(*d.PositionMM), m.Run != nil
		if was, known := old.Get(); known {
			moved = units.Some(*d.PositionMM - was)
		}
	} else if m.Edge.PositionMM = old.Plus(*d.ByMM); !old.Known() {
		st.anomaly(moveUnknown, "the edge moved by %g mm from an unknown position", *d.ByMM)
	}
	if left, known := m.Roll.LeftM.Get(); known && moved.Or(0)/1000 > left+rollSlackM {
		st.anomaly(movedTooFar, "the edge moved by %g mm, and %g m were left on the roll: where it is now is not known; was it told in mm?", moved.Or(0), left)
		m.Edge.PositionMM = units.Maybe{}
	}
	m.Edge.Cause, m.Edge.At = d.Cause, st.Time
	area := moved.Or(0) / 1000 * m.Roll.WidthMM.Or(0) / 1000
	switch d.Cause {
	case event.CauseTrim:
		st.mark(m, Mark{Kind: MarkTrim, Value: max(0, -area)})
		m.Edge.Shape = "" // a new lip; the roll stays
		return
	case event.CauseRewind:
		m.Edge.Rewound = true
	case event.CauseAdvance:
		st.mark(m, Mark{Kind: MarkAdvance, Value: area})
		m.Edge.Rewound = false
	default:
		m.Edge.Rewound = false
	}
	m.Roll.unroll(moved.Or(0) / 1000)
}

// rollSlackM is how much longer than told a roll may be, m (common practice, no
// source): cores are wound generously, and what is left is a sum of small errors.
const rollSlackM = 2

// unroll takes metres off the roll; negative ones go back on it.
func (r *Roll) unroll(metres float64) {
	if left, known := r.LeftM.Get(); known {
		r.LeftM = units.Some(max(0, left-metres))
	}
}

func (st step) leaderAttached(m *Machine, d *event.LeaderAttached) {
	if st.overtaken(later(m.Roll.At, m.Leader.At), "the roll or its leader") {
		return
	}
	if m.Leader.On {
		st.anomaly(leaderReplaced, "a leader was attached where one was on")
	}
	m.Leader = Leader{On: true, LengthMM: d.LengthMM, ThicknessUM: units.From(d.ThicknessUM), At: st.Time}
	st.mark(m, Mark{Kind: MarkLeader, Value: d.LengthMM})
}

func (st step) leaderRemoved(m *Machine) {
	if st.overtaken(later(m.Roll.At, m.Leader.At), "the roll or its leader") {
		return
	}
	if !m.Leader.On {
		st.anomaly(leaderAbsent, "a leader was removed where none was on")
	}
	st.mark(m, Mark{Kind: MarkLeaderOff, Value: m.Leader.LengthMM})
	m.Leader = Leader{At: st.Time}
}

// Heads and waste.

func (st step) strikeRecorded(m *Machine, d *event.StrikeRecorded) {
	struck := m.Latest()
	next := Run{Edge: m.Edge, Leader: m.Leader}
	k := Mark{Kind: MarkStrike, Job: d.Job, Part: d.Part, Value: units.From(d.DowntimeS).Or(0), Cause: d.Note}
	if struck != nil {
		// A reader may share the run, so it is replaced and not changed.
		r := *struck
		if r.Kind != nil && !r.Struck {
			m.Tally.count(*r.Kind, 0, 1)
		}
		r.Struck = true
		next, k.Job, k.Part = r, r.Job, r.Part
		if m.Run != nil {
			m.Run = &r
		} else {
			m.Last = &r
		}
	}
	m.Tally.Strikes[classIndex(m.Roll.Class)][next.treatment()]++
	m.Tally.DownS += units.From(d.DowntimeS).Or(0)
	st.mark(m, k)
	m.Head = Head{Unproven: true, StruckAt: st.Time, NozzlesLost: units.From(d.NozzlesLost), CheckedAt: m.Head.CheckedAt}
}

// headChecked says whether the heads are well. A check shows nothing about a strike
// that came after it, however little.
func (st step) headChecked(m *Machine, d *event.HeadChecked) {
	if !st.Time.After(m.Head.StruckAt) || st.Time.Before(m.Head.CheckedAt) {
		st.anomaly(toldLate, "a head check of %s is left out: something newer is known", st.Time.UTC().Format(time.RFC3339))
		return
	}
	m.Head.NozzlesOK, m.Head.Clear, m.Head.CheckedAt = *d.NozzlesOK, *d.ObstructionClear, st.Time
	well := *d.NozzlesOK && *d.ObstructionClear
	m.Head.Unproven = !well
	k := Mark{Kind: MarkCheck}
	if !well {
		k.Cause = "not-well"
	}
	st.mark(m, k)
}

func (st step) filmWasted(m *Machine, d *event.FilmWasted) {
	width, known := units.From(d.WidthMM).Else(m.Roll.WidthMM).Get()
	if !known {
		st.anomaly(wasteNoWidth, "%g m of film were wasted, but the width is not known", d.LengthM)
		return
	}
	m2 := d.LengthM * width / 1000
	m.Tally.waste(m.Roll, d.Cause, m2)
	st.mark(m, Mark{Kind: MarkWaste, Value: m2, Cause: d.Cause})
}

// Tickets.

func (st step) ticketReceived(d *event.TicketReceived) {
	t := &Ticket{Site: st.Site, Machine: st.Event.Machine, ID: st.ID, Data: *d, At: st.Time}
	st.editTickets().put(TicketKey{st.Site, st.Event.Machine, d.Job, d.Part}, t)
	if st.Event.Machine == event.AnyMachine {
		if !st.hand(t) {
			st.anomaly(ticketUnplaced, "ticket %s is for no machine: drop it into the folder of one, or queue its run there", event.JobName(d.Job, d.Part))
		}
		return
	}
	m := st.edit(st.Site, st.Event.Machine)
	if m.Run != nil && m.Run.Same(d.Job, d.Part) {
		st.giveRunning(m, t)
	} else if i := st.find(m, d.Job, d.Part); i >= 0 {
		st.give(m, i, t)
	} else {
		st.enqueue(m, Run{Job: d.Job, Part: d.Part, Ticket: t})
	}
}

func (st step) giveRunning(m *Machine, t *Ticket) {
	r := *m.Run
	r.onTicket(t)
	m.Run, m.Changed[runPart] = &r, st.seq
}

// hand gives a ticket that no machine was chosen for to every run of its job
// part that was queued or started before the ticket came.
func (st step) hand(t *Ticket) (known bool) {
	job, part := t.Data.Job, t.Data.Part
	open := func(r *Run) bool { return r.Ticket == nil || r.Ticket.Machine == event.AnyMachine }
	for _, m := range st.machinesOf(t.Site, event.AnyMachine) {
		if m.Run != nil && m.Run.Same(job, part) {
			known = true
			if open(m.Run) {
				m = st.edit(m.Site, m.Name)
				st.giveRunning(m, t)
			}
		}
		if i := st.find(m, job, part); i >= 0 {
			known = true
			if open(m.Queue[i]) {
				st.give(st.edit(m.Site, m.Name), i, t)
			}
		}
	}
	return known
}

func (st step) ticketWithdrawn(d *event.TicketWithdrawn) {
	key := TicketKey{st.Site, st.Event.Machine, d.Job, d.Part}
	if st.Tickets.Get(key) == nil {
		st.anomaly(withdrawnUnknown, "ticket %s was withdrawn, but is not known here", event.JobName(d.Job, d.Part))
	} else {
		gone := *st.Tickets.Get(key)
		gone.Gone = st.ID
		st.editTickets().put(key, &gone)
	}
	for _, m := range st.machinesOf(st.Site, st.Event.Machine) {
		if m.Run != nil && m.Run.Same(d.Job, d.Part) {
			st.anomaly(withdrawnRunning, "ticket %s was withdrawn while it was running", event.JobName(d.Job, d.Part))
		}
		// A ticket of the whole site takes only the runs that rest on it.
		if i := st.find(m, d.Job, d.Part); i >= 0 && (st.Event.Machine != event.AnyMachine || m.Queue[i].onSiteTicket()) {
			st.take(st.edit(m.Site, m.Name), i)
		}
	}
}

// onSiteTicket reports whether the run rests on a ticket of the whole site.
func (r *Run) onSiteTicket() bool { return r.Ticket != nil && r.Ticket.Machine == event.AnyMachine }

// Advice.

// adviceAccepted notes on a queued run which remedy was taken for it, and puts the
// queue into the order that was accepted.
func (st step) adviceAccepted(d *event.AdviceAccepted) {
	if st.Event.Machine == event.AnyMachine {
		if len(d.Order) > 0 {
			st.anomaly(noMachine, "an order of the queue needs a machine, not %q", event.AnyMachine)
		}
		return
	}
	m := st.State.Machine(st.Site, st.Event.Machine)
	if m == nil {
		m = new(Machine) // of which nothing was heard: it has no queue
	} else if d.Remedy != "" || len(d.Order) > 0 {
		m = st.edit(st.Site, st.Event.Machine)
	}
	if i := st.find(m, d.Job, d.Part); i >= 0 && d.Remedy != "" {
		r := st.take(m, i)
		r.Advised = d.Remedy
		st.put(m, i, r)
	}
	if len(d.Order) > 0 {
		st.order(m, d.Order)
	}
}
