package config

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// over lays what the shop knows over a film; the price is laid by priced.
func (f Film) over(base film.Film) film.Film {
	base.ThicknessUM = units.From(f.ThicknessUM).Else(base.ThicknessUM)
	base.CeilingC = or(f.CeilingC, base.CeilingC)
	base.ContourCeilingC = or(f.ContourCeilingC, base.ContourCeilingC)
	base.OnsetC = or(f.OnsetC, base.OnsetC)
	base.StrainPerC = or(f.StrainPerC, base.StrainPerC)
	base.LiesFlat = or(f.LiesFlat, base.LiesFlat)
	return base
}

// class returns the shop's parameters of a class, without a price.
func (c *Config) class(class event.Class) film.Film {
	base := film.Defaults[class]
	base.Class = class
	return c.Classes[class].over(base)
}

// films builds the catalogue, and the list of films in stock that lie flat by
// themselves.
func (c *Config) films() (*film.Catalogue, []film.Film, error) {
	classes := map[event.Class]film.Film{}
	for class, f := range c.Classes {
		price, err := c.money("classes."+string(class)+".price_per_m2", f.PricePerM2)
		if err != nil {
			return nil, nil, err
		}
		classes[class] = priced(c.class(class), price)
	}
	var stocks, flat []film.Film
	for i, s := range c.Stocks {
		text := cmp.Or(s.PricePerM2, c.Classes[s.Class].PricePerM2)
		price, err := c.money(fmt.Sprintf("stocks[%d].price_per_m2", i), text)
		if err != nil {
			return nil, nil, err
		}
		f := priced(s.over(c.class(s.Class)), price)
		f.Stock, f.WidthMM = s.Code, units.From(s.WidthMM)
		stocks = append(stocks, f)
		if f.LiesFlat && or(s.InStock, true) {
			f.Given = true
			flat = append(flat, f)
		}
	}
	films, err := film.NewCatalogue(classes, stocks)
	if err != nil {
		return nil, nil, fmt.Errorf("films: %w", err)
	}
	return films, flat, nil
}

func priced(f film.Film, price currency.Amount) film.Film {
	f.PricePerM2 = price
	return f
}

// money reads an amount in the shop's currency; the empty one is unknown.
func (c *Config) money(key string, d Decimal) (currency.Amount, error) {
	if d == "" {
		return currency.Amount{}, nil
	}
	a, err := currency.NewAmount(string(d), c.Shop.Currency)
	if err != nil {
		return currency.Amount{}, fmt.Errorf("%s: %w", key, err)
	}
	return a, nil
}

func (c *Config) costs() (plant.Costs, error) {
	k := c.Costs
	out := plant.Costs{
		Currency: c.Shop.Currency, StrikeDownS: k.StrikeDowntime.Seconds(), StrikeReprint: k.StrikeReprintM2,
		LeaderWorkS: k.LeaderWork.Seconds(), AdvanceWorkS: k.AdvanceWork.Seconds(), ShapeWorkS: k.ShapeWork.Seconds(),
		CoolerSlowPct: k.CoolerSlowerPct, PauseS: k.PauseStandstill.Seconds(),
	}
	for _, m := range []struct {
		key  string
		text Decimal
		to   *currency.Amount
	}{
		{"labour_per_hour", k.LabourPerHour, &out.LabourPerHour},
		{"downtime_per_hour", k.DowntimePerHour, &out.DownPerHour},
		{"head_share_per_strike", k.HeadSharePerStrike, &out.HeadShare},
		{"leader_tape", k.LeaderTape, &out.LeaderTape},
	} {
		var err error
		if *m.to, err = c.money("costs."+m.key, m.text); err != nil {
			return plant.Costs{}, err
		}
	}
	return out, nil
}

// QueuePrices are what the order of a queue is weighed with, besides the costs.
func (c *Config) QueuePrices() (queue.Prices, error) {
	late, err := strconv.ParseFloat(string(c.Queue.LatePerHour), 64)
	if err != nil {
		return queue.Prices{}, fmt.Errorf("queue.late_per_hour: want an amount such as 10, got %q", c.Queue.LatePerHour)
	}
	return queue.Prices{LatePerHour: late, ChangeS: c.Queue.ChangeWork.Seconds(), ThreadM: c.Queue.ThreadM, RollM: c.Queue.UsualRollM}, nil
}

func (c *Config) odds() risk.Prior {
	return risk.Prior{Bare: c.Odds.Bare, Factor: c.Odds.Treatment, DryRH: c.Odds.DryBelowRHPct, DryMore: c.Odds.DryFactor, Fixed: !c.Odds.Learn}
}

// Complete writes into an event what it leaves open about a stock that the shop
// lists: its class, and for a roll width and thickness as far as the list has
// them. What the event says itself stays. An event is completed before it is
// stored, so that the journal says what was known at the time, and what is folded
// from it does not change with the list.
func (c *Config) Complete(e *event.Event) {
	switch d := e.Data.(type) {
	case *event.RollLoaded:
		if s := c.stock(d.Stock); s != nil {
			d.FilmClass = cmp.Or(d.FilmClass, s.Class)
			d.WidthMM, d.ThicknessUM = cmp.Or(d.WidthMM, s.WidthMM), cmp.Or(d.ThicknessUM, s.ThicknessUM)
		}
	case *event.TicketReceived:
		if s := c.stock(d.Stock); s != nil {
			d.FilmClass = cmp.Or(d.FilmClass, s.Class)
		}
	}
}

func (c *Config) stock(code string) *Stock {
	i := slices.IndexFunc(c.Stocks, func(s Stock) bool { return s.Code == code })
	if i < 0 {
		return nil
	}
	return &c.Stocks[i]
}
