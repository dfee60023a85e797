package plant_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

func heron() *plant.Machine {
	return &plant.Machine{Path: path, SwathMM: 54, StrokeS: 1.6, Ink: plant.DefaultInk}
}

// contour is what contour-cut work in monomeric film bears by its class.
func contour() []plant.Ceiling {
	return []plant.Ceiling{{Code: "hot-recipe", C: film.Defaults[event.Monomeric].ContourCeilingC}, {Code: "register-drift", C: 107.5}}
}

// TestWindowOfCommonPractice: 12 or 10 passes at 90 to 110 percent ink and about
// 200 °F keep monomeric film flat for the cutter and cure it; 8 passes at 240 °F
// deform it. Common practice, no source.
func TestWindowOfCommonPractice(t *testing.T) {
	f := units.FahrenheitToC
	for _, ink := range []float64{90, 100, 110} {
		for _, passes := range []float64{10, 12} {
			b := heron().Band(passes, ink, contour())
			if c := f(200); b.TooCold(c) || b.TooHot(c) || !b.Safe() {
				t.Errorf("%g passes at %.1f °C with %g %% ink: want it inside of %.1f to %.1f °C", passes, c, ink, b.LowC, b.HighC)
			}
		}
		b := heron().Band(8, ink, contour())
		if c := f(240); !b.TooHot(c) || b.TooCold(c) || b.Code != "hot-recipe" {
			t.Errorf("8 passes at %.1f °C with %g %% ink: want it too hot alone, got %.1f to %.1f °C below %s", c, ink, b.LowC, b.HighC, b.Code)
		}
	}
}

// TestBandByHand follows one band: 10 passes give 44.44 s of the 44 s that 110
// percent ink needs at 93 °C, so 1/T = 1/366.15 + 8.314/60000·ln(44.44/44) and
// the ink cures from 92.81 °C on.
func TestBandByHand(t *testing.T) {
	b := heron().Band(10, 110, contour())
	if math.Abs(b.LowC-92.813) > 5e-3 || b.HighC != 98 || b.Code != "hot-recipe" {
		t.Errorf("want 92.81 to 98 °C below hot-recipe, got %+v", b)
	}
	narrow := heron().Band(10, 110, []plant.Ceiling{{Code: "register-drift", C: 92}})
	if narrow.Safe() || narrow.Code != "register-drift" || !narrow.TooCold(92.5) || !narrow.TooHot(92.5) {
		t.Errorf("below 92 °C: want no safe band, got %+v", narrow)
	}
}

// TestLowestCureBySubstitution puts the coolest cure back into the dose: it is
// what the ink needs, and a little cooler is not enough.
func TestLowestCureBySubstitution(t *testing.T) {
	m := heron()
	rapid.Check(t, func(t *rapid.T) {
		passes, ink := rapid.Float64Range(1, 64).Draw(t, "passes"), rapid.Float64Range(1, 400).Draw(t, "ink")
		b := m.Band(passes, ink, nil)
		need := m.Ink.NeededDwell(ink)
		if got := m.Ink.EquivalentDwell(m.Dwell(passes), b.LowC); math.Abs(got/need-1) > 1e-9 {
			t.Fatalf("%v passes at %v °C give %v s, want %v s", passes, b.LowC, got, need)
		}
		if !b.TooCold(b.LowC-0.01) || b.TooCold(b.LowC) || b.TooHot(1e6) || !b.Safe() || b.Code != "" {
			t.Fatalf("without a ceiling: %+v", b)
		}
		if more := m.Band(passes+1, ink, nil); more.LowC >= b.LowC {
			t.Fatalf("one more pass needs %v °C, not less than %v °C", more.LowC, b.LowC)
		}
	})
}

// TestBandsAtTheirEnds: what cannot be is a number too, and never safe.
func TestBandsAtTheirEnds(t *testing.T) {
	m := heron()
	if w := m.Window(100, contour()); len(w) != 21 || w[0].Passes != 4 || w[20].Passes != 24 {
		t.Errorf("want bands for 4 to 24 passes, got %+v", w)
	}
	if b := m.Band(12, 0, nil); b.LowC != -units.ZeroCelsius {
		t.Errorf("no ink: want any temperature, got %+v", b)
	}
	still := *m
	still.StrokeS = 0
	if w := still.Window(100, contour()); w != nil {
		t.Errorf("a machine whose stroke nobody knows: want no window, got %+v", w)
	}
	if b := still.Band(12, 100, contour()); b.Safe() || !b.TooCold(500) {
		t.Errorf("a machine whose stroke nobody knows: want nothing safe, got %+v", b)
	}
	if b := m.Band(12, 100, []plant.Ceiling{{Code: "register-drift", C: math.Inf(-1)}}); b.Safe() || !b.TooHot(20) || math.IsInf(b.HighC, 0) {
		t.Errorf("no cure cool enough: want nothing safe, got %+v", b)
	}
	if b := m.Band(12, 100, []plant.Ceiling{{Code: "register-drift", C: math.Inf(1)}}); !b.Safe() || math.IsInf(b.HighC, 0) {
		t.Errorf("no bound: want it safe, got %+v", b)
	}
}
