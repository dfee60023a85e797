package rules_test

import (
	"testing"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// TestTheAlarmAndTheOperatorsPageNameOneAdvance tapes a leader of 100 mm on, too
// short: its end lies at 200 mm, and cure exit and margin at 365 mm. A longer
// leader starts at the edge, because the short one is taken off first.
func TestTheAlarmAndTheOperatorsPageNameOneAdvance(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(100)
	d.say("leader.attached", &event.LeaderAttached{LengthMM: 100, ThicknessUM: p(120)})
	alarms := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	if len(alarms) != 1 {
		t.Fatalf("%d alarms of a bare edge, want one", len(alarms))
	}
	for code, want := range map[string]string{"advance": "advance the film 165 mm", "leader": "tape on a leader of 265 mm"} {
		for _, r := range alarms[0].Remedies {
			if r.Code == code && r.Text != want {
				t.Errorf("the alarm says %q, want %q", r.Text, want)
			}
		}
	}
	for _, e := range alarms[0].Evidence {
		if e.Name == "leader" && e.Limit != "needed 265 mm" {
			t.Errorf("of the leader the alarm says %q, want what a new one needs", e.Limit)
		}
	}
	r := rules.Read(site, d.engine.View(d.now))
	if mm, known := r.ClearAdvance(d.now, "north", "heron"); mm != 165 || !known {
		t.Errorf("the operator's page says %g mm, known %t; want 165 mm", mm, known)
	}
	dec, _ := r.Decide(d.now, "north", "heron")
	for _, o := range dec.Options {
		if reach, known := o.Reach.Get(); (o.Code == "advance" || o.Code == "leader") && (reach != 365 || !known) {
			t.Errorf("%s reaches %g mm, want 365 mm", o.Code, reach)
		}
	}
}
