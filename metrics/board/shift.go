package board

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// shiftPart is the timeline of the shift, one row for each machine, and what the
// day has come to so far.
type shiftPart struct {
	From, To web.Stamp
	Hours    []label
	Rows     []shiftRow
	Table    []shiftLine
	Left     int // marks that there is no room for
	Kinds    []legend
	Today    []total
}

// shiftRow is one machine's line. Places are percent of the width.
type shiftRow struct {
	Anchor, Machine, Label string
	Runs                   []runMark
	Marks                  []pointMark
}

type runMark struct {
	X, W, Text string
	Kind       string // how it ended, or on
}

type pointMark struct{ X, Kind, Text string }

type legend struct{ Kind, Text string }

type shiftLine struct {
	At            web.Stamp
	Machine, What string
	Detail        string
}

type total struct{ Label, Value string }

// span of the timeline when nobody says when the shift began.
const shiftSpan = 12 * time.Hour

// drawn are the kinds of marks that have a shape of their own on the timeline,
// and the table beside it has all of them. Runs are bars.
var drawn = []string{floor.MarkStrike, floor.MarkRoll, floor.MarkStop, floor.MarkWaste, alarmMark}

// alarmMark is the kind of a mark for an alarm, which the floor does not keep.
const alarmMark = "alarm"

func (p *painter) shift() *shiftPart {
	from := p.Now.Add(-shiftSpan)
	if p.o.ShiftFrom != nil {
		from = p.o.ShiftFrom(p.Now)
	}
	part := &shiftPart{From: p.Stamp(from), To: p.Stamp(p.Now), Today: p.today()}
	axis := axis{from, p.Now}
	part.Hours = p.hours(axis)
	for _, s := range p.shown {
		part.Rows = append(part.Rows, p.shiftRow(part, axis, s))
	}
	slices.SortStableFunc(part.Table, func(a, b shiftLine) int { return cmp.Compare(b.At.Machine, a.At.Machine) })
	if len(part.Table) > mostMarks {
		part.Left = len(part.Table) - mostMarks
		part.Table = part.Table[:mostMarks]
	}
	for _, kind := range append([]string{floor.MarkRun}, drawn...) {
		part.Kinds = append(part.Kinds, legend{kind, p.Say("mark." + kind)})
	}
	return part
}

// axis places moments on the timeline.
type axis struct{ from, to time.Time }

func (a axis) shows(t time.Time) bool { return !t.Before(a.from) && !t.After(a.to) }

// at is a place in percent. A shift that begins just now has lasted for a second.
func (a axis) at(t time.Time) float64 {
	span := max(time.Second, a.to.Sub(a.from))
	return 100 * min(1, max(0, t.Sub(a.from).Seconds()/span.Seconds()))
}

func (a axis) x(t time.Time) string { return figure(a.at(t), 2) + "%" }

// hours labels every second full hour of the shop's own clock.
func (p *painter) hours(a axis) []label {
	local := a.from.In(p.Zone)
	t := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), 0, 0, 0, p.Zone)
	layout := "15:04"
	if p.Clock12 {
		layout = "3 PM"
	}
	var labels []label
	for ; !t.After(a.to); t = t.Add(time.Hour) {
		if at := a.at(t); a.shows(t) && t.In(p.Zone).Hour()%2 == 0 && at > 3 && at < 97 {
			labels = append(labels, label{X: a.x(t), Text: t.In(p.Zone).Format(layout), Anchor: "middle"})
		}
	}
	return labels
}

func (p *painter) shiftRow(part *shiftPart, a axis, s shown) shiftRow {
	row := shiftRow{Anchor: anchor(s.site, s.machine), Machine: s.machine}
	counts := map[string]int{}
	add := func(at time.Time, kind, text, detail string) {
		counts[kind]++
		if slices.Contains(drawn, kind) {
			row.Marks = append(row.Marks, pointMark{a.x(at), kind, text})
		}
		part.Table = append(part.Table, shiftLine{p.Stamp(at), s.machine, text, detail})
	}
	if s.floor != nil {
		for i := range s.floor.Marks {
			m := &s.floor.Marks[i]
			if m.Kind == floor.MarkRun {
				p.runMark(&row, part, a, s, m, counts)
			} else if a.shows(m.At) {
				add(m.At, m.Kind, p.Name("mark", m.Kind, m.Kind), p.detail(m))
			}
		}
		if run := s.floor.Run; run != nil && !slices.ContainsFunc(s.floor.Marks, func(m floor.Mark) bool { return m.Kind == floor.MarkRun && m.Until.IsZero() }) {
			p.runMark(&row, part, a, s, &floor.Mark{At: run.Started, Kind: floor.MarkRun, Job: run.Job, Part: run.Part}, counts)
		}
	}
	for _, al := range p.view.Alarms.On(s.site, s.machine) {
		if at := al.Raised; !at.IsZero() && a.shows(at) {
			title := al.Hazard
			if r := p.row(al.Hazard); r != nil {
				title = p.Turn(r.Title).Text
			}
			add(at, alarmMark, p.Say("mark.alarm"), title)
		}
	}
	row.Label = p.Say("shift.row", s.machine, counts[floor.MarkRun], counts[floor.MarkStrike], counts[floor.MarkRoll], counts[alarmMark])
	return row
}

// runMark draws a run as a bar. One whose start was missed has no length in time,
// and is a thin bar at its end.
func (p *painter) runMark(row *shiftRow, part *shiftPart, a axis, s shown, m *floor.Mark, counts map[string]int) {
	until, kind := m.Until, m.Cause
	if until.IsZero() {
		until, kind = a.to, "on"
	}
	if until.Before(a.from) || m.At.After(a.to) {
		return
	}
	counts[floor.MarkRun]++
	name := event.JobName(m.Job, m.Part)
	width := max(0.25, a.at(until)-a.at(m.At))
	row.Runs = append(row.Runs, runMark{a.x(m.At), figure(width, 2) + "%", name, kind})
	detail := name + ", " + p.Name("ended", kind, kind)
	if span := until.Sub(m.At); span > 0 {
		detail += ", " + p.Number(units.Span(span))
	}
	part.Table = append(part.Table, shiftLine{p.Stamp(m.At), s.machine, p.Say("mark.run"), detail})
}

// detail says a mark's value and cause.
func (p *painter) detail(m *floor.Mark) string {
	text := event.JobName(m.Job, m.Part)
	add := func(s string) {
		if text != "" && s != "" {
			text += ", "
		}
		text += s
	}
	switch m.Kind {
	case floor.MarkWaste:
		add(p.Number(p.Area(m.Value)))
		add(p.Name("waste", m.Cause, m.Cause))
	case floor.MarkReprint:
		add(p.Name("waste", m.Cause, m.Cause))
	case floor.MarkStrike:
		if m.Value > 0 {
			add(p.Say("mark.down", p.Number(units.Span(time.Duration(m.Value*float64(time.Second))))))
		}
		add(m.Cause)
	case floor.MarkRoll, floor.MarkRollOff:
		add(m.Cause)
		if m.Value > 0 {
			add(p.long(m.Value))
		}
	case floor.MarkLeader, floor.MarkLeaderOff:
		if m.Value > 0 {
			add(p.mm(m.Value))
		}
	case floor.MarkAdvance, floor.MarkTrim:
		if m.Value > 0 {
			add(p.Number(p.Area(m.Value)))
		}
	case floor.MarkCut, floor.MarkCheck:
		add(p.Name("mark-cause", m.Cause, m.Cause))
	default:
		add(m.Cause)
	}
	return text
}

// today adds up the marks since midnight by the shop's clock, over all machines.
func (p *painter) today() []total {
	local := p.Now.In(p.Zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, p.Zone)
	var starts, strikes, reprints int
	var m2 float64
	money := purse{}
	for _, m := range p.view.Floor.Machines {
		for i := range m.Marks {
			k := &m.Marks[i]
			if k.At.Before(midnight) || k.At.After(p.Now) {
				continue
			}
			switch k.Kind {
			case floor.MarkRun:
				if !k.Until.Equal(k.At) { // one whose start was missed is not counted as one anywhere
					starts++
				}
			case floor.MarkStrike:
				strikes++
			case floor.MarkReprint:
				reprints++
			case floor.MarkWaste:
				m2 += k.Value
				money.add(p.lookup(rollAt(m, i)), k.Value)
			}
		}
	}
	return []total{
		{p.Say("today.starts"), strconv.Itoa(starts)}, {p.Say("today.strikes"), strconv.Itoa(strikes)},
		{p.Say("today.waste"), p.Number(p.Area(m2)) + money.text(p)}, {p.Say("today.reprints"), strconv.Itoa(reprints)},
	}
}

// rollAt is the roll that was on a machine when one of its marks was made: the one
// that is on still, the next that was taken off, or else the last that was changed
// before. Of one that another has replaced nothing is known once its own mark has
// been let go.
func rollAt(m *floor.Machine, i int) *floor.Roll {
	changed := func(k floor.Mark) bool { return k.Kind == floor.MarkRoll || k.Kind == floor.MarkRollOff }
	next := slices.IndexFunc(m.Marks[i:], changed)
	if next < 0 && m.Roll.Loaded {
		return &m.Roll
	}
	if next >= 0 && m.Marks[i+next].Kind == floor.MarkRollOff {
		return &floor.Roll{Loaded: true, Stock: m.Marks[i+next].Cause}
	}
	for _, k := range slices.Backward(m.Marks[:i]) {
		if changed(k) {
			return &floor.Roll{Loaded: true, Stock: k.Cause}
		}
	}
	return &floor.Roll{}
}

// purse adds up what wasted film cost, as far as its price is known.
type purse struct {
	sum      currency.Amount
	unpriced bool
}

func (w *purse) add(wasted film.Film, m2 float64) {
	cost, err := wasted.Cost(m2)
	if err != nil || cost.CurrencyCode() == "" {
		w.unpriced = w.unpriced || m2 > 0
		return
	}
	if w.sum.CurrencyCode() == "" {
		w.sum = cost
	} else if sum, err := w.sum.Add(cost); err == nil {
		w.sum = sum
	} else {
		w.unpriced = true // of another currency
	}
}

func (w *purse) text(p *painter) string {
	switch {
	case w.sum.CurrencyCode() == "":
		return ""
	case w.unpriced:
		return p.Say("today.cost-more", p.Number(w.sum.Round().Number()), w.sum.CurrencyCode())
	}
	return p.Say("today.cost", p.Number(w.sum.Round().Number()), w.sum.CurrencyCode())
}

// spanTo says how long it is until a moment.
func spanTo(now, then time.Time) string { return units.Span(max(0, then.Sub(now))) }
