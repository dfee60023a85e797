package risk

import "rollwarden/rules/units"

// Band is a range of humidity or of cure temperature. Starts within one band
// count as alike. A band nobody named is unknown.
type Band string

// UnknownBand holds the starts for which nobody read the value. It collects
// starts of its own, and begins with the odds of the worst band.
const UnknownBand Band = "unknown"

// Bands of relative humidity. Static builds up in dry air and lifts film; the
// limits are common practice, no source.
const (
	Dry   Band = "dry"   // below 35 %
	Usual Band = "usual" // 35 to 55 %
	Humid Band = "humid" // above 55 %
)

// Bands of cure temperature. Film curls more the hotter it gets; the limits
// are common practice, no source.
const (
	Cool Band = "below 90 °C"
	Warm Band = "90 to 100 °C"
	Hot  Band = "above 100 °C"
)

const (
	usualRHPct, humidRHPct = 35.0, 55.0
	warmC, hotC            = 90.0, 100.0
)

// RHBand returns the band of a relative humidity in percent. What no humidity
// can be, counts as unknown.
func RHBand(rhPct units.Maybe) Band {
	switch v, known := rhPct.Get(); {
	case !known || !(0 <= v && v <= 100):
		return UnknownBand
	case v < usualRHPct:
		return Dry
	case v <= humidRHPct:
		return Usual
	}
	return Humid
}

// CureBand returns the band of a cure temperature in °C. What no temperature
// can be, counts as unknown.
func CureBand(cureC units.Maybe) Band {
	switch v, known := cureC.Get(); {
	case !known || !(-units.ZeroCelsius <= v && v <= 1000):
		return UnknownBand
	case v < warmC:
		return Cool
	case v <= hotC:
		return Warm
	}
	return Hot
}

// driest is the humidity of a band at which the prior is at its worst.
func driest(b Band) units.Maybe {
	switch b {
	case Dry:
		return units.Some(0)
	case Usual:
		return units.Some(usualRHPct)
	case Humid:
		return units.Some(humidRHPct)
	}
	return units.Maybe{}
}
