package risk_test

import (
	"fmt"
	"math"
	"testing"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// The outside checks of the model are rats: 70 earlier groups of female rats
// with endometrial tumours, and a 71st with 4 in 14, from Tarone (1982), in
// Gelman et al., Bayesian Data Analysis, 3rd ed., table 5.1. A group stands for
// a kind of start, of which no two are alike.

func tumours() (strikes, starts []uint64) {
	ones := func(n int, of uint64) (list []uint64) {
		for range n {
			list = append(list, of)
		}
		return list
	}
	strikes = append(append(ones(14, 0), ones(8, 1)...), ones(8, 2)...)
	strikes = append(strikes, 2, 1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4)
	starts = []uint64{
		20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23, 20, 20, 20, 20, 20, 20, 10, 49, 19, 46,
		27, 17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20, 20, 20, 20, 48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14,
	}
	return strikes, starts
}

// study builds cells whose kinds differ by treatment only, and a prior under
// which all of them have the same odds.
func study(mean float64, strikes, starts []uint64) (risk.Prior, []risk.Cell) {
	prior := risk.Prior{Bare: map[event.Class]float64{event.Other: mean}, Factor: map[string]float64{}, DryMore: 1}
	var cells []risk.Cell
	for i, n := range starts {
		name := group(i)
		prior.Factor[name] = 1
		cells = append(cells, risk.Cell{
			Class: event.Other, Treatment: name, RH: risk.Usual, Cure: risk.Warm, Site: "north", Machine: "heron", Starts: n, Strikes: strikes[i],
		})
	}
	return prior, cells
}

func group(i int) string { return fmt.Sprintf("group %d", i+1) }

func groupStart(i int) risk.Start {
	return risk.Start{Site: "north", Machine: "heron", Class: event.Other, Treatment: group(i), RHPct: units.Some(40), CureC: units.Some(95)}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}

// TestTheCurrentRats estimates the 71st group from moments of the others. The
// book, section 5.1, gives the prior Beta(1.4, 8.6), the posterior
// Beta(5.4, 18.6), and a mean of 0.223 with a standard deviation of 0.083. The
// rounded parameters give 5.4/24 = 0.225; the printed mean comes from those
// before rounding, 1.356149 and 8.615058, worked out with SciPy 1.10 from the
// mean and the variance of the 70 rates.
func TestTheCurrentRats(t *testing.T) {
	for name, c := range map[string]struct{ a, b, alpha, beta, mean, sd, within float64 }{
		"as printed": {1.4, 8.6, 5.4, 18.6, 0.225, 0.0835, 5e-5},
		"unrounded":  {1.356149, 8.615058, 5.356149, 18.615058, 0.2234, 0.083, 5e-4},
	} {
		t.Run(name, func(t *testing.T) {
			prior, cells := study(c.a/(c.a+c.b), []uint64{4}, []uint64{14})
			m := risk.Fit(prior, cells, risk.FitOptions{Starts: c.a + c.b, MachineStarts: math.Inf(1), Fixed: true})
			got := m.Posterior(groupStart(0))
			near(t, "alpha", got.Alpha, c.alpha, 1e-9)
			near(t, "beta", got.Beta, c.beta, 1e-9)
			near(t, "mean", m.Strike(groupStart(0)).P, c.mean, 5e-5)
			near(t, "standard deviation", got.StdDev(), c.sd, c.within)
		})
	}
}

// TestTheRatsAddUp to the 267 tumours in 1739 rats of the 71 groups (total as
// published; value from memory).
func TestTheRatsAddUp(t *testing.T) {
	strikes, starts := tumours()
	var tumours, rats uint64
	for i := range starts {
		tumours, rats = tumours+strikes[i], rats+starts[i]
	}
	if len(starts) != 71 || len(strikes) != 71 || tumours != 267 || rats != 1739 {
		t.Errorf("%d tumours in %d rats of %d groups", tumours, rats, len(starts))
	}
}

// TestTheMomentsOfTheRats works the unrounded parameters out of the data, so
// that the data above are the book's.
func TestTheMomentsOfTheRats(t *testing.T) {
	strikes, starts := tumours()
	var sum, squares float64
	for i := range 70 {
		rate := float64(strikes[i]) / float64(starts[i])
		sum, squares = sum+rate, squares+rate*rate
	}
	mean := sum / 70
	variance := (squares - 70*mean*mean) / 69
	near(t, "alpha", mean*(mean*(1-mean)/variance-1), 1.356149, 1e-6)
	near(t, "beta", (1-mean)*(mean*(1-mean)/variance-1), 8.615058, 1e-6)
}

// TestFitFindsTheLikeliest compares the empirical Bayes fit with a maximum of
// the same likelihood that SciPy 1.10's minimizer finds, from a prior that is
// far off.
func TestFitFindsTheLikeliest(t *testing.T) {
	strikes, starts := tumours()
	for _, c := range []struct {
		n                      int
		alpha, beta, likeliest float64
	}{
		{70, 2.3048, 14.0798, math.NaN()},
		{71, 2.3416, 14.1148, -730.33845},
	} {
		t.Run(fmt.Sprint(c.n, " groups"), func(t *testing.T) {
			prior, cells := study(0.4, strikes[:c.n], starts[:c.n])
			h := risk.Fit(prior, cells, risk.FitOptions{MachineStarts: math.Inf(1), Doubt: math.Inf(1)}).Hyper()
			scale, fitted := h.Scale[event.Other]
			if !fitted || !h.StartsFitted {
				t.Fatalf("not fitted: %+v", h)
			}
			odds := scale * 0.4 / 0.6
			mean := odds / (1 + odds)
			near(t, "alpha", h.Starts*mean, c.alpha, 2e-4)
			near(t, "beta", h.Starts*(1-mean), c.beta, 1e-3)
			if !math.IsNaN(c.likeliest) {
				near(t, "log-likelihood", h.LogLikelihood, c.likeliest, 1e-5)
			}
		})
	}
}

// TestIntervalAgainstAPublishedOne reads Clopper and Pearson's limits for 682
// in 925, which are quantiles of Beta(682, 244) and Beta(683, 243): Conover,
// Practical Nonparametric Statistics (1971), page 97, as the example of R's
// binom.test prints it, 0.7076683 to 0.7654066.
func TestIntervalAgainstAPublishedOne(t *testing.T) {
	limits := func(mean float64, strikes uint64) risk.Estimate {
		prior, cells := study(mean, []uint64{strikes}, []uint64{925})
		return risk.Fit(prior, cells, risk.FitOptions{Starts: 1, MachineStarts: math.Inf(1), Fixed: true}).Strike(groupStart(0))
	}
	near(t, "low", limits(1, 681).Low, 0.7076683, 2e-7)
	near(t, "high", limits(0, 683).High, 0.7654066, 2e-7)
}
