// Package film knows what a film is: its class defaults, the shop's stock
// codes over them, and the fixed formulas for area and cost.
//
// The class defaults are soft knowledge. Each is a starting point that a shop
// replaces with its supplier's data sheet or its own control strips.
package film

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// Film is everything the rules need to know about one stock.
type Film struct {
	Stock           string
	Class           event.Class
	WidthMM         units.Maybe     // of a full roll
	ThicknessUM     units.Maybe     // film with liner
	PricePerM2      currency.Amount // zero when no price is known
	CeilingC        float64         // hottest cure it bears lying free
	ContourCeilingC float64         // hottest cure that still registers on the cutter
	OnsetC          float64         // where it starts to deform
	StrainPerC      float64         // change of length per °C above onset, 1/°C
	LiesFlat        bool            // whether a bare edge stays down in the cure zone
	Given           bool            // whether the shop's catalogue lists the stock
}

// Defaults are the class parameters before a shop gives its own.
//
// The temperatures for monomeric film follow common practice (no source):
// about 200 °F (93 °C) with 10 to 12 passes keeps it flat enough for the
// cutter, 8 passes at 240 °F (116 °C) deforms it noticeably. The other rows
// are values from memory that keep the known order monomeric, polymeric, cast.
var Defaults = map[event.Class]Film{
	event.Monomeric: {ThicknessUM: units.Some(220), CeilingC: 110, ContourCeilingC: 98, OnsetC: 70, StrainPerC: -1.0e-4},
	event.Polymeric: {ThicknessUM: units.Some(220), CeilingC: 120, ContourCeilingC: 115, OnsetC: 80, StrainPerC: -4e-5, LiesFlat: true},
	event.Cast:      {ThicknessUM: units.Some(190), CeilingC: 125, ContourCeilingC: 120, OnsetC: 90, StrainPerC: -1.5e-5, LiesFlat: true},
	event.Paper:     {ThicknessUM: units.Some(180), CeilingC: 130, ContourCeilingC: 125, OnsetC: 100, StrainPerC: -2e-5, LiesFlat: true},
	event.Polyester: {ThicknessUM: units.Some(200), CeilingC: 110, ContourCeilingC: 105, OnsetC: 80, StrainPerC: -2e-5, LiesFlat: true},
	event.Banner:    {ThicknessUM: units.Some(450), CeilingC: 115, ContourCeilingC: 110, OnsetC: 80, StrainPerC: -6e-5, LiesFlat: true},
	event.Textile:   {ThicknessUM: units.Some(300), CeilingC: 130, ContourCeilingC: 125, OnsetC: 100, StrainPerC: -5e-5, LiesFlat: true},
	event.Other:     {ThicknessUM: units.Some(250), CeilingC: 110, ContourCeilingC: 98, OnsetC: 70, StrainPerC: -1.0e-4},
	event.Unknown:   {CeilingC: 98, ContourCeilingC: 93, OnsetC: 70, StrainPerC: -1.0e-4},
}

// Catalogue is the shop's stock list over the class defaults.
type Catalogue struct {
	stocks  map[string]Film
	classes map[event.Class]Film
}

// NewCatalogue lays the shop's classes over the defaults and lists its stocks.
func NewCatalogue(classes map[event.Class]Film, stocks []Film) (*Catalogue, error) {
	c := &Catalogue{stocks: make(map[string]Film, len(stocks)), classes: make(map[event.Class]Film)}
	for class, d := range Defaults {
		c.classes[class] = d
	}
	for class, d := range classes {
		if _, known := Defaults[class]; !known {
			return nil, fmt.Errorf("film class %q is unknown: want one of %v", class, event.Classes)
		}
		c.classes[class] = d
	}
	for _, s := range stocks {
		if s.Stock == "" {
			return nil, fmt.Errorf("a stock needs a code")
		}
		if _, twice := c.stocks[s.Stock]; twice {
			return nil, fmt.Errorf("stock %q is listed twice: remove one", s.Stock)
		}
		s.Given = true
		c.stocks[s.Stock] = s
	}
	return c, nil
}

// Class returns the parameters of a film class.
func (c *Catalogue) Class(class event.Class) Film {
	d, ok := c.classes[class]
	if !ok {
		d, class = c.classes[event.Unknown], event.Unknown
	}
	d.Class = class
	return d
}

// Lookup resolves a stock code and a class as an event or ticket gives them.
// What the event says about the class wins over the catalogue only when the
// catalogue does not list the stock: the shop's own list is checked by people.
func (c *Catalogue) Lookup(stock string, class event.Class) Film {
	if f, ok := c.stocks[stock]; ok {
		return f
	}
	f := c.Class(class)
	f.Stock = stock
	return f
}

// Stocks lists the stock codes of the shop, sorted.
func (c *Catalogue) Stocks() []string { return slices.Sorted(maps.Keys(c.stocks)) }

// Area returns the area in m² of length m of film that is width mm wide.
func Area(lengthM, widthMM float64) float64 { return lengthM * widthMM / 1000 }

// Cost prices an area. An unpriced film costs an amount with no currency.
func (f Film) Cost(areaM2 float64) (currency.Amount, error) {
	if f.PricePerM2.CurrencyCode() == "" {
		return currency.Amount{}, nil
	}
	if math.IsNaN(areaM2) || math.IsInf(areaM2, 0) {
		return currency.Amount{}, fmt.Errorf("price of %s: want an area in m², got %v", f.Stock, areaM2)
	}
	a, err := f.PricePerM2.Mul(strconv.FormatFloat(areaM2, 'f', 6, 64))
	if err != nil {
		return currency.Amount{}, fmt.Errorf("price of %s: %w", f.Stock, err)
	}
	return a, nil
}

// Strain returns the change of length, as a fraction, that a cure at c °C is
// expected to leave in the film.
func (f *Film) Strain(c float64) float64 { return f.StrainPerC * math.Max(0, c-f.OnsetC) }
