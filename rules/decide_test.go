package rules_test

import (
	"fmt"
	"strings"
	"testing"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
)

func (d *desk) decide(site rules.Site) remedy.Decision {
	d.t.Helper()
	got, ok := rules.Read(site, d.engine.View(d.now)).Decide(d.now, "north", "heron")
	if !ok {
		d.t.Fatal("no decision for the next start")
	}
	return got
}

// TestDecideFollowsTheRun goes from the queue to the run: before it, an advance
// pays; once it moves, it is paused first; past the cure exit nothing is left to
// decide, and without any run nothing is decided.
func TestDecideFollowsTheRun(t *testing.T) {
	site := learning(t)
	d := newDesk(t, site)
	for name, machine := range map[string]string{"nothing queued": "heron", "nobody": "dodo"} {
		if _, ok := rules.Read(site, d.engine.View(d.now)).Decide(d.now, "north", machine); ok {
			t.Errorf("%s: a decision", name)
		}
	}
	d.monoRoll(0)
	alarms := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	queued := d.decide(site)
	if queued.Chosen().Code != "advance" || queued.Job != "J1" || queued.Phase != hazard.Queued {
		t.Errorf("queued: %s", queued.Why())
	}
	if r := alarms[0].Remedies[0]; r.Code != queued.Chosen().Code || r.Cost != queued.Chosen().Cost.Total.String() {
		t.Errorf("the alarm says %+v, the decision %s", r, queued.Why())
	}
	if !strings.Contains(queued.AsItStands().Odds.Basis, "prior, no data of yours yet") {
		t.Errorf("basis: %s", queued.AsItStands().Odds.Basis)
	}
	d.say("ticket.received", ticket("J2"))
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	running := d.decide(site)
	if running.Chosen().Code != "pause" || running.Job != "J1" || running.Phase != hazard.Running {
		t.Errorf("running: %s", running.Why())
	}
	d.say("run.progress", &event.RunProgress{Run: run("J1", p(0.5))})
	if past := d.decide(site); past.Holds || past.Best != 0 {
		t.Errorf("past the exit: %s", past.Why())
	}
}

// The odds of the machine's next start are those that the decision weighs.
func TestDecideAgreesWithTheOdds(t *testing.T) {
	site := learning(t)
	d := newDesk(t, site)
	d.monoRoll(0)
	d.starts(40, 4)
	if want, got := d.odds(site), d.decide(site).AsItStands().Odds; got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if why := d.decide(site).Why(); strings.Contains(d.decide(site).AsItStands().Odds.Basis, "no data of yours") || !strings.HasPrefix(why, "advance: ") {
		t.Errorf("after 40 starts: %s", why)
	}
}

// What an alarm calls the odds as it is are those of the lip as it is, rounded or
// not, and so are those that the decision beside it weighs.
func TestAlarmAndDecisionSpeakOfOneEdge(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(0)
	d.say("edge.shaped", &event.EdgeShaped{Shape: "rounded"})
	c := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)[0]
	odds := d.decide(site).AsItStands().Odds
	if got, want := seen(c, "odds of a strike as it is").Value, fmt.Sprintf("%.0f %% (", 100*odds.P); !strings.HasPrefix(got, want) {
		t.Errorf("the alarm's evidence is %q, the decision's odds %s…", got, want)
	}
	if want := fmt.Sprintf("(%.0f %% odds of a strike)", 100*odds.P); !strings.Contains(c.Message, want) {
		t.Errorf("the alarm does not say %q: %s", want, c.Message)
	}
}

func BenchmarkReaderDecide(b *testing.B) {
	site := shop(b, nil)
	d := newDesk(b, site)
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50), ThicknessUM: p(220)})
	d.say("ticket.received", ticket("J1"))
	r := rules.Read(site, d.engine.View(d.now))
	for b.Loop() {
		r.Decide(d.now, "north", "heron")
	}
}
