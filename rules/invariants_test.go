package rules_test

import (
	"bytes"
	"fmt"
	"regexp"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules"
	"rollwarden/rules/event"
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
		&event.OperatorNoted{Hazard: "bare-edge", Job: job, Part: "P1", Action: "acknowledge", By: "ada"},
		&event.OperatorNoted{Hazard: "dry-air", Action: "shelve", By: "ada", Until: at(time.Hour)},
		&event.OperatorNoted{Hazard: "wrong-stock", Action: "out-of-service", By: "ada"},
		&event.OperatorNoted{Hazard: "wrong-stock", Action: "return-to-service", By: "ada"},
	}
	payload := rapid.SampledFrom(choices).Draw(t, "payload")
	for _, k := range event.Kinds {
		if fmt.Sprintf("%T", k.New()) == fmt.Sprintf("%T", payload) {
			return k.Type, payload
		}
	}
	t.Fatalf("no type for %T", payload)
	return "", nil
}

func at(d time.Duration) *time.Time { t := start.Add(d); return &t }

// live plays a random day with the watch judging after every event.
func live(t *rapid.T, site rules.Site, tb testing.TB) *desk {
	d := newDesk(tb, site)
	for range rapid.IntRange(1, 60).Draw(t, "events") {
		d.wait(time.Duration(rapid.IntRange(0, 3600).Draw(t, "seconds")) * time.Second)
		typ, payload := anyEvent(t)
		d.sayAt("north", rapid.SampledFrom([]string{"heron", "wren"}).Draw(t, "machine"), typ, payload)
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

func twoMachines(t testing.TB) rules.Site {
	return shop(t, nil, machine("north", "heron"), machine("north", "wren"))
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
