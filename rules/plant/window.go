package plant

import (
	"math"

	"rollwarden/rules/units"
)

// The passes that a cure window spans: fewer cure hardly anything, and more are
// too slow to be printed in (common practice, no source).
const (
	FewestPasses = 4
	MostPasses   = 24
)

// Ceiling is a cure temperature that a recipe must not exceed.
type Ceiling struct {
	Code string  // of the hazard that lies above it
	C    float64 // °C; +Inf for no bound, -Inf where no cure is known to be cool enough
}

// Band is the cure temperatures that a number of passes leaves: from the
// coolest that cures the ink to the hottest that nothing speaks against. Both
// are finite, so that they can be drawn and written down.
type Band struct {
	Passes float64
	LowC   float64 // coolest cure that cures; math.MaxFloat64 where none does
	HighC  float64 // hottest cure below all ceilings; absolute zero where none is
	Code   string  // of the lowest ceiling; empty without one
}

// Safe reports whether there is a temperature that cures and is not too hot.
func (b Band) Safe() bool { return b.LowC <= b.HighC }

// TooCold reports whether a cure at c °C is too weak for the ink.
func (b Band) TooCold(c float64) bool { return c < b.LowC }

// TooHot reports whether a cure at c °C is above a ceiling.
func (b Band) TooHot(c float64) bool { return c > b.HighC }

// Band returns what a number of passes leaves for an ink load of densityPct
// percent.
func (m *Machine) Band(passes, densityPct float64, ceilings []Ceiling) Band {
	b := Band{Passes: passes, LowC: m.Ink.coolest(m.Dwell(passes), m.Ink.NeededDwell(densityPct)), HighC: math.MaxFloat64}
	for _, c := range ceilings {
		if c.C < b.HighC {
			b.HighC, b.Code = max(c.C, -units.ZeroCelsius), c.Code
		}
	}
	return b
}

// Window returns the band of every practical number of passes. It is empty for a
// machine whose dwell nobody knows.
func (m *Machine) Window(densityPct float64, ceilings []Ceiling) []Band {
	if m.Dwell(1) <= 0 {
		return nil
	}
	bands := make([]Band, 0, MostPasses-FewestPasses+1)
	for passes := FewestPasses; passes <= MostPasses; passes++ {
		bands = append(bands, m.Band(float64(passes), densityPct, ceilings))
	}
	return bands
}

// coolest is the temperature in °C at which a dwell of dwellS does what needS do
// at the reference. It is the Arrhenius law of EquivalentDwell solved for the
// temperature:
//
//	1/T = 1/T_ref + R/Ea · ln(dwell/need), temperatures in kelvin.
func (k Ink) coolest(dwellS, needS float64) (c float64) {
	if needS <= 0 {
		return -units.ZeroCelsius
	}
	inverse := 1/(k.ReferenceC+units.ZeroCelsius) + units.GasConstant/k.ActivationJ*math.Log(dwellS/needS)
	if dwellS <= 0 || inverse <= 0 {
		return math.MaxFloat64 // no heat makes up for so short a dwell
	}
	return 1/inverse - units.ZeroCelsius
}
