package rules_test

import (
	"slices"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

func TestRejudgeFindsNothingWithTheSameBook(t *testing.T) {
	site := shop(t, nil)
	d := aDay(t, site)
	if diffs := rejudged(site, d.journal); len(diffs) != 0 {
		t.Errorf("the same rule book differs from itself: %+v", diffs)
	}
}

// The last entry of the journal is an alarm that came when its delay ran out.
func TestRejudgeWaitsForADelayThatEndsTheJournal(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137"})
	d.say("ticket.received", ticket("J1"))
	late := d.wait(10 * time.Minute)
	if len(late) == 0 || late[len(late)-1].Hazard != string(hazard.StaleFloor) {
		t.Fatalf("the wait ended with %+v, want stale-floor", late)
	}
	if diffs := rejudged(site, d.journal); len(diffs) != 0 {
		t.Errorf("the same rule book differs from itself: %+v", diffs)
	}
}

// A sensor whose clock is a day ahead must not wake the judgement of a day that
// has not come yet.
func TestRejudgeGoesByWhenTheJournalStoredAnEvent(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(0)
	k := ticket("J1")
	k.StartAt = at(5 * time.Hour)
	d.say("ticket.received", k)
	ahead := event.Event{ID: "ahead", Source: "test", Type: "climate.read", Time: start.Add(24 * time.Hour), Site: "north", Machine: "heron", Data: &event.ClimateRead{RHPct: p(50)}}
	d.append(ahead)
	d.settle()
	d.wait(3 * time.Hour)
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
	r := rules.NewRejudge(site)
	for _, e := range d.journal {
		stored := e.Time
		if e.ID == ahead.ID {
			stored = start
		}
		r.Apply(stored, e)
	}
	if diffs := r.Differences(); len(diffs) != 0 {
		t.Errorf("the same rule book differs from itself: %+v", diffs)
	}
}

func TestRejudgeShowsWhatAnotherBookWouldHaveSaid(t *testing.T) {
	d := aDay(t, shop(t, nil))
	before := len(d.journal)
	book, err := hazard.ParseBook("book.yaml", []byte("settings: {dry_air_rh_pct: 60}\nhazards:\n  bare-edge: {enabled: false}\n"))
	if err != nil {
		t.Fatal(err)
	}
	was, now := 0, 0
	for _, x := range rejudged(shop(t, book), d.journal) {
		switch {
		case x.Key.Hazard == "bare-edge" && x.Now.IsZero() && !x.Was.IsZero():
			was++
		case x.Key.Hazard == "dry-air" && x.Was.IsZero() && !x.Now.IsZero():
			now++
		default:
			t.Errorf("unexpected difference %+v", x)
		}
	}
	if was != 2 || now != 1 {
		t.Errorf("%d alarms of then are gone and %d are new, want 2 and 1", was, now)
	}
	if len(d.journal) != before {
		t.Error("judging again changed the journal")
	}
}

// TestDifferencesComeInOneOrder has one alarm at one moment on a machine of the same
// name at each of six sites.
func TestDifferencesComeInOneOrder(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	sites := []string{"bay", "dock", "north", "pier", "quay", "yard"}
	for _, site := range sites {
		d.sayAt(site, "heron", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, EdgeMM: p(0)})
		d.sayAt(site, "heron", "ticket.received", ticket("J1"))
	}
	book, err := hazard.ParseBook("book.yaml", []byte("hazards:\n  bare-edge: {enabled: false}\n"))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range rejudged(shop(t, book), d.journal) {
		got = append(got, x.Site)
	}
	if !slices.Equal(got, sites) {
		t.Errorf("differences at %v, want them at %v", got, sites)
	}
}

// aDay has two starts on a bare edge in air of 50 %.
func aDay(t *testing.T, site rules.Site) *desk {
	d := newDesk(t, site)
	d.monoRoll(0)
	d.say("climate.read", &event.ClimateRead{RHPct: p(50)})
	for _, job := range []string{"J1", "J2"} {
		d.say("ticket.received", ticket(job))
		d.wait(10 * time.Minute)
		d.say("run.started", &event.RunStarted{Run: run(job, nil)})
		d.wait(18 * time.Minute)
		d.say("run.finished", &event.RunFinished{Run: run(job, p(3))})
		d.say("cut.finished", &event.CutFinished{Job: job, Part: "P1", Rewound: yes()})
	}
	return d
}

func rejudged(site rules.Site, journal []event.Event) []rules.Difference {
	r := rules.NewRejudge(site)
	for _, e := range journal {
		r.Apply(e.Time, e)
	}
	return r.Differences()
}
