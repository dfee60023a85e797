package floor

import (
	"maps"
	"slices"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// Mark is one thing on the timeline of a machine: what a shift looks back on,
// and what the figures of the day are added up from. What Value and Cause are
// depends on the kind; see MarkKinds.
type Mark struct {
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"` // zero for a moment, and for a run that is still on
	Kind  string    `json:"kind"`
	Job   string    `json:"job,omitzero"`
	Part  string    `json:"part,omitzero"`
	Value float64   `json:"value,omitzero"`
	Cause string    `json:"cause,omitzero"`
	ID    string    `json:"id"` // of the event
}

// The kinds of marks.
const (
	MarkRun       = "run"
	MarkStop      = "stop"
	MarkStrike    = "strike"
	MarkWaste     = "waste"
	MarkReprint   = "reprint"
	MarkCut       = "cut"
	MarkRoll      = "roll"
	MarkRollOff   = "roll-off"
	MarkLeader    = "leader"
	MarkLeaderOff = "leader-off"
	MarkAdvance   = "advance"
	MarkTrim      = "trim"
	MarkShape     = "shape"
	MarkCheck     = "check"
)

// MarkKind is a row of the table of marks.
type MarkKind struct {
	Code  string
	Doc   string
	Value string // what Value is, with its unit; empty for nothing. Zero may stand for unknown.
	Cause string // what Cause is; empty for nothing
}

// MarkKinds lists every kind of mark.
var MarkKinds = []MarkKind{
	{MarkRun, "a run; one whose start was missed has no length in time", "area printed, m²", "how it ended: finished, stopped, or lost when another started"},
	{MarkStop, "a run stopped before its end", "", "the reason"},
	{MarkStrike, "a head strike", "time out of production, s", "the note"},
	{MarkWaste, "film thrown away", "area, m²", "one of event.WasteCauses"},
	{MarkReprint, "copies printed again", "copies", "one of event.WasteCauses"},
	{MarkCut, "a job cut off", "", "rewind when the machine rewound"},
	{MarkRoll, "a roll loaded", "film on it, m", "the stock code"},
	{MarkRollOff, "a roll taken off", "film left on it, m", "the stock code"},
	{MarkLeader, "a leader taped on", "its length, mm", ""},
	{MarkLeaderOff, "a leader taken off", "its length, mm", ""},
	{MarkAdvance, "film rolled forward", "area, m²", ""},
	{MarkTrim, "the lip trimmed", "area, m²", ""},
	{MarkShape, "the lip cut to a shape", "", "the shape"},
	{MarkCheck, "a look at nozzles and carriage path", "", "not-well when something was wrong"},
}

// How a run ended, as the cause of its mark.
const (
	done    = "finished"
	stopped = "stopped"
	lost    = "lost"
)

// FinishedRun is one run that was seen from its start to its finish: what a
// machine's speed can be learnt from.
type FinishedRun struct {
	At      time.Time   `json:"at"` // when it finished
	Seconds float64     `json:"seconds"`
	LengthM units.Maybe `json:"length_m"`
	WidthMM units.Maybe `json:"width_mm"`
	Passes  units.Maybe `json:"passes"`
	ID      string      `json:"id"` // of the event that finished it
}

// Strip is one measured length on a control strip.
type Strip struct {
	At         time.Time   `json:"at"`
	Machine    string      `json:"machine"`
	Stock      string      `json:"stock"`
	Axis       string      `json:"axis"`
	NominalMM  float64     `json:"nominal_mm"`
	MeasuredMM float64     `json:"measured_mm"`
	CureC      float64     `json:"cure_c"`
	Passes     units.Maybe `json:"passes"`
	ID         string      `json:"id"` // of the event
}

// Note is a plain note that a person left at a machine.
type Note struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Text string    `json:"text"`
	ID   string    `json:"id"` // of the event
}

// Reject is a dropped file that could not be read.
type Reject struct {
	At      time.Time `json:"at"`
	Site    string    `json:"site"`
	Machine string    `json:"machine"` // event.AnyMachine when it was dropped for none
	File    string    `json:"file"`
	Kind    string    `json:"kind"` // one of event.RejectKinds
	Reason  string    `json:"reason"`
}

// How much is kept.
const (
	maxMarks   = 256
	markFor    = 36 * time.Hour
	maxPaces   = 64
	maxNotes   = 5
	maxRejects = 50
	maxStrips  = 200 // of one stock
	maxStocks  = 64  // of which strips are kept
)

// keep appends to a list of the newest. It makes a new list, because a reader may
// share the old one.
func keep[T any](list []T, most int, v T) []T {
	if len(list) >= most {
		list = list[len(list)-most+1:]
	}
	return append(slices.Clip(list), v)
}

// mark adds to the timeline. Unlike the short lists, it is not copied: nothing
// that a reader sees of it is changed by an append.
func (st step) mark(m *Machine, k Mark) {
	k.ID = st.ID
	if k.At.IsZero() {
		k.At = st.Time
	}
	for len(m.Marks) > 0 && m.Marks[0].At.Before(m.Touched.Add(-markFor)) {
		m.Marks = m.Marks[1:]
	}
	if len(m.Marks) == maxMarks {
		m.Marks = m.Marks[1:]
		m.MarksLost++
	}
	m.Marks = append(m.Marks, k)
}

// ownMarks copies the marks before one of them is changed, if a reader may share
// them.
func (m *Machine) ownMarks() {
	if m.sharesMarks {
		m.Marks, m.sharesMarks = slices.Clone(m.Marks), false
	}
}

// span is the mark of a run that has ended; of one whose start was missed only the
// end is known.
func (r *Run) span(m *Machine, end time.Time, how string) Mark {
	began := r.Started
	if began.IsZero() {
		began = end
	}
	return Mark{
		At: began, Until: end, Kind: MarkRun, Job: r.Job, Part: r.Part,
		Value: r.FedM.Or(0) * m.Roll.WidthMM.Or(0) / 1000, Cause: how,
	}
}

// isOf reports whether the mark is that of a run.
func (k *Mark) isOf(r *Run) bool {
	return k.Kind == MarkRun && k.At.Equal(r.Started) && r.Same(k.Job, k.Part)
}

// closeMark ends the mark of the run that has just ended, if it is still kept.
func (st step) closeMark(m *Machine, how string) {
	i := lastIndex(m.Marks, func(k Mark) bool { return k.isOf(m.Last) })
	if i < 0 {
		return
	}
	m.ownMarks()
	id := m.Marks[i].ID
	m.Marks[i] = m.Last.span(m, st.Time, how)
	m.Marks[i].ID = id
}

// pace keeps how long the run took that has just finished, and what it fed. One
// with a head strike in it says nothing about the machine's speed.
func (st step) pace(m *Machine, fed units.Maybe) {
	r := m.Last
	took := r.Ended.Sub(r.Started).Seconds()
	if r.Struck || took <= 0 {
		return
	}
	p := FinishedRun{At: r.Ended, Seconds: took, LengthM: fed, WidthMM: m.Roll.WidthMM, ID: st.ID}
	if r.Ticket != nil {
		p.Passes = units.From(r.Ticket.Data.Passes)
	}
	m.Paces = keep(m.Paces, maxPaces, p)
}

// noted keeps a plain note, which can be taken back as well: it changes no part of
// the machine and counts nothing.
func (st step) noted(m *Machine, d *event.OperatorNoted) {
	was := m.parts()
	m.Notes = keep(m.Notes, maxNotes, Note{At: st.Time, By: d.By, Text: d.Reason, ID: st.ID})
	st.remember(m, &was, &m.Tally, &m.Changed)
}

func (st step) stripMeasured(m *Machine, d *event.StripMeasured) {
	stock := d.Stock
	if stock == "" {
		stock = m.Roll.Stock
	}
	if stock == "" {
		st.anomaly(stripNoStock, "a strip of %g mm was measured, but it is not known of which stock", d.NominalMM)
		return
	}
	strips := maps.Clone(st.Strips)
	if strips == nil {
		strips = map[string][]Strip{}
	}
	strips[stock] = keep(strips[stock], maxStrips, Strip{
		At: st.Time, Machine: m.Name, Stock: stock, Axis: d.Axis, NominalMM: d.NominalMM, MeasuredMM: d.MeasuredMM,
		CureC: d.CureC, Passes: units.From(d.Passes), ID: st.ID,
	})
	if len(strips) > maxStocks {
		delete(strips, stalest(strips, stock))
	}
	st.Strips = strips
}

// stalest is the stock of which no strip was measured for longest, but not the one
// at hand.
func stalest(strips map[string][]Strip, hand string) (stock string) {
	var since time.Time
	for _, s := range slices.Sorted(maps.Keys(strips)) {
		list := strips[s]
		if at := list[len(list)-1].At; s != hand && (stock == "" || at.Before(since)) {
			stock, since = s, at
		}
	}
	return stock
}

// forget removes what an entry left in the lists, and opens the mark of a run that
// it had ended. Ids are unique to a source only, so the time counts too.
func (st step) forget(m *Machine, e *Entry) {
	of := func(id string, at time.Time) bool { return id == e.ID && at.Equal(e.At) }
	m.Marks = without(m.Marks, func(k Mark) bool { return of(k.ID, k.At) })
	m.Paces = without(m.Paces, func(p FinishedRun) bool { return of(p.ID, p.At) })
	m.Notes = without(m.Notes, func(n Note) bool { return of(n.ID, n.At) })
	if m.Run != nil && slices.Contains(e.Changed, runPart) {
		m.openMark()
	}
	if e.Type == "strip.measured" {
		st.forgetStrip(func(s Strip) bool { return of(s.ID, s.At) && s.Machine == m.Name })
	}
}

// openMark opens the mark of a run again that had not ended after all.
func (m *Machine) openMark() {
	i := lastIndex(m.Marks, func(k Mark) bool { return k.isOf(m.Run) })
	if i < 0 || m.Marks[i].Until.IsZero() {
		return
	}
	m.ownMarks()
	k := &m.Marks[i]
	k.Until, k.Value, k.Cause = time.Time{}, 0, ""
}

func (st step) forgetStrip(is func(Strip) bool) {
	left := map[string][]Strip{}
	for stock, list := range st.Strips {
		if list = without(list, is); len(list) > 0 {
			left[stock] = list
		}
	}
	if st.Strips = left; len(left) == 0 {
		st.Strips = nil // as it is before the first strip
	}
}

// without returns a list without some of its values: itself when there are none of
// them, else a new one, because a reader may share it.
func without[T any](list []T, of func(T) bool) []T {
	if !slices.ContainsFunc(list, of) {
		return list
	}
	var left []T
	for _, v := range list {
		if !of(v) {
			left = append(left, v)
		}
	}
	return left
}
