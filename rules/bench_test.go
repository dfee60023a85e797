package rules_test

import (
	"fmt"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/plant"
)

// BenchmarkFoldAndJudge is the cost of one event in a shop of 50 machines,
// each with a running job and five in its queue: fold it, then judge.
func BenchmarkFoldAndJudge(b *testing.B) {
	machines := make([]plant.Machine, 50)
	for i := range machines {
		machines[i] = machine("north", fmt.Sprint("m", i))
	}
	d := newDesk(b, shop(b, nil, machines...))
	for _, m := range machines {
		d.sayAt("north", m.Name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(1e5), ThicknessUM: p(220)})
		d.sayAt("north", m.Name, "edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
		for i := range 6 {
			d.sayAt("north", m.Name, "ticket.received", ticket(fmt.Sprint("J", i)))
		}
		d.sayAt("north", m.Name, "run.started", &event.RunStarted{Run: run("J0", nil)})
	}
	now := start.Add(time.Minute)
	seq := d.engine.Seq()
	events := make([]event.Event, b.N)
	for i := range events {
		events[i] = event.Event{
			ID: fmt.Sprint("b", i), Source: "bench", Type: "run.progress", Time: start, Site: "north", Machine: machines[i%50].Name,
			Data: &event.RunProgress{Run: run("J0", p(float64(i)*1e-6))},
		}
		if i%3 == 0 {
			events[i].Type, events[i].Data = "climate.read", &event.ClimateRead{RHPct: p(45), TempC: p(21)}
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	for _, e := range events {
		seq++
		d.engine.Apply(seq, e)
		d.engine.Judge(now)
	}
}
