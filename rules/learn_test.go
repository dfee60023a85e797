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

func TestABareEdgeSaysWhatItsOddsRestOn(t *testing.T) {
	d := newDesk(t, learning(t))
	d.monoRoll(0)
	c := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	last := c[0].Evidence[len(c[0].Evidence)-1]
	if last.Name != "odds of a strike as it is" || !strings.Contains(last.Limit, "no data of yours yet") {
		t.Errorf("evidence of the odds: %+v", last)
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
	if n := d.engine.View(d.now).Floor.Machine("north", "heron").Tally.NetStrikes(); n != 0 {
		t.Errorf("%d strikes stand", n)
	}
}
