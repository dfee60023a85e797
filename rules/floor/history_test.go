package floor_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// minutes is a time of the crew's: its clock is a minute on at each event.
func minutes(n int) time.Time { return start.Add(time.Duration(n) * time.Minute) }

var nearly = cmpopts.EquateApprox(0, 1e-9)

// TestTimeline tells a morning and reads it back from the marks. Areas are lengths
// times 1.37 m of width.
func TestTimeline(t *testing.T) {
	c := newCrew(t)
	for _, do := range []func(*crew){
		load, edge(0, "rewind"), ticket("a", 3, 50), ticket("b", 2, 50), // 1 to 4
		by(400, "advance"), run("run.started", "a", nil), run("run.progress", "a", p(1)), run("run.finished", "a", nil), // 5 to 8
		cut("a", true, p(200)), shape, leader(300), func(c *crew) { c.say("leader.removed", &event.LeaderRemoved{}) }, by(-20, "trim"), // 9 to 13
		run("run.started", "b", nil), strike, // 14, 15
		func(c *crew) {
			c.say("run.stopped", &event.RunStopped{Run: event.Run{Job: "b", Metres: p(0.5), Reason: "banding"}})
		}, // 16
		headCheck(true, false), // 17
		func(c *crew) { c.say("film.wasted", &event.FilmWasted{LengthM: 2, Cause: "head-strike"}) }, // 18
		func(c *crew) {
			c.say("job.reprinted", &event.JobReprinted{Job: "b", Cause: "misprint", Copies: p(4)})
		}, // 19
		run("run.finished", "c", p(1)),                                // 20: nobody saw it start
		func(c *crew) { c.say("roll.removed", &event.RollRemoved{}) }, // 21
	} {
		do(c)
	}
	want := []floor.Mark{
		{At: minutes(1), Kind: "roll", Value: 50, Cause: "MONO-GLOSS-137", ID: "1"},
		{At: minutes(5), Kind: "advance", Value: 0.4 * 1.37, ID: "5"},
		{At: minutes(6), Until: minutes(8), Kind: "run", Job: "a", Value: 3 * 1.37, Cause: "finished", ID: "6"},
		{At: minutes(9), Kind: "cut", Job: "a", Cause: "rewind", ID: "9"},
		{At: minutes(10), Kind: "shape", Cause: "rounded", ID: "10"},
		{At: minutes(11), Kind: "leader", Value: 300, ID: "11"},
		{At: minutes(12), Kind: "leader-off", Value: 300, ID: "12"},
		{At: minutes(13), Kind: "trim", Value: 0.02 * 1.37, ID: "13"},
		{At: minutes(14), Until: minutes(16), Kind: "run", Job: "b", Value: 0.5 * 1.37, Cause: "stopped", ID: "14"},
		{At: minutes(15), Kind: "strike", Job: "b", Value: 60, ID: "15"},
		{At: minutes(16), Kind: "stop", Job: "b", Cause: "banding", ID: "16"},
		{At: minutes(17), Kind: "check", Cause: "not-well", ID: "17"},
		{At: minutes(18), Kind: "waste", Value: 2 * 1.37, Cause: "head-strike", ID: "18"},
		{At: minutes(19), Kind: "reprint", Job: "b", Value: 4, Cause: "misprint", ID: "19"},
		{At: minutes(20), Until: minutes(20), Kind: "run", Job: "c", Value: 1.37, Cause: "finished", ID: "20"},
		{At: minutes(21), Kind: "roll-off", Value: 50 - 0.4 - 3 + 0.2 - 0.5 - 1, Cause: "MONO-GLOSS-137", ID: "21"},
	}
	if diff := cmp.Diff(want, c.heron().Marks, nearly); diff != "" {
		t.Errorf("marks (-want +got):\n%s", diff)
	}
	told := map[string]bool{}
	for _, k := range c.heron().Marks {
		told[k.Kind] = true
	}
	for _, k := range floor.MarkKinds {
		if !told[k.Code] || k.Doc == "" {
			t.Errorf("the morning does not tell of %s: %s", k.Code, k.Doc)
		}
	}
	if len(told) != len(floor.MarkKinds) {
		t.Errorf("%d kinds of marks were made, and %d are in the table", len(told), len(floor.MarkKinds))
	}
}

// TestMarksOfOpenRuns shows how a run stands on the timeline while it is on, and
// when its end was missed.
func TestMarksOfOpenRuns(t *testing.T) {
	c := newCrew(t)
	for _, do := range []func(*crew){load, ticket("a", 3, 50), ticket("b", 3, 50), run("run.started", "a", p(1)), run("run.started", "b", nil)} {
		do(c)
	}
	want := []floor.Mark{
		{At: minutes(4), Until: minutes(5), Kind: "run", Job: "a", Value: 1.37, Cause: "lost", ID: "4"},
		{At: minutes(5), Kind: "run", Job: "b", ID: "5"},
	}
	if diff := cmp.Diff(want, c.heron().Marks[1:], nearly); diff != "" {
		t.Errorf("marks (-want +got):\n%s", diff)
	}
}

// TestMarksAreBounded lets the oldest go: for want of room, which is counted, and
// for their age.
func TestMarksAreBounded(t *testing.T) {
	c := newCrew(t)
	for range 250 {
		shape(c)
	}
	early := c.Snapshot()
	before := stateJSON(t, early)
	for range 50 {
		shape(c)
	}
	m := c.heron()
	if len(m.Marks) != 256 || m.MarksLost != 44 || m.Marks[0].ID != "45" || m.Marks[255].ID != "300" {
		t.Errorf("want the newest 256 of 300 and 44 counted as lost, got %d from %s on and %d lost", len(m.Marks), m.Marks[0].ID, m.MarksLost)
	}
	if string(before) != string(stateJSON(t, early)) {
		t.Error("a snapshot's marks changed under its reader")
	}
	c.at = minutes(36*60 + 300 - 1)
	shape(c) // 36 hours after the last one, to the minute
	if m := c.heron(); len(m.Marks) != 2 || m.MarksLost != 44 {
		t.Errorf("36 hours later: want the last mark and the new one, and none lost, got %d and %d lost", len(m.Marks), m.MarksLost)
	}
}

// TestPaces keeps what a machine's speed can be learnt from: runs that were seen
// from start to finish and went well.
func TestPaces(t *testing.T) {
	c := newCrew(t)
	load(c)
	told := func(job string) {
		c.say("ticket.received", &event.TicketReceived{Job: job, LengthM: p(3), Passes: p(12)})
	}
	told("a")
	run("run.started", "a", nil)(c) // 3
	run("run.progress", "a", p(1))(c)
	run("run.finished", "a", nil)(c) // 5
	told("b")
	run("run.started", "b", nil)(c)
	run("run.stopped", "b", p(1))(c)
	told("c")
	run("run.started", "c", nil)(c)
	strike(c)
	run("run.finished", "c", p(3))(c)
	run("run.finished", "unseen", p(3))(c)
	queue("d", nil)(c)
	run("run.started", "d", nil)(c)
	run("run.finished", "d", nil)(c) // 16
	want := []floor.FinishedRun{
		{At: minutes(5), Seconds: 120, LengthM: units.Some(3), WidthMM: units.Some(1370), Passes: units.Some(12), ID: "5"},
		{At: minutes(16), Seconds: 60, WidthMM: units.Some(1370), ID: "16"},
	}
	if diff := cmp.Diff(want, c.heron().Paces, cmp.AllowUnexported(units.Maybe{})); diff != "" {
		t.Errorf("paces (-want +got):\n%s", diff)
	}
	for i := range 100 {
		job := fmt.Sprint("j", i)
		run("run.started", job, nil)(c)
		run("run.finished", job, p(1))(c)
	}
	if n := len(c.heron().Paces); n != 64 || c.heron().Paces[63].ID != "216" {
		t.Errorf("want the newest 64, got %d up to %s", n, c.heron().Paces[n-1].ID)
	}
}

// TestStrips are kept by stock: of each the newest 200, and of 64 stocks.
func TestStrips(t *testing.T) {
	c := newCrew(t)
	strip("POLY-GLOSS-137", 499)(c)
	load(c)
	c.say("strip.measured", &event.StripMeasured{Axis: "cross", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93, Passes: p(12)})
	want := map[string][]floor.Strip{
		"POLY-GLOSS-137": {{At: minutes(1), Machine: "heron", Stock: "POLY-GLOSS-137", Axis: "feed", NominalMM: 500, MeasuredMM: 499, CureC: 93, ID: "1"}},
		"MONO-GLOSS-137": {{At: minutes(3), Machine: "heron", Stock: "MONO-GLOSS-137", Axis: "cross", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93, Passes: units.Some(12), ID: "3"}},
	}
	if diff := cmp.Diff(want, c.Strips, cmp.AllowUnexported(units.Maybe{})); diff != "" {
		t.Errorf("strips (-want +got):\n%s", diff)
	}
	early := c.Snapshot()
	for range 250 {
		strip("POLY-GLOSS-137", 500)(c)
	}
	if list := c.Strips["POLY-GLOSS-137"]; len(list) != 200 || list[0].ID != "54" || list[199].ID != "253" {
		t.Errorf("want the newest 200 of a stock, got %d from %s on", len(list), list[0].ID)
	}
	for i := range 63 {
		strip(fmt.Sprint("S", i), 500)(c)
	}
	if _, kept := c.Strips["MONO-GLOSS-137"]; kept || len(c.Strips) != 64 || len(c.Strips["POLY-GLOSS-137"]) != 200 {
		t.Errorf("want 64 stocks without the one that was measured longest ago, got %d", len(c.Strips))
	}
	if diff := cmp.Diff(want, early.Strips, cmp.AllowUnexported(units.Maybe{})); diff != "" {
		t.Errorf("a snapshot's strips changed under its reader (-want +got):\n%s", diff)
	}
}

// TestNotesAndRejects keeps the newest few of either.
func TestNotesAndRejects(t *testing.T) {
	c := newCrew(t)
	for i := range 7 {
		note(fmt.Sprint("n", i))(c)
	}
	c.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", By: "ada", Action: event.ActAcknowledge, Reason: "seen"})
	c.on("any", "operator.noted", &event.OperatorNoted{By: "ada", Action: event.ActNote, Reason: "of the site"})
	notes := c.heron().Notes
	if len(notes) != 5 || notes[0].Text != "n2" || notes[4] != (floor.Note{At: minutes(7), By: "ada", Text: "n6", ID: "7"}) {
		t.Errorf("want the newest five plain notes, got %+v", notes)
	}
	if !c.heron().LastHeard.IsZero() {
		t.Error("a note of a person is no sign of life from the machine")
	}
	for i := range 60 {
		c.on("any", "ticket.rejected", &event.TicketRejected{SourceFile: fmt.Sprint(i, ".xjdf"), Kind: "malformed", Reason: "line 3"})
	}
	want := floor.Reject{At: c.at, Site: "north", Machine: "any", File: "59.xjdf", Kind: "malformed", Reason: "line 3"}
	if n := len(c.Rejects); n != 50 || c.Rejects[0].File != "10.xjdf" || c.Rejects[49] != want {
		t.Errorf("want the newest 50 rejects, got %d up to %+v", n, c.Rejects[n-1])
	}
}
