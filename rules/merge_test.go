package rules_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"rollwarden/rules"
	"rollwarden/rules/event"
)

// encoded is all that a reader sees of the floor and of the alarms.
func encoded(t *testing.T, v *rules.View) string {
	t.Helper()
	b, err := json.Marshal(struct{ Floor, Alarms any }{v.Floor, v.Alarms}, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The source here is the engine itself: sites that are kept in journals of their
// own and merged are what they are in one journal. The sequences are those of the
// one journal, since machines and anomalies remember them.
func TestMergedJournalsAreWhatOneJournalIs(t *testing.T) {
	sites := []string{"north", "quay", "mill"}
	site := shop(t, nil, machine("north", "heron"), machine("quay", "plover"), machine("mill", "wren"))
	whole := rules.New(site)
	parts := map[string]*rules.Engine{}
	for _, name := range sites {
		parts[name] = rules.New(site)
	}
	now, seq := start, uint64(0)
	apply := func(e event.Event) {
		seq++
		whole.Apply(seq, e)
		parts[e.Site].Apply(seq, e)
	}
	judge := func() {
		due, _ := whole.Judge(now)
		for _, e := range due {
			apply(e)
		}
	}
	serial := 0
	say := func(site, machine string, typ event.Type, p event.Payload) {
		serial++
		now = now.Add(7 * time.Second)
		apply(event.Event{ID: fmt.Sprint("e", serial), Source: "test", Type: typ, Time: now, Site: site, Machine: machine, Data: p})
		judge()
	}
	machines := map[string]string{"north": "heron", "quay": "plover", "mill": "stranger"}
	for round := range 3 {
		for i, site := range sites {
			m, job := machines[site], fmt.Sprint("KL-", round)
			say(site, event.AnyMachine, "climate.read", &event.ClimateRead{RHPct: p(float64(20 + 10*i)), TempC: p(21)})
			say(site, m, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50), ThicknessUM: p(220)})
			say(site, m, "edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseRewind})
			say(site, m, "ticket.received", &event.TicketReceived{
				Job: job, Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: p(1370), LengthM: p(3), Passes: p(12), InkDensityPct: p(100), CureC: p(93),
			})
			say(site, m, "run.queued", &event.RunQueued{Job: job})
			say(site, m, "strip.measured", &event.StripMeasured{Stock: "MONO-GLOSS-137", Axis: "feed", NominalMM: 1000, MeasuredMM: 998.5 + float64(i)/10, CureC: 93})
			say(site, m, "run.started", &event.RunStarted{Run: event.Run{Job: job}})
			if i == round {
				say(site, m, "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(300)})
			}
			say(site, m, "run.finished", &event.RunFinished{Run: event.Run{Job: job, Metres: p(3)}})
			say(site, m, "run.finished", &event.RunFinished{Run: event.Run{Job: "nobody's", Metres: p(3)}})
		}
	}
	now = now.Add(time.Minute)
	judge()
	var views []*rules.View
	for _, name := range sites {
		views = append(views, parts[name].View(now))
	}
	one, all := whole.View(now), rules.Merge(views...)
	if len(one.Alarms.Alarms) == 0 || one.Floor.Anomalies.Total["end-without-start"]+one.Floor.Anomalies.Total["end-of-other-run"] == 0 {
		t.Fatal("there are no alarms or no anomalies, so the test shows little")
	}
	if diff := cmp.Diff(encoded(t, one), encoded(t, all)); diff != "" {
		t.Errorf("one journal (-) and three (+):\n%s", diff)
	}
	for i, name := range sites {
		if all.Of(name) != views[i] {
			t.Errorf("site %s is asked of another journal", name)
		}
	}
	if all.Of("nowhere") != all {
		t.Error("a site that nobody heard of has a journal")
	}
	if rules.Merge() != nil || rules.Merge(one) != one {
		t.Error("of none there is no view, and of one it is that view")
	}
}
