package plant

import (
	"math"

	"rollwarden/rules/units"
)

// Ink describes how an ink family cures and rests.
type Ink struct {
	Family        string
	ActivationJ   float64 // activation energy, J/mol
	ReferenceC    float64 // temperature at which the dwell below is enough, °C
	NeedS         float64 // dwell needed at the reference and 100 % density, s
	RestLaminateS float64 // rest before laminating, s
	RestCutS      float64 // rest before cutting, s
}

// DefaultInk is a heat-cured water-based family. Reference temperature and
// dwell make 12 passes at about 200 °F enough for a full ink load and 8 passes
// too little, which is common practice (no source). The activation energy is a
// value from memory for drying and film forming of polymer dispersions.
var DefaultInk = Ink{
	Family: "water-based heat-cured", ActivationJ: 60e3,
	ReferenceC: 93, NeedS: 40, RestLaminateS: 2 * 3600, RestCutS: 0,
}

// EquivalentDwell returns the dwell at the reference temperature, in s, that
// does the same as dwellS at c °C, by the Arrhenius law
//
//	t_ref = t · exp(-Ea/R · (1/T - 1/T_ref)), temperatures in kelvin.
func (k Ink) EquivalentDwell(dwellS, c float64) float64 {
	t, ref := c+units.ZeroCelsius, k.ReferenceC+units.ZeroCelsius
	return dwellS * math.Exp(-k.ActivationJ/units.GasConstant*(1/t-1/ref))
}

// NeededDwell returns the dwell at the reference temperature, in s, that an
// ink load of densityPct percent needs.
func (k Ink) NeededDwell(densityPct float64) float64 { return k.NeedS * densityPct / 100 }
