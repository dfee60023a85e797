package remedy_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

// fixed odds make expected costs easy to work out by hand.
type fixed map[string]float64

func (f fixed) Strike(s risk.Start) risk.Estimate {
	if s.Class == event.Polymeric {
		return risk.Estimate{P: f["better-film"]}
	}
	return risk.Estimate{P: f[s.Treatment]}
}

func stock(code string, class event.Class, price string) film.Film {
	f := film.Defaults[class]
	f.Stock, f.Class, f.WidthMM = code, class, units.Some(1370)
	if price != "" {
		f.PricePerM2 = usd(price)
	}
	return f
}

// bare is a queued run of cheap film whose edge lies at the print line of a
// machine with a cure exit a third of a metre away.
func bare() *hazard.Scene {
	mono := stock("MONO-GLOSS-137", event.Monomeric, "1.20")
	length, passes, cure := 3.0, 12.0, 93.0
	return &hazard.Scene{
		Machine: &floor.Machine{
			Site: "north", Name: "heron",
			Roll: floor.Roll{Loaded: true, Class: event.Monomeric, WidthMM: units.Some(1370), LeftM: units.Some(40), ThicknessUM: units.Some(220)},
			Edge: floor.Edge{PositionMM: units.Some(0)},
		},
		Plant: &plant.Machine{Path: plant.Path{CureEntryMM: 180, CureExitMM: 330, GapUM: 1500}, SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk},
		Rules: hazard.DefaultBook().Resolve(hazard.Place{}), Loaded: mono, Wanted: mono,
		Run:   &floor.Run{Job: "J1", Ticket: &floor.Ticket{Data: event.TicketReceived{LengthM: &length, Passes: &passes, CureC: &cure}}},
		Phase: hazard.Queued, Next: true, Now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
	}
}

func advisor() *remedy.Advisor {
	poly := stock("POLY-GLOSS-137", event.Polymeric, "2.60")
	films, _ := film.NewCatalogue(nil, []film.Film{poly})
	return &remedy.Advisor{
		Odds:  fixed{"none": 0.2, "advance": 0, "leader": 0.01, "shaped-edge": 0.15, "cooler": 0.18, "better-film": 0.001},
		Films: films, Flat: []film.Film{poly},
		Costs: plant.Costs{
			Currency: "USD", LabourPerHour: usd("36"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.20"),
			StrikeDownS: 1800, StrikeReprint: 2, LeaderWorkS: 60, ShapeWorkS: 60, CoolerSlowPct: 20, PauseS: 300,
		},
	}
}

func row(t *testing.T, code hazard.Code) *hazard.Row {
	t.Helper()
	r, ok := hazard.DefaultBook().Row(code)
	if !ok {
		t.Fatal("no row", code)
	}
	return r
}

func byCode(list []event.Remedy) map[string]event.Remedy {
	m := map[string]event.Remedy{}
	for _, r := range list {
		m[r.Code] = r
	}
	return m
}

func TestChangeOfTheRollByHand(t *testing.T) {
	a := advisor()
	f := stock("MONO-GLOSS-137", event.Monomeric, "1.20")
	// Ten minutes of labour at 36 an hour (6.00) and of standstill at 60 (10.00), and
	// half a metre 1.37 m wide: 0.685 m² at 1.20 (0.82).
	if got := a.ChangeCost(f, 600, 0.685); math.Abs(got-16.82) > 1e-9 {
		t.Errorf("a change costs %v, want 16.82", got)
	}
	if got := a.ChangeCost(stock("", event.Monomeric, ""), 600, 0.685); math.Abs(got-16) > 1e-9 {
		t.Errorf("without a price of the film a change costs %v, want 16.00", got)
	}
}

// The costs are worked out by hand from the prices above. A strike costs half
// an hour of standstill (30.00) and of labour (18.00), a share of a head
// (40.00) and 2 m² of film (2.40): 90.40 USD.
func TestExpectedCostsByHand(t *testing.T) {
	a, s := advisor(), bare()
	if got := a.StrikePrice(s.Loaded, a.Costs.StrikeReprint); math.Abs(got-90.40) > 1e-9 {
		t.Fatalf("a strike costs %.4f, want 90.40", got)
	}
	got := byCode(a.Advise(row(t, hazard.BareEdge), s))
	for code, want := range map[string]struct{ cost, expected string }{
		"advance":     {"0.60 USD", "0.60 USD"},  // 0.365 m × 1.37 m × 1.20 = 0.60006
		"leader":      {"0.80 USD", "1.70 USD"},  // tape 0.20 + a minute of labour 0.60; + 1 % of a strike
		"better-film": {"5.75 USD", "5.84 USD"},  // 3 m × 1.37 m × (2.60 - 1.20) = 5.754; + 0.1 % of a strike
		"shaped-edge": {"0.60 USD", "14.16 USD"}, // a minute of labour; + 15 % of a strike
		"cooler":      {"3.56 USD", "19.83 USD"}, // a fifth of 1066.7 s at 60 an hour = 3.5556; + 18 % of a strike
	} {
		if got[code].Cost != want.cost || got[code].Expected != want.expected {
			t.Errorf("%s: got %s and %s expected, want %s and %s", code, got[code].Cost, got[code].Expected, want.cost, want.expected)
		}
	}
	if expected, odds := a.DoNothing(s); expected != "18.08 USD" || odds.P != 0.2 {
		t.Errorf("doing nothing: %s at %g", expected, odds.P)
	}
}

// Common practice (no source): advancing costs about 0.50 to 0.75 USD of film
// on a 1.37 m roll past a cure exit a third of a metre away.
func TestAnAdvanceCostsWhatPracticeSays(t *testing.T) {
	for _, price := range []string{"1.10", "1.20", "1.35"} {
		s := bare()
		s.Loaded.PricePerM2 = usd(price)
		cost := byCode(advisor().Advise(row(t, hazard.BareEdge), s))["advance"].Cost
		if cost < "0.50 USD" || cost > "0.75 USD" {
			t.Errorf("at %s per m² an advance costs %s", price, cost)
		}
	}
}

func TestTheCheapestInExpectationComesFirst(t *testing.T) {
	list := advisor().Advise(row(t, hazard.BareEdge), bare())
	if list[0].Code != "advance" || !list[0].Cheapest {
		t.Errorf("first is %+v", list[0])
	}
	a := advisor()
	a.Costs.LeaderTape = usd("0.01")
	a.Costs.LeaderWorkS = 1
	a.Odds = fixed{"none": 0.2, "advance": 0.01, "leader": 0}
	if list := a.Advise(row(t, hazard.BareEdge), bare()); list[0].Code != "leader" {
		t.Errorf("with cheap tape and a sure leader, first is %s", list[0].Code)
	}
	for i, r := range list {
		if r.Cheapest != (i == 0) {
			t.Errorf("%s is marked cheapest: %v", r.Code, r.Cheapest)
		}
	}
}

func TestWhatCannotBeDoneSaysWhy(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*hazard.Scene, *remedy.Advisor)
		code   string
		why    string
	}{
		"roll too short to advance": {func(s *hazard.Scene, _ *remedy.Advisor) { s.Machine.Roll.LeftM = units.Some(3.1) }, "advance", "the roll has only 3.1 m left"},
		"no room for a leader":      {func(s *hazard.Scene, _ *remedy.Advisor) { s.Plant.Path.GapUM = 900 }, "leader", "only 80 µm are left under the carriage"},
		"a leader is on":            {func(s *hazard.Scene, _ *remedy.Advisor) { s.Machine.Leader.On = true }, "leader", "a leader is on already"},
		"no flat film in stock":     {func(_ *hazard.Scene, a *remedy.Advisor) { a.Flat = nil }, "better-film", "no film that lies flat"},
		"flat film of any width":    {func(_ *hazard.Scene, a *remedy.Advisor) { a.Flat[0].WidthMM = units.Maybe{} }, "better-film", "nobody can tell whether it is wide enough"},
		"length unknown":            {func(s *hazard.Scene, _ *remedy.Advisor) { s.Run.Ticket = nil }, "better-film", "length of the run is not known"},
		"lip shaped already":        {func(s *hazard.Scene, _ *remedy.Advisor) { s.Machine.Edge.Shape = "rounded" }, "shaped-edge", "shaped already"},
		"nothing to pause":          {func(*hazard.Scene, *remedy.Advisor) {}, "pause", "has not started"},
		"too late to leave uncut":   {func(*hazard.Scene, *remedy.Advisor) {}, "no-cut", "too late"},
		"taping a running machine":  {func(s *hazard.Scene, _ *remedy.Advisor) { s.Phase = hazard.Running }, "leader", "never tape film on a running machine"},
		"advancing a running one":   {func(s *hazard.Scene, _ *remedy.Advisor) { s.Phase = hazard.Running }, "advance", "pause it by the machine's own controls"},
		"cooling below the ink":     {func(s *hazard.Scene, _ *remedy.Advisor) { *s.Run.Ticket.Data.CureC = 84 }, "cooler", "the ink needs"},
		"cooling an unknown recipe": {func(s *hazard.Scene, _ *remedy.Advisor) { s.Run.Ticket.Data.CureC = nil }, "cooler", "not known, so nobody can tell"},
		"cooling a running one":     {func(s *hazard.Scene, _ *remedy.Advisor) { s.Phase = hazard.Running }, "cooler", "cools too slowly"},
	} {
		t.Run(name, func(t *testing.T) {
			s, a := bare(), advisor()
			c.change(s, a)
			list := a.Advise(row(t, hazard.BareEdge), s)
			r := byCode(list)[c.code]
			if !strings.Contains(r.WhyNot, c.why) || r.Cheapest || r.Cost != "" {
				t.Errorf("got %+v, want it refused because %q", r, c.why)
			}
			if list[0].WhyNot != "" {
				t.Errorf("%s comes first although it cannot be taken", list[0].Code)
			}
		})
	}
}

// Without a price nobody can say what the film of an advance costs: it is
// still offered, behind what has a price.
func TestAFilmWithoutAPrice(t *testing.T) {
	s := bare()
	s.Loaded = stock("MONO-GLOSS-137", event.Monomeric, "")
	list := advisor().Advise(row(t, hazard.BareEdge), s)
	if r := byCode(list)["advance"]; r.Cost != "price not known" || r.Expected != "" || r.WhyNot != "" {
		t.Errorf("advance: %+v", r)
	}
	if list[0].Code != "leader" {
		t.Errorf("first is %s, want leader, the cheapest with a price", list[0].Code)
	}
}

// A film that has no price is not the cheaper for it, and one of a width that
// nobody knows is not wide enough.
func TestTheBetterFilmIsTheCheapestOfThoseThatAreKnown(t *testing.T) {
	poly, cast, bare137 := stock("POLY-GLOSS-137", event.Polymeric, "2.60"), stock("CAST-WRAP-152", event.Cast, "2.10"), stock("POLY-MATT-137", event.Polymeric, "")
	unmeasured := stock("POLY-GLOSS", event.Polymeric, "1.90")
	unmeasured.WidthMM = units.Maybe{}
	for _, c := range []struct {
		flat []film.Film
		want string
		cost string
	}{
		{[]film.Film{poly, cast}, "CAST-WRAP-152", "3.70 USD"}, // 3 m × 1.37 m × (2.10 - 1.20) = 3.699
		{[]film.Film{bare137, poly}, "POLY-GLOSS-137", "5.75 USD"},
		{[]film.Film{poly, bare137}, "POLY-GLOSS-137", "5.75 USD"},
		{[]film.Film{bare137}, "POLY-MATT-137", "price not known"},
		{[]film.Film{unmeasured, poly}, "POLY-GLOSS-137", "5.75 USD"},
		{[]film.Film{unmeasured, bare137}, "POLY-MATT-137", "price not known"},
	} {
		a := advisor()
		a.Flat = c.flat
		r := byCode(a.Advise(row(t, hazard.BareEdge), bare()))["better-film"]
		if r.Text != "print on "+c.want || r.Cost != c.cost {
			t.Errorf("of %d films: %s for %s, want %s for %s", len(c.flat), r.Text, r.Cost, c.want, c.cost)
		}
	}
}

func TestEveryHazardNamesRemediesOfTheTable(t *testing.T) {
	used := map[string]bool{}
	for _, h := range hazard.Builtin {
		if len(h.Remedies) == 0 {
			t.Errorf("%s has no remedy", h.Code)
		}
		for _, code := range h.Remedies {
			used[code] = true
			if _, ok := remedy.ByCode(code); !ok {
				t.Errorf("%s names remedy %q, which is not in the table", h.Code, code)
			}
		}
	}
	for _, r := range remedy.Table {
		if !used[r.Code] {
			t.Errorf("no hazard names remedy %q", r.Code)
		}
	}
}

func TestAShopsOwnRemedyIsItsOwnWords(t *testing.T) {
	own := &hazard.Row{Code: "hot-room", Remedies: []string{"own:open the door"}}
	if r := advisor().Advise(own, bare()); len(r) != 1 || r[0].Text != "open the door" || !r[0].Cheapest {
		t.Errorf("got %+v", r)
	}
}

// What settles one hazard may only help with another.
func TestCoolerSettlesTheRecipeAndNotTheEdge(t *testing.T) {
	s := bare()
	if r := byCode(advisor().Advise(row(t, hazard.BareEdge), s))["cooler"]; r.Settles {
		t.Error("a cooler cure settles a bare edge")
	}
	if r := byCode(advisor().Advise(row(t, hazard.HotRecipe), s))["cooler"]; !r.Settles {
		t.Error("a cooler cure does not settle a hot recipe")
	}
}

// A cure is only lowered to where its ink still cures. At the reference of the
// default ink, 93 °C and 40 s for a full load, 12 passes give 53.3 s, and a fifth
// longer 64 s; by the Arrhenius law with 60 kJ/mol (worked out by hand in kelvin,
// 1/(1/366.15 + 8.314/60000·ln(64/40))) that is enough from 84.5 °C up. Less heat
// than that is offered neither against an edge nor against a recipe that is too
// hot for a film whose own ceiling lies below it.
func TestACoolerCureStillCures(t *testing.T) {
	for _, c := range []struct {
		cure, ceiling float64
		open          bool
	}{
		{93, 110, true}, {86, 110, true}, {85, 110, false}, {80, 110, false},
		{93, 86, true}, {93, 84, false},
	} {
		s, full := bare(), 100.0
		*s.Run.Ticket.Data.CureC, s.Run.Ticket.Data.InkDensityPct, s.Wanted.CeilingC = c.cure, &full, c.ceiling
		for _, code := range []hazard.Code{hazard.BareEdge, hazard.HotRecipe} {
			if r := byCode(advisor().Advise(row(t, code), s))["cooler"]; (r.WhyNot == "") != c.open {
				t.Errorf("%s: cooler than %g °C on a film that bears %g °C: %q", code, c.cure, c.ceiling, r.WhyNot)
			}
		}
	}
}

// Nobody is told to reach into a machine that moves.
func TestARunningMachineIsPausedFirst(t *testing.T) {
	s := bare()
	s.Phase = hazard.Running
	for _, code := range []hazard.Code{hazard.WrongStock, hazard.LowClearance, hazard.ShortRoll} {
		if r := advisor().Advise(row(t, code), s)[0]; !strings.HasPrefix(r.Text, "pause the machine by its own controls") {
			t.Errorf("%s, running: %s", code, r.Text)
		}
	}
}
