package plant_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

// TestArrhenius checks the law against a worked textbook example. The
// decomposition of hydrogen iodide runs at k = 9.51e-9 L/(mol s) at 500 K and at
// 1.10e-5 at 600 K, which gives an activation energy of 1.76e5 J/mol
// (M. Silberberg, Chemistry, sample problem 16.8; the two rates as course notes
// quote them, the answer from memory). A second one: from 2.91e-6 M/s at 573 K
// the rate rises to 1.6 M/s at 873 K (Purdue University, General Chemistry Topic
// Review, chapter 22, practice problem 12) with 183 kJ/mol, the energy that its
// problem 11 finds (value from memory). The law is that of the IUPAC Gold Book,
// "Arrhenius equation".
//
// What a rate does in a second at the hotter temperature takes k2/k1 seconds
// at the reference, so the equivalent dwell of one second is that ratio.
func TestArrhenius(t *testing.T) {
	for _, row := range []struct {
		name           string
		ea, t1, t2     float64
		k1, k2         float64
		withinRelative float64
	}{
		// Three printed digits of the energy leave 2 percent, two of a rate 4.
		{"hydrogen iodide, 500 to 600 K", 1.76e5, 500, 600, 9.51e-9, 1.10e-5, 0.02},
		{"hydrogen iodide, 573 to 873 K", 1.83e5, 573, 873, 2.91e-6, 1.6, 0.05},
	} {
		ink := plant.Ink{ActivationJ: row.ea, ReferenceC: row.t1 - units.ZeroCelsius}
		got, want := ink.EquivalentDwell(1, row.t2-units.ZeroCelsius), row.k2/row.k1
		if math.Abs(got/want-1) > row.withinRelative {
			t.Errorf("%s: want about %.4g s, got %.4g s", row.name, want, got)
		}
	}
}

func TestEquivalentDwellProperties(t *testing.T) {
	ink := plant.DefaultInk
	rapid.Check(t, func(t *rapid.T) {
		dwell := rapid.Float64Range(0.1, 600).Draw(t, "dwell")
		low := rapid.Float64Range(20, 150).Draw(t, "c")
		high := low + rapid.Float64Range(0.01, 100).Draw(t, "more")
		if got := ink.EquivalentDwell(dwell, ink.ReferenceC); math.Abs(got-dwell) > 1e-9*dwell {
			t.Fatalf("%v s at the reference count as %v s", dwell, got)
		}
		if ink.EquivalentDwell(dwell, low) >= ink.EquivalentDwell(dwell, high) {
			t.Fatalf("%v °C cures no less than %v °C", low, high)
		}
		if one, two := ink.EquivalentDwell(dwell, low), ink.EquivalentDwell(2*dwell, low); math.Abs(two-2*one) > 1e-9*two {
			t.Fatalf("twice the time cures %v instead of twice %v", two, one)
		}
		// Going by way of another reference gives the same.
		other := ink
		other.ReferenceC = low
		if got := ink.EquivalentDwell(other.EquivalentDwell(dwell, high), low); math.Abs(got/ink.EquivalentDwell(dwell, high)-1) > 1e-9 {
			t.Fatalf("two steps give %v", got)
		}
	})
	if got := ink.NeededDwell(110); math.Abs(got-1.1*ink.NeedS) > 1e-9 {
		t.Errorf("110 %% ink: want %v s, got %v s", 1.1*ink.NeedS, got)
	}
}
