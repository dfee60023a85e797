package risk

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// betas yields distributions as odds of starts have them, up to those of a
// hundred thousand starts, with the library's quantiles of some probabilities.
func betas(yield func(d distuv.Beta, u, x float64)) {
	for _, strength := range []float64{0.5, 1, 2, 5, 20, 60, 170, 1e3, 1e4, 1e5} {
		for _, mean := range []float64{1e-6, 6e-5, 1e-3, 0.0024, 0.01, 0.05, 0.19, 0.5, 0.9, 0.999} {
			d := distuv.Beta{Alpha: strength * mean, Beta: strength * (1 - mean)}
			for _, u := range []float64{1e-6, 0.001, 0.025, 0.2, 0.5, 0.8, 0.975, 0.9999} {
				yield(d, u, d.Quantile(u))
			}
		}
	}
}

// TestProbabilitiesAreTheLibrarys to 1e-12, but for what both lose in the
// logarithm of B(a, b), which grows with the strength.
func TestProbabilitiesAreTheLibrarys(t *testing.T) {
	betas(func(d distuv.Beta, _, x float64) {
		within := max(1e-12, 1e-16*(d.Alpha+d.Beta))
		for _, x := range []float64{0, 1e-200, x / 2, x, min(1, 2*x), 1 - 1e-9, 1} {
			if got, want := newBeta(d).cdf(x), d.CDF(x); !(math.Abs(got-want) <= within*want) {
				t.Errorf("Beta(%v, %v) up to %v: got %.17g, want %.17g", d.Alpha, d.Beta, x, got, want)
			}
		}
	})
}

// TestQuantilesAreTheLibrarys to 1e-7, which is as far as it halves intervals
// where odds pile up. Below 1e-100 nothing is left to tell from zero.
func TestQuantilesAreTheLibrarys(t *testing.T) {
	betas(func(d distuv.Beta, u, want float64) {
		if got := newBeta(d).quantile(u); !(math.Abs(got-want) <= 1e-7*want+1e-100) {
			t.Errorf("quantile %v of Beta(%v, %v): got %v, want %v", u, d.Alpha, d.Beta, got, want)
		}
	})
	d := newBeta(distuv.Beta{Alpha: 0.03, Beta: 40})
	if low, high := d.quantile(0), d.quantile(1); low != 0 || high != 1 {
		t.Errorf("all odds lie from %v to %v", low, high)
	}
}

// TestQuantilesTurnProbabilitiesRound takes the probability of each quantile,
// which must be the one that was asked for.
func TestQuantilesTurnProbabilitiesRound(t *testing.T) {
	betas(func(d distuv.Beta, u, _ float64) {
		own := newBeta(d)
		if x := own.quantile(u); 1e-290 < x && x < 1-1e-6 {
			if got := own.cdf(x); !(math.Abs(got-u) <= 1e-9*u) {
				t.Errorf("up to the quantile %v of Beta(%v, %v): %.17g", u, d.Alpha, d.Beta, got)
			}
		}
	})
}

func BenchmarkBeta(b *testing.B) {
	for name, d := range map[string]distuv.Beta{"rare": {Alpha: 0.03, Beta: 40}, "usual": {Alpha: 2.8, Beta: 12}} {
		own := newBeta(d)
		for of, f := range map[string]func(){
			"probability":          func() { own.cdf(0.1) },
			"library's":            func() { d.CDF(0.1) },
			"quantile":             func() { own.quantile(0.975) },
			"library's, quantile ": func() { d.Quantile(0.975) },
		} {
			b.Run(name+"/"+of, func(b *testing.B) {
				for b.Loop() {
					f()
				}
			})
		}
	}
}
