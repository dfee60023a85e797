package reliability_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/reliability"
)

// TestGarwood holds the limits against the published table of Garwood (1936),
// as it stands in most textbooks of epidemiology. The rows of 0, 10 and 25 were
// read in the documentation of epitools' pois.exact and in a public table of
// confidence intervals of counts, the others are values from memory that R
// 4.2.2 confirms.
func TestGarwood(t *testing.T) {
	for _, row := range []struct {
		n         uint64
		percent   float64
		low, high float64
		tolerance float64
	}{
		{0, 95, 0, 3.689, 5e-4}, {1, 95, 0.0253, 5.572, 5e-4}, {2, 95, 0.2422, 7.2247, 5e-5}, {3, 95, 0.6187, 8.7673, 5e-5},
		{4, 95, 1.0899, 10.2416, 5e-5}, {5, 95, 1.6235, 11.6683, 5e-5}, {6, 95, 2.2019, 13.0595, 5e-5}, {7, 95, 2.8144, 14.4227, 5e-5},
		{8, 95, 3.4538, 15.7632, 5e-5}, {9, 95, 4.1154, 17.0848, 5e-5}, {10, 95, 4.7954, 18.3904, 5e-5}, {25, 95, 16.18, 36.90, 5e-3},
		{0, 90, 0, 2.996, 5e-4}, {1, 90, 0.051, 4.744, 5e-4}, {5, 90, 1.970, 10.513, 5e-4}, {10, 90, 5.425, 16.962, 5e-4},
		{25, 90, 17.38, 34.92, 5e-3}, {25, 99, 14.00, 41.00, 5e-3},
	} {
		within(t, fmt.Sprintf("%d events at %v %%", row.n, row.percent), reliability.Garwood(row.n, row.percent/100), row.low, row.high, row.tolerance)
	}
}

// TestGarwoodAgainstR is the example of R's documented poisson.test: 137
// events in 24.19893, rate 5.661407, 95 % interval 4.753125 to 6.692709
// (tests/Examples/stats-Ex.Rout.save in the source of R).
func TestGarwoodAgainstR(t *testing.T) {
	const base = 24.19893
	i := reliability.Garwood(137, 0.95)
	within(t, "rate", reliability.Interval{Low: i.Low / base, High: i.High / base}, 4.753125, 6.692709, 5e-7)
	mean, between := reliability.Between(base, 137, 0.95)
	near(t, "rate", 1/mean, 5.661407, 5e-7)
	within(t, "turned round", between, 1/6.692709, 1/4.753125, 1e-6)
}

// TestBetweenFactors holds the factors that an MTBF is multiplied by against
// the table of the NIST/SEMATECH e-Handbook, 8.4.5.1. Values from memory that
// R 4.2.2 confirms; the row of 0 multiplies the exposure.
func TestBetweenFactors(t *testing.T) {
	inf := math.Inf(1)
	levels := []float64{0.60, 0.80, 0.90, 0.95}
	for r, row := range [][2][4]float64{
		{{0.6213, 0.4343, 0.3338, 0.2711}, {inf, inf, inf, inf}},
		{{0.3340, 0.2571, 0.2108, 0.1795}, {4.4814, 9.4912, 19.4957, 39.4979}},
		{{0.4674, 0.3758, 0.3177, 0.2768}, {2.4260, 3.7607, 5.6281, 8.2573}},
		{{0.5440, 0.4490, 0.3869, 0.3422}, {1.9543, 2.7222, 3.6689, 4.8491}},
		{{0.5952, 0.5004, 0.4370, 0.3906}, {1.7416, 2.2926, 2.9276, 3.6702}},
		{{0.6324, 0.5391, 0.4756, 0.4285}, {1.6184, 2.0554, 2.5379, 3.0798}},
	} {
		for i, level := range levels {
			_, got := reliability.Between(max(1, float64(r)), uint64(r), level)
			what := fmt.Sprintf("%d failures at %v", r, level)
			near(t, what, got.Low, row[0][i], 1e-4)
			if got.High != row[1][i] {
				near(t, what, got.High, row[1][i], 1e-4)
			}
		}
	}
}

// TestBetweenExamples are worked examples of others: 2 failures in 800 h at 90 %
// and 200 h shown at 90 % by 460 h without a failure (NIST/SEMATECH e-Handbook,
// 8.4.5.1 and 8.3.1.5), 7 failures in 19 520 h at 80 %, and 6 in 10 000 h
// one-sided at 80 % (documentation of the Python library "reliability",
// "Reliability test planner").
func TestBetweenExamples(t *testing.T) {
	_, i := reliability.Between(800, 2, 0.90)
	within(t, "2 in 800 h", i, 127.0690, 2251.229, 5e-4)
	near(t, "none in 460 h", reliability.BetweenLower(460.5170, 0, 0.90), 200, 1e-4)
	_, i = reliability.Between(19520, 7, 0.80)
	near(t, "7 in 19 520 h", i.Low, 1658.3248534993454, 1e-6)
	near(t, "6 in 10 000 h", reliability.BetweenLower(10000, 6, 0.80), 1101.8815940201118, 1e-6)
}

// TestGarwoodCovers counts events with a known mean: the exact interval holds
// it at least as often as it says, whatever the mean.
func TestGarwoodCovers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean := rapid.Float64Range(0.01, 60).Draw(t, "mean")
		covered, p := 0.0, math.Exp(-mean)
		for n := uint64(0); n < 200; n++ {
			if i := reliability.Garwood(n, 0.95); i.Low <= mean && mean <= i.High {
				covered += p
			}
			p *= mean / float64(n+1)
		}
		if covered < 0.95-1e-9 {
			t.Fatalf("a mean of %v is covered with a probability of %v", mean, covered)
		}
	})
}
