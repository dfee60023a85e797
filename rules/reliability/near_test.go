package reliability_test

import (
	"math"
	"testing"

	"rollwarden/rules/reliability"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g", what, got, want)
	}
}

func within(t *testing.T, what string, got reliability.Interval, low, high, tolerance float64) {
	t.Helper()
	near(t, what+", low", got.Low, low, tolerance)
	near(t, what+", high", got.High, high, tolerance)
}
