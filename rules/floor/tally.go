package floor

import (
	"slices"

	"rollwarden/rules/event"
)

// Treatment is what had been done about the edge when a run started.
type Treatment uint8

// The treatments that a start can show. A cooler recipe or a better film is
// seen in the ticket and the roll, not here.
const (
	Untreated Treatment = iota
	Advanced
	Leadered
	Shaped
	Uncut
)

// Treatments names every treatment, in the order of the constants.
var Treatments = []string{"none", "advance", "leader", "shaped-edge", "no-cut"}

// String returns the treatment's name.
func (t Treatment) String() string { return Treatments[t] }

// treatment reads from the edge what was done about it.
func treatment(e Edge, l Leader) Treatment {
	switch {
	case l.On:
		return Leadered
	case e.Cause == event.CauseAdvance:
		return Advanced
	case e.Cause == event.CauseFeed:
		return Uncut
	case e.Shape != "":
		return Shaped
	}
	return Untreated
}

// The sizes of the tally's tables follow the tables that label them; a test
// holds the two together.
const (
	classCount     = 9
	treatmentCount = 5
	causeCount     = 9
)

// Tally counts what happened on a machine over the whole journal. Tables are
// indexed by the order of event.Classes, Treatments and event.WasteCauses.
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

// waste adds an area to the tally. The list by stock is copied because a
// reader may share it.
func (t *Tally) waste(r Roll, cause string, m2 float64) {
	i := causeIndex(cause)
	t.WasteM2[i] += m2
	t.WasteBy = slices.Clone(t.WasteBy)
	for k := range t.WasteBy {
		if w := &t.WasteBy[k]; w.Stock == r.Stock && w.Class == r.Class && w.Cause == i {
			w.M2 += m2
			return
		}
	}
	t.WasteBy = append(t.WasteBy, StockArea{Stock: r.Stock, Class: r.Class, Cause: i, M2: m2})
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
