package floor_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// Every start is counted with what may tell of a strike, and a strike goes to
// the start that it ended, once.
func TestStartsAreCountedByWhatTheyLookedLike(t *testing.T) {
	c := newCrew(t)
	air := func(rh float64) { c.say("climate.read", &event.ClimateRead{RHPct: &rh}) }
	play := func(job string, strikes int, before ...func(*crew)) {
		for _, do := range before {
			do(c)
		}
		ticket(job, 3, 50)(c)
		run("run.started", job, nil)(c)
		for range strikes {
			c.say("strike.recorded", &event.StrikeRecorded{Job: job})
		}
		run("run.stopped", job, p(1))(c)
	}
	load(c)
	play("a", 1, edge(0, "rewind")) // no air was ever read
	air(34.9)
	play("b", 2, edge(0, "rewind")) // one strike, told twice
	play("c", 0, edge(0, "rewind"))
	play("d", 0, edge(0, "rewind"), by(400, "advance"))
	want := []floor.StartCount{
		{StartKind: floor.StartKind{Class: event.Monomeric, Treatment: floor.Untreated, RHPct: floor.Unmeasured, CureC: floor.Unmeasured}, Starts: 1, Strikes: 1},
		{StartKind: floor.StartKind{Class: event.Monomeric, Treatment: floor.Untreated, RHPct: 34, CureC: floor.Unmeasured}, Starts: 2, Strikes: 1},
		{StartKind: floor.StartKind{Class: event.Monomeric, Treatment: floor.Advanced, RHPct: 34, CureC: floor.Unmeasured}, Starts: 1},
	}
	if diff := cmp.Diff(want, c.heron().Tally.Kinds); diff != "" {
		t.Errorf("kinds (-want +got):\n%s", diff)
	}
}
