package risk_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"rollwarden/rules/risk"
)

// TestBreakEven is worked out by hand: a remedy for 0.60 against a strike for
// 90.40 pays from a reduction by 0.60/90.40 = 0.66 % on.
func TestBreakEven(t *testing.T) {
	near(t, "break-even", risk.BreakEven(0.60, 90.40), 0.0066371681, 1e-10)
	for _, c := range []struct{ remedy, strike, want float64 }{{0, 90, 0}, {0, 0, 0}, {1, 0, math.Inf(1)}, {90, 60, 1.5}} {
		if got := risk.BreakEven(c.remedy, c.strike); got != c.want {
			t.Errorf("%v against %v: got %v, want %v", c.remedy, c.strike, got, c.want)
		}
	}
	if got := risk.BreakEven(math.NaN(), 90); !math.IsNaN(got) {
		t.Errorf("a remedy without a price pays from %v on", got)
	}
}

// beats is P(p_b > p_a) for whole parameters, in closed form: E. Miller,
// Formulas for Bayesian A/B Testing (2015), section "binary outcomes".
func beats(b, a distuv.Beta) float64 {
	sum := 0.0
	for i := range int(b.Alpha) {
		i := float64(i)
		sum += math.Exp(mathext.Lbeta(a.Alpha+i, b.Beta+a.Beta)-mathext.Lbeta(1+i, b.Beta)-mathext.Lbeta(a.Alpha, a.Beta)) / (b.Beta + i)
	}
	return sum
}

// choices draws choices with whole parameters, as a shop may have them.
func choices(costs *rapid.Generator[float64]) *rapid.Generator[risk.Choice] {
	return rapid.Custom(func(t *rapid.T) risk.Choice {
		return risk.Choice{Cost: costs.Draw(t, "cost"), Strike: 90, Odds: distuv.Beta{
			Alpha: float64(rapid.IntRange(1, 60).Draw(t, "alpha")), Beta: float64(rapid.IntRange(1, 600).Draw(t, "beta")),
		}}
	})
}

func TestProbCheaperAgainstAClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gen := choices(rapid.Just(0.0))
		a, b := gen.Draw(t, "a"), gen.Draw(t, "b")
		if got, want := risk.ProbCheaper(a, b), beats(b.Odds, a.Odds); math.Abs(got-want) > 1e-6 {
			t.Fatalf("got %.8f, want %.8f", got, want)
		}
	})
}

// TestProbCheaperOfUniforms is worked out by hand. With both odds uniform and
// b dearer by c of a strike, P = 1 - (1-c)²/2; with Beta(1/2, 1) against a
// uniform, P(p_a < p_b) = ∫ √x dx = 2/3.
func TestProbCheaperOfUniforms(t *testing.T) {
	uniform := distuv.Beta{Alpha: 1, Beta: 1}
	for _, c := range []float64{0, 0.1, 0.5, 1, 2} {
		a, b := risk.Choice{Strike: 10, Odds: uniform}, risk.Choice{Cost: 10 * c, Strike: 10, Odds: uniform}
		rest := max(0, 1-c)
		near(t, "dearer", risk.ProbCheaper(a, b), 1-rest*rest/2, 1e-9)
		near(t, "turned round", risk.ProbCheaper(b, a), rest*rest/2, 1e-9)
	}
	half := risk.Choice{Strike: 10, Odds: distuv.Beta{Alpha: 0.5, Beta: 1}}
	near(t, "skewed", risk.ProbCheaper(half, risk.Choice{Strike: 10, Odds: uniform}), 2.0/3, 1e-7)
	settled := risk.Choice{Cost: 3}
	near(t, "against a certain cost", risk.ProbCheaper(settled, risk.Choice{Strike: 10, Odds: uniform}), 0.7, 1e-12)
	near(t, "a certain cost against", risk.ProbCheaper(risk.Choice{Strike: 10, Odds: uniform}, settled), 0.3, 1e-12)
	near(t, "of two certain ones", risk.ProbCheaper(settled, risk.Choice{Cost: 4}), 1, 0)
	near(t, "of twins", risk.ProbCheaper(settled, settled), 0.5, 0)
}

// Where strikes are rare, odds pile up at zero. With Beta(a, 1) against
// Beta(b, 1), whose distribution functions are powers, P = b/(a+b) by hand.
func TestProbCheaperOfRareStrikes(t *testing.T) {
	for _, c := range []struct{ a, b float64 }{{0.0012, 0.02}, {0.02, 0.0012}, {0.02, 0.1}, {0.1, 0.5}, {0.5, 0.02}} {
		a := risk.Choice{Cost: 1, Strike: 90, Odds: distuv.Beta{Alpha: c.a, Beta: 1}}
		b := risk.Choice{Cost: 1, Strike: 90, Odds: distuv.Beta{Alpha: c.b, Beta: 1}}
		near(t, "rare", risk.ProbCheaper(a, b), c.b/(c.a+c.b), 1e-6)
	}
}

func TestOneOfTwoIsCheaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gen := choices(rapid.Float64Range(0, 20))
		a, b := gen.Draw(t, "a"), gen.Draw(t, "b")
		ab, ba := risk.ProbCheaper(a, b), risk.ProbCheaper(b, a)
		if math.Abs(ab+ba-1) > 1e-4 {
			t.Fatalf("%.6f and %.6f", ab, ba)
		}
		dearer := b
		dearer.Cost++
		if risk.ProbCheaper(a, dearer) < ab-1e-4 {
			t.Fatalf("b grows dearer, and a less likely the cheaper")
		}
	})
}

// TestPerfectInformationByHand has odds p uniform and a strike for 10 against
// a remedy that settles it for c. Knowing p, one pays min(10p, c), which is
// c - c²/20 on average; not knowing, min(5, c).
func TestPerfectInformationByHand(t *testing.T) {
	for _, c := range []float64{0.5, 2, 5, 9, 12} {
		nothing := risk.Choice{Strike: 10, Odds: distuv.Beta{Alpha: 1, Beta: 1}}
		informed := c - c*c/20
		if c > 10 {
			informed = 5
		}
		near(t, "value", risk.Weigh([]risk.Choice{nothing, {Cost: c}}).Informed, min(5, c)-informed, 1e-9)
	}
	if got := risk.Weigh(nil).Informed; got != 0 {
		t.Errorf("without choices: %v", got)
	}
}

// TestValueOfATrialByHand has Beta(1, 1) odds, a strike for 10 and a remedy
// for 4 that settles it: today one takes the remedy. A start without a strike,
// half the time, makes the odds 1/3 and doing nothing cheaper, 10/3: one trial
// saves (4 - 10/3)/2 = 1/3 at each later start.
func TestValueOfATrialByHand(t *testing.T) {
	list := []risk.Choice{{Strike: 10, Odds: distuv.Beta{Alpha: 1, Beta: 1}}, {Cost: 4}}
	near(t, "of doing nothing", risk.ValueOfTrial(list, 0), 1.0/3, 1e-12)
	near(t, "of what is certain", risk.ValueOfTrial(list, 1), 0, 0)
	list[1].Cost = 0.1
	near(t, "that changes no mind", risk.ValueOfTrial(list, 0), 0, 0)
}

// TestATrialIsWorthNoMoreThanKnowing bounds each value by the next.
func TestATrialIsWorthNoMoreThanKnowing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(choices(rapid.Float64Range(0, 20)), 2, 5).Draw(t, "choices")
		know, least := risk.Weigh(list).Informed, math.Inf(1)
		for i, c := range list {
			if trial := risk.ValueOfTrial(list, i); trial > know+1e-4 {
				t.Fatalf("a trial of %d is worth %v, knowing all %v", i, trial, know)
			}
			least = min(least, c.Expected())
		}
		if !(0 <= know && know <= least) {
			t.Fatalf("knowing is worth %v of %v", know, least)
		}
	})
}
