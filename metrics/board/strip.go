package board

import (
	"cmp"
	"slices"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// strip is one machine's place on the page.
type strip struct {
	Anchor, Site, Name string
	Configured         bool
	Heard              moving
	Silent             bool // never heard
	Path               *drawing
	Facts              []fact
	Gaps               bool // whether a fact is unknown or not in order
	Running, Next      runLine
	Behind             int
	Alarms             []alarmCard
	Aside              []alarmCard
	Notes              []noteLine
}

// fact is one thing that is known of a machine, or one that is not.
type fact struct {
	Label   string
	Parts   []string
	Unknown bool // some of it is, or it is not in order
}

type runLine struct {
	Name  string // empty when there is none
	Start *moving
	Fed   string // how far it is, metres of Of; empty when nobody knows
	Of    string
	Label string // of the bar
	Parts []string
}

type noteLine struct {
	At   moving
	By   string
	Text string
}

// mostNotes is how many of a machine's notes are shown, the newest first.
const mostNotes = 3

func (p *painter) strip(s shown) *strip {
	c := &strip{Anchor: anchor(s.site, s.machine), Site: s.site, Name: s.machine, Configured: s.plant != nil, Path: p.draw(s)}
	if c.Silent = s.floor == nil || s.floor.LastHeard.IsZero(); c.Silent {
		c.Heard = moving{Text: p.Say("heard.never")}
	} else {
		c.Heard = p.ago("heard", s.floor.LastHeard)
	}
	c.Facts = p.facts(s)
	c.Gaps = slices.ContainsFunc(c.Facts, func(f fact) bool { return f.Unknown })
	c.Running, c.Next = runLine{Parts: []string{p.Say("run.idle")}}, runLine{Parts: []string{p.Say("run.queue-empty")}}
	if c.Silent {
		// A machine that never spoke may be running for all that anybody knows.
		c.Running.Parts, c.Next.Parts = []string{p.Say("unknown")}, []string{p.Say("unknown")}
	}
	if m := s.floor; m != nil {
		if m.Run != nil {
			c.Running = p.running(m.Run)
		}
		if len(m.Queue) > 0 {
			c.Next, c.Behind = p.next(m), len(m.Queue)-1
		}
		c.Notes = p.notes(m)
	}
	announced := p.view.Alarms.On(s.site, s.machine)
	for _, a := range sorted(p.alarmsOf(p.view, s)) {
		told, _ := alarm.In(announced, a.Key)
		card := p.alarm(s, &a, told.Change.Message)
		if a.State.Active() || a.State == alarm.Returned {
			c.Alarms = append(c.Alarms, card)
		} else {
			c.Aside = append(c.Aside, card)
		}
	}
	return c
}

func (p *painter) notes(m *floor.Machine) []noteLine {
	var lines []noteLine
	for i := len(m.Notes) - 1; i >= 0 && len(lines) < mostNotes; i-- {
		n := &m.Notes[i]
		if n.Text == "" {
			continue
		}
		lines = append(lines, noteLine{p.ago("note.ago", n.At), n.By, n.Text})
	}
	return lines
}

// Facts.

func (p *painter) facts(s shown) []fact {
	if s.floor == nil {
		var all []fact
		for _, label := range []string{p.Say("fact.film"), p.Say("fact.roll"), p.Say("fact.edge"), p.Say("fact.leader"), p.Say("fact.head"), p.Say("fact.air")} {
			all = append(all, fact{label, []string{p.Say("unknown")}, true})
		}
		return all
	}
	film, roll := p.roll(&s.floor.Roll)
	all := []fact{film, roll, p.edge(s), p.leader(s), p.head(&s.floor.Head), p.air(p.view.Floor.Climate(s.floor, p.Now))}
	if s.floor.Reported != nil {
		all = append(all, p.reported(s.floor))
	}
	return all
}

func (p *painter) roll(r *floor.Roll) (film, roll fact) {
	film, roll = fact{Label: p.Say("fact.film")}, fact{Label: p.Say("fact.roll")}
	switch {
	case !r.Loaded && r.At.IsZero():
		film.add(p.Say("unknown"), false)
		roll.add(p.Say("unknown"), false)
		return film, roll
	case !r.Loaded:
		film.add(p.Say("roll.none"), true)
		roll.add(p.Say("roll.none"), true)
		return film, roll
	}
	if r.Stock != "" {
		film.add(r.Stock, true)
	}
	class := string(cmp.Or(r.Class, event.Unknown))
	film.add(p.Name("class", class, class), class != string(event.Unknown))
	if r.Lot != "" {
		film.add(p.Say("roll.lot", r.Lot), true)
	}
	roll.maybe(p, r.LeftM, "roll.left", p.Long)
	roll.maybe(p, r.WidthMM, "roll.width", p.Short)
	roll.maybe(p, r.ThicknessUM, "roll.thick", microns)
	return film, roll
}

func (f *fact) add(text string, known bool) {
	f.Parts = append(f.Parts, text)
	f.Unknown = f.Unknown || !known
}

// maybe adds a value by its key, or the text of the key's "no" for one that
// nobody knows.
func (f *fact) maybe(p *painter, v units.Maybe, key string, format func(float64) string) {
	if value, known := v.Get(); known {
		f.add(p.Say(key, p.Number(format(value))), true)
		return
	}
	f.add(p.Say(key+".no"), false)
}

func (p *painter) edge(s shown) fact {
	f, m := fact{Label: p.Say("fact.edge")}, s.floor
	mm, known := m.Edge.PositionMM.Get()
	switch {
	case !known:
		f.add(p.Say("edge.unknown"), false)
	case mm < 0:
		f.add(p.Say("edge.behind", p.mm(-mm)), true)
	default:
		f.add(p.Say("edge.at", p.mm(mm)), true)
	}
	if !m.Leader.On {
		p.reach(&f, s)
	}
	if m.Edge.Shape != "" {
		f.add(p.Say("edge.shape", m.Edge.Shape), true)
	}
	if m.Edge.Cause != "" && !m.Edge.At.IsZero() {
		f.add(p.Say("edge.moved", p.Name("cause", m.Edge.Cause, m.Edge.Cause), p.Ago(m.Edge.At)), true)
	}
	return f
}

// reach says how far the film's front is from the cure exit.
func (p *painter) reach(f *fact, s shown) {
	front, known := floor.FrontMM(s.floor.Edge, s.floor.Leader).Get()
	if !known || s.plant == nil || s.plant.Path.Assumed {
		return
	}
	if short := s.plant.Path.CureExitMM - front; short > 0 {
		f.add(p.Say("edge.short", p.mm(short)), true)
	} else {
		f.add(p.Say("edge.clear"), true)
	}
}

func (p *painter) leader(s shown) fact {
	f, m := fact{Label: p.Say("fact.leader")}, s.floor
	switch {
	case !m.Leader.On && m.Roll.At.IsZero():
		f.add(p.Say("unknown"), false)
	case !m.Leader.On:
		f.add(p.Say("none"), true)
	default:
		f.add(p.Say("leader.on", p.mm(m.Leader.LengthMM)), true)
		f.maybe(p, m.Leader.ThicknessUM, "roll.thick", microns)
		if front, known := floor.FrontMM(m.Edge, m.Leader).Get(); known {
			f.add(p.Say("leader.front", p.mm(front)), true)
		}
		p.reach(&f, s)
	}
	return f
}

func (p *painter) head(h *floor.Head) fact {
	f := fact{Label: p.Say("fact.head")}
	switch {
	case h.Unproven && !h.CheckedAt.After(h.StruckAt):
		f.add(p.Say("head.struck", p.Clock(h.StruckAt)), false)
	case h.CheckedAt.IsZero():
		f.add(p.Say("head.unchecked"), true)
	case h.NozzlesOK && h.Clear:
		f.add(p.Say("head.good", p.Clock(h.CheckedAt)), true)
	default:
		f.add(p.Say("head.bad", p.Clock(h.CheckedAt)), false)
	}
	return f
}

func (p *painter) air(c floor.Climate) fact {
	f := fact{Label: p.Say("fact.air")}
	f.maybe(p, c.TempC, "air.temp", p.Temp)
	f.maybe(p, c.RHPct, "air.rh", percent)
	return f
}

// Numbers as this reader writes them.

func (p *painter) mm(v float64) string { return p.Number(p.Short(v)) }

// gap writes a gap given in µm, which is too small for the digits of other lengths.
func (p *painter) gap(um float64) string {
	if p.Imperial {
		return p.Number(figure(um/1000/units.MMPerInch, 3) + " in")
	}
	return p.Number(figure(um/1000, 2) + " mm")
}

func (p *painter) long(v float64) string { return p.Number(p.Long(v)) }
func microns(v float64) string           { return figure(v, 0) + " µm" }
func percent(v float64) string           { return figure(v, 0) + " %" }

// reported is what the machine says of itself. A jam in a run may have been a
// head strike, which only a person who looks can tell.
func (p *painter) reported(m *floor.Machine) fact {
	f, r := fact{Label: p.Say("fact.machine")}, m.Reported
	f.add(p.Name("reported", r.State, r.State), r.State != event.MachineStopped)
	jammed := false
	for _, keyword := range r.Reasons {
		reason, wrong := event.MachineReason(keyword)
		f.add(p.Name("reason", reason, reason), !wrong)
		jammed = jammed || reason == event.ReasonMediaJam
	}
	if jammed {
		f.add(p.Say("reported.jam"), false)
	}
	f.add(p.Say("reported.ago", p.Ago(r.At)), true)
	return f
}

// Runs.

func (p *painter) running(r *floor.Run) runLine {
	line := runLine{Name: event.JobName(r.Job, r.Part)}
	fed := r.FedM.Or(0)
	if total, known := r.LengthM().Get(); known && total > 0 {
		line.Fed, line.Of, line.Label = figure(min(fed, total), 3), figure(total, 3), p.Say("run.progress", line.Name)
		line.Parts = append(line.Parts, p.Say("run.fed", p.long(fed), p.long(total)))
	} else {
		line.Parts = append(line.Parts, p.Say("run.fed-open", p.long(fed)))
	}
	line.Parts = append(line.Parts, p.Say("run.since", p.Clock(r.Started)))
	if r.Ticket == nil {
		line.Parts = append(line.Parts, p.Say("run.no-ticket"))
	}
	return line
}

func (p *painter) next(m *floor.Machine) runLine {
	r := m.Queue[0]
	line := runLine{Name: event.JobName(r.Job, r.Part)}
	at, known := p.startAt(p.view, m)
	start := moving{}
	switch {
	case !known && m.Run != nil:
		start.Text = p.Say("start.after")
	case !known:
		start.Text = p.Say("start.any")
	case p.Now.Sub(at).Abs() < time.Second: // the watch puts an overdue start at this moment
		start.Text = p.Say("start.due")
	default:
		start = moving{At: web.Instant(at), In: p.Say("start.in", "{}"), Ago: p.Say("start.late", "{}")}
		if start.Text = p.Say("start.in", p.Number(units.Span(at.Sub(p.Now)))); at.Before(p.Now) {
			start.Text = p.Say("start.late", p.Ago(at))
		}
		line.Parts = append(line.Parts, p.Say("start.at", p.Clock(at)))
	}
	line.Start = &start
	if t := r.Ticket; t == nil {
		line.Parts = append(line.Parts, p.Say("run.no-ticket"))
	} else if t.Data.Stock != "" {
		line.Parts = append(line.Parts, t.Data.Stock)
	} else if class := string(t.Data.FilmClass); class != "" {
		line.Parts = append(line.Parts, p.Name("class", class, class))
	}
	if length, known := r.LengthM().Get(); known {
		line.Parts = append(line.Parts, p.Say("run.length", p.long(length)))
	} else {
		line.Parts = append(line.Parts, p.Say("run.length.no"))
	}
	return line
}

// startAt is when the machine's next run is expected to start: by the watch,
// else as planned, else as the run's own alarms last said.
func (b *board) startAt(v *rules.View, m *floor.Machine) (time.Time, bool) {
	if len(m.Queue) == 0 {
		return time.Time{}, false
	}
	if b.o.StartAt != nil {
		if at, known := b.o.StartAt(v, m.Site, m.Name); known {
			return at, true
		}
	}
	next := m.Queue[0]
	if planned := next.PlannedStart(); !planned.IsZero() {
		return planned, true
	}
	for _, a := range v.Alarms.On(m.Site, m.Name) {
		if a.Job == next.Job && a.Part == next.Part && a.Change.ReadyAt != nil {
			return *a.Change.ReadyAt, true
		}
	}
	return time.Time{}, false
}
