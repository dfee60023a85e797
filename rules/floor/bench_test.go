package floor_test

import (
	"fmt"
	"testing"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// BenchmarkLongQueue is a run that joins a long queue, and one that leaves it,
// while a reader looks after each event.
func BenchmarkLongQueue(b *testing.B) {
	for _, runs := range []int{20, 2000} {
		b.Run(fmt.Sprint("runs=", runs), func(b *testing.B) {
			s := floor.New()
			say := func(i int, typ event.Type, d event.Payload) {
				s.Apply(uint64(i), event.Event{ID: fmt.Sprint(typ, i), Type: typ, Time: start, Site: "north", Machine: "heron", Data: d})
				s.Snapshot()
			}
			join := func(i int) { say(i, "run.queued", &event.RunQueued{Job: fmt.Sprint("J", i)}) }
			for i := range runs {
				join(i)
			}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				r := event.Run{Job: fmt.Sprint("J", i)}
				join(runs + i)
				say(i, "run.started", &event.RunStarted{Run: r})
				say(i, "run.finished", &event.RunFinished{Run: r})
			}
		})
	}
}

// BenchmarkAcceptOrder puts a long queue into another order, as a whole.
func BenchmarkAcceptOrder(b *testing.B) {
	for _, runs := range []int{20, 2000} {
		b.Run(fmt.Sprint("runs=", runs), func(b *testing.B) {
			s, order := floor.New(), make([]string, runs)
			for i := range runs {
				e := event.Event{Type: "run.queued", Time: start, Site: "north", Machine: "heron", Data: &event.RunQueued{Job: fmt.Sprint("J", i), Part: "P1"}}
				s.Apply(uint64(i), e)
				order[runs-1-i] = fmt.Sprintf("J%d/P1", i)
			}
			e := event.Event{Type: "advice.accepted", Time: start, Site: "north", Machine: "heron", Data: &event.AdviceAccepted{By: "ada", Order: order}}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				s.Apply(uint64(runs+i), e)
			}
		})
	}
}
