package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

func (v *view) front() Front {
	list := areas(v.wastes)
	f := Front{
		Strikes: uint64(len(v.strikes)), Starts: uint64(len(v.starts)), Reprints: uint64(len(v.reprints)),
		WasteCost: v.price(list), Prevented: v.prevented(), Next: v.next(),
	}
	f.StartsBetween = between(f.Starts, f.Strikes)
	var strikes, starts uint64
	for _, m := range v.before.Months {
		strikes, starts = strikes+m.Strikes, starts+m.Starts
	}
	f.Before = compare(f.Strikes, f.Starts, strikes, starts, fmt.Sprintf("than in the %d months before", len(v.before.Months)))
	for _, w := range list {
		f.WasteM2 += w.M2
	}
	return f
}

// NotShown says that an interval of strikes prevented reaches zero.
const NotShown = "not shown: no strike prevented at all fits the odds as well"

// prevented sums differences of odds over the starts that were warned of and
// treated. The ends of its interval take every start at the same end at once,
// which is wider than 95 %: what the odds of different starts have wrong is
// mostly the same thing.
func (v *view) prevented() Prevented {
	p := Prevented{How: "not estimated: no odds were given"}
	var sum, low, high float64
	for _, s := range v.starts {
		if !s.Warned() || !s.Treated() {
			continue
		}
		p.Starts++
		if v.learnt == nil {
			continue
		}
		bare, done := v.learnt(s.Case(untreated)), v.learnt(s.Case(s.Treatment))
		d, i := difference(bare, done)
		sum, low, high = sum+d, low+i.Low, high+i.High
	}
	if v.learnt == nil {
		return p
	}
	p.Value, p.Low, p.High = units.Some(sum), units.Some(low), units.Some(high)
	p.How = fmt.Sprintf("estimated, not counted: over the %d starts that were warned of and treated, the odds of a strike untreated less the odds as treated", p.Starts)
	switch {
	case p.Starts < fewEvents:
		p.Words = TooFew
	case low <= 0:
		p.Words = NotShown
	}
	return p
}

// difference is that of two odds, with the interval that the intervals of both
// come to: their distances add up as squares. It takes them as independent, and
// always holds the difference. R. G. Newcombe, Interval estimation for the
// difference between independent proportions: comparison of eleven methods,
// Statistics in Medicine 17 (1998), 873-890, method 10; for any two intervals
// G. Y. Zou and A. Donner, Statistics in Medicine 27 (2008), 1693-1702.
func difference(a, b risk.Estimate) (float64, Interval) {
	d := a.P - b.P
	return d, Interval{d - math.Hypot(a.P-a.Low, b.High-b.P), d + math.Hypot(a.High-a.P, b.P-b.Low)}
}

// maxSteps is how many things to do a first page has.
const maxSteps = 3

// next ranks what could be done: first what saves most, then what cannot be
// priced.
func (v *view) next() []Step {
	steps := append(v.treatMore(), v.wasteLess()...)
	steps = append(steps, v.quieten()...)
	steps = append(steps, v.recordMore()...)
	saving := func(s Step) float64 {
		if s.Saving == nil {
			return -1
		}
		return amount(*s.Saving)
	}
	slices.SortStableFunc(steps, func(a, b Step) int {
		return cmp.Or(cmp.Compare(saving(b), saving(a)), cmp.Compare(b.Strikes.Or(0), a.Strikes.Or(0)))
	})
	return steps[:min(maxSteps, len(steps))]
}

// treatMore proposes to treat the edges of low-grade film that were started
// bare, with the treatment that would have been worth most.
func (v *view) treatMore() []Step {
	bare := where(v.starts, func(r recorded) bool { s := r.(*Start); return s.Class.LowGrade() && !s.Treated() })
	if v.learnt == nil || len(bare) == 0 {
		return nil
	}
	var best []Step
	most := 0.0
	for _, treatment := range floor.Treatments {
		cost, _, priced := v.treating(treatment, bare)
		if !priced || treatment == untreated {
			continue
		}
		fewer := 0.0
		for _, s := range bare {
			fewer += v.learnt(s.Case(untreated)).P - v.learnt(s.Case(treatment)).P
		}
		if saving := fewer*amount(v.StrikeCost) - cost; saving > most {
			most, best = saving, []Step{v.treat(treatment, bare, fewer, saving)}
		}
	}
	return best
}

func (v *view) treat(treatment string, bare []*Start, fewer, saving float64) Step {
	machines := map[string]uint64{}
	for _, s := range bare {
		machines[s.key()]++
	}
	worst := shares(machines)[0]
	return Step{
		Title:  fmt.Sprintf("Treat the edge before each start of low-grade film (%s), first on %s", treatment, worst.Name),
		Saving: money(saving, v.StrikeCost.CurrencyCode()), Strikes: units.Some(fewer),
		Reason: fmt.Sprintf("%d starts went with a bare edge, %.0f of them on %s; treating them all was worth %.1f strikes at %s each, for %s a start. The odds are an estimate: %s",
			len(bare), worst.Value, worst.Name, fewer, v.StrikeCost, v.meanCost(treatment, bare), v.learnt(bare[0].Case(untreated)).Basis),
	}
}

// halved is what of a cause of waste a shop may hope to be rid of: a value from
// judgement, and said so.
const halved = 0.5

// wasteLess proposes to halve the costliest waste that has a cause of its own
// to work on. Strikes have their own step. An advance throws film away for a
// good reason, but a web that is not cut off between two runs needs none.
func (v *view) wasteLess() []Step {
	var best []Step
	most := 0.0
	for _, c := range v.waste() {
		if c.Name == "head-strike" || c.Name == "other" || c.Cost.Amount == nil || amount(*c.Cost.Amount) <= most {
			continue
		}
		title := "Halve the waste for " + c.Name
		if c.Name == "edge-advance" {
			title = "Leave low-grade film uncut where another run follows on the roll, instead of cutting and advancing it"
		}
		most, best = amount(*c.Cost.Amount), []Step{{
			Title:  title,
			Saving: money(halved*amount(*c.Cost.Amount), c.Cost.Amount.CurrencyCode()),
			Reason: fmt.Sprintf("%s of film, %.0f %% of all waste by area, went for it; that half of it can be had is an assumption", c.Cost.Amount, 100*c.Share),
		}}
	}
	return best
}

// quieten proposes to settle the alarm that is announced most of those that
// are mostly neither acknowledged nor followed by a treatment. One that people
// act on may come often.
func (v *view) quieten() []Step {
	for _, h := range v.hazards() {
		share := float64(h.Annunciations) / float64(len(v.rings))
		if len(v.rings) < 4*fewEvents || share < 0.25 || 2*(h.Acknowledged+h.Treated) >= h.Alarms {
			continue
		}
		return []Step{{
			Title:  fmt.Sprintf("Find out why nobody acts on the alarm %q", titleOf(h.Hazard)),
			Reason: fmt.Sprintf("it was announced %d times of %d, %.0f %%, and mostly not acknowledged: alarms that are not heeded hide others", h.Annunciations, len(v.rings), 100*share),
		}}
	}
	return nil
}

// titleOf is what a hazard is called; its code where the catalogue lacks it.
func titleOf(code string) string {
	for i := range hazard.Builtin {
		if string(hazard.Builtin[i].Code) == code {
			return hazard.Builtin[i].Title
		}
	}
	return code
}

// recordMore proposes to record what the figures lack.
func (v *view) recordMore() (out []Step) {
	if n := count(v.strikes, func(r recorded) bool { return r.(*Strike).DownBy != downRecorded }); n > 0 {
		out = append(out, Step{
			Title:  "Record the downtime of each strike",
			Reason: fmt.Sprintf("%d of %d strikes came without one, so that their cost is a guess", n, len(v.strikes)),
		})
	}
	if n := count(v.starts, func(r recorded) bool { return r.(*Start).Class == event.Unknown }); n > 0 {
		out = append(out, Step{
			Title:  "Say which film is loaded",
			Reason: fmt.Sprintf("%d of %d starts were on film of unknown class, which is judged like the cheapest", n, len(v.starts)),
		})
	}
	return out
}

// maxTrendPoints is how many strikes the chart of the trend has.
const maxTrendPoints = 200

// trend fits the Crow-AMSAA model to the strikes of the whole life. A strike is
// put in the middle of its start, so that none lies at 0.
func (v *view) trend() Trend {
	h := &v.all
	t := Trend{Strikes: len(h.Strikes), Starts: h.Starts, SinceStart: h.Dropped, Words: TooFew}
	positions := make([]float64, len(h.Strikes))
	for i, s := range h.Strikes {
		positions[i] = max(0.5, float64(s.Starts-h.Dropped)-0.5)
	}
	g, ok := Growth{}, false
	if h.Starts > h.Dropped {
		g, ok = Grow(positions, float64(h.Starts-h.Dropped), false, Confidence)
	}
	if ok {
		t.fit(g)
	}
	every := max(1, (len(positions)+maxTrendPoints-1)/maxTrendPoints)
	for i, at := range positions {
		if (len(positions)-1-i)%every != 0 {
			continue
		}
		p := TrendPoint{At: h.Strikes[i].At, Starts: at, Strikes: i + 1}
		if ok {
			p.Model = finite(g.Expected(at))
		}
		t.Points = append(t.Points, p)
	}
	return t
}

func (t *Trend) fit(g Growth) {
	t.Words, t.Fits = g.Meaning(), g.Fits()
	t.Beta, t.Lambda = estimated(g.Beta, g.BetaInterval), finite(g.Lambda)
	mean, i := g.GrowthBetween(Confidence)
	t.Between = estimated(mean, i)
	t.Cramer, t.CramerLimit = finite(g.Cramer), units.Some(g.CramerLimit)
	if t.Words == TooFew {
		t.Beta.Words, t.Between.Words = TooFew, TooFew
	}
}

// quantile is the nearest-rank quantile of values that it may sort; unknown
// without any.
func quantile(values []float64, p float64) units.Maybe {
	if len(values) == 0 {
		return units.Maybe{}
	}
	slices.Sort(values)
	i := int(math.Ceil(p*float64(len(values)))) - 1
	return units.Some(values[max(0, i)])
}
