package units_test

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/units"
)

// TestParse holds the factors against NIST SP 811 (2008), appendix B.8,
// "Factors for units listed alphabetically"
// (https://www.nist.gov/pml/special-publication-811), whose figures stand here
// as they are printed there: exact where the printed figure is bold.
func TestParse(t *testing.T) {
	for _, row := range []struct {
		text, unit string
		want       float64
	}{
		{"1 in", "m", 2.54e-2}, // inch (in)
		{"1 in", "mm", 25.4},
		{"1 ft", "m", 3.048e-1},       // foot (ft)
		{"1 yd", "m", 9.144e-1},       // yard (yd)
		{"1 mil", "mm", 2.54e-2},      // mil (0.001 in)
		{"1 mil", "µm", 25.4},         // the same
		{"1 ft²", "m²", 9.290304e-2},  // square foot (ft²)
		{"1 min", "s", 6.0e1},         // minute (min)
		{"1 h", "s", 3.6e3},           // hour (h)
		{"212 °F", "°C", 100},         // t/°C = (t/°F - 32) / 1.8
		{"-40 °F", "°C", -40},         // the same
		{"200 °F", "°C", 168.0 / 1.8}, // the same
		{"273.15 K", "°C", 0},         // t/°C = T/K - 273.15
		{"1 m", "mm", 1000},           // SI prefixes
		{"137 µm", "mm", 0.137},       // SI prefixes
		{"0.08 mm", "µm", 80},         // SI prefixes
		{"36.5 cm", "mm", 365},        // SI prefixes
		{"45", "m", 45},               // no unit: already in it
		{"  -12.5  ", "mm", -12.5},    // space around
		{"+14.4in", "mm", 365.76},     // no space between, 14.4 times 25.4
		{"45 feet", "m", 13.716},      // 45 times 0.3048
		{`14.4"`, "mm", 365.76},       // inches as on a drawing
		{"200f", "°C", 168.0 / 1.8},   // any case
		{"40 %", "percent", 40},       // by definition
		{"12", "", 12},                // a count
	} {
		got, ok := units.Parse(row.text, row.unit)
		if !ok || math.Abs(got-row.want) > 1e-12*max(1, math.Abs(row.want)) {
			t.Errorf("%q in %s: want %v, got %v %v", row.text, row.unit, row.want, got, ok)
		}
	}
	if got, _ := units.Parse("14.4 in", "mm"); got != 365.76 {
		t.Errorf("14.4 in is %v mm: want no more digits than the inch has", got)
	}
}

func TestParseRefuses(t *testing.T) {
	for _, row := range []struct{ text, unit string }{
		{"", "mm"}, {"mm", "mm"}, {"in 14", "mm"}, {"1,5", "mm"}, {"1.5.2", "mm"}, {"--1", "mm"},
		{"14 °F", "mm"}, {"1 h", "mm"}, {"1 ft", "m²"}, {"12 pcs", ""}, {"12 mm", ""}, {"1 furlong", "m"},
		{"NaN", "mm"}, {"Inf", "mm"}, {"+Inf", "mm"}, {"0x10", "mm"}, {"1e999", "mm"}, {"1e3", "mm"}, {"1_000", "mm"},
		{"1\x00mm", "mm"}, {"1 \xff", "mm"}, {"<script>", "mm"}, {"1 mm 2", "mm"}, {strings.Repeat("9", 308) + " m", "µm"},
	} {
		if v, ok := units.Parse(row.text, row.unit); ok {
			t.Errorf("%q in %q was read as %v", row.text, row.unit, v)
		}
	}
}

// TestParseReadsWhatDisplayWrites takes every symbol there and back.
func TestParseReadsWhatDisplayWrites(t *testing.T) {
	for _, unit := range []string{"mm", "m", "µm", "°C", "m²", "s", "percent"} {
		symbols := units.Symbols(unit)
		if !slices.ContainsFunc(symbols, func(s string) bool { one, ok := units.Parse("1 "+s, unit); return ok && one == 1 }) {
			t.Errorf("none of %v stands for %s itself", symbols, unit)
		}
		for _, symbol := range symbols {
			zero, _ := units.Parse("0 "+symbol, unit)
			one, ok := units.Parse("1 "+symbol, unit)
			if !ok || one <= zero {
				t.Errorf("1 %s is %v %s, and 0 is %v", symbol, one, unit, zero)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		mm := rapid.Float64Range(-1e5, 1e5).Draw(t, "mm")
		for _, d := range []units.Display{{}, {Imperial: true}} {
			got, ok := units.Parse(d.Short(mm), "mm")
			if !ok || math.Abs(got-mm) > 1.27+1e-9 { // half of a tenth of an inch, and half a mm
				t.Fatalf("%s came back as %v", d.Short(mm), got)
			}
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"14.4 in", "-1", "1e9", "200 °F", "\xff", "1 μm"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, unit := range []string{"mm", "°C", ""} {
			v, ok := units.Parse(text, unit)
			if math.IsNaN(v) || ok && math.IsInf(v, 0) {
				t.Errorf("%q in %q: %v", text, unit, v)
			}
			if _, err := strconv.Atoi(text); err == nil && len(text) < 15 && !ok {
				t.Errorf("%q in %q is refused", text, unit)
			}
		}
	})
}
