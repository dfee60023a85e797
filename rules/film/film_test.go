package film_test

import (
	"math"
	"strings"
	"testing"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
)

func usd(t *testing.T, n string) currency.Amount {
	t.Helper()
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestAreaAndCost is plain arithmetic: a strip 0.3 m long of a roll 1.37 m wide
// is 0.411 m², which is 0.4932 at 1.20 per m² and 0.7398 at 1.80. In integers,
// 411 000 mm² at 120 and at 180 cents per m² are 49.32 and 73.98 cents.
func TestAreaAndCost(t *testing.T) {
	area := film.Area(0.3, 1370)
	if math.Abs(area-0.411) > 1e-12 {
		t.Fatalf("want 0.411 m², got %v", area)
	}
	for _, row := range []struct{ price, want string }{{"1.20", "0.4932"}, {"1.80", "0.7398"}, {"0", "0"}} {
		got, err := film.Film{PricePerM2: usd(t, row.price)}.Cost(area)
		if err != nil {
			t.Fatal(err)
		}
		if c, err := got.Cmp(usd(t, row.want)); err != nil || c != 0 {
			t.Errorf("at %s per m²: want %s, got %s", row.price, row.want, got)
		}
	}
	unpriced, err := film.Film{}.Cost(area)
	if err != nil || unpriced.CurrencyCode() != "" {
		t.Errorf("an unpriced film: want an amount without a currency, got %s, %v", unpriced, err)
	}
	if _, err := (film.Film{Stock: "X", PricePerM2: usd(t, "1")}).Cost(math.NaN()); err == nil || !strings.Contains(err.Error(), "price of X") {
		t.Errorf("an area that is no number: want an error that names the stock, got %v", err)
	}
}

func TestStrain(t *testing.T) {
	mono := film.Defaults[event.Monomeric]
	for _, c := range []float64{20, mono.OnsetC - 1, mono.OnsetC} {
		if got := mono.Strain(c); got != 0 {
			t.Errorf("at %v °C, not above onset: want 0, got %v", c, got)
		}
	}
	if got, want := mono.Strain(mono.OnsetC+10), 10*mono.StrainPerC; math.Abs(got-want) > 1e-15 {
		t.Errorf("10 °C above onset: want %v, got %v", want, got)
	}
	// Monomeric film moves most and cast film least: common practice, no source.
	at := func(c event.Class) float64 {
		f := film.Defaults[c]
		return math.Abs(f.Strain(116))
	}
	if !(at(event.Monomeric) > at(event.Polymeric) && at(event.Polymeric) > at(event.Cast)) {
		t.Error("want monomeric to move more than polymeric, and that more than cast")
	}
}

// TestDefaultsAreCautious holds the table of class defaults to what must be
// true of every row.
func TestDefaultsAreCautious(t *testing.T) {
	if len(film.Defaults) != len(event.Classes) {
		t.Errorf("%d classes have defaults, want all %d", len(film.Defaults), len(event.Classes))
	}
	unknown := film.Defaults[event.Unknown]
	if unknown.LiesFlat || unknown.ThicknessUM.Known() {
		t.Error("an unknown film passes for one that is known")
	}
	for _, class := range event.Classes {
		d := film.Defaults[class]
		if class.LowGrade() && d.LiesFlat {
			t.Errorf("%s is low-grade film, but lies flat", class)
		}
		if d.ContourCeilingC > d.CeilingC || d.OnsetC >= d.ContourCeilingC {
			t.Errorf("%s: want onset < contour ceiling <= ceiling, got %v, %v, %v", class, d.OnsetC, d.ContourCeilingC, d.CeilingC)
		}
		if d.CeilingC < unknown.CeilingC || d.ContourCeilingC < unknown.ContourCeilingC {
			t.Errorf("%s bears less than film that nobody knows", class)
		}
		if d.PricePerM2.CurrencyCode() != "" || d.Given {
			t.Errorf("%s has a price or is listed before the shop said so", class)
		}
	}
}

func TestCatalogue(t *testing.T) {
	mono := film.Film{Stock: "MONO-GLOSS-137", Class: event.Monomeric, CeilingC: 101}
	c, err := film.NewCatalogue(map[event.Class]film.Film{event.Banner: {CeilingC: 77}}, []film.Film{mono})
	if err != nil {
		t.Fatal(err)
	}
	if f := c.Lookup("MONO-GLOSS-137", event.Cast); f.Class != event.Monomeric || !f.Given || f.CeilingC != 101 {
		t.Errorf("the shop's own list must win over what an event says, got %+v", f)
	}
	if f := c.Lookup("NEW-STOCK", event.Polymeric); f.Class != event.Polymeric || f.Given || f.Stock != "NEW-STOCK" || !f.LiesFlat {
		t.Errorf("a stock that is not listed has its class's parameters, got %+v", f)
	}
	for _, class := range []event.Class{"", "vellum", event.Unknown} {
		if f := c.Lookup("", class); f.Class != event.Unknown || f.LiesFlat {
			t.Errorf("class %q: want unknown film, got %+v", class, f)
		}
	}
	if f := c.Class(event.Banner); f.CeilingC != 77 || f.Class != event.Banner {
		t.Errorf("the shop's class must win over the default, got %+v", f)
	}
	if film.Defaults[event.Banner].CeilingC == 77 {
		t.Error("the shop's class changed the defaults")
	}
}

func TestCatalogueRefuses(t *testing.T) {
	for _, row := range []struct {
		classes map[event.Class]film.Film
		stocks  []film.Film
		want    string
	}{
		{map[event.Class]film.Film{"vellum": {}}, nil, `"vellum" is unknown`},
		{nil, []film.Film{{}}, "a stock needs a code"},
		{nil, []film.Film{{Stock: "A"}, {Stock: "A"}}, `"A" is listed twice`},
	} {
		if _, err := film.NewCatalogue(row.classes, row.stocks); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("want an error with %s, got %v", row.want, err)
		}
	}
}
