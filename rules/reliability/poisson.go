package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Confidence is the one that every interval of a report is given at.
const Confidence = 0.95

// Interval is a confidence interval. High is +Inf where nothing bounds it.
type Interval struct{ Low, High float64 }

// chiSquared is the quantile p of the chi-squared distribution.
func chiSquared(p, degrees float64) float64 { return distuv.ChiSquared{K: degrees}.Quantile(p) }

// Garwood is the exact central interval for the mean of a Poisson variable of
// which n were counted:
//
//	low = χ²(α/2; 2n)/2,  high = χ²(1-α/2; 2n+2)/2
//
// F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28
// (1936), 437-442. Without an event low is 0.
func Garwood(n uint64, confidence float64) Interval {
	tail, twice := (1-confidence)/2, 2*float64(n)
	i := Interval{High: chiSquared(1-tail, twice+2) / 2}
	if n > 0 {
		i.Low = chiSquared(tail, twice) / 2
	}
	return i
}

// Between is what lies between two events when n of them came in an exposure,
// such as starts between strikes or hours between failures: exposure/n with the
// interval that Garwood's limits for n give. It is time-terminated: the
// exposure did not end with an event. NIST/SEMATECH e-Handbook, 8.4.5.1 has the
// same formula. The mean is +Inf without an event; Low is then still known.
func Between(exposure float64, n uint64, confidence float64) (mean float64, i Interval) {
	g := Garwood(n, confidence)
	return exposure / float64(n), Interval{exposure / g.High, exposure / g.Low}
}

// BetweenLower is the one-sided lower confidence limit of what lies between two
// events: 2·exposure/χ²(confidence; 2n+2), time-terminated (NIST/SEMATECH
// e-Handbook, 8.4.5.1). Without an event it is -exposure/ln(1-confidence).
func BetweenLower(exposure float64, n uint64, confidence float64) float64 {
	return 2 * exposure / chiSquared(confidence, 2*float64(n)+2)
}

// normal is the quantile p of the standard normal distribution.
func normal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
