package floor

import (
	"math"
	"slices"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// StartKind is what a start looked like: all that the odds of a strike may be
// learnt from. Humidity and cure are whole percent and °C, rounded down, so that
// kinds stay few; Unmeasured stands for a value that nobody knew.
type StartKind struct {
	Class     event.Class `json:"class"`
	Treatment Treatment   `json:"treatment"`
	RHPct     int         `json:"rh_pct"`
	CureC     int         `json:"cure_c"`
}

// Unmeasured stands for an unknown humidity or cure in a StartKind.
const Unmeasured = -1

// StartCount counts the starts of one kind on a machine, and the strikes that
// they ended in.
type StartCount struct {
	StartKind
	Starts  uint64 `json:"starts"`
	Strikes uint64 `json:"strikes"`
}

// kindOf describes a start as it is now.
func (st step) kindOf(m *Machine, r *Run) StartKind {
	k := StartKind{Class: m.Roll.Class, Treatment: r.treatment(), RHPct: whole(st.Climate(m, st.Time).RHPct), CureC: Unmeasured}
	if k.Class == "" {
		k.Class = event.Unknown
	}
	if r.Ticket != nil {
		k.CureC = whole(units.From(r.Ticket.Data.CureC))
	}
	return k
}

func whole(v units.Maybe) int {
	if x, known := v.Get(); known {
		return int(math.Floor(x))
	}
	return Unmeasured
}

// count adds to a kind of start, and forgets a kind of which nothing is left. The
// list is copied because a reader may share it; starts are rare.
func (t *Tally) count(k StartKind, starts, strikes uint64) {
	t.Kinds = slices.Clone(t.Kinds)
	for i := range t.Kinds {
		if c := &t.Kinds[i]; c.StartKind == k {
			c.Starts += starts
			c.Strikes += strikes
			if c.Starts+c.Strikes == 0 {
				t.Kinds = slices.Concat(t.Kinds[:i], t.Kinds[i+1:])
			}
			return
		}
	}
	t.Kinds = append(t.Kinds, StartCount{k, starts, strikes})
}
