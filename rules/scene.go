package rules

import (
	"fmt"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
	"rollwarden/rules/units"
)

// maxScenes bounds how far down a queue runs are judged. What stands further
// down is judged once it has moved up.
const maxScenes = 250

// scenes lays out all that is judged on a machine: the machine itself, the
// running run, the resting one, and the queued ones with their expected
// starts.
func (e *Engine) scenes(now time.Time, m *floor.Machine) {
	e.farScenes(now, m, e.nearScenes(now, m))
}

// nearScenes lays out the machine itself, the running run, the resting one and
// the first of the queue. It returns when the machine is free after that; zero
// when nobody can tell.
func (e *Engine) nearScenes(now time.Time, m *floor.Machine) (free time.Time) {
	e.scratch = e.scratch[:0]
	base := e.scene(now, m)
	own := base
	switch {
	case m.Run != nil:
		own.Run, own.Phase, own.Next, own.ReadyAt = m.Run, hazard.Running, true, m.Run.Started
	case len(m.Queue) > 0:
		own.Run, own.Phase, own.Next = m.Queue[0], hazard.Queued, true
	}
	e.want(&own)
	e.scratch = append(e.scratch, own)
	free = now
	if m.Run != nil {
		e.scratch = append(e.scratch, own)
		free = endOf(&own, m.Run.Started, now)
	}
	if m.Last != nil && !m.Last.Cut {
		e.scratch = append(e.scratch, base)
		s := &e.scratch[len(e.scratch)-1]
		s.Run, s.Phase = m.Last, hazard.Resting
		e.want(s)
	}
	if len(m.Queue) > 0 {
		free = e.queue(now, m, 0, &base, free)
	}
	e.near = len(e.scratch)
	return free
}

// farScenes lays out the runs behind the first of the queue.
func (e *Engine) farScenes(now time.Time, m *floor.Machine, free time.Time) {
	if len(m.Queue) < 2 {
		return
	}
	base := e.scene(now, m)
	for i := 1; i < len(m.Queue) && len(e.scratch) < maxScenes; i++ {
		free = e.queue(now, m, i, &base, free)
	}
}

// queue lays out one queued run of a machine that is free then, and returns
// when it is free again.
func (e *Engine) queue(now time.Time, m *floor.Machine, i int, base *hazard.Scene, free time.Time) time.Time {
	e.scratch = append(e.scratch, *base)
	s := &e.scratch[len(e.scratch)-1]
	s.Run, s.Phase, s.Next = m.Queue[i], hazard.Queued, i == 0
	first := i == 0 && m.Run == nil
	s.ReadyAt = readyAt(s.Run, free, now, first)
	if first {
		e.scratch[0].ReadyAt = s.ReadyAt // the machine's own scene speaks of it too
	}
	e.want(s)
	return endOf(s, s.ReadyAt, now)
}

func (e *Engine) scene(now time.Time, m *floor.Machine) hazard.Scene {
	class := m.Roll.Class
	if !m.Roll.Loaded {
		class = event.Unknown
	}
	loaded := e.site.Films.Lookup(m.Roll.Stock, class)
	return hazard.Scene{
		Now: now, Machine: m, Plant: e.plantOf(m.Site, m.Name), Climate: e.floor.Climate(m, now),
		Drift: e.drift, Display: e.site.Display, Loaded: loaded, Pace: e.paceOf(m).Factor,
		Rules: e.rulesFor(hazard.Place{Site: m.Site, Machine: m.Name, Stock: loaded.Stock, Class: loaded.Class}),
	}
}

// want resolves the film that the scene's ticket asks for. A ticket that asks
// for none is judged on what is loaded. A run further down the queue follows
// the rules of its own film, since another roll may be on by then.
func (e *Engine) want(s *hazard.Scene) {
	s.Wanted = s.Loaded
	if s.Run == nil || s.Run.Ticket == nil {
		return
	}
	t := &s.Run.Ticket.Data
	if t.Stock == "" && t.FilmClass == "" {
		return
	}
	if t.Stock == s.Loaded.Stock && (s.Loaded.Given || t.FilmClass == s.Loaded.Class) {
		return // the shop's list, or what is usual for its class, says the same of it
	}
	s.Wanted = e.site.Films.Lookup(t.Stock, t.FilmClass)
	if !s.Next && s.Phase == hazard.Queued {
		s.Rules = e.rulesFor(hazard.Place{Site: s.Machine.Site, Machine: s.Machine.Name, Stock: s.Wanted.Stock, Class: s.Wanted.Class})
	}
}

// readyAt is when a run is expected to start: its planned start, but not
// before the machine is free, and never in the past. The first run of an idle
// machine without a planned start may start at any moment, which is zero.
func readyAt(r *floor.Run, free, now time.Time, next bool) time.Time {
	planned := r.PlannedStart()
	switch {
	case planned.IsZero() && next:
		return time.Time{}
	case free.IsZero() && planned.IsZero():
		return time.Time{}
	case planned.Before(free):
		planned = free
	}
	if planned.Before(now) {
		return now
	}
	return planned
}

// endOf is when a run that starts then will have been printed; zero when its
// length or speed is not known.
func endOf(s *hazard.Scene, start, now time.Time) time.Time {
	d, known := s.DurationS().Get()
	if !known {
		return time.Time{}
	}
	if start.IsZero() {
		start = now
	}
	end := start.Add(units.Seconds(d))
	if end.Before(now) {
		return now
	}
	return end
}

// describe fills a transition with what the hazard sees now: evidence,
// remedies, caution and the alarm in one sentence.
func (e *Engine) describe(d *event.AlarmChanged, m *floor.Machine, f *finding) {
	row, s := &e.site.Book.Rows[f.row], &e.scratch[f.scene]
	d.Phase = string(s.Phase)
	if row.Scope == hazard.OnMachine {
		d.Phase = ""
	}
	d.Priority = string(priorityOf(row, s, f.row))
	d.Evidence = row.Evidence(s)
	d.Caution = row.Caution
	d.Remedies = e.advisor.Advise(row, s)
	if row.Code == hazard.BareEdge {
		d.Evidence = append(d.Evidence, oddsOf(e.advisor.Strike(s, remedy.Standing(s))), event.Evidence{Name: whatPays, Value: e.advisor.Why(row, s)})
	}
	d.ReadyAt = nil
	if !s.ReadyAt.IsZero() && s.Phase == hazard.Queued {
		at := s.ReadyAt.UTC()
		d.ReadyAt = &at
	}
	d.Message = e.message(d, m, row, s)
}

// whatPays names the evidence that says which treatment of a bare edge pays.
const whatPays = "what pays"

// message says the alarm in one sentence that fits a pager.
func (e *Engine) message(d *event.AlarmChanged, m *floor.Machine, row *hazard.Row, s *hazard.Scene) string {
	text := fmt.Sprintf("%s: %s", m.Name, row.Say(s))
	if d.Job != "" {
		text = fmt.Sprintf("%s, %s: %s", m.Name, event.JobName(d.Job, d.Part), row.Say(s))
	}
	switch {
	case row.Scope == hazard.OnMachine:
	case s.Phase == hazard.Running:
		text += "; the run has started"
	case s.Phase == hazard.Queued && s.ReadyAt.IsZero():
		text += "; it may start at any moment"
	case s.Phase == hazard.Queued && !s.ReadyAt.After(s.Now):
		text += "; its start is due"
	case s.Phase == hazard.Queued:
		text += "; it starts in " + units.Span(s.ReadyAt.Sub(s.Now))
	}
	if len(d.Remedies) > 0 && d.Remedies[0].WhyNot == "" {
		text += ". " + best(d.Remedies[0])
		if row.Code == hazard.BareEdge {
			expected, odds := e.advisor.DoNothing(s)
			text += fmt.Sprintf("; %s as it is costs %s in expectation (%.0f %% odds of a strike)", verb(s.Phase), expected, 100*odds.P)
			if e.wrongRoll(s) {
				text += ". Change the roll first: the wrong stock is loaded"
			}
		}
	}
	return text + "."
}

// wrongRoll reports whether what is loaded must come off before the start, so
// that nobody spends film on an edge that is about to go.
func (e *Engine) wrongRoll(s *hazard.Scene) bool {
	row, known := e.site.Book.Row(hazard.WrongStock)
	return known && s.Phase == hazard.Queued && row.Check(s) == hazard.Holds
}

// verb says what doing nothing comes to.
func verb(p hazard.Phase) string {
	if p == hazard.Running {
		return "going on"
	}
	return "starting"
}

// outcomes say what a transition that annunciates nothing means to a person.
var outcomes = map[alarm.Input]string{
	alarm.Return:      "no longer holds",
	alarm.Latch:       "is gone and stays until somebody resets it",
	alarm.Acknowledge: "was acknowledged",
	alarm.Reset:       "was reset",
	alarm.Shelve:      "was shelved",
	alarm.Release:     "was taken off the shelf",
	alarm.Expire:      "came off the shelf, its time being over",
	alarm.Suppress:    "is hidden while its cause stands",
	alarm.Unsuppress:  "is no longer hidden",
	alarm.TakeOut:     "was taken out of service",
	alarm.PutBack:     "was put back in service",
	alarm.Lapse:       "went away long ago and is forgotten",
}

// outcome says a transition that annunciates nothing in one sentence.
func (e *Engine) outcome(d *event.AlarmChanged, m *floor.Machine, tr alarm.Transition, in input) string {
	title := d.Hazard
	if row, known := e.site.Book.Row(hazard.Code(d.Hazard)); known {
		title = row.Title
	}
	text := m.Name
	if d.Job != "" {
		text += ", " + event.JobName(d.Job, d.Part)
	}
	text += fmt.Sprintf(": %q %s", title, outcomes[tr.On])
	if in.by != "" {
		text += " by " + in.by
	}
	if in.until != nil {
		text += " until " + in.until.UTC().Format(time.RFC3339)
	}
	if in.reason != "" {
		text += " (" + in.reason + ")"
	}
	return text + "."
}

func best(r event.Remedy) string {
	if r.Expected == "" {
		return "Do: " + r.Text
	}
	return fmt.Sprintf("Cheapest: %s for %s", r.Text, r.Cost)
}
