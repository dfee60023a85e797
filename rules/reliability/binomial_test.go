package reliability_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/reliability"
)

// TestClopperPearson holds the interval against worked examples of others.
func TestClopperPearson(t *testing.T) {
	for _, row := range []struct {
		k, n                       uint64
		confidence, low, high, tol float64
	}{
		{4, 20, 0.90, 0.071354, 0.401029, 1e-6},                      // NIST/SEMATECH e-Handbook, 7.2.4.2: set-up read there, answer from memory
		{682, 925, 0.95, 0.7076683, 0.7654066, 5e-8},                 // R's documented binom.test, after Conover (1971), p. 97
		{29, 30, 0.95, 0.8278305443665873, 0.9991564290733695, 1e-9}, // documentation of the Python library "reliability", "One sample proportion"
		{0, 10, 0.95, 0, 0.3084971, 1e-7},                            // by hand: 1 - 0.025^(1/10)
		{10, 10, 0.95, 0.6915029, 1, 1e-7},                           // by hand: 0.025^(1/10)
		{0, 0, 0.95, 0, 1, 0},
	} {
		within(t, fmt.Sprintf("%d of %d", row.k, row.n), reliability.ClopperPearson(row.k, row.n, row.confidence), row.low, row.high, row.tol)
	}
}

// TestClopperPearsonHoldsItsTails checks what defines the interval: at each end
// the count is just as unlikely as the tail allows, by summing the binomial.
func TestClopperPearsonHoldsItsTails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := uint64(rapid.IntRange(1, 3000).Draw(t, "n"))
		k := uint64(rapid.IntRange(0, int(n)).Draw(t, "k"))
		i := reliability.ClopperPearson(k, n, 0.95)
		if k > 0 {
			if tail := upper(k, n, i.Low); math.Abs(tail-0.025) > 1e-6 {
				t.Fatalf("%d of %d: the upper tail at %v is %v", k, n, i.Low, tail)
			}
		}
		if k < n {
			if tail := 1 - upper(k+1, n, i.High); math.Abs(tail-0.025) > 1e-6 {
				t.Fatalf("%d of %d: the lower tail at %v is %v", k, n, i.High, tail)
			}
		}
	})
}

// upper sums the binomial from k to n.
func upper(k, n uint64, p float64) float64 {
	lg := func(v uint64) float64 { l, _ := math.Lgamma(float64(v) + 1); return l }
	sum := 0.0
	for x := k; x <= n; x++ {
		sum += math.Exp(lg(n) - lg(x) - lg(n-x) + float64(x)*math.Log(p) + float64(n-x)*math.Log1p(-p))
	}
	return sum
}

// TestRateRatio holds the conditional test against worked examples of others.
// R's documented poisson.test gives another P (0.07967), because it adds up
// whatever is less likely; ours doubles the smaller tail and so always agrees
// with the interval, which is R's too.
func TestRateRatio(t *testing.T) {
	r := reliability.RateRatio(11, 800, 6+8+7, 1083+1050+878, 0.95) // stats-Ex.Rout.save in the source of R
	near(t, "ratio", r.Value, 1.971488, 5e-7)
	within(t, "R's example", r.Interval, 0.8584264, 4.2772659, 5e-7)
	if r.Differs() || r.P < 0.05 {
		t.Errorf("R's example differs: %+v", r)
	}
	// Vignette of the R package rateratio.test, "barely non-significant": the
	// set-up was read there, the figures computed with R 4.2.2.
	r = reliability.RateRatio(2, 17877, 9, 16660, 0.95)
	near(t, "ratio", r.Value, 0.2070942, 5e-8)
	near(t, "P", r.P, 0.0501065, 5e-8)
	within(t, "vignette", r.Interval, 0.0217741, 1.0005491, 5e-8)
	// Gu, Ng, Tang and Schucany (2008), Biometrical Journal 50: one-sided 0.000428.
	r = reliability.RateRatio(60, 51477.5, 30, 54308.7, 0.95)
	near(t, "one-sided P", r.P/2, 0.000428, 5e-7)
	if !r.Differs() {
		t.Errorf("it does not differ: %+v", r)
	}
	// By hand: 0 of 3 in equal halves, 2·(1/2)³.
	r = reliability.RateRatio(0, 100, 3, 100, 0.95)
	near(t, "P by hand", r.P, 0.25, 1e-12)
	near(t, "low by hand", r.Interval.Low, 0, 0)
	if r = reliability.RateRatio(3, 100, 0, 100, 0.95); !math.IsInf(r.Interval.High, 1) || !math.IsInf(r.Value, 1) || r.Differs() {
		t.Errorf("3 against none: %+v", r)
	}
	if r = reliability.RateRatio(0, 100, 0, 100, 0.95); r.P != 1 || r.Differs() {
		t.Errorf("none against none: %+v", r)
	}
}

// TestRateRatioNeverContradictsItself compares P with the interval.
func TestRateRatioNeverContradictsItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := uint64(rapid.IntRange(0, 60).Draw(t, "x")), uint64(rapid.IntRange(0, 60).Draw(t, "y"))
		a, b := rapid.Float64Range(1, 1e4).Draw(t, "a"), rapid.Float64Range(1, 1e4).Draw(t, "b")
		r := reliability.RateRatio(x, a, y, b, 0.95)
		if math.Abs(r.P-0.05) > 1e-6 && x+y > 0 && r.Differs() != (r.P < 0.05) {
			t.Fatalf("P is %v and the interval %+v", r.P, r.Interval)
		}
		turned := reliability.RateRatio(y, b, x, a, 0.95)
		if math.Abs(turned.P-r.P) > 1e-9 {
			t.Fatalf("turned round P is %v, not %v", turned.P, r.P)
		}
	})
}
