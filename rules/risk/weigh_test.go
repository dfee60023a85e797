package risk_test

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"rollwarden/rules/risk"
)

func total(list []float64) (sum float64) {
	for _, p := range list {
		sum += p
	}
	return sum
}

// anyChoice may have odds piled up at zero, as a remedy that settles it has,
// or none at all.
func anyChoice() *rapid.Generator[risk.Choice] {
	return rapid.Custom(func(t *rapid.T) risk.Choice {
		c := risk.Choice{Cost: float64(rapid.IntRange(0, 2000).Draw(t, "cost")) / 100, Strike: rapid.SampledFrom([]float64{0, 50, 90}).Draw(t, "strike")}
		mean := rapid.SampledFrom([]float64{1e-4, 0.002, 0.01, 0.1, 0.3, 0.8}).Draw(t, "mean")
		worth := rapid.Float64Range(5, 500).Draw(t, "worth")
		c.Odds = distuv.Beta{Alpha: worth * mean, Beta: worth * (1 - mean)}
		return c
	})
}

// TestOneOfAllIsTheCheapest has the probabilities add up to 1, and agree with
// the pairwise integral where there are two that do not tie.
func TestOneOfAllIsTheCheapest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(anyChoice(), 1, 8).Draw(t, "choices")
		got := risk.Weigh(list)
		if sum := total(got.Cheapest); math.Abs(sum-1) > 1e-12 {
			t.Fatalf("they add up to %v", sum)
		}
		if len(list) == 2 && list[0].Cost != list[1].Cost {
			if want := risk.ProbCheaper(list[0], list[1]); math.Abs(got.Cheapest[0]-want) > 2e-3 {
				t.Fatalf("one of two: got %v, want %v", got.Cheapest[0], want)
			}
		}
	})
}

// TestWeighByHand has uniform odds, whose S are straight. Of n alike each is
// the cheapest once in n times, and the least of n costs 1/(n+1) of a strike;
// ties among certain costs are shared.
func TestWeighByHand(t *testing.T) {
	uniform := risk.Choice{Cost: 2, Strike: 10, Odds: distuv.Beta{Alpha: 1, Beta: 1}}
	for n := 1; n <= 8; n++ {
		list := make([]risk.Choice, n)
		for i := range list {
			list[i] = uniform
		}
		got := risk.Weigh(list)
		near(t, "of uniforms", got.Cheapest[n-1], 1/float64(n), 1e-12)
		near(t, "least of uniforms", got.Least, 2+10/float64(n+1), 1e-6)
		for i := range list {
			list[i] = risk.Choice{Cost: 3}
		}
		got = risk.Weigh(list)
		near(t, "of certain ones", got.Cheapest[0], 1/float64(n), 1e-12)
		near(t, "least of certain ones", got.Least, 3, 0)
	}
	if got := risk.Weigh(nil); got.Cheapest != nil || got.Least != 0 {
		t.Errorf("of none: %+v", got)
	}
}

// TestWhatCannotBeTheCheapestDoesNotMatter adds a choice that costs more than
// another one at its worst.
func TestWhatCannotBeTheCheapestDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(anyChoice(), 1, 6).Draw(t, "choices")
		dear, want := anyChoice().Draw(t, "a dear one"), risk.Weigh(list)
		dear.Cost, dear.Strike = dear.Cost+list[0].Cost+list[0].Strike+0.01, min(dear.Strike, list[0].Strike)
		got := risk.Weigh(append(slices.Clone(list), dear))
		if last := len(list); got.Cheapest[last] != 0 || !slices.Equal(got.Cheapest[:last], want.Cheapest) || got.Least != want.Least {
			t.Fatalf("got %+v, without it %+v", got, want)
		}
	})
}

// usual are the choices about a bare edge, with odds that are worth so many starts.
func usual(worth float64) []risk.Choice {
	beta := func(mean float64) distuv.Beta { return distuv.Beta{Alpha: mean * worth, Beta: (1 - mean) * worth} }
	return []risk.Choice{
		{0, 110, beta(0.19)}, {0.68, 110, beta(0.0012)}, {0.8, 110, beta(0.0024)},
		{0.6, 110, beta(0.115)}, {3.5, 110, beta(0.13)}, {5.75, 110, beta(0.0064)},
	}
}

func BenchmarkWeigh(b *testing.B) {
	list := usual(15)
	for b.Loop() {
		risk.Weigh(list)
	}
}
