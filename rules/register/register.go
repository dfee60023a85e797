// Package register predicts how far a print lies from where the cutter expects
// it once the film has been through the cure, from the shop's own control
// strips where there are enough of them.
//
// What the cutter's marks take out is taken out here too: offset, rotation,
// scale and skew, which is all that is linear between two marks. A film that
// strained evenly would therefore cut true. It does not, since heat and tension
// are uneven, and so a share of the strain is taken to bow between the marks as
// a parabola that is zero at both of them:
//
//	bow(x) = 4 · share · |strain| · span · (x/span) · (1 - x/span)
//
// It is largest half way, where share · |strain| · span stays. The span is the
// spacing of the marks on both axes: the length and the width of a job bear on
// it only in that marks stand no further apart than these. The share is an
// assumption until a shop measures it: the class of the film gives the strain,
// control strips give it better, and neither says how evenly it is spread.
package register

import (
	"fmt"
	"math"

	"rollwarden/rules/film"
)

// ClassDefault is what a Model rests on for film without control strips: the strain
// per °C of the film's class, and how much of it stays.
type ClassDefault struct {
	Share float64 // uncompensated share of the strain, 0 to 1
}

// Basis says what the prediction for a film rests on.
func (c ClassDefault) Basis(f *film.Film) string {
	return "class default, no control strips yet: " + ofClass(f)
}

func ofClass(f *film.Film) string {
	return fmt.Sprintf("%.4f %%/°C above %.0f °C", 100*math.Abs(f.StrainPerC), f.OnsetC)
}

// Bow returns how far the print lies off, in mm, atMM from a mark when the next
// one is spanMM away and share of the strain stays between them. Outside of the
// marks nothing is known, and the bow is the largest one.
func Bow(share, strain, spanMM, atMM float64) (mm float64) {
	most := share * math.Abs(strain) * spanMM
	if atMM < 0 || atMM > spanMM || spanMM <= 0 {
		return most
	}
	at := atMM / spanMM
	return 4 * most * at * (1 - at)
}

// PercentChange is the dimensional change of ISO 11501, in percent of the length
// before heating: 100·(after - before)/before, negative where film shrinks.
func PercentChange(before, after float64) float64 { return 100 * (after - before) / before }
