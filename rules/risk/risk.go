// Package risk says how likely one start is to end in a head strike. Until a
// shop has data of its own these are documented priors, and say so; a Model
// corrects them by the shop's own starts. Beside it are what a decision needs
// (break-even, which choice is truly cheaper, what knowing more is worth) and
// how well the odds that were given came true.
//
// A treatment is a name here. The floor names a start by what was done about its
// edge and does not know where the cure zone ends, so an advance that fell short
// of it counts as an advance. Its strikes make advances look worse than those
// that reach are, which errs on the careful side.
package risk

import (
	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// Start is what the odds of a strike depend on.
type Start struct {
	Site, Machine string
	Class         event.Class
	Treatment     string // a remedy code, or "none"
	RHPct         units.Maybe
	TempC         units.Maybe
	CureC         units.Maybe
}

// Estimate is a probability with its interval and what it rests on.
type Estimate struct {
	P, Low, High float64
	Basis        string
}

// Prior holds documented odds for a shop that has no data of its own yet. The
// figures are values from memory of what crews say, made to keep the order
// that common practice gives: an advance, a leader and an uncut web settle it,
// a shaped edge and a cooler cure help a bit, better film lies flat.
type Prior struct {
	Bare    map[event.Class]float64 // untreated bare edge, by film class
	Factor  map[string]float64      // what a treatment leaves of it
	DryRH   float64                 // below this humidity, percent …
	DryMore float64                 // … static multiplies the odds by this
	Fixed   bool                    // never corrected by the shop's own starts, which the estimates then say
}

// DefaultPrior is used until a shop says otherwise.
func DefaultPrior() Prior {
	return Prior{
		Bare: map[event.Class]float64{
			event.Monomeric: 0.12, event.Unknown: 0.12, event.Other: 0.06, event.Banner: 0.02, event.Textile: 0.03,
			event.Paper: 0.02, event.Polyester: 0.02, event.Polymeric: 0.004, event.Cast: 0.003,
		},
		Factor: map[string]float64{
			"none": 1, "advance": 0.01, "pause": 0.05, "leader": 0.02, "no-cut": 0.01, "shaped-edge": 0.6, "cooler": 0.7, "better-film": 1,
		},
		DryRH: 35, DryMore: 1.6,
	}
}

// Strike returns the odds for one start. An unknown humidity counts as dry.
func (p Prior) Strike(s Start) Estimate {
	odds, known := p.Bare[s.Class]
	if !known {
		odds = p.Bare[event.Unknown]
	}
	if f, known := p.Factor[s.Treatment]; known {
		odds *= f
	}
	if s.RHPct.Or(0) < p.DryRH {
		odds *= p.DryMore
	}
	odds = min(odds, 1)
	return Estimate{P: odds, Low: odds / 4, High: min(1, odds*3), Basis: p.basis()}
}

// Posterior is the belief about the odds for one start that a Model without
// data has, for the decision helpers.
func (p Prior) Posterior(s Start) distuv.Beta {
	mean := scaled(p.Strike(s).P, 1)
	const worth = defaultMachineStarts * defaultStarts / (defaultMachineStarts + defaultStarts + 1.0)
	return distuv.Beta{Alpha: worth * mean, Beta: worth * (1 - mean)}
}
