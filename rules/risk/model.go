package risk

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/event"
)

// Cell counts the starts of one kind on one machine, and the head strikes that
// they ended in.
type Cell struct {
	Class           event.Class
	Treatment       string // a remedy code, or "none"
	RH, Cure        Band
	Site, Machine   string
	Starts, Strikes uint64
}

// Model gives the odds of a strike from a shop's own starts and the prior. All
// of it in five lines, for one kind of start (class, treatment, humidity band,
// cure band) on one machine:
//
//  1. The prior says m, its odds times the class's scale, and is worth k starts.
//  2. Another machine's s strikes in n starts count with the weight
//     w = (l+1)/(l+n): a single start in full, and all of them as l+1 at most.
//  3. The shop's odds are q = (k·m + Σ w·s) / K with K = k + Σ w·n.
//  4. They are worth L = l·K/(l+K+1) starts to the machine, l at most.
//  5. With its own S strikes in N starts the odds are Beta(L·q + S, L·(1-q) + N-S).
//
// k is the strength of the prior and l that of the shop over a machine. Lines
// 2 and 4 are the variance of a beta-binomial: n starts that share a machine
// tell as much about the shop as w·n that do not, and odds that vary among
// machines and are not known for the shop vary as a Beta of strength L.
//
// Where something is not known, the prior m is no better than the odds of the
// worst case with one more thing known. The unknown still learns from starts
// of its own, so that a shop without a hygrometer gets its own rate too.
//
// A Model is never written to after Fit, and any number may use it at a time.
// Whether a treatment settles a hazard is for the hazard rules to say; here it
// is a name with odds.
type Model struct {
	axes
	hyper   hyper
	base    []float64          // odds by the prior and the scale, by kind
	worst   []float64          // line 1's m of a machine without starts, with the unknown as bad as its worst case, by kind
	shop    []counts           // all machines, by kind
	machine map[place]*machine // with starts of their own
	fresh   *machine           // stands for every other one
	starts  uint64
}

type place struct{ site, machine string }

// machine is what is known of one machine, by kind of start.
type machine struct {
	own   map[int]tally
	worst map[int]float64 // where it is not the model's
}

// tally is a count of starts and strikes as they were.
type tally struct{ strikes, starts uint64 }

// counts are those of several machines: as they were, and weighted by line 2.
type counts struct {
	tally
	weighted evidence
}

// evidence is a number of strikes in a number of starts, neither need be whole.
type evidence struct{ strikes, starts float64 }

func (t tally) plus(o tally) tally { return tally{t.strikes + o.strikes, t.starts + o.starts} }

// weigh is line 2.
func (t tally) weigh(l float64) evidence {
	n, w := float64(t.starts), 1.0
	if n > 0 && !math.IsInf(l, 1) {
		w = (l + 1) / (l + n)
	}
	return evidence{w * float64(t.strikes), w * n}
}

// Fit builds the model from a shop's cells, in any order. Cells of one kind
// add up. A strike that nobody recorded a start for counts as a start too.
func Fit(prior Prior, cells []Cell, o FitOptions) *Model {
	o = o.withDefaults()
	m := &Model{axes: newAxes(prior), machine: map[place]*machine{}, fresh: &machine{}}
	for _, c := range cells {
		m.count(c)
	}
	m.shop = m.pool(o.MachineStarts)
	m.hyper = m.fit(prior, o)
	m.base = m.odds(prior, m.hyper.Scale)
	m.settle()
	return m
}

func (m *Model) count(c Cell) {
	if c.Starts = max(c.Starts, c.Strikes); c.Starts == 0 {
		return
	}
	at := place{c.Site, c.Machine}
	if m.machine[at] == nil {
		m.machine[at] = &machine{own: map[int]tally{}, worst: map[int]float64{}}
	}
	k := m.kind(c.Class, c.Treatment, c.RH, c.Cure).index(&m.axes)
	m.machine[at].own[k] = m.machine[at].own[k].plus(tally{c.Strikes, c.Starts})
	m.starts += c.Starts
}

// pool adds the machines up, in the order of their names, because sums of
// floating-point numbers depend on it.
func (m *Model) pool(l float64) []counts {
	shop := make([]counts, m.size())
	for _, at := range slices.SortedFunc(maps.Keys(m.machine), comparePlaces) {
		for k, own := range m.machine[at].own {
			w := own.weigh(l)
			c := &shop[k]
			c.tally = c.plus(own)
			c.weighted = evidence{c.weighted.strikes + w.strikes, c.weighted.starts + w.starts}
		}
	}
	return shop
}

func comparePlaces(a, b place) int {
	return cmp.Or(cmp.Compare(a.site, b.site), cmp.Compare(a.machine, b.machine))
}

// guess is a kind of start with something unknown, and what it may turn out to be.
type guess struct {
	kind int
	of   []int
}

// guesses lists what is known best first, because the unknown looks at it.
func (m *Model) guesses() []guess {
	var list []guess
	for _, k := range m.byUnknowns() {
		g := guess{kind: k.index(&m.axes)}
		for worse := range m.oneMoreKnown(k) {
			g.of = append(g.of, worse.index(&m.axes))
		}
		list = append(list, g)
	}
	return list
}

// settle finds line 1's m for each kind of start: for a machine without starts, and
// for each other one where its own starts make a difference.
func (m *Model) settle() {
	guesses := m.guesses()
	m.worst = slices.Clone(m.base)
	for _, g := range guesses {
		m.worst[g.kind] = m.worstOf(m.fresh, g)
	}
	lookers := make([][]int, m.size()) // the guesses that look at a kind, all of them after its own
	for i, g := range guesses {
		for _, k := range g.of {
			lookers[k] = append(lookers[k], i)
		}
	}
	due := make([]bool, len(guesses))
	tell := func(kind int) {
		for _, i := range lookers[kind] {
			due[i] = true
		}
	}
	for _, mc := range m.machine {
		clear(due)
		for k := range mc.own {
			tell(k)
		}
		for i, g := range guesses {
			if !due[i] {
				continue
			}
			if w := m.worstOf(mc, g); w != m.worst[g.kind] {
				mc.worst[g.kind] = w
				tell(g.kind)
			}
		}
	}
}

func (m *Model) worstOf(mc *machine, g guess) float64 {
	worst := m.base[g.kind]
	for _, k := range g.of {
		worst = max(worst, m.posterior(mc, k).mean())
	}
	return worst
}

// prior is line 1's m of a machine.
func (m *Model) prior(mc *machine, k int) float64 {
	if w, own := mc.worst[k]; own {
		return w
	}
	return m.worst[k]
}

// posterior is a Beta distribution of the odds, and how it came about.
type posterior struct {
	prior  float64  // m
	others evidence // the other machines' starts, weighted
	shop   float64  // q
	weight float64  // L
	own    tally
}

func (m *Model) posterior(mc *machine, k int) posterior {
	p := posterior{prior: m.prior(mc, k), own: mc.own[k]}
	all, own := m.shop[k].weighted, p.own.weigh(m.hyper.MachineStarts)
	if m.shop[k].starts > p.own.starts {
		p.others = evidence{max(0, all.strikes-own.strikes), max(0, all.starts-own.starts)}
	}
	strength := m.hyper.Starts + p.others.starts
	p.shop = p.prior
	if p.others.starts > 0 {
		p.shop = (m.hyper.Starts*p.prior + p.others.strikes) / strength
	}
	p.weight = strength
	if l := m.hyper.MachineStarts; !math.IsInf(l, 1) {
		p.weight = l * strength / (l + strength + 1)
	}
	return p
}

// mean is exactly the prior where there are no starts.
func (p posterior) mean() float64 {
	if p.own.starts == 0 {
		return p.shop
	}
	return (p.weight*p.shop + float64(p.own.strikes)) / (p.weight + float64(p.own.starts))
}

func (p posterior) beta() distuv.Beta {
	s, n := float64(p.own.strikes), float64(p.own.starts)
	return distuv.Beta{Alpha: p.weight*p.shop + s, Beta: p.weight*(1-p.shop) + n - s}
}

// interval is the central 95 % of the posterior, but for two cases. Without a
// strike in the shop nothing says that the odds are above zero, and so the low
// end is zero, as Brown, Cai and DasGupta (2001, Statistical Science 16) have
// it for Jeffreys' interval. And a posterior with nearly all its weight at
// zero may have its mean above the central part: the mean is never left out.
func (p posterior) interval() (low, high float64) {
	b := newBeta(p.beta())
	if p.own.strikes > 0 || p.others.strikes > 0 {
		low = b.quantile(0.025)
	}
	return min(low, p.mean()), max(b.quantile(0.975), p.mean())
}

// at finds what is known about a start.
func (m *Model) at(s Start) (k kind, mc *machine, p posterior) {
	k = m.kind(s.Class, s.Treatment, RHBand(s.RHPct), CureBand(s.CureC))
	mc = m.fresh
	if known, ok := m.machine[place{s.Site, s.Machine}]; ok {
		mc = known
	}
	return k, mc, m.posterior(mc, k.index(&m.axes))
}

// Posterior is the distribution of the odds that one start ends in a strike,
// for the decision helpers.
func (m *Model) Posterior(s Start) distuv.Beta {
	_, _, p := m.at(s)
	return p.beta()
}

// Mean is Strike's odds without their interval, which takes longest to work out.
func (m *Model) Mean(s Start) float64 {
	_, _, p := m.at(s)
	return p.mean()
}

// Strike returns the odds for one start with their 95 % credible interval.
func (m *Model) Strike(s Start) Estimate {
	k, mc, p := m.at(s)
	low, high := p.interval()
	return Estimate{P: p.mean(), Low: low, High: high, Basis: m.basis(k, mc, p, s)}
}
