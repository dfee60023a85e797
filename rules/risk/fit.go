package risk

import (
	"math"

	"rollwarden/rules/event"
)

// FitOptions say how much a prior is worth and when a shop's own starts may
// correct it. Zero, and what makes no sense, stands for the default.
type FitOptions struct {
	Starts        float64 // what the prior is worth, in starts; 20 by default
	MachineStarts float64 // what the shop is worth to a machine, in starts; 60 by default, +Inf if machines do not differ
	Doubt         float64 // factor by which Starts may well be off, up or down; 2 by default, +Inf to let the cells alone say
	MinStrikes    float64 // strikes of a class, seen or expected by the prior, from which its scale is fitted; 5 by default
	MinCells      int     // kinds of start with 10 starts or more from which the prior's worth is fitted; 8 by default
	Fixed         bool    // never fit: keep what is documented
}

// Documented defaults and limits. They are values from judgement, no source:
// 20 starts let a monomeric bare edge at 12 % be anything from 2 to 29 %, as
// wide as what crews say, and 60 let a machine differ from its shop by a third.
const (
	defaultStarts        = 20
	defaultMachineStarts = 60
	defaultDoubt         = 2
	defaultMinStrikes    = 5
	defaultMinCells      = 8
	fullCell             = 10 // starts

	leastScale, mostScale   = 1.0 / 10, 10.0 // of a class's odds
	leastStarts, mostStarts = 2.0, 200.0     // what a fitted prior may be worth

	// Nothing is certain: odds stay this far from 0 and 1.
	leastOdds = 1e-6
)

func (o FitOptions) withDefaults() FitOptions {
	if !(o.Starts > 0) || math.IsInf(o.Starts, 1) {
		o.Starts = defaultStarts
	}
	if !(o.MachineStarts > 0) {
		o.MachineStarts = defaultMachineStarts
	}
	if !(o.Doubt > 1) {
		o.Doubt = defaultDoubt
	}
	if !(o.MinStrikes > 0) {
		o.MinStrikes = defaultMinStrikes
	}
	if o.MinCells <= 0 {
		o.MinCells = defaultMinCells
	}
	return o
}

// hyper are the numbers that all cells share: what was fitted, and what was kept as
// documented.
type hyper struct {
	Starts        float64                 // what the prior is worth, in starts
	StartsFitted  bool                    // whether the shop's cells say so
	MachineStarts float64                 // what the shop is worth to a machine; never fitted
	Scale         map[event.Class]float64 // on the prior's odds, p/(1-p), for the classes that were fitted; 1 for others
	LogLikelihood float64                 // of the cells, without the binomial coefficients, which do not depend on the fit
}

// group is a class's kinds of start with their counts.
type group struct {
	class  event.Class
	fitted bool // has enough to fit a scale
	cells  []pooled

	sizedAt, sized float64 // what sizes returned last, and for which strength
}

type pooled struct {
	evidence
	odds float64 // by the prior
}

// fit chooses the scales, and the strength of the prior, under which the
// shop's cells are likeliest (empirical Bayes). Given the strength, each class
// has its own best scale; so one search over the strength, with one over the
// scale inside, finds them all. Classes and strength without enough data keep
// what is documented. The strength is what a few cells say least about, and
// one that is too great makes intervals too narrow; so the documented one
// counts as a log-normal belief that is off by the factor Doubt, or more, one
// time in three.
func (m *Model) fit(prior Prior, o FitOptions) hyper {
	groups, full := m.groups(prior, o)
	h := hyper{Starts: o.Starts, MachineStarts: o.MachineStarts, StartsFitted: full >= o.MinCells && !o.Fixed}
	if h.StartsFitted {
		log := maximize(math.Log(leastStarts), math.Log(mostStarts), 12, func(log float64) float64 {
			_, l := bestScales(groups, math.Exp(log))
			off := (log - math.Log(o.Starts)) / math.Log(o.Doubt)
			return l - off*off/2
		})
		h.Starts = math.Exp(log)
	}
	h.Scale, h.LogLikelihood = bestScales(groups, h.Starts)
	return h
}

// groups collects the cells with starts, and counts those with enough of them.
func (m *Model) groups(prior Prior, o FitOptions) (groups []*group, full int) {
	base := m.odds(prior, nil)
	var g *group
	var seen, expected float64
	for k := range m.kinds() {
		if g == nil || m.classes[k.class] != g.class {
			g, seen, expected = &group{class: m.classes[k.class]}, 0, 0
			groups = append(groups, g)
		}
		i := k.index(&m.axes)
		c := m.shop[i]
		if c.starts == 0 {
			continue
		}
		if c.starts >= fullCell {
			full++
		}
		g.cells = append(g.cells, pooled{c.weighted, base[i]})
		seen += float64(c.strikes)
		expected += base[i] * float64(c.starts)
		g.fitted = !o.Fixed && max(seen, expected) >= o.MinStrikes
	}
	return groups, full
}

func bestScales(groups []*group, starts float64) (map[event.Class]float64, float64) {
	scales, sum := map[event.Class]float64{}, 0.0
	for _, g := range groups {
		log := 0.0
		if g.fitted {
			log = maximize(math.Log(leastScale), math.Log(mostScale), 8, func(log float64) float64 {
				return g.logLikelihood(math.Exp(log), starts)
			})
			scales[g.class] = math.Exp(log)
		}
		sum += g.logLikelihood(math.Exp(log), starts)
	}
	return scales, sum
}

// logLikelihood is that of beta-binomial counts: the odds of each cell vary as
// Beta(k·m, k·(1-m)) around the scaled prior. It is the logarithm of
// B(a+s, b+n-s)/B(a, b), taken apart into rising factorials, of which most
// cells lack the one of their strikes.
func (g *group) logLikelihood(scale, starts float64) float64 {
	sum := -g.sizes(starts)
	for _, c := range g.cells {
		m := scaled(c.odds, scale)
		sum += logRising(starts*m, c.strikes) + logRising(starts*(1-m), c.starts-c.strikes)
	}
	return sum
}

// sizes is the part of the likelihood that no scale changes, so that it is
// worked out once for each strength.
func (g *group) sizes(starts float64) float64 {
	if g.sizedAt != starts {
		g.sizedAt, g.sized = starts, 0
		for _, c := range g.cells {
			g.sized += logRising(starts, c.starts)
		}
	}
	return g.sized
}

// logRising is the logarithm of Γ(x+n)/Γ(x).
func logRising(x, n float64) float64 {
	if n == 0 {
		return 0
	}
	more, _ := math.Lgamma(x + n)
	less, _ := math.Lgamma(x)
	return more - less
}

// odds are the prior's for every kind of start, scaled by class. A band counts
// as its driest humidity.
func (m *Model) odds(prior Prior, scale map[event.Class]float64) []float64 {
	list := make([]float64, 0, m.size())
	bands := rhBands()
	for k := range m.kinds() {
		class := m.classes[k.class]
		p := prior.Strike(Start{Class: class, Treatment: m.treatments[k.treatment], RHPct: driest(bands[k.rh])}).P
		by, fitted := scale[class]
		if !fitted {
			by = 1
		}
		list = append(list, scaled(p, by))
	}
	return list
}

// scaled multiplies odds as p/(1-p).
func scaled(p, by float64) float64 {
	p = min(1-leastOdds, max(leastOdds, p))
	if by == 1 {
		return p
	}
	return min(1-leastOdds, max(leastOdds, by*p/(1-p+by*p)))
}
