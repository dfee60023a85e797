package floor

import (
	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

func (st step) runQueued(m *Machine, d *event.RunQueued) {
	r := Run{Job: d.Job, Part: d.Part, Ticket: st.Tickets.Find(m.Site, m.Name, d.Job, d.Part)}
	if i := st.find(m, d.Job, d.Part); i >= 0 {
		r = st.take(m, i)
	}
	if d.Recipe != "" {
		r.Recipe = d.Recipe
	}
	r.PlanM = units.From(d.Metres).Else(r.PlanM)
	if d.StartAt != nil {
		r.StartAt = *d.StartAt
	}
	if place, given := units.From(d.Position).Get(); given {
		r.Pinned = true
		st.put(m, min(int(place)-1, len(m.Queue)), r)
		return
	}
	st.enqueue(m, r)
}

func (st step) runStarted(m *Machine, d *event.Run) {
	if m.Run != nil {
		if m.Run.Same(d.Job, d.Part) {
			return // the machine says again what is known
		}
		st.anomaly(runOverlap, "%s started while %s had not ended", event.JobName(d.Job, d.Part), event.JobName(m.Run.Job, m.Run.Part))
		st.end(m, units.Maybe{}, lost)
	}
	r := Run{Job: d.Job, Part: d.Part}
	if i := st.find(m, d.Job, d.Part); i >= 0 {
		r = st.take(m, i)
	} else {
		r.Ticket = st.Tickets.Find(m.Site, m.Name, d.Job, d.Part)
		st.anomaly(runNotQueued, "%s started without having been queued", event.JobName(d.Job, d.Part))
	}
	if r.Ticket == nil {
		st.anomaly(runWithoutTicket, "%s started without a ticket: its film, passes and cure are not known", event.JobName(d.Job, d.Part))
	}
	if d.Recipe != "" {
		r.Recipe = d.Recipe
	}
	r.Started, r.FedM = st.Time, units.Some(0)
	m.Edge.InRun = false
	r.Edge, r.Leader = m.Edge, m.Leader
	kind := st.kindOf(m, &r)
	r.Kind = &kind
	m.Run = &r
	m.Tally.Starts[classIndex(m.Roll.Class)][kind.Treatment]++
	m.Tally.count(kind, 1, 0)
	st.mark(m, Mark{Kind: MarkRun, Job: d.Job, Part: d.Part})
	if d.Metres != nil {
		st.feed(m, *d.Metres)
	}
}

func (st step) runProgress(m *Machine, d *event.Run) {
	if m.Run == nil || !m.Run.Same(d.Job, d.Part) {
		st.anomaly(progressNoRun, "%s reported progress, but is not running", event.JobName(d.Job, d.Part))
		return
	}
	if d.Metres != nil {
		st.feed(m, *d.Metres)
	}
}

// feed moves the film to the running run's metres since its start.
func (st step) feed(m *Machine, metres float64) {
	r := *m.Run
	fed := r.FedM.Or(0)
	if metres < fed {
		st.anomaly(fedBack, "%s reported %g m after %g m", event.JobName(r.Job, r.Part), metres, fed)
		return
	}
	r.FedM = units.Some(metres)
	m.Run = &r
	m.Tally.PrintedM += metres - fed
	m.Tally.PrintedM2 += (metres - fed) * m.Roll.WidthMM.Or(0) / 1000
	st.fed(m, units.Some(metres-fed))
}

// fed moves the film on by what a run has fed. When nobody knows how much, nobody
// knows where the edge is either, nor what is left on the roll.
//
// The edge goes on from where it is and not from where the run began. When it was set
// anew while the run was on, as by a cut, nobody knows how much of the metres that are
// told next was fed before that. It then counts as lying where it was set, which is
// the least that it can be.
func (st step) fed(m *Machine, metres units.Maybe) {
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	by, known := metres.Get()
	if m.Roll.unroll(by); !known {
		m.Roll.LeftM = units.Maybe{}
	}
	if st.jumbled(m) {
		return
	}
	if m.Edge.InRun {
		by, m.Edge.InRun = 0, false
	}
	if m.Edge.PositionMM = m.Edge.PositionMM.Plus(by * 1000); !known {
		m.Edge.PositionMM = units.Maybe{}
	}
	m.Edge.Cause, m.Edge.Rewound, m.Edge.At = event.CauseFeed, false, later(m.Edge.At, st.Time)
}

func (st step) runEnded(m *Machine, d *event.Run, finished bool) {
	if m.Run == nil && m.Last.repeats(d) && st.find(m, d.Job, d.Part) < 0 {
		st.anomaly(endRepeated, "%s ended once more", event.JobName(d.Job, d.Part))
		return // the film has moved already
	}
	how := stopped
	if finished {
		how = done
		m.Tally.Finished++
	} else {
		m.Tally.Stopped++
		st.mark(m, Mark{Kind: MarkStop, Job: d.Job, Part: d.Part, Cause: d.Reason})
	}
	switch {
	case m.Run == nil:
		st.anomaly(endWithoutStart, "%s ended, but was never seen to start", event.JobName(d.Job, d.Part))
		st.unseen(m, d)
		st.mark(m, m.Last.span(m, st.Time, how))
	case !m.Run.Same(d.Job, d.Part):
		st.anomaly(endOfOther, "%s ended while %s was running", event.JobName(d.Job, d.Part), event.JobName(m.Run.Job, m.Run.Part))
		if i := st.find(m, d.Job, d.Part); i >= 0 {
			st.take(m, i)
		}
		other := Run{Job: d.Job, Part: d.Part, Ended: st.Time, FedM: units.From(d.Metres)}
		st.mark(m, other.span(m, st.Time, how))
	default:
		fed := units.From(d.Metres)
		if plan, known := m.Run.LengthM().Get(); known && finished {
			fed = fed.Else(units.Some(max(plan, m.Run.FedM.Or(0)))) // a finished run fed what was planned
		}
		st.end(m, fed, how)
		if finished {
			st.pace(m, fed)
		}
	}
}

// repeats reports whether a run that has ended is told to have ended again, at
// the same metres. Without metres nobody can tell, and the edge is not known.
func (r *Run) repeats(d *event.Run) bool {
	return r != nil && r.Same(d.Job, d.Part) && d.Metres != nil && r.FedM == units.Some(*d.Metres)
}

// unseen handles the end of a run whose start was missed: the film moved by
// its metres, and without them nobody can tell where it is now.
func (st step) unseen(m *Machine, d *event.Run) {
	r := Run{Job: d.Job, Part: d.Part, Ended: st.Time, FedM: units.From(d.Metres)}
	if i := st.find(m, d.Job, d.Part); i >= 0 {
		r = st.take(m, i)
		r.Ended, r.FedM = st.Time, units.From(d.Metres)
	}
	m.Last = &r
	st.fed(m, r.FedM)
}

// end closes the running run, and says how it ended.
func (st step) end(m *Machine, metres units.Maybe, how string) {
	if total, known := metres.Get(); known {
		st.feed(m, total)
	} else {
		st.fed(m, metres)
	}
	r := *m.Run
	r.Ended = st.Time
	m.Last, m.Run = &r, nil
	st.closeMark(m, how)
}

// cutFinished leaves the film with a fresh bare edge: at the print line when
// the machine rewound it, else where it was cut.
func (st step) cutFinished(m *Machine, d *event.CutFinished) {
	k := Mark{Kind: MarkCut, Job: d.Job, Part: d.Part}
	if m.Last != nil && (d.Job == "" || m.Last.Same(d.Job, d.Part)) {
		r := *m.Last
		r.Cut = true
		m.Last = &r
		k.Job, k.Part = r.Job, r.Part
	} else {
		st.anomaly(cutNoRun, "%s was cut, but did not run last", event.JobName(d.Job, d.Part))
	}
	at := units.From(d.AtMM)
	if *d.Rewound {
		k.Cause = event.CauseRewind
	}
	st.mark(m, k)
	if st.overtaken(m.Roll.At, "the roll") {
		return
	}
	st.dropLeader(m)
	if st.jumbled(m) {
		return
	}
	m.Edge = Edge{At: st.Time, Cause: event.CauseTrim, InRun: m.Run != nil}
	if !*d.Rewound {
		m.Edge.PositionMM = at
		return
	}
	m.Edge.PositionMM, m.Edge.Rewound, m.Edge.Cause = units.Some(0), true, event.CauseRewind
	m.Roll.unroll(-at.Or(0) / 1000)
}
