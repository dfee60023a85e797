// Package units holds the conversions at the edges of Rollwarden, the physical
// constants it needs, and the type for a value that may be unknown.
//
// Inside, everything is SI with fixed scales that the names carry: mm, m, m²,
// µm, °C, s. Fahrenheit, feet, inches and money formats exist only here and on
// what a person reads.
package units

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// GasConstant is the molar gas constant R in J/(mol·K). It is exact since the
// 2019 revision of the SI (CODATA 2018).
const GasConstant = 8.31446261815324

// ZeroCelsius is 0 °C in kelvin, exact by definition.
const ZeroCelsius = 273.15

// MMPerInch is exact by the international inch of 1959.
const MMPerInch = 25.4

// MMPerFoot is twelve inches.
const MMPerFoot = 12 * MMPerInch

// UMPerMil is a thousandth of an inch.
const UMPerMil = MMPerInch

// PointsPerInch is the size of the desktop-publishing point that XJDF uses.
const PointsPerInch = 72

// PointsToMM converts desktop-publishing points to millimetres.
func PointsToMM(pt float64) float64 { return pt * MMPerInch / PointsPerInch }

// FahrenheitToC converts °F to °C.
func FahrenheitToC(f float64) float64 { return (f - 32) / 1.8 }

// CToFahrenheit converts °C to °F.
func CToFahrenheit(c float64) float64 { return c*1.8 + 32 }

// Maybe is a number that may be unknown. The zero value is unknown, so that
// forgetting to set a value can never pass for a safe one.
type Maybe struct {
	v  float64
	ok bool
}

// Some is a known value.
func Some(v float64) Maybe { return Maybe{v, true} }

// From reads an optional payload field; nil is unknown.
func From(p *float64) Maybe {
	if p == nil {
		return Maybe{}
	}
	return Some(*p)
}

// Get returns the value and whether it is known.
func (m Maybe) Get() (float64, bool) { return m.v, m.ok }

// Known reports whether there is a value.
func (m Maybe) Known() bool { return m.ok }

// Or returns the value, or other when it is unknown.
func (m Maybe) Or(other float64) float64 {
	if m.ok {
		return m.v
	}
	return other
}

// Plus adds d to a known value; an unknown one stays unknown.
func (m Maybe) Plus(d float64) Maybe {
	if !m.ok {
		return m
	}
	return Some(m.v + d)
}

// Else returns m if it is known, and other if not.
func (m Maybe) Else(other Maybe) Maybe {
	if m.ok {
		return m
	}
	return other
}

// MarshalJSON writes the number, or null when it is unknown.
func (m Maybe) MarshalJSON() ([]byte, error) {
	if !m.ok {
		return []byte("null"), nil
	}
	if math.IsNaN(m.v) || math.IsInf(m.v, 0) {
		return nil, fmt.Errorf("cannot write %v as JSON", m.v)
	}
	return strconv.AppendFloat(nil, m.v, 'g', -1, 64), nil
}

// UnmarshalJSON reads a number or null.
func (m *Maybe) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*m = Maybe{}
		return nil
	}
	v, err := strconv.ParseFloat(string(data), 64)
	if err != nil {
		return fmt.Errorf("want a number or null, got %q", data)
	}
	*m = Some(v)
	return nil
}

// Display says how a person wants to read values. The zero value is metric, with
// times of day in 24 hours.
type Display struct {
	Fahrenheit bool // temperatures in °F
	Imperial   bool // lengths in inches and feet, thicknesses in mil
	Clock12    bool // times of day with a.m. and p.m. instead of 24 hours
}

// Temp formats a temperature given in °C.
func (d Display) Temp(c float64) string {
	if d.Fahrenheit {
		return fmt.Sprintf("%.0f °F", CToFahrenheit(c))
	}
	return fmt.Sprintf("%.0f °C", c)
}

// Short formats a machine-sized length given in mm.
func (d Display) Short(mm float64) string {
	if d.Imperial {
		return fmt.Sprintf("%.1f in", mm/MMPerInch)
	}
	return fmt.Sprintf("%.0f mm", mm)
}

// Long formats a roll-sized length given in m.
func (d Display) Long(m float64) string {
	if d.Imperial {
		return fmt.Sprintf("%.1f ft", m*1000/MMPerFoot)
	}
	return fmt.Sprintf("%.1f m", m)
}

// Area formats an area given in m².
func (d Display) Area(m2 float64) string {
	if d.Imperial {
		return fmt.Sprintf("%.2f sq ft", m2*1e6/(MMPerFoot*MMPerFoot))
	}
	return fmt.Sprintf("%.2f m²", m2)
}

// Minute formats a planned moment, which has no seconds, with its date unless it
// is that of now. Both are in the reader's zone.
func (d Display) Minute(t, now time.Time) string {
	clock := "15:04"
	if d.Clock12 {
		clock = "3:04 PM"
	}
	if t.Format(time.DateOnly) != now.Format(time.DateOnly) {
		clock = time.DateOnly + " " + clock
	}
	return t.Format(clock)
}

// Seconds is a number of seconds as a duration. What no duration can hold, which
// is 292 years, becomes the longest one instead of wrapping around into the past.
func Seconds(s float64) time.Duration {
	if d := s * float64(time.Second); math.Abs(d) < math.MaxInt64 {
		return time.Duration(d)
	}
	if s < 0 {
		return math.MinInt64
	}
	return math.MaxInt64
}

// Span formats a duration as a person would say it, for example "12 min".
func Span(d time.Duration) string {
	switch {
	case d < 0:
		return "-" + Span(d.Abs())
	case d < 90*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 90*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 36*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.1f d", d.Hours()/24)
}
