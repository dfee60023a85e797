package floor_test

import (
	"fmt"
	"testing"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// A long queue is searched by an index that follows it. Whatever happens to the
// queue, the state is the one of a floor that is saved and loaded after every
// event and so never has an index to follow.
func TestALongQueueIsSearchedAsAShortOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		follows, afresh := floor.New(), floor.New()
		say := func(seq uint64, typ event.Type, d event.Payload) {
			e := event.Event{ID: fmt.Sprint("e", seq), Type: typ, Time: start, Site: "north", Machine: "heron", Data: d}
			follows.Apply(seq, e)
			saved := stateJSON(t, afresh)
			afresh = floor.New()
			if err := json.Unmarshal(saved, afresh); err != nil {
				t.Fatal(err)
			}
			afresh.Apply(seq, e)
		}
		seq := uint64(0)
		for ; seq < 70; seq++ {
			e := event.Event{ID: fmt.Sprint("e", seq), Type: "run.queued", Time: start, Site: "north", Machine: "heron", Data: &event.RunQueued{Job: fmt.Sprint("J", seq)}}
			follows.Apply(seq, e)
			afresh.Apply(seq, e)
		}
		job := rapid.IntRange(55, 85)
		name := func(what string) string { return fmt.Sprint("J", job.Draw(t, what)) }
		for range rapid.IntRange(1, 25).Draw(t, "events") {
			switch rapid.IntRange(0, 6).Draw(t, "what") {
			case 0:
				say(seq, "run.queued", &event.RunQueued{Job: name("queued"), Position: maybe(t, 1, 90, "place")})
			case 1:
				say(seq, "run.started", &event.RunStarted{Run: event.Run{Job: name("started")}})
			case 2:
				say(seq, "run.finished", &event.RunFinished{Run: event.Run{Job: name("finished")}})
			case 3:
				say(seq, "ticket.received", &event.TicketReceived{Job: name("ticket")})
			case 4:
				say(seq, "ticket.withdrawn", &event.TicketWithdrawn{Job: name("withdrawn")})
			case 5:
				say(seq, "advice.accepted", &event.AdviceAccepted{By: "ada", Job: name("advised"), Remedy: "leader", Order: []string{name("order")}})
			case 6:
				say(seq, "entry.undone", &event.EntryUndone{By: "ada", Event: fmt.Sprint("e", seq-1), Type: "run.started"})
			}
			seq++
		}
		if got, want := stateJSON(t, follows), stateJSON(t, afresh); string(got) != string(want) {
			t.Fatalf("want\n%s\ngot\n%s", want, got)
		}
	})
}
