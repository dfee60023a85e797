package rules_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

func machine(site, name string) plant.Machine {
	return plant.Machine{
		Site: site, Name: name, Configured: true,
		Path:    plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500},
		SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk, ToleranceMM: 0.3,
	}
}

// shop is a small shop with the book given, or the default one.
func shop(t testing.TB, book *hazard.Book, machines ...plant.Machine) rules.Site {
	t.Helper()
	if len(machines) == 0 {
		machines = []plant.Machine{machine("north", "heron")}
	}
	mono := film.Defaults[event.Monomeric]
	mono.Stock, mono.Class, mono.PricePerM2, mono.WidthMM = "MONO-GLOSS-137", event.Monomeric, usd("1.20"), units.Some(1370)
	poly := film.Defaults[event.Polymeric]
	poly.Stock, poly.Class, poly.PricePerM2, poly.WidthMM = "POLY-GLOSS-137", event.Polymeric, usd("2.60"), units.Some(1370)
	films, err := film.NewCatalogue(nil, []film.Film{mono, poly})
	if err != nil {
		t.Fatal(err)
	}
	if book == nil {
		book = hazard.DefaultBook()
	}
	return rules.Site{
		Machines: machines, Default: machine("", ""), Films: films, Book: book,
		Drift: register.ClassDefault{Share: 0.2},
		Advisor: &remedy.Advisor{Odds: risk.DefaultPrior(), Films: films, Flat: []film.Film{poly}, Costs: plant.Costs{
			Currency: "USD", LabourPerHour: usd("30"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.15"),
			StrikeDownS: 2700, StrikeReprint: 3, LeaderWorkS: 60, AdvanceWorkS: 10, ShapeWorkS: 60, CoolerSlowPct: 20, PauseS: 300,
		}},
		Lapse: 12 * time.Hour,
	}
}

// desk feeds an engine as the watch would: it applies events, judges, and
// brings transitions back through a journal of its own.
type desk struct {
	t       testing.TB
	engine  *rules.Engine
	now     time.Time
	journal []event.Event
	wake    time.Time
}

func newDesk(t testing.TB, site rules.Site) *desk {
	return &desk{t: t, engine: rules.New(site), now: start}
}

// say publishes one event on heron and lets the watch settle.
func (d *desk) say(typ event.Type, p event.Payload) []event.AlarmChanged {
	return d.sayAt("north", "heron", typ, p)
}

func (d *desk) sayAt(site, machine string, typ event.Type, p event.Payload) []event.AlarmChanged {
	d.t.Helper()
	if err := p.Check(); err != nil {
		d.t.Fatal(err)
	}
	d.append(event.Event{ID: fmt.Sprint("e", len(d.journal)), Source: "test", Type: typ, Time: d.now, Site: site, Machine: machine, Data: p})
	return d.settle()
}

func (d *desk) append(e event.Event) {
	d.journal = append(d.journal, e)
	d.engine.Apply(uint64(len(d.journal)), e)
}

// settle judges until nothing more is due and returns the transitions.
func (d *desk) settle() (changes []event.AlarmChanged) {
	d.t.Helper()
	for range 50 {
		var out []event.Event
		out, d.wake = d.engine.Judge(d.now)
		if again, _ := d.engine.Judge(d.now); len(again) > 0 {
			d.t.Fatalf("judging twice at %v gave %d more transitions", d.now, len(again))
		}
		if len(out) == 0 {
			return changes
		}
		for _, e := range out {
			if err := e.Data.Check(); err != nil {
				d.t.Fatalf("the journal would refuse a transition: %v", err)
			}
			changes = append(changes, *e.Data.(*event.AlarmChanged))
			d.append(e)
		}
	}
	d.t.Fatal("the watch does not come to rest")
	return nil
}

// wait lets time go by and judges at every moment that the engine asks for.
func (d *desk) wait(span time.Duration) (changes []event.AlarmChanged) {
	d.t.Helper()
	end := d.now.Add(span)
	for !d.wake.IsZero() && !d.wake.After(end) {
		d.now = d.wake
		changes = append(changes, d.settle()...)
	}
	d.now = end
	return append(changes, d.settle()...)
}

func p(v float64) *float64 { return &v }
func yes() *bool           { b := true; return &b }

// monoRoll loads a fresh roll of cheap film and says where its edge is.
func (d *desk) monoRoll(edgeMM float64) {
	d.t.Helper()
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50), ThicknessUM: p(220)})
	d.say("edge.moved", &event.EdgeMoved{PositionMM: p(edgeMM), Cause: event.CauseRewind})
}

// ticket is a sound ticket for cheap film.
func ticket(job string) *event.TicketReceived {
	return &event.TicketReceived{
		Job: job, Part: "P1", Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: p(1370), LengthM: p(3),
		Copies: p(100), Passes: p(12), InkDensityPct: p(100), CureC: p(93), ContourCut: true, MarkSpacingMM: p(400),
	}
}

func run(job string, metres *float64) event.Run {
	return event.Run{Job: job, Part: "P1", Metres: metres}
}
