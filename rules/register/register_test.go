package register_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/register"
)

// TestResidualByHand follows one case: monomeric film strained by 1e-4 per °C
// for 46 °C above its onset of 70 °C is 0.46 percent, which is 1.84 mm over
// 400 mm; a fifth of it, 0.368 mm, stays.
func TestResidualByHand(t *testing.T) {
	f := film.Film{OnsetC: 70, StrainPerC: -1e-4}
	model := register.Learn(register.ClassDefault{Share: 0.2}, nil)
	got, basis := model.Residual(&f, 116, 400, 400), model.Basis(&f)
	if math.Abs(got-0.368) > 1e-9 {
		t.Errorf("want 0.368 mm, got %v", got)
	}
	if !strings.Contains(basis, "no control strips") || !strings.Contains(basis, "0.0100 %/°C above 70 °C") {
		t.Errorf("the basis does not say what it rests on: %s", basis)
	}
}

func TestResidualProperties(t *testing.T) {
	model := register.Learn(register.ClassDefault{Share: 0.2}, nil)
	rapid.Check(t, func(t *rapid.T) {
		f := film.Defaults[rapid.SampledFrom(event.Classes).Draw(t, "class")]
		c := rapid.Float64Range(0, 200).Draw(t, "c")
		spacing := rapid.Float64Range(1, 5000).Draw(t, "spacing")
		mm := model.Residual(&f, c, spacing, spacing)
		if mm < 0 || c <= f.OnsetC && mm != 0 {
			t.Fatalf("%v °C leave %v mm", c, mm)
		}
		if hotter := model.Residual(&f, c+10, spacing, spacing); hotter < mm {
			t.Fatalf("a hotter cure leaves less: %v < %v", hotter, mm)
		}
		if wider := model.Residual(&f, c, 2*spacing, 2*spacing); math.Abs(wider-2*mm) > 1e-9*(1+mm) {
			t.Fatalf("twice the spacing leaves %v, not twice %v", wider, mm)
		}
	})
}
