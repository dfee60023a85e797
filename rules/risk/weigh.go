package risk

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// Outlook is what is known of several choices together.
type Outlook struct {
	Cheapest []float64 // for each choice, the probability that it is truly the cheapest of all; they add up to 1
	Least    float64   // what one would pay, on average, knowing the true odds of each before choosing
}

// Weigh looks at all choices at once. Let S_j(x) be the probability that
// choice j costs more than x. Then, over all costs x from the least possible,
//
//	P(i is the cheapest) = -∫ S_i'(x) Π S_j(x) dx, j ≠ i
//	E(least cost)        = least possible + ∫ Π S_j(x) dx
//
// The range is halved until each S is nearly straight; between there each is a
// parabola, on which both integrals are exact. So the probabilities add up to
// 1 but for rounding. Each is good to 2e-3, and the least cost to a
// ten-thousandth of a strike, by comparison with R. Odds below 1e-10 count as
// zero, where choices that cost the same share.
func Weigh(choices []Choice) Outlook {
	w := weigher{choices: choices, cheapest: make([]float64, len(choices)), point: make([]float64, 3*len(choices))}
	if len(choices) == 0 {
		return Outlook{}
	}
	// Parabolas multiplied have twice as many degrees as there are of them.
	w.nodes, w.weights = make([]float64, len(choices)+1), make([]float64, len(choices)+1)
	quad.Legendre{}.FixedLocations(w.nodes, w.weights, 0, 1)
	bends := w.bends()
	w.least = bends[0]
	past := w.pass(bends[0], w.above(bends[0], false))
	for i, x := range bends[1:] {
		if alive(past) < negligible {
			w.line(past, make([]float64, len(past)))
			break
		}
		reached := w.above(x, false)
		w.span(bends[i], x, past, reached, mostHalvings)
		past = w.pass(x, reached)
	}
	return Outlook{w.cheapest, w.least}
}

const (
	noOdds       = 1e-10 // odds below this count as zero
	negligible   = 1e-6  // chance of costing more at which the rest no longer counts
	straight     = 0.01  // how far from straight, in probability, a piece may be
	mostHalvings = 25
)

type weigher struct {
	choices        []Choice
	nodes, weights []float64
	cheapest       []float64
	least          float64
	point          []float64 // scratch of piece
}

// bends are costs, in order, between which halving finds the rest: where a
// choice may begin and where its odds mostly are, up to where one must end.
func (w *weigher) bends() []float64 {
	end, xs := math.Inf(1), []float64{}
	for _, c := range w.choices {
		end = min(end, c.Cost+max(0, c.Strike))
	}
	for _, c := range w.choices {
		xs = append(xs, c.Cost)
		if !c.certain() {
			mean, sd := c.Odds.Mean(), c.Odds.StdDev()
			xs = append(xs, c.Cost+c.Strike*max(0, mean-2*sd), c.Cost+c.Strike*mean, c.Cost+c.Strike*min(1, mean+3*sd))
			for p := 1e-9; c.Odds.Alpha < 1 && p < mean; p *= 100 { // odds pile up at zero
				xs = append(xs, c.Cost+c.Strike*p)
			}
		}
	}
	xs = append(slices.DeleteFunc(xs, func(x float64) bool { return x > end }), end)
	slices.Sort(xs)
	return slices.Compact(xs)
}

// above is the probability of each choice to cost more than x, or at least x
// while it is not passed.
func (w *weigher) above(x float64, passed bool) []float64 {
	s := make([]float64, len(w.choices))
	for j, c := range w.choices {
		switch {
		case x < c.Cost || x == c.Cost && !passed:
			s[j] = 1
		case !c.certain():
			s[j] = 1 - c.Odds.CDF(max(noOdds, (x-c.Cost)/c.Strike))
		}
	}
	return s
}

// pass takes what lies at a single cost, where choices that tie share.
func (w *weigher) pass(x float64, from []float64) []float64 {
	if !slices.ContainsFunc(w.choices, func(c Choice) bool { return c.Cost == x }) {
		return from
	}
	to := w.above(x, true)
	w.line(from, to)
	return to
}

// line goes straight from one point to the other, at a single cost.
func (w *weigher) line(from, to []float64) {
	middle := make([]float64, len(from))
	for j := range from {
		middle[j] = (from[j] + to[j]) / 2
	}
	w.piece(0, from, middle, to)
}

// alive is the probability that every choice costs more.
func alive(above []float64) float64 {
	p := 1.0
	for _, s := range above {
		p *= s
	}
	return p
}

// span integrates from a to b, in halves while a piece is not straight.
func (w *weigher) span(a, b float64, from, to []float64, halvings int) {
	x, bent := (a+b)/2, 0.0
	middle := w.above(x, true)
	for j, s := range middle {
		bent = max(bent, math.Abs(s-(from[j]+to[j])/2))
	}
	if bent*alive(from) <= straight || halvings == 0 {
		w.piece(b-a, from, middle, to)
		return
	}
	w.span(a, x, from, middle, halvings-1)
	w.span(x, b, middle, to, halvings-1)
}

// piece integrates exactly over parabolas through three points.
func (w *weigher) piece(width float64, from, middle, to []float64) {
	n := len(from)
	value, slope, rest := w.point[:n], w.point[n:2*n], w.point[2*n:]
	for k, t := range w.nodes {
		all := 1.0
		for j := range n {
			rest[j] = all // of those before j
			b, c := -3*from[j]+4*middle[j]-to[j], 2*from[j]-4*middle[j]+2*to[j]
			value[j], slope[j] = from[j]+t*(b+t*c), b+2*c*t
			all *= value[j]
		}
		w.least += w.weights[k] * width * all
		after := 1.0
		for j := n - 1; j >= 0; j-- {
			w.cheapest[j] -= w.weights[k] * slope[j] * rest[j] * after
			after *= value[j]
		}
	}
}
