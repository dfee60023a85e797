package risk

import (
	"math"
	"testing"
)

// TestPeak finds peaks that are known, some of them at the end of an interval, and
// counts how often it has to look.
func TestPeak(t *testing.T) {
	for name, c := range map[string]struct {
		a, b, want float64
		most       int // looks
		f          func(float64) float64
	}{
		"a parabola":       {-1, 3, 0.7, 12, func(x float64) float64 { return -(x - 0.7) * (x - 0.7) }},
		"a cosine":         {-1, 2, 0, 15, math.Cos},
		"x^-x":             {0.01, 2, 1 / math.E, 20, func(x float64) float64 { return -x * math.Log(x) }},
		"an edge":          {0, 2, 1.25, 60, func(x float64) float64 { return -math.Abs(x - 1.25) }},
		"a flat peak":      {-1, 1.5, 0.25, 60, func(x float64) float64 { return -math.Pow(x-0.25, 4) }},
		"the right end":    {0, 1, 1, 60, func(x float64) float64 { return x }},
		"the left end":     {0, 1, 0, 60, func(x float64) float64 { return -math.Exp(x) }},
		"odds of 3 in 17":  {-5, 5, math.Log(3.0 / 14), 20, func(x float64) float64 { return 3*x - 17*math.Log1p(math.Exp(x)) }},
		"nothing anywhere": {0, 1, math.NaN(), 60, func(float64) float64 { return math.Inf(-1) }},
	} {
		looks := 0
		got := peak(c.a, c.b, func(x float64) float64 {
			looks++
			return c.f(x)
		})
		// A value that is exact to 16 digits tells places apart only so far.
		near := peakWithin
		if name == "a flat peak" {
			near = 1e-3
		}
		if math.Abs(got-c.want) > near || got < c.a || got > c.b || looks > c.most {
			t.Errorf("%s: %g after %d looks, want %g after %d at most", name, got, looks, c.want, c.most)
		}
	}
}
