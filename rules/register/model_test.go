package register_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/register"
)

// mono strains by 1e-4 per °C above 70 °C by its class.
var mono = film.Film{Stock: "MONO-GLOSS-137", Class: event.Monomeric, OnsetC: 70, StrainPerC: -1e-4}

const share = 0.2

// measured is a model of strips that lie about a line of 2e-4 per °C above
// 75 °C along the feed, and half of that across, from 80 to 110 °C.
func measured() *register.Model {
	var strips []floor.Strip
	for i, c := range []float64{80, 80, 90, 100, 110, 110} {
		off := 2e-5 * float64(i%2*2-1)
		strips = append(strips, strip(register.Feed, c, -2e-4*(c-75)+off), strip(register.Cross, c, -1e-4*(c-75)-off))
	}
	return register.Learn(register.ClassDefault{Share: share}, map[string][]floor.Strip{mono.Stock: strips})
}

// anyModel draws strips about a line.
func anyModel(t *rapid.T) *register.Model {
	var strips []floor.Strip
	for _, axis := range register.Axes {
		slope := rapid.Float64Range(-3e-4, 1e-4).Draw(t, "slope")
		onset := rapid.Float64Range(40, 100).Draw(t, "onset")
		n := rapid.SampledFrom([]int{0, 2, 3, 6, 12}).Draw(t, "strips")
		for range n {
			c := rapid.Float64Range(60, 130).Draw(t, "cure")
			strips = append(strips, strip(axis, c, slope*(c-onset)+rapid.Float64Range(-1e-4, 1e-4).Draw(t, "off")))
		}
		if n > 4 && rapid.Bool().Draw(t, "a misread strip") {
			strips[len(strips)-1].MeasuredMM += rapid.Float64Range(-50, 50).Draw(t, "misread")
		}
	}
	return register.Learn(register.ClassDefault{Share: share}, map[string][]floor.Strip{mono.Stock: strips})
}

func TestStripsSpeakForTheirStockOnly(t *testing.T) {
	m, class := measured(), register.Learn(register.ClassDefault{Share: share}, nil)
	// On the line of the feed, which strains more: 2e-4·(95-75)·0.2·400 mm.
	if got := m.Residual(&mono, 95, 400, 400); math.Abs(got-0.32) > 0.01 {
		t.Errorf("want about 0.32 mm, got %v", got)
	}
	if got := m.Basis(&mono); !strings.Contains(got, "feed: -0.0200 %/°C from 6 measured lengths, 80 to 110 °C") || !strings.Contains(got, "cross: -0.0100 %/°C") {
		t.Errorf("basis: %s", got)
	}
	for _, stock := range []string{"MONO-MATT-137", ""} {
		other := mono
		other.Stock = stock
		if got, want := m.Residual(&other, 95, 400, 400), class.Residual(&other, 95, 400, 400); got != want {
			t.Errorf("%q: want the class default's %v, got %v", stock, want, got)
		}
		if got, want := m.Basis(&other), class.Basis(&other); got != want {
			t.Errorf("%q: want %q, got %q", stock, want, got)
		}
	}
}

// TestHalfMeasured measures one axis: the class goes on speaking for the other.
func TestHalfMeasured(t *testing.T) {
	var strips []floor.Strip
	for _, c := range []float64{80, 95, 110} {
		strips = append(strips, strip(register.Feed, c, 0))
	}
	m := register.Learn(register.ClassDefault{Share: share}, map[string][]floor.Strip{mono.Stock: strips})
	if got, want := m.Residual(&mono, 95, 400, 400), 1e-4*25*share*400; math.Abs(got-want) > 1e-12 {
		t.Errorf("want %v mm of the class across the film, got %v", want, got)
	}
	if got := m.Basis(&mono); !strings.Contains(got, "cross: class default, no control strips yet") {
		t.Errorf("basis: %s", got)
	}
	p := m.For(&mono)
	if e := p.Residual(95, 400, 400); e.Axis != register.Cross || e.High.Known() {
		t.Errorf("want the unmeasured axis to decide and no interval, got %+v", e)
	}
}

// TestEachAxisHasItsSpan bows each axis over its own span: the strips shrink by
// 0.1 % along the roll and by 0.05 % across it, of which a fifth stays. Over 300 mm
// and 1200 mm that is 0.06 mm and 0.12 mm; over 300 mm both, 0.06 mm and 0.03 mm.
func TestEachAxisHasItsSpan(t *testing.T) {
	var strips []floor.Strip
	for _, c := range []float64{80, 95, 110} {
		strips = append(strips, strip(register.Feed, c, -0.001), strip(register.Cross, c, -0.0005))
	}
	m := register.Learn(register.ClassDefault{Share: share}, map[string][]floor.Strip{mono.Stock: strips})
	p := m.For(&mono)
	for _, row := range []struct {
		feed, cross, want float64
		axis              register.Axis
	}{{300, 1200, 0.12, register.Cross}, {300, 300, 0.06, register.Feed}} {
		e := p.Residual(95, row.feed, row.cross)
		if math.Abs(e.Value-row.want) > 1e-9 || e.Axis != row.axis || math.Abs(m.Residual(&mono, 95, row.feed, row.cross)-row.want) > 1e-9 {
			t.Errorf("%v by %v mm: want %v mm along the %s axis, got %+v", row.feed, row.cross, row.want, row.axis, e)
		}
	}
}

// TestTheUnmeasuredIsNeverBetter leaves the strips on both sides.
func TestTheUnmeasuredIsNeverBetter(t *testing.T) {
	class := register.Learn(register.ClassDefault{Share: share}, nil)
	rapid.Check(t, func(t *rapid.T) {
		m := anyModel(t)
		p := m.For(&mono)
		c := rapid.Float64Range(20, 200).Draw(t, "c")
		got, plain := m.Residual(&mono, c, 400, 400), class.Residual(&mono, c, 400, 400)
		e := p.Residual(c, 400, 400)
		if math.Abs(e.Value-got) > 1e-12 {
			t.Fatalf("one way gives %v mm, the other %v", got, e.Value)
		}
		if low, known := e.Low.Get(); known && !(0 <= low && low <= e.Value && e.Value <= e.High.Or(0)) {
			t.Fatalf("%+v is out of order", e)
		}
		feed, cross := p.Stock.Feed.Line, p.Stock.Cross.Line
		if feed == nil || cross == nil {
			return
		}
		beyond := p.Beyond(c, 12)
		switch {
		case c > max(feed.High, cross.High):
			if got < plain-1e-12 || strings.Count(beyond, "hotter than any strip") != 2 {
				t.Fatalf("beyond the hottest strip %v mm, class %v mm, %q", got, plain, beyond)
			}
		case p.Stock.Feed.Outliers+p.Stock.Cross.Outliers > 0:
			if got < plain*(1-1e-12) {
				t.Fatalf("with an outlier %v mm, class %v mm", got, plain)
			}
		case c < min(feed.Low, cross.Low):
			at := share * 400 * max(math.Abs(feed.At(feed.Low)), math.Abs(cross.At(cross.Low)))
			if math.Abs(got-at) > 1e-12 || strings.Count(beyond, "cooler than any strip") != 2 {
				t.Fatalf("below the coolest strip %v mm, at it %v mm, %q", got, at, beyond)
			}
		case c >= max(feed.Low, cross.Low) && c <= min(feed.High, cross.High) && beyond != "":
			t.Fatalf("among the strips: %q", beyond)
		}
	})
}

// TestLimitsBySubstitution puts each limit back into the residual: it meets the
// tolerance, and a little more does not.
func TestLimitsBySubstitution(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyModel(t).For(&mono)
		tolerance := rapid.Float64Range(0.02, 1).Draw(t, "tolerance")
		spacing := rapid.Float64Range(50, 2000).Draw(t, "spacing")
		within := func(c float64) bool { return p.Residual(c, spacing, spacing).Value <= tolerance*(1+1e-9) }

		c := rapid.Float64Range(40, 150).Draw(t, "c")
		largest := p.LargestSpacing(tolerance, c)
		if math.IsInf(largest.Value, 1) {
			if p.Residual(c, spacing, spacing).Value != 0 {
				t.Fatal("any spacing is said to do, and it does not")
			}
		} else if got := p.Residual(c, largest.Value, largest.Value).Value; math.Abs(got-tolerance) > 1e-9*tolerance {
			t.Fatalf("at the largest spacing %v mm stay, want %v", got, tolerance)
		}
		if low, known := largest.Low.Get(); known && !(low <= largest.Value*(1+1e-9) && largest.Value <= largest.High.Or(0)*(1+1e-9)) {
			t.Fatalf("%+v is out of order", largest)
		}

		hottest, axis := p.HottestC(tolerance, spacing, spacing)
		switch {
		case math.IsInf(hottest, 1):
			if !within(300) {
				t.Fatal("heat is said not to matter, and it does")
			}
		case math.IsInf(hottest, -1):
			if line := p.Strain(axis, -200); math.Abs(line.Value)*share*spacing <= tolerance*(1-1e-9) && line.Value <= 0 {
				t.Fatalf("no cure is said to be cool enough, and the coolest strip is: %+v", line)
			}
		default:
			if worst := share * spacing * math.Abs(p.Strain(axis, hottest).Value); worst > tolerance*(1+1e-9) {
				t.Fatalf("%v °C leave %v mm, more than %v", hottest, worst, tolerance)
			}
			for _, more := range []float64{1e-6, 1, 10, 50} {
				if within(hottest+more) && share*spacing*math.Abs(p.Strain(axis, hottest+more).Value) < tolerance*(1-1e-9) {
					t.Fatalf("%v °C is said to be the hottest, and %v °C hotter does too", hottest, more)
				}
			}
		}
	})
}

// TestLimitsByHand follows one case: a tolerance of 0.3 mm over 400 mm of which
// a fifth stays leaves 0.375 percent of strain. Class film reaches it 37.5 °C
// above its onset of 70 °C.
func TestLimitsByHand(t *testing.T) {
	p := register.Learn(register.ClassDefault{Share: share}, nil).For(&mono)
	if c, _ := p.HottestC(0.3, 400, 400); math.Abs(c-107.5) > 1e-9 {
		t.Errorf("hottest: want 107.5 °C, got %v", c)
	}
	if e := p.LargestSpacing(0.3, 107.5); math.Abs(e.Value-400) > 1e-9 || e.Low.Known() {
		t.Errorf("largest spacing: want 400 mm and no interval, got %+v", e)
	}
	if e := p.LargestSpacing(0.3, 60); !math.IsInf(e.Value, 1) {
		t.Errorf("below onset: want any spacing, got %+v", e)
	}
}

// TestPreScale prints at the scale, cures, and finds the length right.
func TestPreScale(t *testing.T) {
	p := measured().For(&mono)
	for _, axis := range register.Axes {
		for _, c := range []float64{80, 95, 110} {
			scale, strain := p.PreScale(axis, c), p.Strain(axis, c)
			if got := 1000 * scale.Value / 100 * (1 + strain.Value); math.Abs(got-1000) > 1e-9 {
				t.Errorf("%s at %v °C: 1000 mm come out as %v", axis, c, got)
			}
			if low, high := scale.Low.Or(0), scale.High.Or(0); !(low < scale.Value && scale.Value < high) || scale.Value <= 100 {
				t.Errorf("%s at %v °C: %v %% to %v %% around %v %%", axis, c, low, high, scale.Value)
			}
		}
	}
	class := register.Learn(register.ClassDefault{Share: share}, nil).For(&mono)
	if e := class.PreScale(register.Feed, 116); math.Abs(e.Value-100/(1-0.0046)) > 1e-12 || e.Low.Known() {
		t.Errorf("of the class: want 100.462 %% and no interval, got %+v", e)
	}
}

func TestBeyondNamesPasses(t *testing.T) {
	p := measured().For(&mono)
	if got := p.Beyond(95, 12); got != "" {
		t.Errorf("a measured recipe: got %q", got)
	}
	if got := p.Beyond(95, 0); got != "" {
		t.Errorf("passes nobody knows: got %q", got)
	}
	if got := p.Beyond(95, 8); !strings.Contains(got, "printed in 12 passes") {
		t.Errorf("other passes: got %q", got)
	}
}

// TestBowIsUnevenStrain adds up what it stands for: film that strains more at
// one mark and less at the other, evenly in between, and is stretched so that
// both marks are met. Its points then lie off by the parabola.
func TestBowIsUnevenStrain(t *testing.T) {
	const strain, span, steps = 0.004, 500.0, 10000
	sum, dx := 0.0, span/steps
	for i := range steps {
		x := (float64(i) + 0.5) * dx
		sum += 4 * share * strain * (1 - 2*x/span) * dx
		if got := register.Bow(share, -strain, span, x+dx/2); math.Abs(got-sum) > 1e-6 {
			t.Fatalf("%v mm from the mark: want %v mm, got %v", x, sum, got)
		}
	}
	for _, at := range []float64{0, span} {
		if got := register.Bow(share, strain, span, at); got != 0 {
			t.Errorf("at a mark: want 0, got %v", got)
		}
	}
	half := register.Bow(share, strain, span, span/2)
	if want := share * strain * span; math.Abs(half-want) > 1e-12 {
		t.Errorf("half way: want %v, got %v", want, half)
	}
	for _, at := range []float64{-1, span + 1} {
		if got := register.Bow(share, strain, span, at); got != half {
			t.Errorf("outside of the marks: want the most, %v, got %v", half, got)
		}
	}
}
