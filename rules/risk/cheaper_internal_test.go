package risk

import "gonum.org/v1/gonum/integrate/quad"

// cheaperNodes are those of ProbCheaper's Gauss-Legendre rule.
const cheaperNodes = 32

// ProbCheaper is what Weigh is held against for two choices: the probability that
// a is truly cheaper than b, ties counted half. It averages, over the quantiles q(u) of one's odds, the probability F
// that the other costs less:
//
//	P = ∫ F_a((b.Cost - a.Cost + q_b(u)·b.Strike) / a.Strike) du, u from 0 to 1
//
// The quantiles are those of the one whose cost is better known, as the other's
// F is the smoother. The error is below 1e-6 for whole parameters up to
// hundreds, by comparison with the closed form.
func ProbCheaper(a, b Choice) float64 {
	if a.certain() {
		return 1 - b.below(a.Cost)
	}
	if b.certain() {
		return a.below(b.Cost)
	}
	if a.spread() < b.spread() {
		return 1 - ProbCheaper(b, a)
	}
	ours, theirs := newBeta(a.Odds), newBeta(b.Odds)
	// The integrand is 0 until b's cost passes the least of a's, and 1 from
	// the most of a's on. Between, it may be steep at both ends: there u moves
	// slowly with t.
	from, to := b.below(a.Cost), b.below(a.Cost+a.Strike)
	at := func(t float64) float64 {
		u := from + (to-from)*t*t*t*(10-15*t+6*t*t)
		return ours.cdf((b.Cost-a.Cost+theirs.quantile(u)*b.Strike)/a.Strike) * 30 * t * t * (1 - t) * (1 - t)
	}
	p := 1 - to + (to-from)*quad.Fixed(at, 0, 1, cheaperNodes, quad.Legendre{}, 0)
	return min(1, max(0, p))
}

// spread is the standard deviation of a choice's cost.
func (c Choice) spread() float64 { return c.Strike * c.Odds.StdDev() }

func fixedCheaper(a, b float64) float64 {
	switch {
	case a < b:
		return 1
	case a > b:
		return 0
	}
	return 0.5
}

// below is the probability that a choice costs less than x, ties counted half.
func (c Choice) below(x float64) float64 {
	if c.certain() {
		return fixedCheaper(c.Cost, x)
	}
	return newBeta(c.Odds).cdf((x - c.Cost) / c.Strike)
}
