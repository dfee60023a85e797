package board

import (
	"cmp"
	"slices"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// card is one machine's sheet on the page.
type card struct {
	Anchor, Site, Name string
	Configured         bool
	Heard              string
	Silent             bool // never heard
	Path               *feedPath
	Facts              []fact
	Gaps               bool // whether a fact is unknown or not in order
	Running, Next      runLine
	Behind             int
	Alarms             []alarmCard
	Aside              []alarmCard
}

// fact is one thing that is known of a machine, or one that is not.
type fact struct {
	Label   string
	Parts   []string
	Unknown bool // some of it is, or it is not in order
}

type runLine struct {
	Name  string // empty when there is none
	Start string // countdown of a queued run
	Parts []string
}

func (p *painter) card(s shown) card {
	c := card{Anchor: anchor(s.site, s.machine), Site: s.site, Name: s.machine, Configured: s.plant != nil}
	if s.plant != nil {
		c.Path = drawPath(p.words, p.o.Display, s.plant.Path, s.floor)
	}
	if c.Silent = s.floor == nil || s.floor.LastHeard.IsZero(); c.Silent {
		c.Heard = p.say("heard.never")
	} else {
		c.Heard = p.say("heard", p.ago(s.floor.LastHeard))
	}
	c.Facts = p.facts(s)
	c.Gaps = slices.ContainsFunc(c.Facts, func(f fact) bool { return f.Unknown })
	c.Running, c.Next = runLine{Parts: []string{p.say("run.idle")}}, runLine{Parts: []string{p.say("run.queue-empty")}}
	if c.Silent {
		// A machine that never spoke may be running for all that anybody knows.
		c.Running.Parts, c.Next.Parts = []string{p.say("unknown")}, []string{p.say("unknown")}
	}
	if m := s.floor; m != nil && m.Run != nil {
		c.Running = p.running(m.Run)
	}
	if m := s.floor; m != nil && len(m.Queue) > 0 {
		c.Next, c.Behind = p.next(m), len(m.Queue)-1
	}
	for _, a := range sorted(p.view.Alarms.On(s.site, s.machine)) {
		line := p.alarm(&a)
		if a.State.Active() || a.State == alarm.Returned {
			c.Alarms = append(c.Alarms, line)
		} else {
			c.Aside = append(c.Aside, line)
		}
	}
	return c
}

// Facts.

func (p *painter) facts(s shown) []fact {
	if s.floor == nil {
		var all []fact
		for _, key := range []string{"fact.film", "fact.roll", "fact.edge", "fact.leader", "fact.head", "fact.air"} {
			all = append(all, fact{p.say(key), []string{p.say("unknown")}, true})
		}
		return all
	}
	film, roll := p.roll(&s.floor.Roll)
	return []fact{film, roll, p.edge(s), p.leader(s), p.head(&s.floor.Head), p.air(p.view.Floor.Climate(s.floor))}
}

func (p *painter) roll(r *floor.Roll) (film, roll fact) {
	film, roll = fact{Label: p.say("fact.film")}, fact{Label: p.say("fact.roll")}
	switch {
	case !r.Loaded && r.At.IsZero():
		film.add(p.say("unknown"), false)
		roll.add(p.say("unknown"), false)
		return film, roll
	case !r.Loaded:
		film.add(p.say("roll.none"), true)
		roll.add(p.say("roll.none"), true)
		return film, roll
	}
	if r.Stock != "" {
		film.add(r.Stock, true)
	}
	film.add(p.name("class", string(cmp.Or(r.Class, event.Unknown))), r.Class != event.Unknown && r.Class != "")
	if r.Lot != "" {
		film.add(p.say("roll.lot", r.Lot), true)
	}
	roll.maybe(p, r.LeftM, "roll.left", p.o.Display.Long)
	roll.maybe(p, r.WidthMM, "roll.width", p.o.Display.Short)
	roll.maybe(p, r.ThicknessUM, "roll.thick", nil)
	return film, roll
}

func (f *fact) add(text string, known bool) {
	f.Parts = append(f.Parts, text)
	f.Unknown = f.Unknown || !known
}

// maybe adds a value by its key, or the text of the key's "no" for one that
// nobody knows.
func (f *fact) maybe(p *painter, v units.Maybe, key string, format func(float64) string) {
	value, known := v.Get()
	switch {
	case !known:
		f.add(p.say(key+".no"), false)
	case format == nil:
		f.add(p.say(key, value), true)
	default:
		f.add(p.say(key, format(value)), true)
	}
}

func (p *painter) edge(s shown) fact {
	f, m := fact{Label: p.say("fact.edge")}, s.floor
	mm, known := m.Edge.PositionMM.Get()
	switch {
	case !known:
		f.add(p.say("edge.unknown"), false)
	case mm < 0:
		f.add(p.say("edge.behind", p.o.Display.Short(-mm)), true)
	default:
		f.add(p.say("edge.at", p.o.Display.Short(mm)), true)
	}
	if !m.Leader.On {
		p.reach(&f, s)
	}
	if m.Edge.Shape != "" {
		f.add(p.say("edge.shape", m.Edge.Shape), true)
	}
	if m.Edge.Cause != "" && !m.Edge.At.IsZero() {
		f.add(p.say("edge.moved", p.name("cause", m.Edge.Cause), p.ago(m.Edge.At)), true)
	}
	return f
}

// reach says how far the film's front is from the cure exit.
func (p *painter) reach(f *fact, s shown) {
	front, known := floor.FrontMM(s.floor.Edge, s.floor.Leader).Get()
	if !known || s.plant == nil {
		return
	}
	if short := s.plant.Path.CureExitMM - front; short > 0 {
		f.add(p.say("edge.short", p.o.Display.Short(short)), true)
	} else {
		f.add(p.say("edge.clear"), true)
	}
}

func (p *painter) leader(s shown) fact {
	f, m := fact{Label: p.say("fact.leader")}, s.floor
	switch {
	case !m.Leader.On && m.Roll.At.IsZero():
		f.add(p.say("unknown"), false)
	case !m.Leader.On:
		f.add(p.say("none"), true)
	default:
		f.add(p.say("leader.on", p.o.Display.Short(m.Leader.LengthMM)), true)
		f.maybe(p, m.Leader.ThicknessUM, "roll.thick", nil)
		if front, known := floor.FrontMM(m.Edge, m.Leader).Get(); known {
			f.add(p.say("leader.front", p.o.Display.Short(front)), true)
		}
		p.reach(&f, s)
	}
	return f
}

func (p *painter) head(h *floor.Head) fact {
	f := fact{Label: p.say("fact.head")}
	switch {
	case h.Unproven:
		f.add(p.say("head.struck", p.clock(h.StruckAt)), false)
	case h.CheckedAt.IsZero():
		f.add(p.say("head.unchecked"), true)
	case h.NozzlesOK && h.Clear:
		f.add(p.say("head.good", p.clock(h.CheckedAt)), true)
	default:
		f.add(p.say("head.bad", p.clock(h.CheckedAt)), false)
	}
	return f
}

func (p *painter) air(c floor.Climate) fact {
	f := fact{Label: p.say("fact.air")}
	f.maybe(p, c.TempC, "air.temp", p.o.Display.Temp)
	f.maybe(p, c.RHPct, "air.rh", nil)
	return f
}

// Runs.

func (p *painter) running(r *floor.Run) runLine {
	line := runLine{Name: event.JobName(r.Job, r.Part)}
	fed := p.o.Display.Long(r.FedM.Or(0))
	if total, known := r.LengthM().Get(); known {
		line.Parts = append(line.Parts, p.say("run.fed", fed, p.o.Display.Long(total)))
	} else {
		line.Parts = append(line.Parts, p.say("run.fed-open", fed))
	}
	line.Parts = append(line.Parts, p.say("run.since", p.clock(r.Started)))
	if r.Ticket == nil {
		line.Parts = append(line.Parts, p.say("run.no-ticket"))
	}
	return line
}

func (p *painter) next(m *floor.Machine) runLine {
	r := &m.Queue[0]
	line := runLine{Name: event.JobName(r.Job, r.Part)}
	at, known := p.startAt(p.view, m)
	switch {
	case !known && m.Run != nil:
		line.Start = p.say("start.after")
	case !known:
		line.Start = p.say("start.any")
	case p.now.Sub(at).Abs() < time.Second: // the watch puts an overdue start at this moment
		line.Start = p.say("start.due")
	case at.Before(p.now):
		line.Start = p.say("start.late", p.ago(at))
		line.Parts = append(line.Parts, p.say("start.at", p.clock(at)))
	default:
		line.Start = p.say("start.in", units.Span(at.Sub(p.now)))
		line.Parts = append(line.Parts, p.say("start.at", p.clock(at)))
	}
	if t := r.Ticket; t == nil {
		line.Parts = append(line.Parts, p.say("run.no-ticket"))
	} else if film := cmp.Or(t.Data.Stock, string(t.Data.FilmClass)); film != "" {
		line.Parts = append(line.Parts, film)
	}
	if length, known := r.LengthM().Get(); known {
		line.Parts = append(line.Parts, p.say("run.length", p.o.Display.Long(length)))
	} else {
		line.Parts = append(line.Parts, p.say("run.length.no"))
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
		if at, known := b.o.StartAt(m.Site, m.Name); known {
			return at, true
		}
	}
	next := &m.Queue[0]
	if !next.StartAt.IsZero() {
		return next.StartAt, true
	}
	for _, a := range v.Alarms.On(m.Site, m.Name) {
		if a.Job == next.Job && a.Part == next.Part && a.Change.ReadyAt != nil {
			return *a.Change.ReadyAt, true
		}
	}
	return time.Time{}, false
}
