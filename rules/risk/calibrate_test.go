package risk_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/risk"
)

func forecasts(p float64, starts, strikes int) (list []risk.Forecast) {
	for i := range starts {
		list = append(list, risk.Forecast{P: p, Struck: i < strikes})
	}
	return list
}

// TestBrierScore has the example of scikit-learn's brier_score_loss, 0.0375
// (value from memory, and by hand (0.01 + 0.01 + 0.04 + 0.09)/4).
func TestBrierScore(t *testing.T) {
	c := risk.Calibrate([]risk.Forecast{{0.1, false}, {0.9, true}, {0.8, true}, {0.3, false}}, risk.DefaultEdges())
	near(t, "score", c.Brier, 0.0375, 1e-15)
	near(t, "skill", c.Skill.Or(-1), 1-0.0375/0.25, 1e-15)
}

// TestMurphysDecomposition is worked out by hand from Murphy, A New Vector
// Partition of the Probability Score (1973). Forecasts of 20 % that strike
// once in five times and of 80 % that do so four times are reliable; 30 % and
// 60 % with the same outcomes are off by 0.1 and 0.2.
func TestMurphysDecomposition(t *testing.T) {
	edges := []float64{0.5}
	for name, c := range map[string]struct {
		low, high, brier, reliability float64
	}{
		"reliable": {0.2, 0.8, 0.16, 0},
		"timid":    {0.3, 0.6, 0.185, 0.025},
	} {
		t.Run(name, func(t *testing.T) {
			got := risk.Calibrate(append(forecasts(c.low, 5, 1), forecasts(c.high, 5, 4)...), edges)
			near(t, "score", got.Brier, c.brier, 1e-12)
			near(t, "reliability", got.Reliability, c.reliability, 1e-12)
			near(t, "resolution", got.Resolution, 0.09, 1e-12)
			near(t, "uncertainty", got.Uncertainty, 0.25, 1e-12)
			near(t, "within", got.Within, 0, 1e-12)
			near(t, "skill", got.Skill.Or(-1), 1-c.brier/0.25, 1e-12)
			if low := got.Bins[0]; low.Starts != 5 || low.Strikes != 1 || low.Rate != 0.2 {
				t.Errorf("low bin: %+v", low)
			}
		})
	}
}

// TestWithinIsWhatBinsBlur works Within out by Stephenson, Coelho and Jolliffe
// (2008): the variance of the forecasts within bins less twice their
// covariance with the outcomes.
func TestWithinIsWhatBinsBlur(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) risk.Forecast {
			return risk.Forecast{P: rapid.Float64Range(0, 1).Draw(t, "p"), Struck: rapid.Bool().Draw(t, "struck")}
		}), 1, 60).Draw(t, "forecasts")
		c := risk.Calibrate(list, risk.DefaultEdges())
		want, starts := 0.0, 0
		for _, b := range c.Bins {
			starts += b.Starts
			for _, f := range list {
				if inBin := b.Low <= f.P && (f.P < b.High || b.High == 1); inBin {
					struck := 0.0
					if f.Struck {
						struck = 1
					}
					want += (f.P-b.MeanP)*(f.P-b.MeanP) - 2*(f.P-b.MeanP)*(struck-b.Rate)
				}
			}
		}
		if got := c.Within; starts != len(list) || math.Abs(got-want/float64(len(list))) > 1e-12 {
			t.Fatalf("within: got %v, want %v; %d of %d starts in bins", got, want, starts, len(list))
		}
	})
}

// The average has no skill, and where all ended alike nobody can tell.
func TestSkill(t *testing.T) {
	average := risk.Calibrate(forecasts(0.25, 40, 10), risk.DefaultEdges())
	near(t, "skill of the average", average.Skill.Or(-1), 0, 1e-12)
	for _, list := range [][]risk.Forecast{nil, forecasts(0.1, 10, 0), {{math.NaN(), true}, {1.2, true}, {-0.1, true}}} {
		if c := risk.Calibrate(list, nil); c.Skill.Known() || len(c.Bins) != 1 || c.Strikes != 0 {
			t.Errorf("%+v", c)
		}
	}
	if c := risk.Calibrate(forecasts(1, 3, 3), []float64{0.5, 0.5, 7, math.NaN(), 0}); len(c.Bins) != 2 || c.Bins[1].Starts != 3 {
		t.Errorf("edges that are none: %+v", c.Bins)
	}
}
