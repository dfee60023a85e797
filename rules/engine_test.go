package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// only returns the transitions of one hazard.
func only(changes []event.AlarmChanged, code hazard.Code) (out []event.AlarmChanged) {
	for _, c := range changes {
		if c.Hazard == string(code) {
			out = append(out, c)
		}
	}
	return out
}

// path writes transitions as "from>to" for short comparisons.
func path(changes []event.AlarmChanged) string {
	steps := make([]string, len(changes))
	for i, c := range changes {
		steps[i] = c.From + ">" + c.To
	}
	return strings.Join(steps, " ")
}

func want(t *testing.T, got []event.AlarmChanged, wanted string) {
	t.Helper()
	if path(got) != wanted {
		t.Errorf("transitions: got %q, want %q", path(got), wanted)
	}
}

func TestBareEdgeComesOnTheQueueAndAgainAtTheStart(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	queued := only(d.say("ticket.received", ticket("J1")), hazard.BareEdge)
	want(t, queued, "normal>unacknowledged")
	if c := queued[0]; c.Phase != "queued" || c.Emit != alarm.Annunciate || c.Priority != "high" || c.Job != "J1" {
		t.Errorf("on the queue: %+v", c)
	}
	if r := queued[0].Remedies[0]; r.Code != "advance" || !r.Cheapest || r.Cost != "0.68 USD" {
		t.Errorf("cheapest remedy: %+v", r)
	}
	want(t, only(d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "J1", Part: "P1", Action: "acknowledge", By: "ada"}), hazard.BareEdge),
		"unacknowledged>acknowledged")
	started := only(d.say("run.started", &event.RunStarted{Run: run("J1", nil)}), hazard.BareEdge)
	want(t, started, "acknowledged>unacknowledged")
	if c := started[0]; c.On != string(alarm.Escalate) || c.Phase != "running" || c.Emit != alarm.Annunciate || c.Remedies[0].Code != "pause" {
		t.Errorf("at the start: %+v", c)
	}
	past := only(d.say("run.progress", &event.RunProgress{Run: run("J1", p(0.4))}), hazard.BareEdge)
	want(t, past, "unacknowledged>returned-unacknowledged")
}

func TestWhatSettlesABareEdge(t *testing.T) {
	for name, c := range map[string]struct {
		do      func(*desk)
		settled bool
	}{
		"an advance past the exit":   {func(d *desk) { d.say("edge.moved", &event.EdgeMoved{ByMM: p(365), Cause: event.CauseAdvance}) }, true},
		"an advance that is short":   {func(d *desk) { d.say("edge.moved", &event.EdgeMoved{ByMM: p(329), Cause: event.CauseAdvance}) }, false},
		"a leader that reaches":      {func(d *desk) { d.say("leader.attached", &event.LeaderAttached{LengthMM: 365, ThicknessUM: p(150)}) }, true},
		"a leader that is too short": {func(d *desk) { d.say("leader.attached", &event.LeaderAttached{LengthMM: 300, ThicknessUM: p(150)}) }, false},
		"a leader taken off again": {func(d *desk) {
			d.say("leader.attached", &event.LeaderAttached{LengthMM: 365, ThicknessUM: p(150)})
			d.say("leader.removed", &event.LeaderRemoved{})
		}, false},
		"a rounded lip": {func(d *desk) { d.say("edge.shaped", &event.EdgeShaped{Shape: "rounded"}) }, false},
		"a film that lies flat": {func(d *desk) {
			d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric, WidthMM: p(1370), LengthM: p(50)})
			d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseRewind})
		}, true},
		"a fresh roll whose edge nobody has seen": {func(d *desk) {
			d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50)})
		}, false},
		"a roll of unknown class": {func(d *desk) {
			d.say("roll.loaded", &event.RollLoaded{WidthMM: p(1370), LengthM: p(50)})
			d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseRewind})
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, shop(t, nil))
			d.monoRoll(0)
			d.say("ticket.received", ticket("J1"))
			c.do(d)
			state := d.engine.View(d.now).Alarms.StateOf("north", "heron", alarm.Key{Hazard: "bare-edge", Job: "J1", Part: "P1"})
			if got := !state.Active(); got != c.settled {
				t.Errorf("settled: got %v (%s), want %v", got, state, c.settled)
			}
		})
	}
}

func TestThePlannedStartSetsTheTimeOfTheAlarm(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	late := ticket("J1")
	at := start.Add(5 * time.Hour)
	late.StartAt = &at
	if c := only(d.say("ticket.received", late), hazard.BareEdge); len(c) != 0 {
		t.Fatalf("five hours ahead: %q", path(c))
	}
	// A word from the machine now and then keeps the floor from going stale.
	d.wait(3 * time.Hour)
	d.say("climate.read", &event.ClimateRead{RHPct: p(50)})
	if c := only(d.wait(59*time.Minute), hazard.BareEdge); len(c) != 0 {
		t.Fatalf("an hour and a minute ahead: %q", path(c))
	}
	c := only(d.wait(2*time.Minute), hazard.BareEdge)
	want(t, c, "normal>unacknowledged")
	if len(c) == 1 && !strings.Contains(c[0].Message, "starts in 60 min") {
		t.Errorf("message does not say the time left: %s", c[0].Message)
	}
	if len(c) == 1 && (c[0].ReadyAt == nil || !c[0].ReadyAt.Equal(at)) {
		t.Errorf("ready_at: got %v, want %v", c[0].ReadyAt, at)
	}
}

func TestARunningJobMakesTheNextOneWait(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	d.say("ticket.received", ticket("J1"))
	d.say("ticket.received", ticket("J2"))
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	// 3 m at 12 passes: 54 mm swath / 12 passes / 1.6 s a stroke = 2.8125 mm/s.
	at := rules.Read(shop(t, nil), d.engine.View(d.now)).ReadyAt(d.now, "north", "heron")
	if took := at[0].Sub(start).Seconds(); took < 1066 || took > 1067 {
		t.Errorf("the next run is ready after %.1f s, want 3000 mm / 2.8125 mm/s = 1066.7 s", took)
	}
}

func TestShelvingEndsByItself(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	until := d.now.Add(30 * time.Minute)
	c := only(d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "J1", Part: "P1", Action: "shelve", By: "ada", Reason: "trying it out", Until: &until}), hazard.BareEdge)
	want(t, c, "unacknowledged>shelved")
	if c[0].By != "ada" || c[0].Until == nil || !strings.Contains(c[0].Message, "shelved by ada") {
		t.Errorf("shelving forgets who and until when: %+v", c[0])
	}
	want(t, only(d.wait(29*time.Minute), hazard.BareEdge), "")
	want(t, only(d.wait(2*time.Minute), hazard.BareEdge), "shelved>normal normal>unacknowledged")
}

func TestAHazardTakenOutOfServiceStaysSilentForEveryRun(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Action: "out-of-service", By: "ada", Reason: "sensor test"})
	want(t, only(d.say("ticket.received", ticket("J1")), hazard.BareEdge), "normal>suppressed")
	want(t, only(d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Action: "return-to-service", By: "ada"}), hazard.BareEdge),
		"out-of-service>normal suppressed>normal normal>unacknowledged")
}

func TestOneWordAcknowledgesEveryAlarmOfAHazard(t *testing.T) {
	hot := func(job string) *event.TicketReceived { k := ticket(job); k.CureC = p(116); k.Passes = p(8); return k }
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	d.say("ticket.received", hot("J1"))
	d.say("ticket.received", hot("J2"))
	c := only(d.say("operator.noted", &event.OperatorNoted{Hazard: "hot-recipe", Action: "acknowledge", By: "ada"}), hazard.HotRecipe)
	want(t, c, "unacknowledged>acknowledged unacknowledged>acknowledged")
}

func TestDelaysAndLatch(t *testing.T) {
	book, err := hazard.ParseBook("book.yaml", []byte(`
hazards:
  dry-air: {on_delay: 5m, off_delay: 10m, latch: true}
`))
	if err != nil {
		t.Fatal(err)
	}
	d := newDesk(t, shop(t, book))
	d.monoRoll(400)
	air := func(rh float64) []event.AlarmChanged {
		return only(d.say("climate.read", &event.ClimateRead{RHPct: p(rh)}), hazard.DryAir)
	}
	want(t, air(20), "")
	want(t, only(d.wait(4*time.Minute), hazard.DryAir), "")
	want(t, air(50), "") // a short dip is no alarm
	want(t, air(20), "")
	want(t, only(d.wait(5*time.Minute), hazard.DryAir), "normal>unacknowledged")
	want(t, air(50), "")
	want(t, only(d.wait(9*time.Minute), hazard.DryAir), "")
	want(t, only(d.wait(time.Minute), hazard.DryAir), "unacknowledged>latched")
	want(t, only(d.say("operator.noted", &event.OperatorNoted{Hazard: "dry-air", Action: "reset", By: "ada"}), hazard.DryAir), "latched>normal")
}

func TestACauseHidesItsConsequence(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric, WidthMM: p(1370), LengthM: p(2), ThicknessUM: p(220)})
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
	c := d.say("ticket.received", ticket("J1"))
	want(t, only(c, hazard.WrongStock), "normal>unacknowledged")
	want(t, only(c, hazard.ShortRoll), "normal>suppressed")
	// With the right roll on, the cause is gone; the roll is still too short.
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(2), ThicknessUM: p(220)})
	state := d.engine.View(d.now).Alarms.StateOf("north", "heron", alarm.Key{Hazard: "short-roll", Job: "J1", Part: "P1"})
	if state != alarm.Unacked {
		t.Errorf("short-roll once its cause is gone: %s, want unacknowledged", state)
	}
}

func TestAnAlarmThatNobodyAcknowledgesLapses(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	d.say("edge.moved", &event.EdgeMoved{ByMM: p(365), Cause: event.CauseAdvance})
	want(t, only(d.wait(11*time.Hour), hazard.BareEdge), "")
	want(t, only(d.wait(2*time.Hour), hazard.BareEdge), "returned-unacknowledged>normal")
}

func TestAStrikeCountsAsWarnedOnlyWithAnAlarmBefore(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	counted := func(what string, warned, unwarned uint64, lead float64) {
		t.Helper()
		totals := d.engine.View(d.now).Alarms.Totals
		if totals.Warned != warned || totals.Unwarned != unwarned || totals.LeadSum["north/heron"] != lead {
			t.Errorf("%s: warned %d, unwarned %d, leads of %g s in all; want %d, %d and %g s",
				what, totals.Warned, totals.Unwarned, totals.LeadSum["north/heron"], warned, unwarned, lead)
		}
	}
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	d.now = d.now.Add(10 * time.Minute)
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	d.say("strike.recorded", &event.StrikeRecorded{Job: "J1", Part: "P1"})
	counted("an alarm that stands", 1, 0, 600)
	d.say("run.stopped", &event.RunStopped{Run: run("J1", p(0.2))})
	d.sayAt("north", "heron", "strike.recorded", &event.StrikeRecorded{})
	counted("told after the run", 2, 0, 600)
	if m := d.engine.View(d.now).Floor.Machine("north", "heron"); !m.Head.Unproven || m.Tally.TotalStrikes() != 2 {
		t.Errorf("head %+v, strikes %d", m.Head, m.Tally.TotalStrikes())
	}

	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseTrim})
	d.say("ticket.received", ticket("J2"))
	d.now = d.now.Add(time.Minute)
	d.say("run.started", &event.RunStarted{Run: run("J2", nil)})
	d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "J2", Part: "P1", Action: "acknowledge", By: "ada"})
	d.say("run.progress", &event.RunProgress{Run: run("J2", p(2))})
	d.wait(10 * time.Minute)
	if d.engine.View(d.now).Alarms.StateOf("north", "heron", alarm.Key{Hazard: "bare-edge", Job: "J2", Part: "P1"}) != alarm.Normal {
		t.Fatal("the alarm of an edge that is past the exit stands on")
	}
	d.say("strike.recorded", &event.StrikeRecorded{})
	counted("an alarm that was acknowledged and is over", 3, 0, 660)

	d.say("run.finished", &event.RunFinished{Run: run("J2", p(3))})
	d.say("ticket.received", ticket("J3"))
	d.say("run.started", &event.RunStarted{Run: run("J3", nil)})
	want(t, only(d.say("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: event.CauseRewind}), hazard.BareEdge), "normal>unacknowledged")
	d.say("strike.recorded", &event.StrikeRecorded{})
	counted("an alarm that came after the start", 3, 1, 660)
}

func TestAPageIsDueUntilItsChannelTookIt(t *testing.T) {
	site := shop(t, nil)
	site.PageFor = func(p hazard.Priority) []string {
		if p == hazard.High {
			return []string{"mail", "webhook"}
		}
		return nil
	}
	d := newDesk(t, site)
	d.monoRoll(0)
	d.say("ticket.received", ticket("J1"))
	pages := d.engine.View(d.now).Alarms.Pages
	if len(pages) != 1 || len(pages[0].Open) != 2 {
		t.Fatalf("due pages: %+v", pages)
	}
	id := pages[0].ID
	d.say("page.failed", &event.PageFailed{Alarm: id, Channel: "mail", Attempt: 1, Reason: "no route"})
	d.say("page.sent", &event.PageSent{Alarm: id, Channel: "webhook", Attempt: 1})
	after := d.engine.View(d.now).Alarms.Pages
	if len(after) != 1 || len(after[0].Open) != 1 || after[0].Open[0] != (alarm.Open{Channel: "mail", Attempts: 1}) {
		t.Fatalf("after one sent and one failed: %+v", after)
	}
	d.say("page.failed", &event.PageFailed{Alarm: id, Channel: "mail", Attempt: 2, Reason: "gave up", Final: true})
	if left := d.engine.View(d.now).Alarms.Pages; len(left) != 0 {
		t.Errorf("after the end: %+v", left)
	}
	if len(pages[0].Open) != 2 {
		t.Error("an old view changed")
	}
}

func TestARequestForAnAlarmThatIsNotThereChangesNothing(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	c := d.say("operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "J9", Action: "acknowledge", By: "ada"})
	if len(c) != 0 || len(d.engine.View(d.now).Alarms.Requests) != 0 {
		t.Errorf("got %q and %d open requests", path(c), len(d.engine.View(d.now).Alarms.Requests))
	}
}

func TestCasesOfARuleBook(t *testing.T) {
	const text = `
conditions:
  - code: hot-room
    title: Room too hot
    priority: low
    scope: machine
    when: climate.temp_c > 30
    why: the film softens on the roll
cases:
  - name: a bare edge is seen on the queue
    machine: heron
    given: &loaded
      - {type: roll.loaded, ago: 1h, data: {stock: MONO-GLOSS-137, film_class: monomeric, width_mm: 1370, length_m: 50, thickness_um: 220}}
      - {type: edge.moved, ago: 10m, data: {position_mm: 0, cause: rewind}}
      - {type: climate.read, ago: 1m, data: {rh_pct: 50, temp_c: 22}}
      - {type: ticket.received, data: {job: J1, stock: MONO-GLOSS-137, length_m: 2, passes: 12, cure_c: 93, ink_density_pct: 100}}
    expect: [bare-edge]
    remedy: advance
  - name: an idle machine in a hot room
    machine: heron
    given:
      - {type: climate.read, data: {temp_c: 35, rh_pct: 50}}
    expect: [hot-room]
`
	book, err := hazard.ParseBook("book.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range book.Cases {
		if err := rules.RunCase(shop(t, book), c); err != nil {
			t.Error(err)
		}
	}
	wrong := book.Cases[0]
	wrong.Expect = []hazard.Code{hazard.DryAir}
	if err := rules.RunCase(shop(t, book), wrong); err == nil || !strings.Contains(err.Error(), "expected dry-air, got bare-edge\n  bare-edge: heron, ") {
		t.Errorf("a case that fails: %v", err)
	}
}

func TestAFilmThatNobodyNamedIsCalledSo(t *testing.T) {
	for stock, want := range map[string]string{
		"":       "the bare edge of unnamed film (class unknown) lies at 0 mm",
		"NEW-77": "the bare edge of NEW-77 (class unknown) lies at 0 mm",
	} {
		d := newDesk(t, shop(t, nil))
		d.say("roll.loaded", &event.RollLoaded{Stock: stock, LengthM: p(50), EdgeMM: p(0)})
		var said []string
		for _, c := range d.say("ticket.received", &event.TicketReceived{Job: "J1", LengthM: p(3)}) {
			said = append(said, c.Message)
		}
		if all := strings.Join(said, "\n"); !strings.Contains(all, want) {
			t.Errorf("stock %q: want %q in\n%s", stock, want, all)
		}
	}
}

func TestAConditionOverTheClockIsJudgedEveryMinute(t *testing.T) {
	book, err := hazard.ParseBook("book.yaml", []byte(`
conditions:
  - code: late
    title: Late start
    priority: low
    scope: machine
    when: now.getHours() >= 9
    why: it is late
`))
	if err != nil {
		t.Fatal(err)
	}
	d := newDesk(t, shop(t, book))
	d.monoRoll(400)
	want(t, only(d.wait(59*time.Minute), "late"), "")
	want(t, only(d.wait(time.Minute), "late"), "normal>unacknowledged")
}

func TestWhatRunsNowTakesItsShareOfTheRoll(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(6), ThicknessUM: p(220)})
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseTrim})
	d.say("ticket.received", ticket("J1"))
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	// 6 m are enough for either job of 3 m with its tail of 1 m, not for both.
	want(t, only(d.say("ticket.received", ticket("J2")), hazard.ShortRoll), "normal>unacknowledged")
}

func TestAnEmptyMachineHasNoEdgeUntilItStarts(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	want(t, only(d.say("ticket.received", ticket("J1")), hazard.BareEdge), "normal>unacknowledged")
	want(t, only(d.say("roll.removed", &event.RollRemoved{}), hazard.BareEdge), "unacknowledged>returned-unacknowledged")
	// A start without a known roll means that somebody put one on and did not
	// say so: then nobody knows where its edge is.
	want(t, only(d.say("run.started", &event.RunStarted{Run: run("J1", nil)}), hazard.BareEdge), "returned-unacknowledged>unacknowledged")
}

func TestSilenceCountsOnlyWhenAStartIsDue(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	k := ticket("J1")
	k.StartAt = at(20 * time.Hour)
	want(t, only(d.say("ticket.received", k), hazard.StaleFloor), "")
	want(t, only(d.wait(19*time.Hour+59*time.Minute), hazard.StaleFloor), "")
	// With its on-delay of two minutes after the start was due.
	want(t, only(d.wait(2*time.Minute), hazard.StaleFloor), "")
	want(t, only(d.wait(2*time.Minute), hazard.StaleFloor), "normal>unacknowledged")
}

func TestAnAlarmThatComesBackWaitsForItsDelayAgain(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("ticket.received", ticket("J1")) // no roll was ever heard of
	want(t, only(d.wait(2*time.Minute), hazard.StaleFloor), "normal>unacknowledged")
	d.monoRoll(400)
	d.say("roll.removed", &event.RollRemoved{})
	want(t, only(d.wait(time.Minute), hazard.StaleFloor), "")
	want(t, only(d.wait(time.Minute), hazard.StaleFloor), "returned-unacknowledged>unacknowledged")
}

// An alarm ends when its hazard is known to be gone, and not when somebody
// forgets to say what is loaded.
func TestARollThatNobodyNamedSettlesNothing(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric, WidthMM: p(1370), LengthM: p(40), ThicknessUM: p(220), EdgeMM: p(400)})
	want(t, only(d.say("ticket.received", ticket("J1")), hazard.WrongStock), "normal>unacknowledged")
	want(t, only(d.say("roll.removed", &event.RollRemoved{}), hazard.WrongStock), "")
	want(t, only(d.say("roll.loaded", &event.RollLoaded{LengthM: p(40), EdgeMM: p(400)}), hazard.WrongStock), "")
	want(t, only(d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(40), EdgeMM: p(400)}), hazard.WrongStock),
		"unacknowledged>returned-unacknowledged")
}

func TestABareEdgeOfTheWrongRollSaysWhatComesFirst(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(0)
	other := ticket("J1")
	other.Stock, other.FilmClass = "POLY-GLOSS-137", event.Polymeric
	c := only(d.say("ticket.received", other), hazard.BareEdge)
	if len(c) != 1 || !strings.Contains(c[0].Message, "Change the roll first") {
		t.Errorf("got %+v", c)
	}
}

// What an alarm advises follows the floor, though nobody announces it anew: nobody
// is told to tape film on a machine that runs, and a roll that came is named.
func TestAStandingAlarmIsDescribedAsItIsNow(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	now := func(code hazard.Code) event.AlarmChanged {
		t.Helper()
		for _, a := range d.reader().Alarms(d.now, "north", "heron") {
			if a.Hazard == string(code) {
				return a.Change
			}
		}
		t.Fatalf("no %s stands", code)
		return event.AlarmChanged{}
	}
	leader := func(c event.AlarmChanged) event.Remedy {
		return c.Remedies[slices.IndexFunc(c.Remedies, func(r event.Remedy) bool { return r.Code == "leader" })]
	}
	d.say("ticket.received", ticket("J1"))
	if c := now(hazard.BareEdge); !strings.Contains(c.Message, "nobody knows where") {
		t.Fatalf("before a roll is on: %s", c.Message)
	}
	d.monoRoll(0)
	c := now(hazard.BareEdge)
	if !strings.Contains(c.Message, "MONO-GLOSS-137") || strings.Contains(fmt.Sprint(c.Message, c.Evidence), "nobody knows where") {
		t.Errorf("once a roll is on: %s %v", c.Message, c.Evidence)
	}
	d.note(hazard.BareEdge, "J1", event.ActAcknowledge)
	if c := now(hazard.BareEdge); !strings.Contains(c.Message, "acknowledged by") || c.By == "" {
		t.Errorf("what a person did is no longer told: %+v", c)
	}

	d.say("climate.read", &event.ClimateRead{RHPct: p(28)})
	if r := leader(now(hazard.DryAir)); r.WhyNot != "" {
		t.Fatalf("a leader on a machine that stands: not advised, %s", r.WhyNot)
	}
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	if r := leader(now(hazard.DryAir)); r.WhyNot == "" {
		t.Error("a leader is to be taped on a machine that runs")
	}
}
