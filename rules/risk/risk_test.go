package risk_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// TestPriorOrder holds the prior to the order that common practice gives, no
// source: an advance, a leader and an uncut web settle a bare edge, a cooler
// cure and a shaped edge help a bit, polymeric and cast film hardly lift.
func TestPriorOrder(t *testing.T) {
	prior := risk.DefaultPrior()
	odds := func(class event.Class, treatment string) float64 {
		return prior.Strike(risk.Start{Class: class, Treatment: treatment, RHPct: units.Some(50)}).P
	}
	bare := odds(event.Monomeric, "none")
	for _, settles := range []string{"advance", "leader", "no-cut"} {
		if got := odds(event.Monomeric, settles); got > bare/20 {
			t.Errorf("%s leaves %v of %v: want it settled", settles, got, bare)
		}
	}
	for _, helps := range []string{"shaped-edge", "cooler"} {
		if got := odds(event.Monomeric, helps); got >= bare || got < bare/4 {
			t.Errorf("%s leaves %v of %v: want a bit of help", helps, got, bare)
		}
	}
	for _, flat := range []event.Class{event.Polymeric, event.Cast} {
		if got := odds(flat, "none"); got > bare/10 {
			t.Errorf("%s strikes with %v, monomeric with %v", flat, got, bare)
		}
	}
	for _, class := range event.Classes {
		if odds(class, "none") > odds(event.Unknown, "none") {
			t.Errorf("%s is riskier than film that nobody knows", class)
		}
	}
}

// TestUnknownIsNeverSafer leaves things out and expects no better odds.
func TestUnknownIsNeverSafer(t *testing.T) {
	prior := risk.DefaultPrior()
	treatments := []string{"none", "advance", "leader", "no-cut", "shaped-edge", "cooler", "better-film"}
	for _, name := range treatments {
		if _, known := prior.Factor[name]; !known {
			t.Errorf("%s has no factor", name)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := risk.Start{
			Class:     rapid.SampledFrom(event.Classes).Draw(t, "class"),
			Treatment: rapid.SampledFrom(treatments).Draw(t, "treatment"),
			RHPct:     units.Some(rapid.Float64Range(0, 100).Draw(t, "rh")),
		}
		known := prior.Strike(s)
		if !(0 <= known.Low && known.Low <= known.P && known.P <= known.High && known.High <= 1) || known.Basis == "" {
			t.Fatalf("%+v: no interval of probabilities: %+v", s, known)
		}
		for _, less := range []risk.Start{
			{Class: s.Class, Treatment: s.Treatment},
			{Class: "", Treatment: s.Treatment, RHPct: s.RHPct},
			{Class: "vellum", Treatment: s.Treatment, RHPct: s.RHPct},
			{Class: s.Class, Treatment: "prayer", RHPct: s.RHPct},
		} {
			if got := prior.Strike(less); got.P < known.P {
				t.Fatalf("knowing less, %+v, is safer than %+v: %v < %v", less, s, got.P, known.P)
			}
		}
	})
}

func TestDryAir(t *testing.T) {
	prior := risk.DefaultPrior()
	at := func(rh units.Maybe) float64 {
		return prior.Strike(risk.Start{Class: event.Monomeric, Treatment: "none", RHPct: rh}).P
	}
	damp := at(units.Some(prior.DryRH))
	if dry := at(units.Some(prior.DryRH - 0.1)); dry != damp*prior.DryMore {
		t.Errorf("below the limit: want %v, got %v", damp*prior.DryMore, dry)
	}
	if unknown := at(units.Maybe{}); unknown != damp*prior.DryMore {
		t.Errorf("an unknown humidity: want the odds of dry air, got %v", unknown)
	}
	certain := risk.Prior{Bare: map[event.Class]float64{event.Unknown: 0.9}, DryRH: 35, DryMore: 1.6}
	if got := certain.Strike(risk.Start{}); got.P != 1 || got.High != 1 {
		t.Errorf("odds above 1: %+v", got)
	}
}

// A prior that is never corrected does not say that there is no data.
func TestAFixedPriorSaysSo(t *testing.T) {
	prior := risk.DefaultPrior()
	if got := prior.Strike(bare()).Basis; got != "prior, no data of yours yet" {
		t.Errorf("a prior to begin with rests on %q", got)
	}
	prior.Fixed = true
	if got := prior.Strike(bare()).Basis; got != "prior, learning is switched off" {
		t.Errorf("a fixed prior rests on %q", got)
	}
}

// A prior believes what a model without data believes.
func TestPriorBelievesWhatAModelWithoutDataDoes(t *testing.T) {
	m := risk.Fit(risk.DefaultPrior(), nil, risk.FitOptions{})
	rapid.Check(t, func(t *rapid.T) {
		s := anyStart().Draw(t, "start")
		got, want := risk.DefaultPrior().Posterior(s), m.Posterior(s)
		if math.Abs(got.Alpha-want.Alpha) > 1e-9 || math.Abs(got.Beta-want.Beta) > 1e-9 {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

// TestPriorCoversEveryClass fails when a class is added without odds.
func TestPriorCoversEveryClass(t *testing.T) {
	prior := risk.DefaultPrior()
	for _, class := range event.Classes {
		if _, known := prior.Bare[class]; !known {
			t.Errorf("%s has no odds", class)
		}
	}
	for class := range prior.Bare {
		if !slices.Contains(event.Classes, class) {
			t.Errorf("%s is no class", class)
		}
	}
}
