package register_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/floor"
	"rollwarden/rules/register"
	"rollwarden/rules/units"
)

// strip is one length of 1000 mm that a cure changed by a strain.
func strip(axis register.Axis, cureC, strain float64) floor.Strip {
	return floor.Strip{Stock: mono.Stock, Axis: string(axis), NominalMM: 1000, MeasuredMM: 1000 * (1 + strain), CureC: cureC, Passes: units.Some(12)}
}

// TestPercentChange works the formula of ISO 11501 (and of ASTM D1204), which
// both print as 100·(L - L0)/L0 with a minus for shrinkage (from memory): marks
// 100 mm apart that end 98.7 mm apart have changed by -1.3 percent. Warmed by
// 10 K, film 1.37 m wide that expands by 160e-6 per K, as tables of plasticised
// PVC have it, grows by 2.192 mm.
func TestPercentChange(t *testing.T) {
	for _, row := range []struct{ before, after, want float64 }{
		{100, 98.7, -1.3}, {100, 100, 0}, {254, 254.635, 0.25}, {1370, 1372.192, 0.16},
	} {
		if got := register.PercentChange(row.before, row.after); math.Abs(got-row.want) > 1e-9 {
			t.Errorf("%v mm to %v mm: want %v %%, got %v", row.before, row.after, row.want, got)
		}
	}
}

// TestAnscombe looks for the outlier of Anscombe's third data set (F. J.
// Anscombe, Graphs in Statistical Analysis, The American Statistician 27, 1973):
// ten points near one line and one at x = 13 far off it. R's
// rstudent(lm(y3 ~ x3, anscombe)) is 1203.54 there (value from memory); the line
// through all of them is 3.00 + 0.500 x, with R² 0.67.
func TestAnscombe(t *testing.T) {
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73}
	var strips []floor.Strip
	for i := range x {
		strips = append(strips, floor.Strip{Axis: "cross", NominalMM: 1, MeasuredMM: 1 + y[i], CureC: x[i]})
	}
	f := register.Fit(strips).Cross
	if math.Abs(f.Line.Intercept-3) > 5e-3 || math.Abs(f.Line.Slope-0.5) > 5e-4 || math.Abs(f.Line.R2-0.67) > 5e-3 {
		t.Errorf("want 3.00 + 0.500 x with R² 0.67, got %.3f + %.4f x with %.3f", f.Line.Intercept, f.Line.Slope, f.Line.R2)
	}
	for i, p := range f.Points {
		if p.Outlier != (x[i] == 13) {
			t.Errorf("x = %v: outlier %v, studentized %v", x[i], p.Outlier, p.Studentized.Or(0))
		}
	}
	if got := f.Points[2].Studentized.Or(0); math.Abs(got-1203.54) > 0.01 {
		t.Errorf("studentized residual: want 1203.54, got %.4f", got)
	}
	if len(f.Points) != len(x) || f.Line.N != len(x) {
		t.Error("a strip was left out")
	}
	if doubts := strings.Join(f.Doubts(), "\n"); !strings.Contains(doubts, "at 13 °C") || !strings.Contains(doubts, "measure it again") {
		t.Errorf("the outlier is not shown: %q", doubts)
	}
}

// TestStudentizedByDefinition leaves each point out in turn: the residual is
// how far the point lies off the line through the others, in the standard error
// of one more point there (R. D. Cook and S. Weisberg, Residuals and Influence
// in Regression, 1982, section 2.2.1).
func TestStudentizedByDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cure := rapid.SliceOfNDistinct(rapid.IntRange(60, 130), 5, 9, rapid.ID[int]).Draw(t, "cure")
		var strips []floor.Strip
		for _, c := range cure {
			strips = append(strips, strip(register.Feed, float64(c), rapid.Float64Range(-0.01, 0.01).Draw(t, "strain")))
		}
		f := register.Fit(strips).Feed
		for i, p := range f.Points {
			var x, y []float64
			for j, q := range f.Points {
				if j != i {
					x, y = append(x, q.Strip.CureC), append(y, q.Strain)
				}
			}
			others, err := register.FitLine(x, y)
			if err != nil {
				t.Fatal(err)
			}
			at := p.Strip.CureC
			low, high := others.Predict(at, 0.5)
			quartile := studentQuartile(len(x) - 2)
			want := (p.Strain - others.At(at)) / ((high - low) / 2 / quartile)
			if got := p.Studentized.Or(0); others.SD > 1e-6 && math.Abs(got-want) > 1e-5*(1+math.Abs(want)) {
				t.Fatalf("strip %d: want %v, got %v", i, want, got)
			}
		}
	})
}

// studentQuartile is the upper quartile of Student's t for 2 to 6 degrees of
// freedom, as tables print it to 7 digits (for 2 it is exactly the root of 2/3).
func studentQuartile(df int) float64 {
	return [...]float64{2: math.Sqrt(2.0 / 3), 3: 0.7648923, 4: 0.7406971, 5: 0.7266868, 6: 0.7175582}[df]
}

func TestTooFewStrips(t *testing.T) {
	for _, row := range []struct {
		strips []floor.Strip
		want   string
	}{
		{nil, "no control strips yet"},
		{[]floor.Strip{strip(register.Feed, 93, 0)}, "1 measured length at 1 temperature: a line needs 3 at 2"},
		{[]floor.Strip{strip(register.Feed, 93, 0), strip(register.Feed, 105, 0)}, "2 measured lengths at 2 temperatures: a line needs 3 at 2"},
		{[]floor.Strip{strip(register.Feed, 93, 0), strip(register.Feed, 93, 0), strip(register.Feed, 93, -1e-4)}, "3 measured lengths at 1 temperature: a line needs 3 at 2"},
		{[]floor.Strip{strip(register.Feed, 93, 0), strip(register.Feed, 93, 0), strip(register.Feed, 105, -1e-4)}, ""},
	} {
		f := register.Fit(row.strips).Feed
		if got := f.Lack(); got != row.want {
			t.Errorf("%d strips: want %q, got %q", len(row.strips), row.want, got)
		}
		if (f.Line == nil) != (row.want != "") || len(f.Points) != len(row.strips) {
			t.Errorf("%d strips: line %v with %d points", len(row.strips), f.Line, len(f.Points))
		}
	}
}

// TestALoneStripIsNoOutlier takes the only strip at its temperature: it alone
// holds the line there, so nothing can be said against it.
func TestALoneStripIsNoOutlier(t *testing.T) {
	f := register.Fit([]floor.Strip{strip(register.Feed, 93, -1e-3), strip(register.Feed, 93, -1.2e-3), strip(register.Feed, 93, -0.9e-3), strip(register.Feed, 110, 0.3)}).Feed
	if p := f.Points[3]; p.Outlier || p.Studentized.Known() {
		t.Errorf("want nothing said, got %+v", p)
	}
}

func TestDoubts(t *testing.T) {
	line := func(perC float64) (s []floor.Strip) {
		for i, c := range []float64{80, 90, 100, 110} {
			s = append(s, strip(register.Feed, c, perC*(c-70)+1e-6*float64(i%2)))
		}
		return s
	}
	for _, row := range []struct {
		name   string
		strips []floor.Strip
		want   string
	}{
		{"as film does", line(-1e-4), ""},
		{"measured warm", line(register.PVCExpansionPerC), "measure them cold"},
		{"a nominal length of another strip", line(-1e-3), "more than film can do"},
		{"no sign of heat", line(0), "further apart"},
	} {
		f := register.Fit(row.strips).Feed
		got := strings.Join(f.Doubts(), "\n")
		if row.want == "" && got != "" || !strings.Contains(got, row.want) {
			t.Errorf("%s: want %q, got %q", row.name, row.want, got)
		}
	}
}
