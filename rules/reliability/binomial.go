package reliability

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// ClopperPearson is the exact central interval for a probability of which k of
// n trials came true: the quantile α/2 of Beta(k, n-k+1) and the quantile 1-α/2
// of Beta(k+1, n-k). C. J. Clopper and E. S. Pearson, The use of confidence or
// fiducial limits illustrated in the case of the binomial, Biometrika 26
// (1934), 404-413. Without a trial it is 0 to 1.
func ClopperPearson(k, n uint64, confidence float64) Interval {
	i, tail := Interval{0, 1}, (1-confidence)/2
	yes, no := float64(k), float64(n)-float64(k)
	if yes > 0 {
		i.Low = distuv.Beta{Alpha: yes, Beta: no + 1}.Quantile(tail)
	}
	if no > 0 {
		i.High = distuv.Beta{Alpha: yes + 1, Beta: no}.Quantile(1 - tail)
	}
	return i
}

// atLeast is the probability of k or more out of n trials.
func atLeast(k, n uint64, p float64) float64 {
	switch {
	case k == 0:
		return 1
	case k > n:
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k)+1, p)
}

// Ratio compares two rates.
type Ratio struct {
	Value    float64 // first rate over second; NaN when neither had an event, +Inf when only the first had
	Interval Interval
	P        float64 // probability of a difference as large or larger, either way, if the rates were the same
}

// RateRatio compares x events in an exposure a with y in b, by the test that is
// exact once the sum of both is given: if the rates were in the ratio r, x of
// x+y would be binomial with the odds r·a/b. The interval is Clopper and
// Pearson's, carried over; P doubles the smaller tail, so that it and the
// interval never contradict each other.
//
// J. Przyborowski and H. Wilenski, Homogeneity of results in testing samples
// from Poisson series, Biometrika 31 (1940), 313-323.
func RateRatio(x uint64, a float64, y uint64, b float64, confidence float64) Ratio {
	odds := func(p float64) float64 { return p / (1 - p) * b / a }
	p := ClopperPearson(x, x+y, confidence)
	r := Ratio{Value: float64(x) / a / (float64(y) / b), Interval: Interval{odds(p.Low), odds(p.High)}, P: 1}
	if x+y > 0 {
		same := a / (a + b)
		r.P = min(1, 2*min(atLeast(x, x+y, same), atLeast(y, x+y, 1-same)))
	}
	return r
}

// Differs reports whether the interval leaves out equality.
func (r Ratio) Differs() bool {
	return !math.IsNaN(r.Value) && (r.Interval.Low > 1 || r.Interval.High < 1)
}
