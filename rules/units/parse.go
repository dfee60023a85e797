package units

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// scale is one way to write a quantity: one of the unit is factor times the
// base unit, after zero was taken off.
type scale struct {
	symbols      []string // as people write it, without regard to case; the usual one first
	factor, zero float64
}

// dimension is a kind of quantity, with the units that a person may write it
// in. The factors to SI are those of NIST SP 811 (2008), appendix B.8, and all
// exact.
type dimension struct {
	base   []string // the units that the inside of Rollwarden uses for it
	scales []scale
}

// dimensions in their order of trial; each scale leads to the first base unit.
var dimensions = []dimension{
	{[]string{"m", "mm", "µm"}, []scale{
		{symbols: []string{"mm"}, factor: 0.001},
		{symbols: []string{"m"}, factor: 1},
		{symbols: []string{"cm"}, factor: 0.01},
		{symbols: []string{"µm", "μm", "um"}, factor: 1e-6}, // U+00B5 and U+03BC look alike
		{symbols: []string{"in", "inch", "inches", `"`, "″"}, factor: MMPerInch / 1000},
		{symbols: []string{"ft", "foot", "feet", "'", "′"}, factor: MMPerFoot / 1000},
		{symbols: []string{"yd", "yard", "yards"}, factor: 0.9144},
		{symbols: []string{"mil", "thou"}, factor: MMPerInch / 1e6},
	}},
	{[]string{"°C"}, []scale{
		{symbols: []string{"°C", "℃", "C"}, factor: 1},
		{symbols: []string{"°F", "℉", "F"}, factor: 1 / 1.8, zero: 32},
		{symbols: []string{"K"}, factor: 1, zero: ZeroCelsius},
	}},
	{[]string{"m²"}, []scale{
		{symbols: []string{"m²", "m2"}, factor: 1},
		{symbols: []string{"ft²", "ft2", "sq ft"}, factor: MMPerFoot * MMPerFoot / 1e6},
	}},
	{[]string{"s"}, []scale{
		{symbols: []string{"s"}, factor: 1},
		{symbols: []string{"min"}, factor: 60},
		{symbols: []string{"h"}, factor: 3600},
	}},
	{[]string{"percent"}, []scale{{symbols: []string{"%", "percent"}, factor: 1}}},
}

// Parse reads a number with or without a unit behind it, as in "14.4 in", and
// returns it in the given unit: that of a field's name, such as mm, m, µm, °C
// or s, or empty for a count. A number without a unit is in that unit already.
// It is false for anything else, and for a unit of another kind.
func Parse(text, unit string) (float64, bool) {
	text = strings.TrimSpace(text)
	number := text[:len(text)-len(strings.TrimLeft(text, "+-.0123456789"))]
	if rest := text[len(number):]; isExponent(rest) {
		return 0, false // nobody writes a length as 1e3, and 1e999 is no number
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return 0, false
	}
	symbol := strings.TrimSpace(text[len(number):])
	if symbol == "" {
		return v, true
	}
	from, ok := find(unit, symbol)
	if !ok {
		return 0, false
	}
	to, _ := find(unit, unit)
	v = round((v - from.zero) * from.factor / to.factor)
	return v, !math.IsInf(v, 0)
}

// round keeps twelve digits, more than anybody measures, so that 14.4 in is
// 365.76 mm and not what binary fractions make of it.
func round(v float64) float64 {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	return rounded
}

// isExponent reports whether an e is followed by a digit or a sign.
func isExponent(s string) bool {
	return len(s) > 1 && (s[0] == 'e' || s[0] == 'E') && strings.ContainsRune("+-0123456789", rune(s[1]))
}

// find returns the scale of a symbol among those that measure what unit does.
func find(unit, symbol string) (scale, bool) {
	for _, s := range scalesOf(unit) {
		if slices.ContainsFunc(s.symbols, func(o string) bool { return strings.EqualFold(o, symbol) }) {
			return s, true
		}
	}
	return scale{}, false
}

func scalesOf(unit string) []scale {
	for _, d := range dimensions {
		if slices.Contains(d.base, unit) {
			return d.scales
		}
	}
	return nil
}

// Symbols lists the units that Parse reads where a value is wanted in the given
// one, each in its usual spelling.
func Symbols(unit string) []string {
	var all []string
	for _, s := range scalesOf(unit) {
		all = append(all, s.symbols[0])
	}
	return all
}
