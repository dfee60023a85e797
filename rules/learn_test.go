package rules_test

import (
	"reflect"
	"strings"
	"testing"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
)

// learning is a shop whose odds follow its own log.
func learning(t *testing.T) rules.Site {
	site := shop(t, nil)
	site.Learn = func(cells []risk.Cell) remedy.Odds { return risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{}) }
	return site
}

// starts plays runs from a bare edge, of which every nth strikes.
func (d *desk) starts(n, everyNth int) {
	for i := range n {
		job := "S" + string(rune('a'+i%26)) + strings.Repeat("x", i/26)
		d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseTrim})
		d.say("ticket.received", ticket(job))
		d.say("run.started", &event.RunStarted{Run: run(job, nil)})
		if everyNth > 0 && i%everyNth == 0 {
			d.say("strike.recorded", &event.StrikeRecorded{Job: job, Part: "P1"})
		}
		d.say("run.stopped", &event.RunStopped{Run: run(job, p(1))})
	}
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseTrim})
}

func (d *desk) odds(site rules.Site) risk.Estimate {
	d.t.Helper()
	d.say("ticket.received", ticket("NEXT"))
	e, ok := rules.Read(site, d.engine.View(d.now)).Odds(d.now, "north", "heron")
	if !ok {
		d.t.Fatal("no odds for the next start")
	}
	return e
}

func TestTheOddsFollowTheShopsOwnLog(t *testing.T) {
	none, many := learning(t), learning(t)
	calm, wild := newDesk(t, none), newDesk(t, many)
	prior := func() risk.Estimate {
		d := newDesk(t, learning(t))
		d.monoRoll(0)
		return d.odds(learning(t))
	}()
	if !strings.Contains(prior.Basis, "no data of yours yet") {
		t.Errorf("without data the basis is %q", prior.Basis)
	}
	calm.monoRoll(0)
	calm.starts(60, 0)
	wild.monoRoll(0)
	wild.starts(60, 3)
	low, high := calm.odds(none), wild.odds(many)
	if !(low.P < prior.P && prior.P < high.P) {
		t.Errorf("odds after no strikes %.3f, of the prior %.3f, after a third %.3f: want them in that order", low.P, prior.P, high.P)
	}
	if !(high.Low < high.P && high.P < high.High) || high.High-high.Low > prior.High-prior.Low {
		t.Errorf("interval %.3f to %.3f around %.3f, the prior's %.3f to %.3f", high.Low, high.High, high.P, prior.Low, prior.High)
	}
}

// seen finds what an alarm saw by its name; empty when it saw no such thing.
func seen(c event.AlarmChanged, name string) event.Evidence {
	for _, e := range c.Evidence {
		if e.Name == name {
			return e
		}
	}
	return event.Evidence{}
}

func TestABareEdgeSaysWhatItsOddsRestOn(t *testing.T) {
	d := newDesk(t, learning(t))
	d.monoRoll(0)
	c := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	if odds := seen(c[0], "odds of a strike as it is"); !strings.Contains(odds.Limit, "no data of yours yet") {
		t.Errorf("evidence of the odds: %+v", odds)
	}
}

// TestABareEdgeSaysWhatPays wants the decision's line in the alarm, as things
// are at each transition, and in no other alarm.
func TestABareEdgeSaysWhatPays(t *testing.T) {
	site := learning(t)
	d := newDesk(t, site)
	d.monoRoll(0)
	for _, step := range []struct {
		say  event.Type
		data event.Payload
		best string
	}{
		{"ticket.received", ticket("J1"), "advance"},
		{"run.started", &event.RunStarted{Run: run("J1", nil)}, "pause"},
	} {
		all := d.say(step.say, step.data)
		alarms := only(all, hazard.BareEdge)
		if len(alarms) == 0 {
			t.Fatalf("%s: no alarm", step.say)
		}
		line, whole := seen(alarms[0], "what pays").Value, d.decide(site).Why()
		if !strings.HasPrefix(line, step.best+": ") || !strings.HasPrefix(whole, line+"; ") {
			t.Errorf("%s: the alarm says %q, the decision %q", step.say, line, whole)
		}
		for _, c := range all {
			if c.Hazard != string(hazard.BareEdge) && seen(c, "what pays").Value != "" {
				t.Errorf("%s says what pays for an edge", c.Hazard)
			}
		}
	}
}

// A strike that was taken back is unlearnt at once, and not with the next starts.
func TestAStrikeTakenBackIsUnlearnt(t *testing.T) {
	site := learning(t)
	d := newDesk(t, site)
	d.monoRoll(0)
	d.starts(20, 0)
	d.say("ticket.received", ticket("NEXT"))
	d.say("run.started", &event.RunStarted{Run: run("NEXT", nil)})
	d.say("strike.recorded", &event.StrikeRecorded{Job: "NEXT", Part: "P1"})
	var strike event.Event
	for i := range d.journal {
		if d.journal[i].Type == "strike.recorded" {
			strike = d.journal[i]
		}
	}
	struck := d.engine.View(d.now).Odds
	d.say("entry.undone", &event.EntryUndone{Event: strike.ID, Type: strike.Type, By: "ada"})
	again := newDesk(t, site)
	again.engine, again.journal = fold(site, d.journal), d.journal
	again.settle()
	want := again.engine.View(d.now).Odds // as a watch learns them that starts now
	if got := d.engine.View(d.now).Odds; !reflect.DeepEqual(got, want) || reflect.DeepEqual(got, struck) {
		t.Error("the odds are still those of the strike")
	}
	net := d.engine.View(d.now).Floor.Machine("north", "heron").Tally.Net()
	if n := net.TotalStrikes(); n != 0 {
		t.Errorf("%d strikes stand", n)
	}
}
