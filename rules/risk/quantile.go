package risk

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// quantile is b's quantile u. Where strikes are rare, Alpha is far below 1 and
// the library, which halves intervals there, takes several times as
// long as elsewhere; so those are solved on logarithmic scales, where the distribution
// function is nearly a straight line. It is concave there if Beta is 1 or more,
// and the first guess leaves out a factor below 1 of the density, hence lies
// left of the solution: Newton's steps approach it from that side alone.
func quantile(b distuv.Beta, u float64) float64 {
	if b.Alpha >= 1 || b.Beta < 1 {
		return b.Quantile(u)
	}
	logBeta := mathext.Lbeta(b.Alpha, b.Beta)
	t := (math.Log(u*b.Alpha) + logBeta) / b.Alpha // logarithm of the quantile
	for range 50 {
		x := math.Exp(t)
		if !(1e-300 < x && x < 1) { // nothing to tell from zero, or past the end by rounding
			break
		}
		f := b.CDF(x)
		slope := math.Exp(b.Alpha*t+(b.Beta-1)*math.Log1p(-x)-logBeta) / f
		step := math.Log(u/f) / slope
		if t += step; !(math.Abs(step) > 1e-9) {
			return math.Exp(t)
		}
	}
	return b.Quantile(u)
}
