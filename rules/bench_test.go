package rules_test

import (
	"fmt"
	"strconv"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/plant"
)

// BenchmarkFoldAndJudge is the cost of one event in a shop of 50 machines, each
// with a running job and some in its queue: make it, fold it, judge.
func BenchmarkFoldAndJudge(b *testing.B) {
	for _, queued := range []int{2, 5, 20} {
		b.Run(fmt.Sprintf("queued=%d", queued), func(b *testing.B) { foldAndJudge(b, queued) })
	}
}

func foldAndJudge(b *testing.B, queued int) {
	machines := make([]plant.Machine, 50)
	for i := range machines {
		machines[i] = machine("north", fmt.Sprint("m", i))
	}
	d := newDesk(b, shop(b, nil, machines...))
	for _, m := range machines {
		d.sayAt("north", m.Name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(1e5), ThicknessUM: p(220)})
		d.sayAt("north", m.Name, "edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
		for i := range queued + 1 {
			d.sayAt("north", m.Name, "ticket.received", ticket(fmt.Sprint("J", i)))
		}
		d.sayAt("north", m.Name, "run.started", &event.RunStarted{Run: run("J0", nil)})
	}
	now := start.Add(time.Minute)
	seq := d.engine.Seq()
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		e := event.Event{
			ID: strconv.Itoa(i), Source: "bench", Type: "run.progress", Time: start, Site: "north", Machine: machines[i%50].Name,
			Data: &event.RunProgress{Run: run("J0", p(float64(i)*1e-6))},
		}
		if i%3 == 0 {
			e.Type, e.Data = "climate.read", &event.ClimateRead{RHPct: p(45), TempC: p(21)}
		}
		seq++
		d.engine.Apply(seq, e)
		d.engine.Judge(now)
	}
}
