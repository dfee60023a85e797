package risk

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// TestQuantilesAgree compares the quantiles with the library's, by what the
// distribution function says of them.
func TestQuantilesAgree(t *testing.T) {
	for _, strength := range []float64{1, 2, 5, 20, 60, 1000, 1e5} {
		for _, mean := range []float64{1e-6, 6e-5, 1e-3, 0.0024, 0.01, 0.05, 0.19, 0.5, 0.9, 0.999} {
			for _, u := range []float64{0.001, 0.025, 0.5, 0.975} {
				b := distuv.Beta{Alpha: strength * mean, Beta: strength * (1 - mean)}
				got, want := quantile(b, u), b.Quantile(u)
				if math.Abs(got-want) > 1e-7*want+1e-100 {
					t.Errorf("quantile %v of Beta(%v, %v): got %v, want %v", u, b.Alpha, b.Beta, got, want)
				}
			}
		}
	}
}

func BenchmarkQuantile(b *testing.B) {
	rare := distuv.Beta{Alpha: 0.03, Beta: 40}
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			quantile(rare, 0.975)
		}
	})
	b.Run("library", func(b *testing.B) {
		for b.Loop() {
			rare.Quantile(0.975)
		}
	})
}
