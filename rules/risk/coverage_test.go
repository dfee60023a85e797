package risk_test

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// drawn is a start with its true odds.
type drawn struct {
	start risk.Start
	odds  float64
}

// drawShop draws a shop from the model: each kind of start around the scaled
// prior with strength k, each machine around its kind with strength l, and the
// strikes from that.
func drawShop(src rand.Source, k, l, scale float64, most int) (cells []risk.Cell, truth []drawn) {
	rng, prior := rand.New(src), risk.DefaultPrior()
	for _, treatment := range []string{"none", "shaped-edge", "cooler"} {
		for _, rh := range []float64{20, 45} {
			for _, cure := range []float64{80, 95, 110} {
				s := risk.Start{Site: "north", Class: event.Monomeric, Treatment: treatment, RHPct: units.Some(rh), CureC: units.Some(cure)}
				p := prior.Strike(s).P
				p = scale * p / (1 - p + scale*p)
				kind := distuv.Beta{Alpha: k * p, Beta: k * (1 - p), Src: src}.Rand()
				for _, machine := range []string{"heron", "wren", "plover"} {
					s.Machine = machine
					odds := distuv.Beta{Alpha: l * kind, Beta: l * (1 - kind), Src: src}.Rand()
					starts := rng.IntN(most + 1)
					strikes := 0
					for range starts {
						if rng.Float64() < odds {
							strikes++
						}
					}
					cells, truth = append(cells, cellOf(s, uint64(strikes), uint64(starts))), append(truth, drawn{s, odds})
				}
			}
		}
	}
	return cells, truth
}

// TestIntervalsCover draws shops and counts how often the true odds lie in the
// 95 % interval, with hyper-parameters known and with them fitted, also where
// the shop's are far from those documented.
func TestIntervalsCover(t *testing.T) {
	const shops, l = 100, 60
	for name, c := range map[string]struct {
		most     int // starts of one kind on one machine
		k, scale float64
		fixed    bool
	}{
		"known, few starts":                        {10, 20, 1, true},
		"known, many starts":                       {300, 20, 1, true},
		"fitted, few starts":                       {20, 20, 1, false},
		"fitted, half the odds":                    {100, 20, 0.5, false},
		"fitted, twice the odds":                   {100, 20, 2, false},
		"fitted, a prior worth little":             {100, 8, 1, false},
		"fitted, a prior worth a lot":              {100, 60, 1, false},
		"fitted, a third of the odds, many starts": {300, 20, 0.3, false},
	} {
		t.Run(name, func(t *testing.T) {
			src, covered, all, mean, rate := rand.NewPCG(7, 11), 0, 0, 0.0, 0.0
			for range shops {
				cells, truth := drawShop(src, c.k, l, c.scale, c.most)
				m := risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{Fixed: c.fixed})
				for _, d := range truth {
					e := m.Strike(d.start)
					if e.Low <= d.odds && d.odds <= e.High {
						covered++
					}
					all, mean, rate = all+1, mean+e.P, rate+d.odds
				}
			}
			share := float64(covered) / float64(all)
			t.Logf("%.2f %% of %d intervals cover; mean odds %.4f, true %.4f", 100*share, all, mean/float64(all), rate/float64(all))
			if share < 0.93 || share > 0.97 {
				t.Errorf("%.2f %% of the intervals cover the true odds", 100*share)
			}
			if bias := mean/rate - 1; bias < -0.05 || bias > 0.05 {
				t.Errorf("the odds are off by %.1f %% on average", 100*bias)
			}
		})
	}
}
