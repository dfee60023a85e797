package reliability

import "math"

// Growth is the Crow-AMSAA model of a series of failures: their intensity
// λ·β·t^(β-1) follows a power of the exposure t, such as starts or hours. With
// β below 1 they become rarer, above 1 more frequent.
type Growth struct {
	Failures     int
	Exposure     float64  // T, in the unit of the positions
	Beta         float64  // maximum likelihood
	BetaUnbiased float64  // corrected for few failures
	BetaInterval Interval // of Beta, exact
	Lambda       float64  // maximum likelihood, with Beta
	Between      float64  // exposure between failures at the end, 1/(λ·β·T^(β-1))
	Cramer       float64  // Cramér-von Mises statistic
	CramerLimit  float64  // above it a power law does not describe the failures, at 10 %
}

// minGrowth is the fewest failures that a trend is sought in. Below, an
// interval for β spans a factor of eight or more: a value from judgement.
const minGrowth = 5

// Grow fits the model to the positions of failures on the exposure, which run
// up and lie above 0 and up to end. failureTerminated says that observation
// ended with the last failure, at end. ok is false when there is too little to
// fit: no failure, or in the second case only one, or all at the end.
//
//	β = N / Σ ln(T/t),  λ = N / T^β
//	unbiased β: (N-1)/N of it, or (N-2)/N when failure-terminated
//	interval of β: β·χ²(α/2; d)/2N to β·χ²(1-α/2; d)/2N with d = 2N, or 2N-2
//	Cramér-von Mises: 1/12M + Σ ((t/T)^β - (2i-1)/2M)² with the unbiased β and
//	M = N, or N-1 without the last failure
//
// L. H. Crow, Reliability analysis for complex, repairable systems, in
// Reliability and Biometry (SIAM 1974), and MIL-HDBK-189 (1981), appendix C.
func Grow(positions []float64, end float64, failureTerminated bool, confidence float64) (g Growth, ok bool) {
	n := float64(len(positions))
	logs, lost := 0.0, 1.0
	for _, t := range positions {
		logs += math.Log(end / t)
	}
	if failureTerminated {
		lost = 2
	}
	if n < lost || logs <= 0 {
		return Growth{}, false
	}
	tail, degrees := (1-confidence)/2, 2*(n-lost+1)
	g = Growth{Failures: len(positions), Exposure: end, Beta: n / logs}
	g.BetaUnbiased = g.Beta * (n - lost) / n
	g.BetaInterval = Interval{g.Beta * chiSquared(tail, degrees) / (2 * n), g.Beta * chiSquared(1-tail, degrees) / (2 * n)}
	g.Lambda = n / math.Pow(end, g.Beta)
	g.Between = end / (n * g.Beta) // λ·T^β is n
	m := len(positions) + 1 - int(lost)
	g.Cramer, g.CramerLimit = cramer(positions[:m], end, g.BetaUnbiased), cramerLimit(m)
	return g, true
}

func cramer(positions []float64, end, beta float64) float64 {
	m := float64(len(positions))
	sum := 1 / (12 * m)
	for i, t := range positions {
		d := math.Pow(t/end, beta) - (2*float64(i)+1)/(2*m)
		sum += d * d
	}
	return sum
}

// cramerLimit is the critical value of the Cramér-von Mises statistic with β
// estimated, at a significance of 10 %, as in MIL-HDBK-189 (1981), appendix C.
// The values are from memory; simulation bears each out within 0.002.
func cramerLimit(m int) float64 {
	limits := []struct {
		m     int
		limit float64
	}{
		{100, 0.173}, {60, 0.173}, {30, 0.172}, {20, 0.172}, {15, 0.169}, {12, 0.169}, {11, 0.169}, {10, 0.167},
		{9, 0.167}, {8, 0.165}, {7, 0.165}, {6, 0.162}, {5, 0.160}, {4, 0.155}, {3, 0.154},
	}
	for _, l := range limits {
		if m >= l.m {
			return l.limit
		}
	}
	return 0.162
}

// Expected is how many failures the model has up to an exposure: λ·t^β.
func (g Growth) Expected(exposure float64) float64 { return g.Lambda * math.Pow(exposure, g.Beta) }

// Fits reports whether a power law describes the failures.
func (g Growth) Fits() bool { return g.Cramer <= g.CramerLimit }

// The meanings of a trend.
const (
	TrendBetter   = "better"
	TrendWorse    = "worse"
	TrendFlat     = "no trend to be seen"
	TrendNotPower = "changing, but not steadily one way"
	TooFew        = "too few to tell"
	NothingElse   = "nothing to compare with" // of a comparison
)

// Meaning says in plain words which way the failures go.
func (g Growth) Meaning() string {
	switch {
	case g.Failures < minGrowth:
		return TooFew
	case !g.Fits():
		return TrendNotPower
	case g.BetaInterval.High < 1:
		return TrendBetter
	case g.BetaInterval.Low > 1:
		return TrendWorse
	}
	return TrendFlat
}

// GrowthBetween estimates the exposure between failures at the end with the
// less biased β = (N-1)/Σ ln(T/t) and an approximate interval,
//
//	low  = M·N(N-1) / (N + z²/4 + √(N·z²/2 + z⁴/16))²
//	high = M·N(N-1) / (N - z·√(N/2))²
//
// time-terminated, as in the NIST/SEMATECH e-Handbook, 8.4.5.2. High is +Inf
// where too few failures bound it.
func (g Growth) GrowthBetween(confidence float64) (mean float64, i Interval) {
	n, z := float64(g.Failures), normal((1+confidence)/2)
	if n < 2 {
		return math.Inf(1), Interval{0, math.Inf(1)}
	}
	mean = g.Exposure / (g.Beta * (n - 1))
	root := n + z*z/4 + math.Sqrt(n*z*z/2+z*z*z*z/16)
	i = Interval{mean * n * (n - 1) / (root * root), math.Inf(1)}
	if d := n - z*math.Sqrt(n/2); d > 0 {
		i.High = mean * n * (n - 1) / (d * d)
	}
	return mean, i
}
