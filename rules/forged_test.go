package rules_test

import (
	"testing"

	"rollwarden/rules"
	"rollwarden/rules/event"
)

// TestNobodyUsesUpTheWatchsIDs lets a machine say something harmless under the
// source and id of each transition that the watch is about to publish. Whoever
// sends to the journal learns its sequence, and can work those ids out.
func TestNobodyUsesUpTheWatchsIDs(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.append(event.Event{ID: "t", Source: "test", Type: "ticket.received", Time: d.now, Site: "north", Machine: "heron", Data: ticket("KL-1")})
	due, _ := d.engine.Judge(d.now)
	if len(due) == 0 {
		t.Fatal("want a transition that is due")
	}
	for _, e := range due {
		for _, at := range []string{"heron", "wren"} {
			forged := event.Event{ID: e.ID, Source: rules.Source, Type: "climate.read", Time: d.now, Site: "north", Machine: at, Data: &event.ClimateRead{RHPct: p(50)}}
			d.append(forged)
		}
		if d.append(e); d.engine.View(d.now).Floor.Counts.Duplicate != 0 {
			t.Errorf("the transition of %s counts as a copy", e.Data.(*event.AlarmChanged).Hazard)
		}
	}
}
