package risk

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// beta is a Beta distribution that is asked many times. The library works the
// logarithm of B(a, b) out for each answer, which takes longer than the rest;
// here it is kept.
type beta struct{ a, b, logB float64 }

func newBeta(d distuv.Beta) beta {
	return beta{d.Alpha, d.Beta, mathext.Lbeta(d.Alpha, d.Beta)}
}

// cdf is the probability of x or less.
func (d beta) cdf(x float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	p, _ := d.at(x)
	return p
}

// at is the probability of x or less, and x^a·(1-x)^b / B(a, b), for an x
// between 0 and 1. It works out the tail that is the shorter.
func (d beta) at(x float64) (p, core float64) {
	core = math.Exp(d.a*math.Log(x) + d.b*math.Log1p(-x) - d.logB)
	if x <= d.a/(d.a+d.b) || near(d.b, x) {
		return core * tail(d.a, d.b, x), core
	}
	return 1 - core*tail(d.b, d.a, 1-x), core
}

// near reports whether the power series of a tail up to x is short.
func near(b, x float64) bool { return b*x <= 1 && x <= 0.5 }

// tail is the probability of x or less over x^a·(1-x)^b / B(a, b), for an x
// that is near or no greater than the mean.
func tail(a, b, x float64) float64 {
	if near(b, x) {
		return series(a, b, x)
	}
	return fraction(a, b, x)
}

// series sums the Digital Library of Mathematical Functions' 8.17.8, whose
// terms are all positive.
func series(a, b, x float64) float64 {
	sum, term := 1.0, 1.0
	for n := 1.0; n < mostTerms && term > rounding*sum; n++ {
		term *= (a + b + n - 1) * x / (a + n)
		sum += term
	}
	return sum / a
}

// fraction is 8.17.22 there, worked out from its start on by the ratios of
// following numerators and of following denominators, two links at a time.
func fraction(a, b, x float64) float64 {
	numerators, denominators := 1.0, 1/(1-(a+b)*x/(a+1))
	value := denominators
	for m := 1.0; m < mostTerms; m++ {
		end := a + 2*m
		link := m * (b - m) * x / ((end - 1) * end)
		numerators, denominators = 1+link/numerators, 1/(1+link*denominators)
		value *= numerators * denominators
		link = -(a + m) * (a + b + m) * x / (end * (end + 1))
		numerators, denominators = 1+link/numerators, 1/(1+link*denominators)
		step := numerators * denominators
		if value *= step; math.Abs(step-1) <= rounding {
			break
		}
	}
	return value / a
}

const (
	rounding  = 3e-16 // of a whole that this part of it does not change
	mostTerms = 10000 // so that nothing goes on for ever; the odds of a million starts need a tenth
)

// quantile is that of probability u.
//
// Newton's steps solve log F = log u for t = log x. Where b is 1 or more, log F
// is concave in t, whatever a is, so a step from anywhere lands left of the
// solution and those that follow come closer from there; the second derivative
// shortens the way (Halley). Where only a is 1 or more, the same is done from
// the other end, and where neither is, which no odds of starts are, the library
// halves intervals.
func (d beta) quantile(u float64) float64 {
	switch {
	case u <= 0 || u >= 1:
		return min(1, max(0, u))
	case d.b < 1 && d.a >= 1:
		return 1 - beta{d.b, d.a, d.logB}.quantile(1-u)
	case d.b < 1:
		return d.library(u)
	}
	t := d.guess(u)
	for range 50 {
		x := math.Exp(t)
		if !(1e-300 < x && x < 1) { // nothing to tell from zero, or past the end by rounding
			break
		}
		p, core := d.at(x)
		slope := core / ((1 - x) * p)
		newton := math.Log(p/u) / slope
		bend := d.a - (d.b-1)*x/(1-x) - slope // second derivative over the first
		t -= newton / min(2, max(0.5, 1-newton*bend/2))
		if math.Abs(p-u) <= 1e-4*min(u, 1-u) { // each step cubes how far it is off
			return math.Exp(t)
		}
	}
	return d.library(u)
}

func (d beta) library(u float64) float64 { return distuv.Beta{Alpha: d.a, Beta: d.b}.Quantile(u) }

// guess is the logarithm of about the quantile: the power series' first term
// where the odds pile up at zero, else that of a normal distribution of
// log(x/(1-x)).
func (d beta) guess(u float64) float64 {
	if d.a < 1 {
		return (math.Log(u*d.a) + d.logB) / d.a
	}
	odds := math.Log(d.a/d.b) + mathext.NormalQuantile(u)*math.Sqrt(1/d.a+1/d.b)
	return -math.Log1p(math.Exp(-odds))
}
