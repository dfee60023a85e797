package rules_test

import (
	"fmt"
	"testing"

	"rollwarden/rules/event"
)

// The common reports leave no work for the garbage collector: to fold and judge one
// of progress makes the running run anew, which readers may share, and nothing else.
func TestAllocationsOfACommonReport(t *testing.T) {
	for _, c := range []struct {
		typ  event.Type
		data func(i int) event.Payload
		want float64
	}{
		{"run.progress", func(i int) event.Payload { return &event.RunProgress{Run: run("J0", p(float64(i)*1e-6))} }, 1},
		{"climate.read", func(int) event.Payload { return &event.ClimateRead{RHPct: p(45), TempC: p(21)} }, 0},
	} {
		const runs = 1000
		d := newDesk(t, shop(t, nil))
		d.monoRoll(400)
		for i := range 6 {
			d.say("ticket.received", ticket(fmt.Sprint("J", i)))
		}
		d.say("run.started", &event.RunStarted{Run: run("J0", nil)})
		reports := make([]event.Event, runs+1) // AllocsPerRun tries once before it counts
		for i := range reports {
			reports[i] = event.Event{ID: fmt.Sprint(c.typ, i), Source: "test", Type: c.typ, Time: d.now, Site: "north", Machine: "heron", Data: c.data(i)}
		}
		seq, next := d.engine.Seq(), 0
		got := testing.AllocsPerRun(runs, func() {
			seq++
			d.engine.Apply(seq, reports[next])
			next++
			if due, _ := d.engine.Judge(d.now); len(due) > 0 {
				t.Errorf("%s raised %d alarms: the floor is not as quiet as it should be", c.typ, len(due))
			}
		})
		if got != c.want {
			t.Errorf("%s: %v allocations, want %v", c.typ, got, c.want)
		}
	}
}
