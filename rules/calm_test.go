package rules_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// What is remembered of a calm machine never changes what the watch says: beside
// each watch runs one that judges everything anew every time, on the same events
// at the same moments, with none, one or many runs in the queue.
func TestCalmMachinesAreJudgedAsIfEverythingWere(t *testing.T) {
	const hazards = `
hazards:
  early-finish: {horizon: 90m}
  weak-cure: {horizon: 3h}
overrides:
  - where: {class: polymeric}
    hazards: {hot-recipe: {horizon: 30m}}
`
	const clocked = `
conditions:
  - {code: long-wait, title: Long wait, priority: low, scope: next, when: run.ready_in_s > 1800.0, why: it waits, do: nothing}
`
	var sites []rules.Site
	for _, text := range []string{hazards, hazards + clocked} {
		book, err := hazard.ParseBook("book.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		sites = append(sites, shop(t, book))
	}
	calm := 0
	rapid.Check(t, func(rt *rapid.T) {
		site := rapid.SampledFrom(sites).Draw(rt, "site")
		quick, whole := newDesk(t, site), newDesk(t, site)
		for _, e := range soundFloor(t, rapid.IntRange(0, 4).Draw(rt, "tickets")) {
			quick.append(e)
			whole.append(e)
		}
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			if rapid.IntRange(0, 3).Draw(rt, "wait") == 0 {
				seconds := rapid.SampledFrom([]int{1, 59, 240, 1801, 7200}).Draw(rt, "seconds")
				quick.now = quick.now.Add(time.Duration(seconds) * time.Second)
				whole.now = quick.now
			} else {
				for range rapid.IntRange(1, 3).Draw(rt, "events at once") {
					e := queueEvent(rt, quick)
					quick.append(e)
					whole.append(e)
				}
			}
			for quiet := false; !quiet; {
				if quick.engine.IsCalm("north/heron") {
					calm++
				}
				got, wakeAt := quick.engine.Judge(quick.now)
				whole.engine.JudgeEverything()
				want, latest := whole.engine.Judge(whole.now)
				if a, b := told(rt, got), told(rt, want); a != b {
					rt.Fatalf("after %d events at %v:\n got %s\nwant %s", len(quick.journal), quick.now, a, b)
				}
				if !latest.IsZero() && (wakeAt.IsZero() || wakeAt.After(latest)) {
					rt.Fatalf("wants to be woken at %v, and everything would be at %v", wakeAt, latest)
				}
				for _, e := range want {
					quick.append(e)
					whole.append(e)
				}
				quiet = len(want) == 0
			}
		}
	})
	least := 100
	if testing.Short() {
		least /= 5 // as rapid makes a fifth of the checks
	}
	if calm < least {
		t.Fatalf("only %d judgements were of a calm machine: nothing was tried", calm)
	}
}

// told writes transitions down in full.
func told(t *rapid.T, events []event.Event) (text string) {
	for _, e := range events {
		b, err := event.Encode(e)
		if err != nil {
			t.Fatal(err)
		}
		text += string(b) + "\n"
	}
	return text
}

// soundFloor is a machine on which all is known and nothing is wrong, with some
// sound runs in its queue.
func soundFloor(t testing.TB, tickets int) []event.Event {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(500), ThicknessUM: p(220), EdgeMM: p(400)})
	d.say("climate.read", &event.ClimateRead{RHPct: p(50)})
	for i := range tickets {
		d.say("ticket.received", ticket(fmt.Sprint("J", i+1)))
	}
	return d.journal
}

// queueEvent draws what moves a queue, its recipes and its film about.
func queueEvent(t *rapid.T, d *desk) event.Event {
	_, payload := anyEvent(t)
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0, 1:
		payload = anyTicket(t, d)
	case 2:
		r := event.Run{Job: anyJob(t), Part: "P1", Metres: p(rapid.Float64Range(0, 3).Draw(t, "metres"))}
		payload = rapid.SampledFrom([]event.Payload{
			&event.RunStarted{Run: r}, &event.RunProgress{Run: r}, &event.RunProgress{Run: r}, &event.RunFinished{Run: r},
		}).Draw(t, "run")
	case 3:
		of := d.journal[max(0, len(d.journal)-rapid.IntRange(1, 4).Draw(t, "ago"))]
		payload = &event.EntryUndone{Event: of.ID, Type: of.Type, By: "ada"}
	case 4:
		payload = &event.StripMeasured{
			Axis: rapid.SampledFrom([]string{"feed", "cross"}).Draw(t, "axis"), NominalMM: 1000,
			MeasuredMM: rapid.SampledFrom([]float64{999, 994, 988}).Draw(t, "measured"), CureC: rapid.SampledFrom([]float64{80, 95, 110}).Draw(t, "cure"),
			Stock: rapid.SampledFrom([]string{"MONO-GLOSS-137", "POLY-GLOSS-137"}).Draw(t, "stock"),
		}
	case 5:
		payload = &event.RollLoaded{
			Stock: rapid.SampledFrom([]string{"", "MONO-GLOSS-137", "POLY-GLOSS-137"}).Draw(t, "stock"), FilmClass: event.Cast,
			WidthMM: p(rapid.SampledFrom([]float64{300, 1370}).Draw(t, "width")), LengthM: p(50), ThicknessUM: p(220), EdgeMM: p(400),
		}
	case 6, 7, 8:
		payload = &event.ClimateRead{RHPct: p(50)} // changes nothing
	}
	typ := typeOf(t, payload)
	return event.Event{ID: fmt.Sprint("e", len(d.journal)), Source: "test", Type: typ, Time: d.now, Site: "north", Machine: "heron", Data: payload}
}

func anyJob(t *rapid.T) string {
	return rapid.SampledFrom([]string{"J1", "J2", "J3", "J4", "J5", "J6"}).Draw(t, "job")
}

// anyTicket is sound, or too hot, too quick, late, of unknown length, or for
// another film.
func anyTicket(t *rapid.T, d *desk) *event.TicketReceived {
	k := ticket(anyJob(t))
	soon := func(name string) *time.Time {
		at := d.now.Add(time.Duration(rapid.SampledFrom([]int{-600, 60, 3600, 5 * 3600, 30 * 3600}).Draw(t, name)) * time.Second)
		return &at
	}
	if rapid.Bool().Draw(t, "odd") {
		k.CureC = rapid.SampledFrom([]*float64{nil, p(60), p(93), p(130)}).Draw(t, "cure")
		k.Passes = rapid.SampledFrom([]*float64{nil, p(4), p(12)}).Draw(t, "passes")
		k.LengthM = rapid.SampledFrom([]*float64{nil, p(3), p(15)}).Draw(t, "length")
	}
	switch rapid.IntRange(0, 5).Draw(t, "film") {
	case 0:
		k.Stock, k.FilmClass = "POLY-GLOSS-137", event.Polymeric
	case 1, 2:
		k.Stock, k.FilmClass = "", "" // judged on what is loaded
	}
	k.MarkSpacingMM = p(rapid.SampledFrom([]float64{200, 400, 900}).Draw(t, "marks"))
	if rapid.Bool().Draw(t, "planned") {
		k.StartAt = soon("start")
	}
	if rapid.Bool().Draw(t, "laminated") {
		k.Laminate, k.Due = true, soon("due")
	}
	return k
}
