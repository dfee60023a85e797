package rules

import (
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/units"
)

// learnt is the pace of a machine's runs, and which runs it was learnt from: so
// many, up to the one that this event ended.
type learnt struct {
	runs int
	last string
	pace queue.Pace
}

// paceOf is how long the machine's runs take against their computed time. It is
// learnt again when another run has finished, or one was taken back.
func (e *Engine) paceOf(m *floor.Machine) queue.Pace {
	n, last := len(m.Paces), ""
	if n > 0 {
		last = m.Paces[n-1].ID
	}
	id := machineID{m.Site, m.Name}
	l, ok := e.paces[id]
	if !ok || l.runs != n || l.last != last {
		l = learnt{n, last, queue.LearnPace(ratios(m.Paces, e.plantOf(m.Site, m.Name)))}
		e.paces[id] = l
	}
	return l.pace
}

// ratios are the real over the computed times of runs. One whose length or
// passes are not known has no computed time, and 0 stands for it.
func ratios(runs []floor.FinishedRun, p *plant.Machine) []float64 {
	out := make([]float64, len(runs))
	for i := range runs {
		length, known := runs[i].LengthM.Get()
		speed := p.FeedSpeed(runs[i].Passes.Or(0))
		if known && length > 0 && speed > 0 {
			out[i] = runs[i].Seconds / (length * 1000 / speed)
		}
	}
	return out
}

// Slot is when a queued run is expected to start, and how long it takes. Nine
// of ten starts lie between Early and Late if the runs go as they went so far.
//
// Expected is what the alarms go by; zero means at any moment. A zero Late means
// that nobody can tell how late it may get, because a run ahead has no known
// length.
type Slot struct {
	Run                   *floor.Run
	Early, Expected, Late time.Time
	TakesS, LowS, HighS   units.Maybe // expected, and between which nine of ten lie, s
}

// Schedule is when each queued run of a machine is expected to start, in the
// order of the queue, as far down as runs are judged. Changes of the roll are
// left out of it, as they are of the alarms: a warning had better be early.
func (r Reader) Schedule(now time.Time, site, name string) []Slot {
	m := r.e.floor.Machine(site, name)
	if m == nil {
		return nil
	}
	r.e.scenes(now, m)
	l := lane{now: now, free: now, pace: r.e.paceOf(m), late: queue.Slack{Late: true}}
	out := make([]Slot, 0, len(m.Queue))
	for i := range r.e.scratch[1:] {
		switch s := &r.e.scratch[i+1]; s.Phase {
		case hazard.Running:
			l.pass(s, s.Run.Started)
		case hazard.Queued:
			out = append(out, l.slot(s))
			l.pass(s, s.ReadyAt)
		}
	}
	return out
}

// lane walks down the queue of a machine and keeps how far each moment may lie
// off to either side.
type lane struct {
	now, free   time.Time
	early, late queue.Slack
	untold      bool // nobody can tell how late it may get
	pace        queue.Pace
}

// slot is the start of the next run. A planned start that comes after the
// machine is free takes slack away, since nothing starts before its time.
func (l *lane) slot(s *hazard.Scene) Slot {
	out := Slot{Run: s.Run, Expected: s.ReadyAt, TakesS: s.DurationS()}
	if takes, known := out.TakesS.Get(); known {
		low, high := l.pace.Interval(takes)
		out.LowS, out.HighS = units.Some(low), units.Some(high)
	}
	if s.ReadyAt.IsZero() {
		return out
	}
	earliest := l.now
	if planned := s.Run.PlannedStart(); planned.After(earliest) {
		earliest = planned
	}
	l.early = l.early.Within(s.ReadyAt.Sub(earliest).Seconds())
	if !l.free.IsZero() {
		l.late = l.late.Within(l.late.Seconds() - s.ReadyAt.Sub(l.free).Seconds())
	}
	out.Early = s.ReadyAt.Add(-units.Seconds(l.early.Seconds()))
	if !l.untold {
		out.Late = s.ReadyAt.Add(units.Seconds(l.late.Seconds()))
	}
	return out
}

// pass lets a run go by that starts then.
func (l *lane) pass(s *hazard.Scene, start time.Time) {
	takes, known := s.DurationS().Get()
	l.untold = l.untold || !known
	l.free = endOf(s, start, l.now)
	l.early, l.late = l.early.Plus(l.pace, takes), l.late.Plus(l.pace, takes)
}

// QueueAdvice says in which order the queue of a machine costs least and where
// the film is better not cut; false when nothing is queued. It never changes the
// queue: a person takes the advice or leaves it.
//
// The running run and the runs whose place a person gave stay where they are.
// A run whose length or stock nobody knows ends what can be told: it stays where
// it is, and so do all behind it.
func (r Reader) QueueAdvice(now time.Time, site, name string, prices queue.Prices) (queue.Advice, bool) {
	m := r.e.floor.Machine(site, name)
	if m == nil || len(m.Queue) == 0 {
		return queue.Advice{}, false
	}
	r.e.scenes(now, m)
	o := orderer{Engine: r.e, now: now, machine: m, prices: prices}
	p := queue.Problem{ChangeS: prices.ChangeS, RollM: prices.RollM, Currency: r.e.advisor.Costs.Currency, Display: r.e.site.Display}
	why := o.begin(&p.Start)
	for i := range r.e.scratch[1:] {
		s := &r.e.scratch[i+1]
		if s.Phase != hazard.Queued {
			continue
		}
		if why == "" {
			why = o.unplaced(s)
		}
		if why != "" {
			break
		}
		p.Jobs = append(p.Jobs, o.job(s))
	}
	a := queue.Advise(p)
	for i := len(p.Jobs); i < len(m.Queue); i++ {
		a.Aside = append(a.Aside, queue.Aside{Name: event.JobName(m.Queue[i].Job, m.Queue[i].Part), Why: aside(i-len(p.Jobs), why)})
	}
	return a, true
}

// aside says why a run is not placed: the first for what is not known of it, the
// others for standing behind it.
func aside(place int, why string) string {
	switch {
	case why == "":
		return "it stands too far down the queue"
	case place == 0:
		return why
	}
	return "it stands behind a run that could not be placed"
}

// orderer lays one machine's queue out for the advice.
type orderer struct {
	*Engine
	now     time.Time
	machine *floor.Machine
	prices  queue.Prices
}

// begin says how the machine stands before its queue, or why nobody can tell
// when the queue goes on.
func (o *orderer) begin(s *queue.Start) (why string) {
	m, scene := o.machine, &o.scratch[0]
	if m.Roll.Loaded && (m.Roll.Stock != "" || classKnown(scene.Loaded.Class)) {
		s.Stock = o.stock(m.Roll.Stock, scene.Loaded.Class, scene.WidthMM())
	}
	s.LeftM = m.Roll.LeftM
	if m.Run == nil {
		front, known := scene.FrontMM().Get()
		s.Clear = known && front >= scene.Plant.Path.CureExitMM
		return ""
	}
	name := event.JobName(m.Run.Job, m.Run.Part)
	s.Hangs, s.HoldS = name, o.since(finishBy(m.Run))
	planned, _ := scene.PlannedM()
	s.LeftM = m.Roll.LeftM.Plus(-max(0, planned.Or(0)-m.Run.FedM.Or(0)))
	end := endOf(scene, m.Run.Started, o.now)
	if end.IsZero() {
		return "the length of " + name + ", which runs now, is not known, so nobody can tell when the machine is free"
	}
	s.FreeS = end.Sub(o.now).Seconds()
	return ""
}

// unplaced says why a run cannot be placed; empty when it can.
func (o *orderer) unplaced(s *hazard.Scene) string {
	switch {
	case s.Run.Ticket == nil:
		return "no ticket is known for it"
	case !s.DurationS().Known():
		return "its length is not known, so nobody can tell when it ends"
	case s.Run.Ticket.Data.Stock == "" && !classKnown(s.Run.Ticket.Data.FilmClass):
		return "its ticket names neither a stock nor a film class"
	}
	return ""
}

func classKnown(c event.Class) bool { return c != "" && c != event.Unknown }

// job lays out one queued run.
func (o *orderer) job(s *hazard.Scene) queue.Job {
	length, _ := s.PlannedM()
	width := o.width(s)
	j := queue.Job{
		Name: event.JobName(s.Run.Job, s.Run.Part), Stock: o.wantedStock(s, width), LengthM: length.Or(0), TakesS: s.DurationS().Or(0),
		HoldS: o.since(finishBy(s.Run)), LatePerHour: o.prices.LatePerHour, Fixed: s.Run.Pinned,
		ChangeCost: o.changeCost(s.Wanted, width), BareCost: o.bareCost(s, width),
	}
	if planned := s.Run.PlannedStart(); planned.After(o.now) {
		j.ReleaseS = planned.Sub(o.now).Seconds()
	}
	if due := s.Run.Ticket.Data.Due; due != nil {
		j.DueS = o.since(*due)
	}
	return j
}

// finishBy is when the finishing of a run is planned, else when it is due: until
// then it may hang uncut.
func finishBy(r *floor.Run) time.Time {
	switch t := r.Ticket; {
	case t == nil:
	case t.Data.FinishAt != nil:
		return *t.Data.FinishAt
	case t.Data.Due != nil:
		return *t.Data.Due
	}
	return time.Time{}
}

// since is a moment in seconds from now; unknown when it is zero.
func (o *orderer) since(t time.Time) units.Maybe {
	if t.IsZero() {
		return units.Maybe{}
	}
	return units.Some(t.Sub(o.now).Seconds())
}

// width is the width of the roll that a run asks for, or its film usually has.
// One that differs from the loaded roll's by less than the slack is that one.
func (o *orderer) width(s *hazard.Scene) float64 {
	want := units.From(s.Run.Ticket.Data.RollWidthMM).Else(s.Wanted.WidthMM).Or(s.Plant.MaxWidthMM)
	have := o.scratch[0].WidthMM()
	if want-have <= s.Rules.WidthSlackMM && have-want <= s.Rules.WidthSlackMM {
		return have
	}
	return want
}

// wantedStock names the roll that a run asks for. A ticket that names only a
// class takes the loaded roll, if that is of the class.
func (o *orderer) wantedStock(s *hazard.Scene, width float64) string {
	stock := s.Run.Ticket.Data.Stock
	if stock == "" && o.machine.Roll.Loaded && s.Loaded.Class == s.Wanted.Class {
		stock = o.machine.Roll.Stock
	}
	return o.stock(stock, s.Wanted.Class, width)
}

func (o *orderer) stock(code string, class event.Class, widthMM float64) string {
	if code == "" {
		code = string(class)
	}
	return code + " of " + o.site.Display.Short(widthMM)
}

// changeCost is what changing to a roll costs, with the film that is lost at its
// beginning if that has a price.
func (o *orderer) changeCost(f film.Film, widthMM float64) float64 {
	return o.advisor.ChangeCost(f, o.prices.ChangeS, film.Area(o.prices.ThreadM, widthMM))
}

// bareCost is what the start of a run on a bare edge of its own film costs in
// expectation, with the edge at the print line: as it is, or with the cheapest
// treatment of the edge.
func (o *orderer) bareCost(s *hazard.Scene, widthMM float64) float64 {
	f := s.Wanted
	row, listed := o.site.Book.Row(hazard.BareEdge)
	if f.LiesFlat || !listed {
		return 0
	}
	m, bare := *s.Machine, *s
	m.Run, m.Leader, m.Edge = nil, floor.Leader{}, floor.Edge{PositionMM: units.Some(0), Rewound: true}
	m.Roll = floor.Roll{Loaded: true, Stock: f.Stock, Class: f.Class, WidthMM: units.Some(widthMM), ThicknessUM: f.ThicknessUM}
	bare.Machine, bare.Loaded, bare.Next = &m, f, true
	bare.Rules = o.rulesFor(hazard.Place{Site: m.Site, Machine: m.Name, Stock: f.Stock, Class: f.Class})
	return o.advisor.LeastExpected(row, &bare)
}
