package units_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	jsonv2 "github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/units"
)

func TestConstants(t *testing.T) {
	// R = N_A k with both exact since 2019: SI Brochure, 9th edition, table 1
	// (k = 1.380649e-23 J/K, N_A = 6.02214076e23 1/mol); CODATA 2018 gives R as
	// 8.314462618... J/(mol K), exact.
	const k, avogadro = 1.380649e-23, 6.02214076e23
	if r := k * avogadro; math.Abs(r-units.GasConstant) > 1e-14 {
		t.Errorf("gas constant: want %.14f, got %.14f", r, units.GasConstant)
	}
	// t/°C = T/K - 273.15: SI Brochure, 9th edition, section 2.3.1.
	if units.ZeroCelsius != 273.15 {
		t.Errorf("0 °C: want 273.15 K, got %v", units.ZeroCelsius)
	}
	// One inch is 25.4 mm exactly: international yard and pound agreement of
	// 1959, as in NIST SP 811 (2008), appendix B.6.
	if units.MMPerInch != 25.4 || math.Abs(units.MMPerFoot-304.8) > 1e-12 {
		t.Errorf("inch and foot: want 25.4 and 304.8 mm, got %v and %v", units.MMPerInch, units.MMPerFoot)
	}
}

func TestTemperatures(t *testing.T) {
	// t/°F = 1.8 t/°C + 32: NIST SP 811 (2008), appendix B.8. Water freezes at
	// 32 °F, boils at 212 °F, and both scales meet at -40.
	for _, row := range []struct{ c, f float64 }{
		{0, 32}, {100, 212}, {-40, -40}, {70, 158}, {23, 73.4}, {50, 122}, {25, 77},
	} {
		if got := units.CToFahrenheit(row.c); math.Abs(got-row.f) > 1e-12 {
			t.Errorf("%v °C: want %v °F, got %v", row.c, row.f, got)
		}
		if got := units.FahrenheitToC(row.f); math.Abs(got-row.c) > 1e-12 {
			t.Errorf("%v °F: want %v °C, got %v", row.f, row.c, got)
		}
	}
}

func TestLengths(t *testing.T) {
	// 54 in is the usual roll width of 1.3716 m, and 60 in is 1.524 m
	// (arithmetic with the inch above).
	for _, row := range []struct{ in, mm float64 }{{54, 1371.6}, {60, 1524}, {1, 25.4}} {
		if got := row.in * units.MMPerInch; math.Abs(got-row.mm) > 1e-9 {
			t.Errorf("%v in: want %v mm, got %v", row.in, row.mm, got)
		}
		// XJDF measures in points of 1/72 in (ISO 32000-1, section 8.3.2.3, has
		// the same unit).
		if got := units.PointsToMM(row.in * 72); math.Abs(got-row.mm) > 1e-9 {
			t.Errorf("%v pt: want %v mm, got %v", row.in*72, row.mm, got)
		}
	}
}

func TestMaybeIsUnknownUntilSet(t *testing.T) {
	var m units.Maybe
	if m.Known() || m.Plus(1).Known() || m.Or(7) != 7 || m.Else(units.Some(3)) != units.Some(3) || units.From(nil).Known() {
		t.Error("the zero value passes for a known one")
	}
	v := 2.5
	if got, ok := units.From(&v).Plus(1).Get(); !ok || got != 3.5 {
		t.Errorf("want 3.5, got %v %v", got, ok)
	}
	if units.Some(0).Or(7) != 0 || units.Some(0).Else(units.Some(3)) != units.Some(0) {
		t.Error("a known 0 passes for an unknown")
	}
}

// TestMaybeRoundTrip writes and reads every finite number with both JSON
// packages, to the last bit.
func TestMaybeRoundTrip(t *testing.T) {
	type holder struct{ A, B units.Maybe }
	rapid.Check(t, func(t *rapid.T) {
		in := holder{A: units.Some(rapid.Float64().Draw(t, "v"))}
		for name, codec := range map[string]struct {
			marshal   func(any) ([]byte, error)
			unmarshal func([]byte, any) error
		}{
			"v1": {json.Marshal, json.Unmarshal},
			"v2": {func(v any) ([]byte, error) { return jsonv2.Marshal(v) }, func(b []byte, v any) error { return jsonv2.Unmarshal(b, v) }},
		} {
			b, err := codec.marshal(in)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			out := holder{B: units.Some(9)}
			if err := codec.unmarshal(b, &out); err != nil {
				t.Fatalf("%s: %s: %v", name, b, err)
			}
			if out != in {
				t.Fatalf("%s: %v came back as %v by %s", name, in, out, b)
			}
		}
	})
}

func TestMaybeRefuses(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if b, err := units.Some(v).MarshalJSON(); err == nil {
			t.Errorf("%v was written as %s", v, b)
		}
	}
	for _, text := range []string{`"3"`, `true`, `{}`, `[1]`, `1e999`, `"unknown"`} {
		var m units.Maybe
		if err := json.Unmarshal([]byte(text), &m); err == nil {
			t.Errorf("%s was read as %v", text, m)
		}
	}
}

func TestDisplay(t *testing.T) {
	metric, imperial := units.Display{}, units.Display{Fahrenheit: true, Imperial: true}
	for _, row := range []struct{ want, got string }{
		{"93 °C", metric.Temp(93.3)}, {"200 °F", imperial.Temp(93.3)},
		{"330 mm", metric.Short(330)}, {"13.0 in", imperial.Short(330)},
		{"50.0 m", metric.Long(50)}, {"164.0 ft", imperial.Long(50)},
		{"0.41 m²", metric.Area(0.411)}, {"4.42 sq ft", imperial.Area(0.411)},
	} {
		if row.want != row.got {
			t.Errorf("want %s, got %s", row.want, row.got)
		}
	}
}

func TestSecondsNeverWrapAround(t *testing.T) {
	for s, want := range map[float64]time.Duration{
		0: 0, 1.5: 1500 * time.Millisecond, -2: -2 * time.Second,
		1e10: math.MaxInt64, 1e300: math.MaxInt64, math.Inf(1): math.MaxInt64, math.Inf(-1): math.MinInt64, -1e10: math.MinInt64,
	} {
		if got := units.Seconds(s); got != want {
			t.Errorf("%v s is %v, want %v", s, got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	for _, row := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {89 * time.Second, "89 s"}, {90 * time.Second, "2 min"}, {12 * time.Minute, "12 min"}, {89 * time.Minute, "89 min"},
		{90 * time.Minute, "1.5 h"}, {35 * time.Hour, "35.0 h"}, {36 * time.Hour, "1.5 d"}, {-12 * time.Minute, "-12 min"},
		{math.MaxInt64, "106752.0 d"}, {math.MinInt64, "-106752.0 d"},
	} {
		if got := units.Span(row.d); got != row.want {
			t.Errorf("%d ns: want %s, got %s", row.d, row.want, got)
		}
	}
}

// TestMinute writes planned moments, of today and of another day.
func TestMinute(t *testing.T) {
	now := time.Date(2026, 3, 2, 7, 40, 30, 0, time.UTC)
	for _, row := range []struct {
		at                 time.Time
		twentyFour, twelve string
	}{
		{now.Add(8*time.Hour + 22*time.Minute), "16:02", "4:02 PM"},
		{now.Add(24 * time.Hour), "2026-03-03 07:40", "2026-03-03 7:40 AM"},
	} {
		if got := (units.Display{}).Minute(row.at, now); got != row.twentyFour {
			t.Errorf("want %s, got %s", row.twentyFour, got)
		}
		if got := (units.Display{Clock12: true}).Minute(row.at, now); got != row.twelve {
			t.Errorf("want %s, got %s", row.twelve, got)
		}
	}
}
