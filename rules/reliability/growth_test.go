package reliability_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rollwarden/rules/reliability"
)

func grow(t *testing.T, positions []float64, end float64, failureTerminated bool) reliability.Growth {
	t.Helper()
	g, ok := reliability.Grow(positions, end, failureTerminated, 0.90)
	if !ok {
		t.Fatal("nothing to fit")
	}
	return g
}

// TestGrowHandbook is the example of MIL-HDBK-189 (1981), appendix C: 27
// failures in 300 h, time-terminated. The handbook prints three digits (β
// 0.716, unbiased 0.690, λ 0.454, MTBF 15.5 h, Cramér-von Mises 0.091); the
// longer ones were read in a public test file that quotes it.
func TestGrowHandbook(t *testing.T) {
	g := grow(t, []float64{
		2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0, 142.2, 147.7,
		149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
	}, 300, false)
	near(t, "β", g.Beta, 0.7163392624, 1e-9)
	near(t, "unbiased β", g.BetaUnbiased, 0.6898081786, 1e-9)
	near(t, "λ", g.Lambda, 0.4538418614, 1e-9)
	near(t, "between", g.Between, 15.5109620, 1e-6)
	near(t, "Cramér-von Mises", g.Cramer, 0.0910611, 1e-6)
	if !g.Fits() || g.Meaning() != reliability.TrendBetter {
		t.Errorf("the trend is %q: %+v", g.Meaning(), g)
	}
}

// TestGrowSecondExample is example 1 of section 5.3.4 of the same handbook: 46
// failures in 3000 h, β 0.616, read in a public test file that quotes it.
func TestGrowSecondExample(t *testing.T) {
	g := grow(t, []float64{
		2.4, 24.9, 52.5, 53.4, 54.7, 57.2, 118.6, 140.2, 185.0, 207.6, 293.9, 322.3, 365.9, 366.8, 544.8, 616.8, 627.5, 646.8, 664.0, 738.1,
		764.7, 765.1, 779.6, 799.9, 852.9, 1116.3, 1161.1, 1257.1, 1276.3, 1308.9, 1340.3, 1437.3, 1482.0, 1489.9, 1715.1, 1828.9, 1971.5,
		2303.4, 2429.7, 2457.4, 2535.2, 2609.9, 2674.2, 2704.8, 2849.6, 2923.5,
	}, 3000, false)
	near(t, "β", g.Beta, 0.616, 5e-4)
	near(t, "unbiased β", g.BetaUnbiased, 0.6030644, 5e-7)
	near(t, "between", g.Between, 105.792, 1e-2)
	near(t, "Cramér-von Mises", g.Cramer, 0.0428805, 5e-7)
}

// TestGrowFailureTerminated has the examples of the Python library
// "reliability" (documentation, "Reliability growth", and its tests).
func TestGrowFailureTerminated(t *testing.T) {
	first := []float64{2.7, 10.3, 12.5, 30.6, 57, 61.3, 80, 109.5, 125, 128.6, 143.8, 167.9, 229.2, 296.7, 320.6, 328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620}
	g := grow(t, first, 620, true)
	near(t, "β", g.Beta, 0.61421, 5e-6)
	near(t, "λ", g.Lambda, 0.42394, 5e-6)
	near(t, "between", g.Between, 45.883, 5e-4)
	second := []float64{10400, 26900, 43400, 66400, 89400, 130400, 163400, 232000, 242000, 340700}
	g = grow(t, second, 340700, true)
	near(t, "β", g.Beta, 0.741656619656656, 1e-12)
	near(t, "λ", g.Lambda, 0.0007886414235385733, 1e-15)
	near(t, "between", g.Between, 45937.70094814556, 1e-6)
	// By hand: the interval is β·χ²(·; 18)/20 with the quantiles 9.390 and 28.869
	// that tables print at 5 and 95 %.
	within(t, "interval", g.BetaInterval, g.Beta*9.390/20, g.Beta*28.869/20, 1e-4)
}

// TestGrowthBetween is the case study of the NIST/SEMATECH e-Handbook, 8.4.5.2:
// 10 failures in 1500 h, MTBF 310.234 h at the end, 80 % interval 157.7138 to
// 548.5566 h.
func TestGrowthBetween(t *testing.T) {
	g := grow(t, []float64{5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}, 1500, false)
	mean, i := g.GrowthBetween(0.80)
	near(t, "MTBF", mean, 310.234, 1e-3)
	within(t, "MTBF", i, 157.7138, 548.5566, 1e-3)
}

// TestGrowthMeaning lays failures out evenly on the scale t^β.
func TestGrowthMeaning(t *testing.T) {
	draw := func(n int, beta float64) []float64 {
		t := make([]float64, n)
		for i := range t {
			t[i] = 1000 * math.Pow((float64(i)+0.5)/float64(n), 1/beta)
		}
		return t
	}
	for _, row := range []struct {
		n    int
		beta float64
		want string
	}{{4, 0.3, reliability.TooFew}, {60, 0.4, reliability.TrendBetter}, {60, 2.5, reliability.TrendWorse}, {20, 1, reliability.TrendFlat}} {
		if got := grow(t, draw(row.n, row.beta), 1000, false).Meaning(); got != row.want {
			t.Errorf("%d failures with β = %v: %q, want %q", row.n, row.beta, got, row.want)
		}
	}
	burst := append(draw(40, 1), slices.Repeat([]float64{500}, 40)...)
	slices.Sort(burst)
	if got := grow(t, burst, 1000, false).Meaning(); got != reliability.TrendNotPower {
		t.Errorf("a burst in the middle: %q", got)
	}
	for _, positions := range [][]float64{nil, {1000}} {
		if g, ok := reliability.Grow(positions, 1000, false, 0.9); ok {
			t.Errorf("%v were fitted: %+v", positions, g)
		}
	}
	if _, ok := reliability.Grow([]float64{1000}, 1000, true, 0.9); ok {
		t.Error("one failure at the end was fitted")
	}
}

// TestCramerLimits simulates series that do follow a power law: a tenth of them
// must be turned away, whatever their number.
func TestCramerLimits(t *testing.T) {
	const series = 4000
	for _, n := range []int{2, 3, 5, 8, 13, 25, 70} {
		rng, refused := rand.New(rand.NewPCG(7, uint64(n))), 0
		positions := make([]float64, n)
		for range series {
			for i := range positions {
				positions[i] = rng.Float64()
			}
			slices.Sort(positions)
			if g, ok := reliability.Grow(positions, 1, false, 0.9); ok && !g.Fits() {
				refused++
			}
		}
		near(t, "share turned away", float64(refused)/series, 0.10, 0.016) // 3.4 standard errors
	}
}

// TestBetaIntervalCovers simulates the interval of β.
func TestBetaIntervalCovers(t *testing.T) {
	const series, beta, n = 3000, 0.7, 6
	for _, failureTerminated := range []bool{false, true} {
		rng, covered := rand.New(rand.NewPCG(9, 9)), 0
		for range series {
			var positions []float64
			for sum := 0.0; len(positions) < n; {
				sum += rng.ExpFloat64()
				positions = append(positions, math.Pow(sum, 1/beta))
			}
			end := positions[n-1]
			if !failureTerminated { // given their number, failures up to the next one are as many uniforms
				positions = positions[:n-1]
			}
			g, ok := reliability.Grow(positions, end, failureTerminated, 0.9)
			if ok && g.BetaInterval.Low <= beta && beta <= g.BetaInterval.High {
				covered++
			}
		}
		near(t, "coverage", float64(covered)/series, 0.90, 0.02)
	}
}
