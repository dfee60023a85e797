package rules_test

import (
	"slices"
	"testing"

	"rollwarden/rules/event"
)

// TestWhatAMachineSaysOfItselfSettlesNothing lets a machine that struck its film
// and has a bare edge say everything that it can say of itself: no alarm moves.
func TestWhatAMachineSaysOfItselfSettlesNothing(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("strike.recorded", &event.StrikeRecorded{})
	d.say("climate.read", &event.ClimateRead{RHPct: p(20)})
	if raised := d.say("ticket.received", ticket("J1")); len(raised) == 0 {
		t.Fatal("nothing to settle")
	}
	states := []string{event.MachineIdle, event.MachineProcessing, event.MachineStopped}
	for _, state := range slices.Concat(states, states) {
		for _, reasons := range [][]string{nil, {"none"}, {"media-jam-error"}, {"media-empty"}} {
			if got := d.say("machine.reported", &event.MachineReported{State: state, Reasons: reasons}); len(got) > 0 {
				t.Errorf("%s %v: %s", state, reasons, path(got))
			}
		}
	}
}
