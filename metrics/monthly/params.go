package monthly

import (
	"slices"
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/reliability"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
)

// ParamsOf returns what the reports of a site are computed with: its prices, the
// odds as they were known when the month began, by which the month is judged,
// and those that know the month as well, by which is estimated what was spared.
func ParamsOf(site rules.Site) func(before *floor.State) reliability.Params {
	return func(before *floor.State) reliability.Params {
		p := reliability.Params{Films: site.Films}
		if site.Advisor == nil {
			return p
		}
		var known []risk.Cell
		if before != nil {
			known = rules.Cells(before)
		}
		learn := site.Learn
		if learn == nil {
			learn = func([]risk.Cell) remedy.Odds { return site.Advisor.Odds }
		}
		p.Odds = learn(known).Strike
		p.Learnt = func(outcomes []risk.Outcome) func(risk.Start) risk.Estimate {
			all := slices.Clone(known)
			for _, o := range outcomes {
				all = append(all, o.Cell())
			}
			return learn(all).Strike
		}
		p.Calibration = func(outcomes []risk.Outcome) risk.Record {
			w := risk.Walk{Before: known, Fit: func(c []risk.Cell) func(risk.Start) float64 { return mean(learn(c)) }, StrikeFits: strikeFits}
			return risk.Score(w.Foretell(outcomes), risk.DefaultEdges())
		}
		prices := pricesOf(site)
		p.StrikeCost = money(site.Advisor.StrikePrice(prices.cheap, prices.costs.StrikeReprint), prices.costs.Currency)
		p.TreatmentCost = prices.treatment
		return p
	}
}

// strikeFits is how many of a month's strikes are learnt at once when its odds
// are walked through again, as the watch did with each. A fit of a large shop's
// year takes a tenth of a second, and so a month of very many strikes is learnt
// of in larger steps from then on.
const strikeFits = 40

// mean is the quickest way to the odds alone.
func mean(odds remedy.Odds) func(risk.Start) float64 {
	if quick, ok := odds.(remedy.Averager); ok {
		return quick.Mean
	}
	return func(s risk.Start) float64 { return odds.Strike(s).P }
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

// prices are what treatments of an edge cost at a site.
type prices struct {
	rules.Site
	costs   plant.Costs
	cheap   film.Film                // where the film of a start is not known, or has no price
	advance map[hazard.Place]float64 // m² of one, as far as asked for
}

func pricesOf(site rules.Site) *prices {
	return &prices{Site: site, costs: site.Advisor.Costs, cheap: cheapFilm(site.Films), advance: map[hazard.Place]float64{}}
}

// treatment prices one that has a price of its own: the work and what is used
// up. An advance is along the machine's own path, of the start's own film.
func (p *prices) treatment(s *reliability.Start, code string) (currency.Amount, bool) {
	labour, cost := number(p.costs.LabourPerHour)/3600, 0.0
	switch code {
	case "advance":
		cost = p.film(s) + labour*p.costs.AdvanceWorkS
	case "leader":
		cost = number(p.costs.LeaderTape) + labour*p.costs.LeaderWorkS
	case "shaped-edge":
		cost = labour * p.costs.ShapeWorkS
	default:
		return currency.Amount{}, false
	}
	return money(cost, p.costs.Currency), true
}

// film is what the film of an advance costs.
func (p *prices) film(s *reliability.Start) float64 {
	f := p.cheap
	if p.Films != nil {
		if own := p.Films.Lookup(s.Stock, s.Class); own.PricePerM2.CurrencyCode() == p.costs.Currency {
			f = own
		}
	}
	cost, err := f.Cost(p.advanced(hazard.Place{Site: s.Site, Machine: s.Machine, Stock: s.Stock, Class: s.Class}))
	if err != nil {
		return 0
	}
	return number(cost)
}

// advanced is the film from the print line to as far past the cure exit as the
// rule book wants it, at full width, in m². For a machine that is not configured
// it is the most that any takes.
func (p *prices) advanced(at hazard.Place) float64 {
	if m2, known := p.advance[at]; known {
		return m2
	}
	margin, most := p.Book.Resolve(at).AdvanceMarginMM, 0.0
	for i := range p.Machines {
		m := &p.Machines[i]
		m2 := film.Area(m.Path.ClearAdvance(0, margin)/1000, m.MaxWidthMM)
		if m.Site == at.Site && m.Name == at.Machine {
			most = m2
			break
		}
		most = max(most, m2)
	}
	p.advance[at] = most
	return most
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
