package board

import (
	"cmp"
	"math"
	"strconv"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
)

// drawing is a machine's feed path in side view: the roll, the film over the
// platen under the print line, the cure zone, the take-up, where the film's edge
// is, and where the next start takes it. Along the path everything is to scale;
// the roll's size is to the same scale, and what is a fraction of a millimetre
// high is not. What nobody knows is drawn broken, with a question mark.
//
// Shapes are in units of a canvas, of which 1000 are the width. Labels are apart
// from them, so that they keep their size when the canvas shrinks.
type drawing struct {
	Known   bool // whether the path has been measured
	Taken   bool // whether the take-up's place has
	Label   string
	Print   unit
	Entry   unit
	Exit    unit
	Take    unit
	Roll    circle
	Core    circle
	NoRoll  bool // the roll is known to be off
	Film    []bar
	Edge    *unit // the bare edge; nil when it is unknown or under a leader
	Leader  *bar
	End     *unit // of the leader
	Gone    bool  // the front is beyond the take-up, and so off the canvas
	Unknown []unit
	Travel  *travel
	Labels  []label
	Now     string // where the front is, in words
	Next    string // where the next start takes it, in words
	Bare    bool   // an edge, or nobody knows what, goes through the cure zone
	Scale   string
}

type circle struct {
	X, Y, R unit
	Known   bool
}

// bar is a piece of the path from X to To.
type bar struct {
	X, To unit
	Known bool
}

// travel is the way that the front goes at the next start.
type travel struct {
	From, To unit
	Hot      *bar // the part of it in the cure zone
	Known    bool // whether it is known where it begins
}

// label is a text at a place in percent of the canvas.
type label struct {
	X, Y   string
	Anchor string
	Class  string
	Text   string
}

// unit is a place on the canvas.
type unit float64

// String writes a place for an attribute.
func (u unit) String() string { return figure(float64(u), 1) }

// figure writes a number with at most some decimals.
func figure(v float64, decimals int) string {
	return strconv.FormatFloat(math.Round(v*math.Pow10(decimals))/math.Pow10(decimals), 'f', -1, 64)
}

// The canvas.
const (
	canvasW = 1000
	canvasH = 360
	filmY   = 150                          // the height at which the film lies
	mostR   = (canvasH - filmY - 50) / 2.0 // the largest radius that there is room for
)

// Measures of what the configuration does not say. Positions of the roll and the
// size of the take-up are a drawing's and not the machine's.
const (
	coreMM    = 38.1 // radius of a 3 inch core, common practice, no source
	mostMM    = 130  // radius that room is left for; a larger roll is drawn smaller than it is
	nominalMM = 70   // radius at which a roll of unknown size is drawn
	upMM      = 230  // from the roll to the print line
	takeMM    = 45   // radius of the take-up
	marginMM  = 30
	bareMM    = 330 // cure exit of a path that has not been measured
)

// canvas places millimetres of the path on the canvas.
type canvas struct{ left, scale float64 }

func (c canvas) x(mm float64) unit { return unit((mm - c.left) * c.scale) }

// in is x kept on the canvas.
func (c canvas) in(mm float64) unit { return min(canvasW-6, max(6, c.x(mm))) }

// rollRadius is the radius of what is left on a roll, in mm: film of thickness t
// and length L wound on a core has the cross-section t·L, so
// r² = core² + t·L/π.
func rollRadius(leftM, thicknessUM float64) float64 {
	return math.Sqrt(coreMM*coreMM + thicknessUM/1000*leftM*1000/math.Pi)
}

func (p *painter) draw(s shown) *drawing {
	path := plant.Path{CureEntryMM: bareMM / 2, CureExitMM: bareMM, TakeUpMM: 3 * bareMM}
	known := s.plant != nil && s.plant.Path.CureExitMM > 0 && !s.plant.Path.Assumed
	if known {
		path = s.plant.Path
	}
	taken := known && path.TakeUpMM > path.CureExitMM
	if !taken {
		path.TakeUpMM = 3 * path.CureExitMM
	}
	radius, sized := p.radius(s)
	left := -(upMM + min(mostMM, radius) + marginMM)
	c := canvas{left, canvasW / (path.TakeUpMM + takeMM + marginMM - left)}
	r := unit(min(mostR, min(mostMM, radius)*c.scale))
	d := &drawing{
		Known: known, Taken: taken, Print: c.x(0), Entry: c.x(path.CureEntryMM), Exit: c.x(path.CureExitMM), Take: c.x(path.TakeUpMM),
		Roll:  circle{c.x(-upMM), filmY + r, r, sized},
		Core:  circle{c.x(-upMM), filmY + r, min(r, unit(coreMM*c.scale)), sized},
		Scale: p.Say("path.scale.unmeasured"),
	}
	d.place(p.Say("path.print"), d.CarTo(), 11, "end", "quiet")
	d.place(p.Say("path.cure"), (d.Entry+d.Exit)/2, 11, "middle", "heat")
	d.place(p.Say("path.take"), canvasW-4, 70, "end", "quiet")
	if known {
		d.Scale = p.Say("path.scale", p.gap(path.GapUM))
		d.place(p.mm(path.CureEntryMM), d.Entry, 70, "end", "quiet small")
		d.place(p.mm(path.CureExitMM), d.Exit, 70, "start", "quiet small")
	}
	p.onRoll(d, s)
	p.front(d, s, c)
	p.travel(d, s, c, path)
	d.Label = p.Say("path.aria", s.machine, d.Now, d.Next)
	return d
}

// place puts a label at a place along the path and a height in percent.
func (d *drawing) place(text string, x unit, y float64, anchor, class string) {
	d.Labels = append(d.Labels, label{x.Percent(), figure(y, 0) + "%", anchor, class, text})
}

// radius is the radius of the roll, and whether it is known.
func (p *painter) radius(s shown) (mm float64, known bool) {
	if s.floor == nil || !s.floor.Roll.Loaded {
		return nominalMM, false
	}
	left, ok := s.floor.Roll.LeftM.Get()
	thick, ok2 := s.floor.Roll.ThicknessUM.Else(p.lookup(&s.floor.Roll).ThicknessUM).Get()
	if !ok || !ok2 {
		return nominalMM, false
	}
	return rollRadius(max(0, left), thick), true
}

// onRoll says what is on the roll.
func (p *painter) onRoll(d *drawing, s shown) {
	text := p.Say("path.roll.unknown")
	switch m := s.floor; {
	case m == nil || !m.Roll.Loaded && m.Roll.At.IsZero():
	case !m.Roll.Loaded:
		d.NoRoll, text = true, p.Say("roll.none")
	default:
		if left, known := m.Roll.LeftM.Get(); known {
			text = p.Say("roll.left", p.long(left))
		}
	}
	d.place(text, 4, 98, "start", "strong")
}

// front draws the film up to its edge and a leader beyond it.
func (p *painter) front(d *drawing, s shown, c canvas) {
	end := unit(canvasW - 6)
	if d.NoRoll {
		d.Now = p.Say("front.no-roll")
		return
	}
	var m floor.Machine
	if s.floor != nil {
		m = *s.floor
	}
	edge, known := m.Edge.PositionMM.Get()
	if !known {
		d.Film = []bar{{d.Roll.X, end, false}}
		d.Unknown = []unit{d.Print, (d.Entry + d.Exit) / 2, (d.Exit + d.Take) / 2}
		if d.Now = p.Say("front.unknown"); m.Leader.On {
			d.Now = p.Say("front.unknown-leader", p.mm(m.Leader.LengthMM))
		}
		return
	}
	at := max(d.Roll.X+8, c.in(edge))
	d.Film = []bar{{d.Roll.X, at, true}}
	front := edge
	if m.Leader.On {
		front += m.Leader.LengthMM
		to := c.in(front)
		d.Leader, d.End = &bar{at, to, true}, &to
		at = to
		d.Now = p.Say("front.leader", p.mm(m.Leader.LengthMM), p.mm(front))
	} else {
		d.Edge = &at
		if d.Now = p.Say("front.edge", p.mm(edge)); edge < 0 {
			d.Now = p.Say("front.behind", p.mm(-edge))
		}
	}
	d.Gone = c.x(front) > end
	anchor := "middle"
	switch {
	case at > 820:
		anchor = "end"
	case at < 180:
		anchor = "start"
	}
	d.place(p.mm(front), at, 83, anchor, "strong")
}

// travel draws where the next start takes the front: downstream by the length
// of the run. A start while another run is on depends on how that one is cut
// off, which nobody knows yet.
func (p *painter) travel(d *drawing, s shown, c canvas, path plant.Path) {
	m := s.floor
	switch {
	case m == nil || len(m.Queue) == 0 && m.LastHeard.IsZero():
		d.Next = p.Say("travel.unheard")
		d.Bare = true
		return
	case m.Run != nil:
		d.Next = p.Say("travel.running")
		return
	case len(m.Queue) == 0:
		d.Next = p.Say("travel.nothing")
		return
	case d.NoRoll:
		d.Next = p.Say("travel.no-roll")
		return
	}
	front, known := floor.FrontMM(m.Edge, m.Leader).Get()
	metres, planned := m.Queue[0].LengthM().Get()
	t := &travel{From: max(d.Roll.X+8, c.in(front)), To: canvasW - 20, Known: known}
	if planned && known {
		t.To = min(t.To, c.in(front+metres*1000))
	}
	if !known {
		t.From = d.Print
	}
	d.Travel = t
	if !d.Known {
		d.Next, d.Bare = p.Say("travel.unmeasured"), true
		return
	}
	if known && front >= path.CureExitMM {
		d.Next = p.Say("travel.clear", p.mm(front-path.CureExitMM))
		if m.Leader.On {
			d.Next = p.Say("travel.leader-clear", p.mm(front-path.CureExitMM))
		}
		t.To = max(t.From, t.To)
		return
	}
	t.To = max(t.To, d.Exit+20) // a shorter run is still fed to the knife
	t.Hot = &bar{max(d.Entry, t.From), d.Exit, known}
	d.Bare = true
	switch loaded := p.lookup(&m.Roll); {
	case !known:
		d.Next = p.Say("travel.unknown")
	case m.Leader.On:
		d.Next = p.Say("travel.leader-short", p.mm(path.CureExitMM-front))
	case loaded.LiesFlat:
		class := string(loaded.Class)
		d.Next, d.Bare = p.Say("travel.flat", p.Name("class", class, class)), false
	default:
		d.Next = p.Say("travel.bare", p.mm(path.CureExitMM-front))
	}
}

// lookup finds what the shop knows of the film on a roll. Without a list of films
// none is known to lie flat.
func (p *painter) lookup(r *floor.Roll) film.Film {
	if p.o.Films == nil || !r.Loaded {
		return film.Film{Class: event.Unknown}
	}
	return p.o.Films.Lookup(r.Stock, cmp.Or(r.Class, event.Unknown))
}

// The canvas in the terms of its template.

// Zone is how long the cure zone is on the canvas.
func (d *drawing) Zone() unit { return d.Exit - d.Entry }

// Waves are where heat is drawn in the cure zone.
func (d *drawing) Waves() (at []unit) {
	for i := 1; i < 4; i++ {
		at = append(at, d.Entry+d.Zone()*unit(i)/4)
	}
	return at
}

// PlatenFrom is where the platen begins; CarFrom, CarTo, NozFrom and NozTo are
// the carriage over the print line.
func (d *drawing) PlatenFrom() unit { return d.Print - 60 }
func (d *drawing) CarFrom() unit    { return d.Print - 30 }
func (d *drawing) CarTo() unit      { return d.Print + 30 }
func (d *drawing) NozFrom() unit    { return d.Print - 12 }
func (d *drawing) NozTo() unit      { return d.Print + 12 }

// TakeY and TakeR are the take-up's middle and radius.
func (d *drawing) TakeY() unit { return filmY + d.TakeR() + 12 }
func (d *drawing) TakeR() unit { return 34 }

// Percent is a place along the path in percent of the canvas, and Down one from
// its top.
func (u unit) Percent() string { return (u / canvasW * 100).String() + "%" }
func (u unit) Down() string    { return (u/canvasH*100 + 3).String() + "%" }
