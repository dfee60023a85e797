package floor

import (
	"maps"
	"slices"

	"rollwarden/rules/event"
)

// Treatment is what had been done about the edge when a run started.
type Treatment uint8

// The treatments that a start can show. A better film is seen in the roll, not
// here.
const (
	Untreated Treatment = iota
	Advanced
	Leadered
	Shaped
	Uncut
	Cooler
)

// Treatments names every treatment, in the order of the constants.
var Treatments = []string{"none", "advance", "leader", "shaped-edge", "no-cut", "cooler"}

// String returns the treatment's name.
func (t Treatment) String() string { return Treatments[t] }

// treatment reads from the edge what was done about it before the start. That the
// recipe is cooler than it would have been, the edge does not show: it is taken
// from the advice, and counts where nothing better was done.
func (r *Run) treatment() Treatment {
	switch {
	case r.Leader.On:
		return Leadered
	case r.Edge.Cause == event.CauseAdvance:
		return Advanced
	case r.Edge.Cause == event.CauseFeed:
		return Uncut
	case r.Edge.Shape != "":
		return Shaped
	case r.Advised == Cooler.String():
		return Cooler
	}
	return Untreated
}

// The sizes of the tally's tables follow the tables that label them; a test
// holds the two together.
const (
	classCount     = 9
	treatmentCount = 6
	causeCount     = 9
)

// Tally counts what happened on a machine over the whole journal. Tables are
// indexed by the order of event.Classes, Treatments and event.WasteCauses. What was
// counted stays counted when its entry is taken back, because counters never
// fall: Net subtracts what was. Only Kinds, from which odds are learnt, is net.
type Tally struct {
	Starts    [classCount][treatmentCount]uint64 `json:"starts"`
	Strikes   [classCount][treatmentCount]uint64 `json:"strikes"`
	Kinds     []StartCount                       `json:"kinds,omitzero"` // the same starts, by what may tell of a strike
	Finished  uint64                             `json:"finished"`
	Stopped   uint64                             `json:"stopped"`
	PrintedM  float64                            `json:"printed_m"`
	PrintedM2 float64                            `json:"printed_m2"`
	DownS     float64                            `json:"down_s"`
	WasteM2   [causeCount]float64                `json:"waste_m2"`
	WasteBy   []StockArea                        `json:"waste_by,omitzero"` // the same area by stock, for its cost
	Reprints  [causeCount]uint64                 `json:"reprints"`
	Copies    [causeCount]float64                `json:"reprinted_copies"`
	Undone    map[event.Type]uint64              `json:"undone,omitzero"` // entries taken back, by type
	Taken     *Tally                             `json:"taken,omitzero"`  // what they had counted; nil for nothing
}

// StockArea is an area of one stock wasted for one cause.
type StockArea struct {
	Stock string      `json:"stock,omitzero"`
	Class event.Class `json:"class,omitzero"`
	Cause int         `json:"cause"` // index into event.WasteCauses
	M2    float64     `json:"m2"`
}

func classIndex(c event.Class) int {
	if i := slices.Index(event.Classes, c); i >= 0 {
		return i
	}
	return slices.Index(event.Classes, event.Unknown)
}

func causeIndex(cause string) int {
	if i := slices.Index(event.WasteCauses, cause); i >= 0 {
		return i
	}
	return len(event.WasteCauses) - 1 // other
}

// same reports whether two areas are of one stock and cause.
func (w StockArea) same(o StockArea) bool {
	return w.Stock == o.Stock && w.Class == o.Class && w.Cause == o.Cause
}

// waste adds an area to the tally.
func (t *Tally) waste(r Roll, cause string, m2 float64) {
	i := causeIndex(cause)
	t.WasteM2[i] += m2
	t.wasteBy(StockArea{Stock: r.Stock, Class: r.Class, Cause: i, M2: m2})
}

// wasteBy adds to the area of one stock and cause. The list is copied because a
// reader may share it.
func (t *Tally) wasteBy(w StockArea) {
	t.WasteBy = slices.Clone(t.WasteBy)
	for k := range t.WasteBy {
		if t.WasteBy[k].same(w) {
			t.WasteBy[k].M2 += w.M2
			return
		}
	}
	t.WasteBy = append(t.WasteBy, w)
}

// Net is the tally without what was taken back.
func (t *Tally) Net() Tally {
	n := *t
	n.Undone, n.Taken = nil, nil
	if t.Taken != nil {
		n.minus(t.Taken)
	}
	return n
}

// undo notes that an entry of a type was taken back which had counted added; nil
// for nothing. What a reader may share is copied.
func (t *Tally) undo(typ event.Type, added *Tally) {
	t.Undone = maps.Clone(t.Undone)
	if t.Undone == nil {
		t.Undone = map[event.Type]uint64{}
	}
	t.Undone[typ]++
	if added == nil {
		return
	}
	for _, k := range added.Kinds {
		t.count(k.StartKind, -k.Starts, -k.Strikes) // unsigned numbers wrap around and back
	}
	taken := Tally{}
	if t.Taken != nil {
		taken = *t.Taken
	}
	taken.plus(added)
	t.Taken = &taken
}

// since is what was counted after an earlier state of the tally; nil for nothing.
func (t *Tally) since(before *Tally) *Tally {
	if t.equal(before) {
		return nil
	}
	d := *t
	d.Undone, d.Taken, d.Kinds = nil, nil, nil
	d.minus(before)
	for _, k := range t.Kinds {
		if i := slices.IndexFunc(before.Kinds, func(o StartCount) bool { return o.StartKind == k.StartKind }); i >= 0 {
			k.Starts -= before.Kinds[i].Starts
			k.Strikes -= before.Kinds[i].Strikes
		}
		if k.Starts+k.Strikes > 0 {
			d.Kinds = append(d.Kinds, k)
		}
	}
	return &d
}

// equal reports whether two tallies count the same. Kinds and areas by stock
// follow from the tables.
func (t *Tally) equal(o *Tally) bool {
	return t.Starts == o.Starts && t.Strikes == o.Strikes && t.Finished == o.Finished && t.Stopped == o.Stopped &&
		t.PrintedM == o.PrintedM && t.DownS == o.DownS && t.WasteM2 == o.WasteM2 && t.Reprints == o.Reprints && t.Copies == o.Copies
}

// plus adds all that another tally counted, but for the kinds of starts.
func (t *Tally) plus(o *Tally) {
	t.each(o, func(a *uint64, b uint64) { *a += b }, func(a *float64, b float64) { *a += b })
	for _, w := range o.WasteBy {
		t.wasteBy(w)
	}
}

// minus takes off what another tally counted, but for the kinds of starts. Areas
// are sums of fractions, so what is left of one by rounding is nothing.
func (t *Tally) minus(o *Tally) {
	t.each(o, func(a *uint64, b uint64) { *a -= b }, func(a *float64, b float64) { *a = rest(*a, b) })
	var left []StockArea
	for _, w := range t.WasteBy {
		for _, x := range o.WasteBy {
			if w.same(x) {
				w.M2 = rest(w.M2, x.M2)
			}
		}
		if w.M2 > 0 {
			left = append(left, w)
		}
	}
	t.WasteBy = left
}

// rest is a - b, and nothing when that is but the rounding of a sum.
func rest(a, b float64) float64 {
	if d := a - b; d > 1e-12*a {
		return d
	}
	return 0
}

// each goes through the counts and amounts of two tallies side by side.
func (t *Tally) each(o *Tally, count func(a *uint64, b uint64), amount func(a *float64, b float64)) {
	for c := range t.Starts {
		for k := range t.Starts[c] {
			count(&t.Starts[c][k], o.Starts[c][k])
			count(&t.Strikes[c][k], o.Strikes[c][k])
		}
	}
	for i := range t.WasteM2 {
		count(&t.Reprints[i], o.Reprints[i])
		amount(&t.WasteM2[i], o.WasteM2[i])
		amount(&t.Copies[i], o.Copies[i])
	}
	count(&t.Finished, o.Finished)
	count(&t.Stopped, o.Stopped)
	amount(&t.PrintedM, o.PrintedM)
	amount(&t.PrintedM2, o.PrintedM2)
	amount(&t.DownS, o.DownS)
}

// TotalStarts adds up every start.
func (t *Tally) TotalStarts() (n uint64) { return total(&t.Starts) }

// TotalStrikes adds up every head strike.
func (t *Tally) TotalStrikes() (n uint64) { return total(&t.Strikes) }

func total(table *[classCount][treatmentCount]uint64) (n uint64) {
	for _, row := range table {
		for _, v := range row {
			n += v
		}
	}
	return n
}
