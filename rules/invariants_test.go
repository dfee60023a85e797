package rules_test

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/queue"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
)

// anyEvent draws an event that a floor can produce, sensible or not.
func anyEvent(t *rapid.T) (event.Type, event.Payload) {
	job := rapid.SampledFrom([]string{"J1", "J2", "J3"}).Draw(t, "job")
	r := event.Run{Job: job, Part: "P1"}
	if rapid.Bool().Draw(t, "has metres") {
		r.Metres = p(rapid.Float64Range(0, 5).Draw(t, "metres"))
	}
	mm := rapid.Float64Range(-400, 500).Draw(t, "mm")
	choices := []event.Payload{
		ticket(job), &event.TicketWithdrawn{Job: job, Part: "P1"},
		&event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(20)},
		&event.RollLoaded{Stock: "POLY-GLOSS-137", FilmClass: event.Polymeric}, &event.RollRemoved{},
		&event.EdgeMoved{ByMM: p(mm), Cause: event.CauseAdvance}, &event.EdgeMoved{PositionMM: p(mm), Cause: event.CauseRewind},
		&event.LeaderAttached{LengthMM: 300, ThicknessUM: p(120)}, &event.LeaderRemoved{}, &event.EdgeShaped{Shape: "rounded"},
		&event.RunQueued{Job: job, Part: "P1", Position: p(1)}, &event.RunStarted{Run: r}, &event.RunProgress{Run: r},
		&event.RunFinished{Run: r}, &event.RunStopped{Run: r}, &event.CutFinished{Job: job, Part: "P1", Rewound: yes()},
		&event.StrikeRecorded{Job: job}, &event.HeadChecked{NozzlesOK: yes(), ObstructionClear: yes()},
		&event.FilmWasted{LengthM: 0.4, Cause: "trim"}, &event.ClimateRead{RHPct: p(mm/10 + 40)},
		&event.MachineReported{State: "stopped", Reasons: []string{event.ReasonMediaJam}},
		&event.OperatorNoted{Hazard: "bare-edge", Job: job, Part: "P1", Action: "acknowledge", By: "ada"},
		&event.OperatorNoted{Hazard: "dry-air", Action: "shelve", By: "ada", Until: at(time.Hour)},
		&event.OperatorNoted{Hazard: "wrong-stock", Action: "out-of-service", By: "ada"},
		&event.OperatorNoted{Hazard: "wrong-stock", Action: "return-to-service", By: "ada"},
		&event.OperatorNoted{Action: event.ActNote, By: "ada", Reason: "the lip looks good"},
		&event.JobReprinted{Job: job, Cause: "head-strike", Copies: p(2)}, &event.ChangeMarked{Label: "new squeegee"},
		&event.TicketRejected{SourceFile: "a.xjdf", Kind: event.RejectKinds[0], Reason: "torn"},
		&event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 1000 - mm/100, CureC: 90 + float64(int(mm)%4)*5, Stock: "MONO-GLOSS-137"},
		&event.StripMeasured{Axis: "cross", NominalMM: 500, MeasuredMM: 499, CureC: 93},
		&event.AdviceAccepted{By: "ada", Job: job, Part: "P1", Remedy: rapid.SampledFrom(edgeRemedies).Draw(t, "remedy")},
		&event.AdviceAccepted{By: "ada", Order: []string{"J3/P1", job + "/P1", "J9"}},
		&event.EntryUndone{Event: "e0", Type: "roll.loaded", By: "ada"}, &event.EntryUndone{Event: "e1", Type: "strike.recorded", By: "ada"},
	}
	payload := rapid.SampledFrom(choices).Draw(t, "payload")
	return typeOf(t, payload), payload
}

var edgeRemedies = []string{"cooler", "leader", "shaped-edge"}

func typeOf(t rapid.TB, payload event.Payload) event.Type {
	for _, k := range event.Kinds {
		if fmt.Sprintf("%T", k.New()) == fmt.Sprintf("%T", payload) {
			return k.Type
		}
	}
	t.Fatalf("no type for %T", payload)
	return ""
}

// mistake takes back one of the newest entries, if that can be taken back.
func (d *desk) mistake(t *rapid.T) {
	of := d.journal[len(d.journal)-rapid.IntRange(1, min(6, len(d.journal))).Draw(t, "ago")]
	if slices.Contains(event.Undoable, of.Type) {
		d.sayAt(of.Site, of.Machine, "entry.undone", &event.EntryUndone{Event: of.ID, Type: of.Type, By: "ada"})
	}
}

func at(d time.Duration) *time.Time { t := start.Add(d); return &t }

// live plays a random day with the watch judging after every event.
func live(t *rapid.T, site rules.Site, tb testing.TB) *desk {
	d := newDesk(tb, site)
	for range rapid.IntRange(1, 60).Draw(t, "events") {
		d.wait(time.Duration(rapid.SampledFrom([]int{0, 30, 90, 600, 3600}).Draw(t, "seconds")) * time.Second)
		typ, payload := anyEvent(t)
		d.sayAt("north", rapid.SampledFrom([]string{"heron", "heron", "wren", event.AnyMachine}).Draw(t, "machine"), typ, payload)
		if rapid.IntRange(0, 3).Draw(t, "mistake") == 0 {
			d.mistake(t)
		}
	}
	return d
}

func bytesOf(t *rapid.T, e *rules.Engine) []byte {
	b, err := e.Freeze().Encode()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func fold(site rules.Site, journal []event.Event) *rules.Engine {
	e := rules.New(site)
	for i, ev := range journal {
		e.Apply(uint64(i+1), ev)
	}
	return e
}

// twoMachines are in a shop that learns, one of them known from its events only.
func twoMachines(t testing.TB) rules.Site {
	site := shop(t, nil, machine("north", "heron"))
	site.Learn = func(cells []risk.Cell) remedy.Odds { return risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{}) }
	return site
}

// TestEveryTypeIsTried keeps the journals drawn here from missing a type that is new.
func TestEveryTypeIsTried(t *testing.T) {
	tried := map[event.Type]bool{event.AlarmChangedType: true, "page.sent": true, "page.failed": true} // the watch's own
	rapid.Check(t, func(t *rapid.T) {
		for range 200 {
			typ, _ := anyEvent(t)
			tried[typ] = true
		}
	})
	for _, k := range event.Kinds {
		if !tried[k.Type] {
			t.Errorf("no journal holds %s", k.Type)
		}
	}
}

// Whatever the floor has come to, a reader has an answer to every question, and the
// answers are numbers.
func TestReadersAnswerOnAnyFloor(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(t2 *rapid.T) {
		d := live(t2, site, t)
		before := bytesOf(t2, d.engine)
		r := rules.Read(site, d.engine.View(d.now))
		for _, m := range []string{"heron", "wren"} {
			if dec, ok := r.Decide(d.now, "north", m); ok {
				dec.Explain()
				if dec.Chosen().WhyNot != "" {
					t2.Fatalf("%s: chose what cannot be taken: %s", m, dec.Why())
				}
			}
			if h, ok := r.Heat(d.now, "north", m); ok {
				h.Explain(site.Display)
			}
			if a, ok := r.QueueAdvice(d.now, "north", m, queue.DefaultPrices()); ok {
				a.Explain()
				if !(a.Saves() >= 0 && a.Gap() >= 0) {
					t2.Fatalf("%s: the advice saves %v and leaves %v", m, a.Saves(), a.Gap())
				}
			}
			for _, s := range r.Schedule(d.now, "north", m) {
				if s.Early.After(s.Expected) || !s.Late.IsZero() && s.Late.Before(s.Expected) {
					t2.Fatalf("%s: %s starts from %v to %v, expected %v", m, s.Run.Job, s.Early, s.Late, s.Expected)
				}
			}
			r.Hazards(d.now, "north", m)
			r.ReadyAt(d.now, "north", m)
			r.ClearAdvance(d.now, "north", m)
			r.Odds(d.now, "north", m)
		}
		if !bytes.Equal(before, bytesOf(t2, d.engine)) {
			t2.Fatal("a reader changed the floor")
		}
	})
}

func TestReplayGivesTheSameBytes(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(rt *rapid.T) {
		d := live(rt, site, t)
		if !bytes.Equal(bytesOf(rt, d.engine), bytesOf(rt, fold(site, d.journal))) {
			rt.Fatal("folding the journal again gives another state")
		}
	})
}

func TestSnapshotEqualsFoldAtAnyPoint(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(rt *rapid.T) {
		journal := live(rt, site, t).journal
		cut := rapid.IntRange(0, len(journal)).Draw(rt, "cut")
		restored := rules.New(site)
		if err := restored.Restore(bytesOf(rt, fold(site, journal[:cut]))); err != nil {
			rt.Fatal(err)
		}
		for i, ev := range journal[cut:] {
			restored.Apply(uint64(cut+i+1), ev)
		}
		if !bytes.Equal(bytesOf(rt, restored), bytesOf(rt, fold(site, journal))) {
			rt.Fatalf("a snapshot after %d of %d events leads elsewhere", cut, len(journal))
		}
	})
}

func TestDuplicatesChangeNothingAtAnyDistance(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(rt *rapid.T) {
		journal := live(rt, site, t).journal
		once, twice := fold(site, journal), fold(site, journal)
		i := rapid.IntRange(0, len(journal)-1).Draw(rt, "again")
		if twice.Apply(uint64(len(journal)), journal[i]) {
			rt.Fatal("a copy was taken for a new event")
		}
		before, after := bytesOf(rt, once), bytesOf(rt, twice)
		if !bytes.Equal(uncounted(before), uncounted(after)) {
			rt.Fatal("a copy changed the floor")
		}
	})
}

// uncounted blots out the count of duplicates, which is all that a copy may
// change.
func uncounted(snapshot []byte) []byte {
	return regexp.MustCompile(`"duplicate":\d+`).ReplaceAll(snapshot, []byte(`"duplicate":_`))
}

// A restart between any two events, with whatever the watch had judged but
// not yet published lost, neither repeats a transition nor loses one.
func TestRestartNeitherRepeatsNorLosesATransition(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(rt *rapid.T) {
		d := live(rt, site, t)
		again := &desk{t: t, engine: fold(site, d.journal), now: d.now, journal: d.journal}
		if repeated := again.settle(); len(repeated) > 0 {
			rt.Fatalf("after a restart the watch said again: %s", path(repeated))
		}
		typ, payload := anyEvent(rt)
		ev := event.Event{ID: "last", Source: "test", Type: typ, Time: d.now, Site: "north", Machine: "heron", Data: payload}
		d.append(ev)
		d.engine.Judge(d.now) // judged, and killed before anything is published
		lost := &desk{t: t, engine: fold(site, d.journal), now: d.now, journal: d.journal}
		straight := &desk{t: t, engine: fold(site, d.journal[:len(d.journal)-1]), now: d.now, journal: d.journal[:len(d.journal)-1]}
		straight.settle()
		straight.append(ev)
		if got, want := path(lost.settle()), path(straight.settle()); got != want {
			rt.Fatalf("killed before publishing: got %q, want %q", got, want)
		}
	})
}

// However the watch is asked, it asks to be woken only in the future.
func TestJudgeNeverAsksForThePast(t *testing.T) {
	site := twoMachines(t)
	rapid.Check(t, func(rt *rapid.T) {
		d := live(rt, site, t)
		if !d.wake.IsZero() && !d.wake.After(d.now) {
			rt.Fatalf("wants to be woken at %v, and it is %v", d.wake, d.now)
		}
	})
}
