package rules_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

func bookOf(t *testing.T, text string) *hazard.Book {
	t.Helper()
	b, err := hazard.ParseBook("book.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// another continues a desk's journal in a watch with another shop, as after a
// restart.
func (d *desk) another(engine *desk) *desk {
	return &desk{t: d.t, engine: engine.engine, now: d.now, journal: d.journal}
}

func (d *desk) state(code hazard.Code, job string) alarm.State {
	k := alarm.Key{Hazard: string(code)}
	if job != "" {
		k.Job, k.Part = job, "P1"
	}
	return d.engine.View(d.now).Alarms.StateOf("north", "heron", k)
}

// note is what a person does about bare-edge and its like.
func (d *desk) note(code hazard.Code, job, action string) []event.AlarmChanged {
	d.t.Helper()
	n := &event.OperatorNoted{Hazard: string(code), Job: job, Action: action, By: "ada"}
	if action == event.ActShelve {
		until := d.now.Add(time.Hour)
		n.Until = &until
	}
	return only(d.say("operator.noted", n), code)
}

// missed appends events that nobody judges, as while the watch is down.
func (d *desk) missed(events ...event.Event) {
	for _, e := range events {
		e.Source, e.Site, e.Machine, e.Time = "test", "north", "heron", d.now
		d.append(e)
	}
}

// A latched alarm stands because nobody has reset it. The start that comes with
// the hazard back must be announced like any other.
func TestALatchedAlarmIsRaisedAgainAtTheStart(t *testing.T) {
	d := newDesk(t, shop(t, bookOf(t, "hazards: {bare-edge: {latch: true}}")))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	want(t, only(d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance}), hazard.BareEdge), "unacknowledged>latched")
	d.missed(
		event.Event{ID: "back", Type: "edge.moved", Data: &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseRewind}},
		event.Event{ID: "go", Type: "run.started", Data: &event.RunStarted{Run: run("J1", nil)}})
	c := only(d.settle(), hazard.BareEdge)
	want(t, c, "latched>unacknowledged")
	if len(c) == 1 && (c[0].Emit != alarm.Annunciate || c[0].Phase != "running") {
		t.Errorf("at the start: %+v", c[0])
	}
}

func TestALatchedAlarmThatComesBackWaitsForItsDelay(t *testing.T) {
	d := newDesk(t, shop(t, bookOf(t, "hazards: {dry-air: {on_delay: 5m, latch: true}}")))
	d.monoRoll(400)
	air := func(rh float64) []event.AlarmChanged {
		return only(d.say("climate.read", &event.ClimateRead{RHPct: p(rh)}), hazard.DryAir)
	}
	air(20)
	want(t, only(d.wait(5*time.Minute), hazard.DryAir), "normal>unacknowledged")
	want(t, air(50), "unacknowledged>latched")
	want(t, air(20), "")
	want(t, only(d.wait(5*time.Minute), hazard.DryAir), "latched>unacknowledged")
}

// The acknowledgement was meant for the alarm on the queue. The start that came
// before the watch could carry it out is still announced.
func TestAnAcknowledgementCoversNoMoreThanWasAnnounced(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	d.missed(
		event.Event{ID: "ack", Type: "operator.noted", Data: &event.OperatorNoted{Hazard: "bare-edge", Job: "J1", Part: "P1", Action: event.ActAcknowledge, By: "ada"}},
		event.Event{ID: "go", Type: "run.started", Data: &event.RunStarted{Run: run("J1", nil)}})
	want(t, only(d.settle(), hazard.BareEdge), "unacknowledged>acknowledged acknowledged>unacknowledged")
}

func TestAnAlarmOfAHazardThatTheBookForgotIsCalledOff(t *testing.T) {
	before := shop(t, bookOf(t, `
conditions:
  - {code: hot-room, title: Room too hot, priority: low, scope: machine, when: climate.temp_c > 30, why: the film softens}
`))
	d := newDesk(t, before)
	d.say("climate.read", &event.ClimateRead{TempC: p(35)})
	if s := d.state("hot-room", ""); s != alarm.Unacked {
		t.Fatalf("hot-room is %s", s)
	}
	after := d.another(&desk{engine: fold(shop(t, nil), d.journal)})
	c := only(after.settle(), "hot-room")
	want(t, c, "unacknowledged>returned-unacknowledged")
	if len(c) == 1 && c[0].Emit != alarm.Clear {
		t.Errorf("what was announced is not called off: %+v", c[0])
	}
}

// Somebody shelves wrong-stock because the other film is meant to be on. What
// else is wrong with the start is then all that is left to hear.
func TestACauseThatIsPutAsideHidesNothing(t *testing.T) {
	for _, action := range []string{event.ActShelve, event.ActOutOfService} {
		for _, job := range []string{"", "J1"} {
			d := newDesk(t, shop(t, nil))
			d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric, WidthMM: p(1370), LengthM: p(2), ThicknessUM: p(220), EdgeMM: p(400)})
			d.say("ticket.received", ticket("J1"))
			if s := d.state(hazard.ShortRoll, "J1"); s != alarm.Suppressed {
				t.Fatalf("short-roll under its cause: %s", s)
			}
			d.note(hazard.WrongStock, job, action)
			if s := d.state(hazard.ShortRoll, "J1"); s != alarm.Unacked {
				t.Errorf("%s of wrong-stock, job %q: short-roll is %s, want unacknowledged", action, job, s)
			}
		}
	}
}

// Where nobody has measured the feed path, an edge that lies past a guess settles
// nothing, and the alarm says that it is a guess.
func TestAGuessSettlesNothing(t *testing.T) {
	site := shop(t, nil)
	for i := range site.Machines {
		site.Machines[i].Path.Assumed = true
	}
	d := newDesk(t, site)
	d.monoRoll(0)
	c := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	if len(c) != 1 || !strings.Contains(c[0].Message, "(guessed)") {
		t.Fatalf("%+v", c)
	}
	d.say("edge.moved", &event.EdgeMoved{ByMM: p(2000), Cause: event.CauseAdvance})
	if s := d.state(hazard.BareEdge, "J1"); s != alarm.Unacked {
		t.Errorf("past a guess: %s, want unacknowledged", s)
	}
	for _, a := range rules.Read(site, d.engine.View(d.now)).Alarms(d.now, "north", "heron") {
		if a.Hazard == string(hazard.BareEdge) && !strings.Contains(a.Change.Message, "reaches to 2000 mm, and nobody has measured") {
			t.Errorf("it says %q", a.Change.Message)
		}
	}
}

// Whatever an event asks for, as one by NATS may, no alarm is shelved for longer than
// a day (ISA-18.2 wants a limit; a day is common practice).
func TestNothingIsShelvedForEver(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	ever := d.now.AddDate(900, 0, 0)
	d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "J1", Action: event.ActShelve, By: "ada", Until: &ever})
	d.wait(alarm.LongestShelf - time.Minute)
	if s := d.state(hazard.BareEdge, "J1"); s != alarm.Shelved {
		t.Fatalf("within a day: %s, want shelved", s)
	}
	d.wait(2 * time.Minute)
	if s := d.state(hazard.BareEdge, "J1"); s != alarm.Unacked {
		t.Errorf("after a day: %s, want unacknowledged", s)
	}
}

// Nobody hears of a cause while it waits for its delay, so until then its consequence
// is told.
func TestACauseThatStillWaitsHidesNothing(t *testing.T) {
	d := newDesk(t, shop(t, bookOf(t, "hazards: {wrong-stock: {on_delay: 2h}}")))
	d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric, WidthMM: p(1370), LengthM: p(2), ThicknessUM: p(220), EdgeMM: p(400)})
	d.say("ticket.received", ticket("J1"))
	if s := d.state(hazard.ShortRoll, "J1"); s != alarm.Unacked {
		t.Errorf("short-roll while wrong-stock waits: %s, want unacknowledged", s)
	}
	d.wait(2 * time.Hour)
	if cause, s := d.state(hazard.WrongStock, "J1"), d.state(hazard.ShortRoll, "J1"); cause != alarm.Unacked || s != alarm.Suppressed {
		t.Errorf("once wrong-stock is told it is %s and short-roll %s, want unacknowledged and suppressed", cause, s)
	}
}

// While the watch was down somebody took a hazard out of service and put it
// back. Carrying out only the first would silence it for good.
func TestRequestsThatFollowEachOtherAreAllCarriedOut(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	act := func(id, action string) event.Event {
		return event.Event{ID: id, Type: "operator.noted", Data: &event.OperatorNoted{Hazard: "bare-edge", Action: action, By: "ada"}}
	}
	d.missed(act("out", event.ActOutOfService), act("back", event.ActReturn))
	want(t, only(d.settle(), hazard.BareEdge), "normal>out-of-service out-of-service>normal")
	want(t, only(d.say("ticket.received", ticket("J1")), hazard.BareEdge), "normal>unacknowledged")
	if n := len(d.engine.View(d.now).Alarms.Requests); n != 0 {
		t.Errorf("%d requests are left over", n)
	}
}

func TestAJobWithoutAPartMeansAllItsParts(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	want(t, d.note(hazard.BareEdge, "J1", event.ActAcknowledge), "unacknowledged>acknowledged")
	want(t, d.note(hazard.BareEdge, "J1", event.ActShelve), "acknowledged>shelved")
	want(t, d.note(hazard.BareEdge, "J1", event.ActRelease), "shelved>normal normal>unacknowledged")
	// A job can be put aside before any alarm of it came.
	want(t, d.note(hazard.WrongStock, "J1", event.ActShelve), "normal>shelved")
	want(t, only(d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", WidthMM: p(1370), LengthM: p(50)}), hazard.WrongStock), "normal>suppressed")
}

// Whoever was paged hears that it is over, although the priority that decided
// who is paged has changed since.
func TestWhoWasPagedHearsTheEnd(t *testing.T) {
	site := shop(t, bookOf(t, "hazards: {bare-edge: {enabled: false}}"))
	site.PageFor = func(p hazard.Priority) []string { return []string{string(p)} }
	d := newDesk(t, site)
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	raised := only(d.say("climate.read", &event.ClimateRead{RHPct: p(20)}), hazard.DryAir)
	if len(raised) != 1 || !slices.Equal(raised[0].Page, []string{"medium"}) {
		t.Fatalf("dry air with a bare edge: %+v", raised)
	}
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance}) // low again
	d.note(hazard.DryAir, "", event.ActAcknowledge)
	over := only(d.say("climate.read", &event.ClimateRead{RHPct: p(50)}), hazard.DryAir)
	if len(over) != 1 || over[0].Emit != alarm.Clear || !slices.Equal(over[0].Page, []string{"medium"}) {
		t.Errorf("the end is told to %+v, want medium", over)
	}
}

// A stock list gives the class of a roll that was loaded by its code alone. The
// rules for that class hold when the hazard goes as they did when it came.
func TestTheRulesThatRaisedAnAlarmEndIt(t *testing.T) {
	d := newDesk(t, shop(t, bookOf(t, "overrides: [{where: {class: monomeric}, hazards: {dry-air: {latch: true}}}]")))
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137"})
	want(t, only(d.say("climate.read", &event.ClimateRead{RHPct: p(20)}), hazard.DryAir), "normal>unacknowledged")
	want(t, only(d.say("climate.read", &event.ClimateRead{RHPct: p(50)}), hazard.DryAir), "unacknowledged>latched")
}

// Two watches at one journal judge by turns. The one that is behind says again
// what the other has said, and that counts once.
func TestATransitionFromAnotherStateChangesNothing(t *testing.T) {
	site := shop(t, nil)
	site.PageFor = func(hazard.Priority) []string { return []string{"mail"} }
	d := newDesk(t, site)
	d.monoRoll(0)
	k := ticket("J1")
	d.append(event.Event{ID: "k", Source: "test", Type: "ticket.received", Time: d.now, Site: "north", Machine: "heron", Data: k})
	behind := d.another(&desk{engine: fold(site, d.journal)})
	due, _ := behind.engine.Judge(d.now)
	d.say("climate.read", &event.ClimateRead{RHPct: p(50)})
	before := d.engine.View(d.now).Alarms
	if len(before.Pages) == 0 {
		t.Fatal("no page is due")
	}
	for _, e := range due {
		e.ID += "-behind" // judged at another entry, it would have another id
		d.append(e)
	}
	if c := d.settle(); len(c) != 0 {
		t.Errorf("the watch says %s", path(c))
	}
	after := d.engine.View(d.now).Alarms
	if len(after.Pages) != len(before.Pages) {
		t.Errorf("%d pages are due, want %d", len(after.Pages), len(before.Pages))
	}
}

// Texts that are just short enough for the journal are joined into one that
// would not be; desk.settle refuses what the journal would.
func TestLongTextsKeepNoAlarmOutOfTheJournal(t *testing.T) {
	long := strings.Repeat("µ", event.MaxText)
	d := newDesk(t, shop(t, bookOf(t, "conditions: [{code: own, title: "+long+", priority: low, scope: machine, when: roll.loaded, why: "+long+"x, do: "+long+"x, caution: "+long+"x}]")))
	d.say("roll.loaded", &event.RollLoaded{Stock: long, WidthMM: p(1370), LengthM: p(1), EdgeMM: p(0)})
	k := ticket(long[:len(long)/2])
	k.Stock = long
	d.say("ticket.received", k)
	for _, code := range []hazard.Code{hazard.BareEdge, hazard.ShortRoll, "own"} {
		n := &event.OperatorNoted{Hazard: string(code), Action: event.ActAcknowledge, By: long, Reason: long}
		want(t, only(d.say("operator.noted", n), code), "unacknowledged>acknowledged")
	}
}

// Overnight nobody prints; a long queue changes nothing about that.
func TestALongQueueIsNoReasonToCryStale(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	for _, job := range strings.Split("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", "") {
		k := ticket(job)
		k.StartAt = at(20 * time.Hour)
		d.say("ticket.received", k)
	}
	want(t, only(d.wait(19*time.Hour), hazard.StaleFloor), "")
}

func TestAStrikeOfAnotherJobIsNotWarnedOf(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
	d.say("run.started", &event.RunStarted{Run: run("J2", nil)})
	d.say("strike.recorded", &event.StrikeRecorded{Job: "J2", Part: "P1"})
	if n := d.engine.View(d.now).Alarms.Totals; n.Warned != 0 || n.Unwarned != 1 {
		t.Errorf("warned %d, unwarned %d: the alarm was about J1 and the strike came with J2", n.Warned, n.Unwarned)
	}
}

// A machine that nobody has ever heard of is silent once its start is due.
func TestAMachineThatWasNeverHeardIsSilentWhenItsStartIsDue(t *testing.T) {
	d := newDesk(t, shop(t, bookOf(t, "settings: {require: []}\nhazards: {bare-edge: {enabled: false}, stale-floor: {on_delay: 0s}}")))
	k := ticket("J1")
	k.StartAt = at(5 * time.Hour)
	want(t, only(d.say("ticket.received", k), hazard.StaleFloor), "")
	d.wait(4*time.Hour + 59*time.Minute)
	if !d.wake.Equal(*k.StartAt) {
		t.Fatalf("wants to be woken at %v, and the start is due at %v", d.wake, k.StartAt)
	}
	want(t, only(d.wait(time.Minute), hazard.StaleFloor), "normal>unacknowledged")
}

// A ticket may give an area where another gives a length. A run that is planned
// by its area takes its share of the roll like any other.
func TestARunPlannedByItsAreaTakesItsShareOfTheRoll(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(6), ThicknessUM: p(220), EdgeMM: p(400)})
	k := ticket("J1")
	k.LengthM, k.AreaM2 = nil, p(3*1.37)
	d.say("ticket.received", k)
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	want(t, only(d.say("ticket.received", ticket("J2")), hazard.ShortRoll), "normal>unacknowledged")
}

func TestARequestForAMachineThatWasNeverHeardIsCarriedOut(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	want(t, d.note(hazard.BareEdge, "", event.ActOutOfService), "normal>out-of-service")
	v := d.engine.View(d.now)
	if n := len(v.Alarms.Requests); n != 0 {
		t.Errorf("%d requests are left over", n)
	}
	if m := v.Floor.Machine("north", "heron"); m == nil || !m.LastHeard.IsZero() {
		t.Errorf("a person's wish is no word of the machine: %+v", m)
	}
}

// An alarm belongs to a machine, so a whole site cannot put it aside.
func TestARequestForAWholeSiteIsAnAnomaly(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	until := d.now.Add(time.Hour)
	d.sayAt("north", event.AnyMachine, "operator.noted", &event.OperatorNoted{Hazard: "dry-air", Action: event.ActShelve, By: "ada", Until: &until})
	d.sayAt("north", event.AnyMachine, "operator.noted", &event.OperatorNoted{Action: event.ActNote, By: "ada"})
	v := d.engine.View(d.now)
	if n := v.Floor.Anomalies.Total["no-machine"]; n != 1 {
		t.Errorf("%d anomalies, want one", n)
	}
	if len(v.Alarms.Requests) != 0 || len(v.Floor.Machines) != 0 {
		t.Errorf("left over: %+v, %+v", v.Alarms.Requests, v.Floor.Machines)
	}
}

// Some machines say again and again that a run has started.
func TestALeadTimeCountsOnce(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	for range 3 {
		d.wait(10 * time.Minute)
		d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	}
	if sum := d.engine.View(d.now).Alarms.Totals.LeadSum["north/heron"]; sum != 600 {
		t.Errorf("lead times add up to %g s, want the 600 s of the one start", sum)
	}
}
