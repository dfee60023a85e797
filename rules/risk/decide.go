package risk

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Choice is one thing to do about a start: what doing it costs, the odds of a
// strike that it leaves, and what a strike costs, both in the shop's currency
// and both known numbers. Its cost is Cost + p·Strike, with p as uncertain as
// Odds says. The odds of different choices count as independent. Where nothing
// can be lost by a strike, as under a remedy that settles it, Strike is zero
// and Odds may be left out.
type Choice struct {
	Cost, Strike float64
	Odds         distuv.Beta
}

// Expected is the expected cost of a choice.
func (c Choice) Expected() float64 {
	if c.certain() {
		return c.Cost
	}
	return c.Cost + c.Odds.Mean()*c.Strike
}

func (c Choice) certain() bool { return c.Strike <= 0 }

// BreakEven is the reduction of the odds of a strike from which on a remedy
// pays: its cost over that of a strike. Above 1 it never pays. A strike that
// costs nothing makes it +Inf, unless the remedy is free too.
func BreakEven(remedyCost, strikeCost float64) float64 {
	if remedyCost <= 0 {
		return 0
	}
	if strikeCost <= 0 {
		return math.Inf(1)
	}
	return remedyCost / strikeCost
}

// cheaperNodes are those of ProbCheaper's Gauss-Legendre rule.
const cheaperNodes = 32

// ProbCheaper is the probability that a is truly cheaper than b, ties counted
// half. It averages, over the quantiles q(u) of one's odds, the probability F
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

// PerfectInformation is the most that it can be worth, per start, to know the
// true odds of each choice before choosing: the least expected cost less the
// expectation of the least cost.
func PerfectInformation(choices []Choice) float64 {
	if len(choices) < 2 {
		return 0
	}
	return max(0, leastExpected(choices)-Weigh(choices).Least)
}

func leastExpected(choices []Choice) float64 {
	least := math.Inf(1)
	for _, c := range choices {
		least = min(least, c.Expected())
	}
	return least
}

// PerfectForesight is the value of knowing beforehand which of several states
// will come: cost[i][s] is what choice i costs in state s, which comes with
// probability p[s]. Gains are negative costs. Rows must be as long as p.
func PerfectForesight(cost [][]float64, p []float64) float64 {
	if len(cost) == 0 {
		return 0
	}
	now, informed := math.Inf(1), 0.0
	for _, row := range cost {
		expected := 0.0
		for s, c := range row {
			expected += p[s] * c
		}
		now = min(now, expected)
	}
	for s := range p {
		least := math.Inf(1)
		for _, row := range cost {
			least = min(least, row[s])
		}
		informed += p[s] * least
	}
	return max(0, now-informed)
}

// ValueOfTrial is what one more start under choice i is expected to save at
// each later start, because its outcome may change which choice looks best. It
// is 0 if no single outcome can, and never more than perfect information.
func ValueOfTrial(choices []Choice, i int) float64 {
	tried := choices[i]
	if tried.certain() {
		return 0
	}
	others := math.Inf(1)
	for j := range choices {
		if j != i {
			others = min(others, choices[j].Expected())
		}
	}
	now, p := tried.Expected(), tried.Odds.Mean()
	struck, none := tried, tried
	struck.Odds.Alpha++
	none.Odds.Beta++
	return max(0, min(others, now)-(p*min(others, struck.Expected())+(1-p)*min(others, none.Expected())))
}
