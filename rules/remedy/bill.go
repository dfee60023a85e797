package remedy

import (
	"math"
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules/film"
)

// Bill is what something costs, in parts. Each part is rounded to the digits
// of the currency, so that what a person reads adds up.
type Bill struct {
	Parts []Part
	Total currency.Amount
	Lacks string // what has no price and is left out of the total; empty when nothing is
}

// Part is a quantity at a price.
type Part struct {
	Key      string // film, price-difference, labour, downtime, tape or head
	Quantity float64
	Unit     string // m2, s, or empty for a piece
	Price    currency.Amount
	Amount   currency.Amount
}

// Units of a part. A price of what takes time is that of an hour.
const (
	squareMetres = "m2"
	seconds      = "s"
)

func (a *Advisor) bill(parts ...Part) Bill {
	b := Bill{Parts: make([]Part, 0, len(parts))}
	for _, p := range parts {
		b.add(p)
	}
	if len(b.Parts) == 0 {
		b.Total = a.decimal(0)
	}
	return b
}

// add puts a part on the bill. What has no price is named instead, and what
// costs nothing left out.
func (b *Bill) add(p Part) {
	if p.Quantity == 0 {
		return
	}
	amount, err := p.cost()
	switch {
	case p.Unit == squareMetres && p.Price.CurrencyCode() == "":
		b.Lacks = "the film"
		return
	case err != nil:
		b.Lacks = "its " + p.Key
		return
	case amount.IsZero():
		return
	}
	sum := amount
	if len(b.Parts) > 0 {
		if sum, err = b.Total.Add(amount); err != nil {
			b.Lacks = "its " + p.Key + " in the shop's currency"
			return
		}
	}
	p.Amount, b.Total = amount, sum
	b.Parts = append(b.Parts, p)
}

// and is the bill with one part more; the bill itself stays as it is.
func (b Bill) and(p Part) Bill {
	b.Parts = append(make([]Part, 0, len(b.Parts)+1), b.Parts...)
	b.add(p)
	return b
}

// cost is the amount of a part, in decimal.
func (p Part) cost() (currency.Amount, error) {
	if p.Unit == "" {
		return p.Price.Round(), nil
	}
	quantity := p.Quantity
	if p.Unit == seconds {
		quantity /= 3600 // the price is that of an hour
	}
	cost, err := p.Price.Mul(strconv.FormatFloat(quantity, 'f', 9, 64))
	return cost.Round(), err
}

func (a *Advisor) labour(s float64) Part {
	return Part{Key: "labour", Quantity: s, Unit: seconds, Price: a.Costs.LabourPerHour}
}

func (a *Advisor) downtime(s float64) Part {
	return Part{Key: "downtime", Quantity: s, Unit: seconds, Price: a.Costs.DownPerHour}
}

func filmPart(f film.Film, m2 float64) Part {
	return Part{Key: "film", Quantity: m2, Unit: squareMetres, Price: f.PricePerM2}
}

func piece(key string, price currency.Amount) Part { return Part{Key: key, Quantity: 1, Price: price} }

// float is an amount for statistics.
func float(m currency.Amount) float64 {
	v, err := strconv.ParseFloat(m.Number(), 64)
	if err != nil {
		return 0
	}
	return v
}

// decimal is a statistic as money: rounded half up to the currency's digits.
// What is no number, or a shop without a currency, has none.
func (a *Advisor) decimal(v float64) currency.Amount {
	digits, _ := currency.GetDigits(a.Costs.Currency)
	minor := math.Round(v * math.Pow10(int(digits)))
	if !(math.Abs(minor) < 1<<53) {
		return currency.Amount{}
	}
	m, err := currency.NewAmountFromInt64(int64(minor), a.Costs.Currency)
	if err != nil {
		return currency.Amount{}
	}
	return m
}

// less compares amounts of one currency.
func less(a, b currency.Amount) bool {
	c, err := a.Cmp(b)
	return err == nil && c < 0
}

// withRisk is cost + odds · strike, the products in decimal.
func withRisk(cost currency.Amount, odds float64, strike currency.Amount) currency.Amount {
	loss, err := strike.Mul(strconv.FormatFloat(odds, 'f', 9, 64))
	if err != nil {
		return cost
	}
	sum, err := cost.Add(loss)
	if err != nil {
		return cost
	}
	return sum
}

// say writes an amount, rounded, with its currency.
func say(m currency.Amount) string {
	m = m.Round()
	return m.Number() + " " + m.CurrencyCode()
}
