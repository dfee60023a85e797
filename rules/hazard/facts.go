package hazard

import (
	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// Fact is one value that a condition of the rule book can name.
type Fact struct {
	Name    string // as in a condition, for example edge.front_mm
	Kind    string // number, text or truth
	Doc     string
	Learn   string // how to come to know it
	get     func(*Scene) value
	run     bool              // only there when a run is judged
	clocked bool              // changes by time alone
	moot    func(*Scene) bool // when nobody needs to know it; may be nil
}

// see returns the fact as it is in a scene.
func (f *Fact) see(s *Scene) value {
	if f.run && s.Run == nil {
		return value{}
	}
	return f.get(s)
}

// any returns the fact as a Go value of its kind, and whether it is known.
func (f *Fact) any(s *Scene) (any, bool) {
	v := f.see(s)
	switch f.Kind {
	case "number":
		return v.number, v.known
	case "text":
		return v.text, v.known
	}
	return v.truth, v.known
}

// missing reports whether the fact is needed here and not known.
func (f *Fact) missing(s *Scene) bool {
	if f.moot != nil && f.moot(s) {
		return false
	}
	return !f.see(s).known
}

// value is what a fact is now. It is no any, because every judgement asks for
// several facts and boxing each would cost an allocation.
type value struct {
	number float64
	text   string
	truth  bool
	known  bool
}

func num(v float64, known bool) value    { return value{number: v, known: known} }
func textual(v string, known bool) value { return value{text: v, known: known} }
func truth(get func(*Scene) bool) func(*Scene) value {
	return func(s *Scene) value { return value{truth: get(s), known: true} }
}

func number(get func(*Scene) units.Maybe) func(*Scene) value {
	return func(s *Scene) value { return num(get(s).Get()) }
}

func text(get func(*Scene) string) func(*Scene) value {
	return func(s *Scene) value { v := get(s); return textual(v, v != "") }
}

func onTicket(get func(*event.TicketReceived) value) func(*Scene) value {
	return func(s *Scene) value {
		if t := s.ticket(); t != nil {
			return get(t)
		}
		return value{}
	}
}

func ticketNumber(get func(*event.TicketReceived) *float64) func(*Scene) value {
	return onTicket(func(t *event.TicketReceived) value { return num(units.From(get(t)).Get()) })
}

const (
	sendRoll = "record it: rollwarden send roll.loaded"
	sendEdge = "look, and record it: rollwarden send edge.moved"
	inTicket = "have the office put it in the ticket"
)

// Facts lists every value that a condition can name and that can be required.
var Facts = []Fact{
	{Name: "machine.site", Kind: "text", Doc: "site", get: text(func(s *Scene) string { return s.Machine.Site })},
	{Name: "machine.name", Kind: "text", Doc: "machine", get: text(func(s *Scene) string { return s.Machine.Name })},
	{Name: "machine.silent_s", clocked: true, Kind: "number", Doc: "seconds since the machine was last heard", Learn: "send any event of the machine", get: func(s *Scene) value {
		return num(s.Now.Sub(s.Machine.LastHeard).Seconds(), !s.Machine.LastHeard.IsZero())
	}},
	{Name: "roll.loaded", Kind: "truth", Doc: "whether a roll is loaded", get: truth(func(s *Scene) bool { return s.Machine.Roll.Loaded })},
	{Name: "roll.stock", Kind: "text", Doc: "stock code of the loaded roll", Learn: sendRoll,
		moot: func(s *Scene) bool { t := s.ticket(); return t != nil && t.Stock == "" },
		get:  text(func(s *Scene) string { return s.Machine.Roll.Stock })},
	{Name: "roll.class", Kind: "text", Doc: "film class of the loaded roll", Learn: sendRoll, get: func(s *Scene) value {
		return textual(string(s.Loaded.Class), s.Machine.Roll.Loaded && classKnown(s.Loaded.Class))
	}},
	{Name: "roll.width_mm", Kind: "number", Doc: "width of the loaded roll", Learn: sendRoll, get: number(func(s *Scene) units.Maybe { return s.Machine.Roll.WidthMM })},
	{Name: "roll.left_m", Kind: "number", Doc: "metres left on the roll", Learn: sendRoll + " with length_m", get: number(func(s *Scene) units.Maybe { return s.Machine.Roll.LeftM })},
	{Name: "roll.thickness_um", Kind: "number", Doc: "thickness of the loaded film", Learn: sendRoll + " with thickness_um", get: number((*Scene).thicknessUM)},
	{Name: "edge.position_mm", Kind: "number", Doc: "edge position", Learn: sendEdge, get: number(func(s *Scene) units.Maybe { return s.Machine.Edge.PositionMM })},
	{Name: "edge.front_mm", Kind: "number", Doc: "edge position, or the end of its leader", Learn: sendEdge, get: number((*Scene).frontMM)},
	{Name: "edge.rewound", Kind: "truth", Doc: "whether feed was reversed last", get: truth(func(s *Scene) bool { return s.Machine.Edge.Rewound })},
	{Name: "edge.shaped", Kind: "truth", Doc: "whether the lip was cut to a shape", get: truth(func(s *Scene) bool { return s.Machine.Edge.Shape != "" })},
	{Name: "leader.on", Kind: "truth", Doc: "whether a leader is taped on", get: truth(func(s *Scene) bool { return s.Machine.Leader.On })},
	{Name: "leader.thickness_um", Kind: "number", Doc: "height of the leader", Learn: "measure it, and record it: rollwarden send leader.attached",
		moot: func(s *Scene) bool { return !s.Machine.Leader.On },
		get:  number(func(s *Scene) units.Maybe { return s.Machine.Leader.ThicknessUM })},
	{Name: "path.cure_entry_mm", Kind: "number", Doc: "cure zone entry", get: func(s *Scene) value { return num(s.Plant.Path.CureEntryMM, true) }},
	{Name: "path.cure_exit_mm", Kind: "number", Doc: "cure zone exit", get: func(s *Scene) value { return num(s.Plant.Path.CureExitMM, true) }},
	{Name: "head.unproven", Kind: "truth", Doc: "whether the head is not proven since a strike", get: truth(func(s *Scene) bool { return s.Machine.Head.Unproven })},
	{Name: "climate.rh_pct", Kind: "number", Doc: "relative humidity", Learn: "record it: rollwarden send climate.read", get: number(func(s *Scene) units.Maybe { return s.Climate.RHPct })},
	{Name: "climate.temp_c", Kind: "number", Doc: "air temperature", Learn: "record it: rollwarden send climate.read", get: number(func(s *Scene) units.Maybe { return s.Climate.TempC })},

	{Name: "run.job", Kind: "text", Doc: "job id", run: true, get: text(func(s *Scene) string { return s.Run.Job })},
	{Name: "run.phase", Kind: "text", Doc: "queued or running", run: true, get: text(func(s *Scene) string { return string(s.Phase) })},
	{Name: "run.next", Kind: "truth", Doc: "whether it is the next to start, or running", run: true, get: truth(func(s *Scene) bool { return s.Next })},
	{Name: "run.ready_in_s", clocked: true, Kind: "number", Doc: "seconds until it is expected to start", Learn: inTicket, run: true, get: func(s *Scene) value {
		return num(s.ReadyAt.Sub(s.Now).Seconds(), !s.ReadyAt.IsZero())
	}},
	{Name: "run.film", Kind: "text", Doc: "stock code or film class that the ticket asks for", Learn: inTicket, run: true, get: onTicket(func(t *event.TicketReceived) value {
		if t.Stock != "" {
			return textual(t.Stock, true)
		}
		return textual(string(t.FilmClass), classKnown(t.FilmClass))
	})},
	{Name: "run.class", Kind: "text", Doc: "film class that the ticket asks for", Learn: inTicket, run: true, get: func(s *Scene) value {
		return textual(string(s.Wanted.Class), classKnown(s.Wanted.Class))
	}},
	{Name: "run.length_m", Kind: "number", Doc: "planned length of the run", Learn: inTicket, run: true, get: number(func(s *Scene) units.Maybe { m, _ := s.PlannedM(); return m })},
	{Name: "run.passes", Kind: "number", Doc: "print passes", Learn: inTicket, run: true, get: number((*Scene).passes)},
	{Name: "run.cure_c", Kind: "number", Doc: "cure temperature", Learn: inTicket, run: true, get: number((*Scene).cureC)},
	{Name: "run.ink_density_pct", Kind: "number", Doc: "ink density", Learn: inTicket, run: true, get: ticketNumber(func(t *event.TicketReceived) *float64 { return t.InkDensityPct })},
	{Name: "run.mark_spacing_mm", Kind: "number", Doc: "spacing of the register marks", Learn: inTicket, run: true,
		moot: func(s *Scene) bool { t := s.ticket(); return t != nil && !t.ContourCut }, get: ticketNumber(func(t *event.TicketReceived) *float64 { return t.MarkSpacingMM })},
	{Name: "run.copies", Kind: "number", Doc: "copies", Learn: inTicket, run: true, get: ticketNumber(func(t *event.TicketReceived) *float64 { return t.Copies })},
	{Name: "run.contour_cut", Kind: "truth", Doc: "whether it is contour-cut", Learn: inTicket, run: true, get: onTicket(func(t *event.TicketReceived) value { return value{truth: t.ContourCut, known: true} })},
	{Name: "run.laminate", Kind: "truth", Doc: "whether it is laminated", Learn: inTicket, run: true, get: onTicket(func(t *event.TicketReceived) value { return value{truth: t.Laminate, known: true} })},
	{Name: "run.due_in_s", clocked: true, Kind: "number", Doc: "seconds until it is due", Learn: inTicket, run: true, get: func(s *Scene) value {
		t := s.ticket()
		if t == nil || t.Due == nil {
			return value{}
		}
		return num(t.Due.Sub(s.Now).Seconds(), true)
	}},
}

// FactByName returns a fact of the table.
func FactByName(name string) (*Fact, bool) {
	for i := range Facts {
		if Facts[i].Name == name {
			return &Facts[i], true
		}
	}
	return nil, false
}
