package risk

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Choice is one thing to do about a start: what doing it costs, the odds of a
// strike that it leaves, and what a strike costs, both in the shop's currency
// and both known numbers. Its cost is Cost + p·Strike, with p as uncertain as
// Odds says. The odds of different choices count as independent. Where nothing
// can be lost by a strike, as under a remedy that settles it, Strike is zero
// and Odds may be left out.
type Choice struct {
	Cost, Strike float64
	Odds         distuv.Beta
}

// Expected is the expected cost of a choice.
func (c Choice) Expected() float64 {
	if c.certain() {
		return c.Cost
	}
	return c.Cost + c.Odds.Mean()*c.Strike
}

func (c Choice) certain() bool { return c.Strike <= 0 }

// BreakEven is the reduction of the odds of a strike from which on a remedy
// pays: its cost over that of a strike. Above 1 it never pays. A strike that
// costs nothing makes it +Inf, unless the remedy is free too.
func BreakEven(remedyCost, strikeCost float64) float64 {
	if remedyCost <= 0 {
		return 0
	}
	if strikeCost <= 0 {
		return math.Inf(1)
	}
	return remedyCost / strikeCost
}

func leastExpected(choices []Choice) float64 {
	least := math.Inf(1)
	for _, c := range choices {
		least = min(least, c.Expected())
	}
	return least
}

// ValueOfTrial is what one more start under choice i is expected to save at
// each later start, because its outcome may change which choice looks best. It
// is 0 if no single outcome can, and never more than perfect information.
func ValueOfTrial(choices []Choice, i int) float64 {
	tried := choices[i]
	if tried.certain() {
		return 0
	}
	others := math.Inf(1)
	for j := range choices {
		if j != i {
			others = min(others, choices[j].Expected())
		}
	}
	now, p := tried.Expected(), tried.Odds.Mean()
	struck, none := tried, tried
	struck.Odds.Alpha++
	none.Odds.Beta++
	return max(0, min(others, now)-(p*min(others, struck.Expected())+(1-p)*min(others, none.Expected())))
}
