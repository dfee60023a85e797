package demo

import (
	"math"

	"rollwarden/rules/event"
)

// The world's truth about lifting edges. The rules never see it: it decides
// what happens, and afterwards how good the advice was. Its figures are made
// up, in the order that common practice gives (no source): cheap film lifts,
// more so with heat and in dry air, and better film hardly ever does.

// start is what nature looks at when an edge enters the cure zone.
type start struct {
	class   event.Class
	cureC   float64
	rhPct   float64
	settled bool // edge, or leader, past the cure exit before the fans came on
	shaped  bool
}

// stiffness is the log-odds of a strike for a bare edge at 93 °C and 50 %
// relative humidity.
var stiffness = map[event.Class]float64{event.Monomeric: -1.7, event.Polymeric: -6, event.Cast: -6.5}

// strikes is the probability that the start ends in a head strike.
func (s start) strikes() float64 {
	base, known := stiffness[s.class]
	if s.settled || !known {
		return 0
	}
	odds := base + 0.04*(s.cureC-93) + 0.04*math.Max(0, 50-s.rhPct)
	if s.shaped {
		odds -= 0.5
	}
	return 1 / (1 + math.Exp(-odds))
}
