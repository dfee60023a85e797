package board

import (
	"strconv"

	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

// feedPath is the drawing of a machine's feed path: the film from the roll to its
// edge, and the cure zone that it has to pass. Places are percent of the width,
// so that the drawing stretches while its text keeps its size.
type feedPath struct {
	PrintX, CureX, CureW, CureMid string
	Known                         bool // whether the edge is
	FilmW                         string
	LeaderX, LeaderW              string // empty when there is no leader
	MarkX, MarkAnchor, MarkText   string // of the film's front
	CureText, Label               string
}

// The drawing's scale: the print line stands at printAt percent, and the cure
// exit at exitAt. Anything farther is drawn at the end.
const (
	printAt = 12.0
	exitAt  = 66.0
	endAt   = 97.0
)

func drawPath(w words, d units.Display, p plant.Path, m *floor.Machine) *feedPath {
	if p.CureExitMM <= 0 {
		return nil
	}
	x := func(mm float64) float64 {
		return min(endAt, max(2, printAt+mm*(exitAt-printAt)/p.CureExitMM))
	}
	entry := x(p.CureEntryMM)
	out := &feedPath{
		PrintX: percent(printAt), CureX: percent(entry), CureW: percent(exitAt - entry), CureMid: percent((entry + exitAt) / 2),
		FilmW: percent(endAt), MarkX: percent(endAt), MarkAnchor: "end", MarkText: w.say("path.unknown"),
		CureText: w.say("path.cure", d.Short(p.CureEntryMM), d.Short(p.CureExitMM)),
	}
	if m != nil {
		out.front(w, d, x, m)
	}
	out.Label = w.say("path.aria.known", d.Short(p.CureEntryMM), d.Short(p.CureExitMM), out.MarkText)
	return out
}

// front draws the film up to its edge and the leader beyond it.
func (p *feedPath) front(w words, d units.Display, x func(float64) float64, m *floor.Machine) {
	edge, known := m.Edge.PositionMM.Get()
	if !known {
		return
	}
	p.Known = true
	at := x(edge)
	p.FilmW, p.MarkText = percent(at), w.say("path.edge", d.Short(edge))
	if m.Leader.On {
		front := edge + m.Leader.LengthMM
		p.LeaderX, p.LeaderW = percent(at), percent(x(front)-at)
		p.MarkText = w.say("path.front", d.Short(front))
		at = x(front)
	}
	p.MarkX, p.MarkAnchor = percent(at), "middle"
	switch {
	case at < 25:
		p.MarkAnchor = "start"
	case at > 75:
		p.MarkAnchor = "end"
	}
}

func percent(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) + "%" }
