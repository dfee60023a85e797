// Package register predicts how far a print lies from where the cutter expects
// it once the film has been through the cure. What the cutter's marks take out
// is taken out here too; the residual is what is left.
package register

import (
	"fmt"
	"math"

	"rollwarden/rules/film"
)

// ClassDefault predicts from the film's strain per °C alone, before a shop has
// measured control strips. The cutter's mark compensation removes what is
// linear; Share of the strain is taken to bow between the marks and to stay.
type ClassDefault struct {
	Share float64 // uncompensated share of the strain, 0 to 1
}

// Residual returns the print-to-cut residual, in mm, half way between marks
// that are spacingMM apart, after a cure at cureC °C.
func (c ClassDefault) Residual(f film.Film, cureC, _, spacingMM float64) (mm float64) {
	return math.Abs(f.Strain(cureC)) * spacingMM * c.Share
}

// Basis says what the prediction for a film rests on.
func (c ClassDefault) Basis(f film.Film) string {
	return fmt.Sprintf("class default, no control strips yet: %.4f %%/°C above %.0f °C", 100*math.Abs(f.StrainPerC), f.OnsetC)
}
