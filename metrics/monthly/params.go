package monthly

import (
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/reliability"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// ParamsOf returns what the reports of a site are computed with: its prices, and
// the odds as they were known when the month began. Odds that had learnt from
// the month itself would look better than they were.
func ParamsOf(site rules.Site) func(before *floor.State) reliability.Params {
	return func(before *floor.State) reliability.Params {
		p := reliability.Params{Films: site.Films}
		if site.Advisor == nil {
			return p
		}
		var odds remedy.Odds = site.Advisor.Odds
		if site.Learn != nil && before != nil {
			odds = site.Learn(cells(before))
		}
		p.Odds = odds.Strike
		p.Calibration = func(starts []*reliability.Start) *risk.Calibration { return calibrate(odds, starts) }
		costs, cheap := site.Advisor.Costs, cheapFilm(site.Films)
		p.StrikeCost = money(site.Advisor.StrikePrice(cheap, costs.StrikeReprint), costs.Currency)
		p.TreatmentCost = treatments(site, cheap)
		return p
	}
}

// calibrate holds the odds against what came; nil without a start.
func calibrate(odds remedy.Odds, starts []*reliability.Start) *risk.Calibration {
	if len(starts) == 0 {
		return nil
	}
	forecasts := make([]risk.Forecast, len(starts))
	for i, s := range starts {
		forecasts[i] = risk.Forecast{P: odds.Strike(s.Case(s.Treatment)).P, Struck: s.Strikes > 0}
	}
	c := risk.Calibrate(forecasts, risk.DefaultEdges())
	return &c
}

// cells lays the starts of a floor out for the model of the odds.
func cells(f *floor.State) []risk.Cell {
	var out []risk.Cell
	for _, m := range f.Sorted() {
		for _, k := range m.Tally.Kinds {
			out = append(out, risk.Cell{
				Class: k.Class, Treatment: k.Treatment.String(), Site: m.Site, Machine: m.Name,
				RH: risk.RHBand(measured(k.RHPct)), Cure: risk.CureBand(measured(k.CureC)), Starts: k.Starts, Strikes: k.Strikes,
			})
		}
	}
	return out
}

func measured(v int) units.Maybe {
	if v == floor.Unmeasured {
		return units.Maybe{}
	}
	return units.Some(float64(v))
}

// cheapFilm is low-grade film with a price, if the shop gives one.
func cheapFilm(films *film.Catalogue) film.Film {
	if films == nil {
		return film.Film{}
	}
	cheap := films.Lookup("", event.Monomeric)
	for _, code := range films.Stocks() {
		f := films.Lookup(code, "")
		if f.Class.LowGrade() && cheap.PricePerM2.CurrencyCode() == "" && f.PricePerM2.CurrencyCode() != "" {
			cheap = f
		}
	}
	return cheap
}

// treatments prices the treatments of an edge that have a price of their own: of
// each, the work and what is used up. An advance is reckoned from the print line
// to past the cure exit, of the longest path and at full width.
func treatments(site rules.Site, cheap film.Film) map[string]currency.Amount {
	costs, advance := site.Advisor.Costs, 0.0
	margin := hazard.DefaultSettings().AdvanceMarginMM
	for _, m := range site.Machines {
		m2 := film.Area(m.Path.ClearAdvance(0, margin)/1000, m.MaxWidthMM)
		if c, err := cheap.Cost(m2); err == nil {
			advance = max(advance, number(c))
		}
	}
	labour := number(costs.LabourPerHour) / 3600
	out := map[string]currency.Amount{}
	for code, cost := range map[string]float64{
		"advance":     advance + labour*costs.AdvanceWorkS,
		"leader":      number(costs.LeaderTape) + labour*costs.LeaderWorkS,
		"shaped-edge": labour * costs.ShapeWorkS,
	} {
		out[code] = money(cost, costs.Currency)
	}
	return out
}

func number(a currency.Amount) float64 {
	v, err := strconv.ParseFloat(a.Number(), 64)
	if err != nil {
		return 0
	}
	return v
}

// money is an amount rounded to the currency's digits; none without a currency.
func money(v float64, code string) currency.Amount {
	a, err := currency.NewAmount(strconv.FormatFloat(v, 'f', 6, 64), code)
	if err != nil {
		return currency.Amount{}
	}
	return a.Round()
}
