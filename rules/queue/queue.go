// Package queue says in which order the queued runs of one machine cost least,
// and between which of them the film is better not cut.
//
// Three things cost money here. A start on a bare edge costs what its cheapest
// treatment and the strikes left over cost in expectation. A change of the roll
// costs work, standstill and film. A run that ends after it is due costs so much
// an hour. How long a change takes, and hence when a run ends, depends on the
// order: the problem is one machine with release times and with set-up times
// that depend on the sequence, to which the choice of cutting is added.
//
// Up to MostExact runs the best order is found for certain; beyond, a good one
// is, with a bound on what a better one could save. All of it is advice to a
// person. What a person has decided stays as it is, and so does what nobody can
// tell the end of. The priorities of tickets have no price and are not weighed.
package queue

import (
	"fmt"
	"math"
	"strconv"

	"github.com/bojanz/currency"

	"rollwarden/rules/units"
)

// Job is one queued run. Moments are seconds from now.
type Job struct {
	Name        string      // what people call it
	Stock       string      // runs of the same stock need no change of the roll between them
	LengthM     float64     // film that it takes, m
	TakesS      float64     // how long it is expected to run, s
	ReleaseS    float64     // when it may start at the earliest
	DueS        units.Maybe // after which it is late; it is never late when that is unknown
	HoldS       units.Maybe // until when it may hang on the film uncut; it must be cut off at once when that is unknown
	LatePerHour float64     // price of an hour late
	ChangeCost  float64     // of changing the roll ahead of it
	BareCost    float64     // expected, of starting it on a bare edge; 0 for film that lies flat
	Fixed       bool        // whether it keeps its place
}

// Start is how the machine stands before the first of the jobs.
type Start struct {
	FreeS float64     // when it is free, s from now
	Stock string      // what is loaded; empty when nothing is or nobody knows
	LeftM units.Maybe // film left on that roll, once what runs now is printed
	Clear bool        // whether the film reaches past the cure zone already, so that no bare edge is left
	Hangs string      // the run that hangs on the film and need not be cut off; empty when none does
	HoldS units.Maybe // until when that one may hang there
}

// Problem is what the advice is worked out from. Jobs stand in their present
// order.
type Problem struct {
	Jobs     []Job
	Start    Start
	ChangeS  float64 // how long a change of the roll takes, s
	RollM    float64 // film on a fresh roll, m
	Currency string
	Display  units.Display
}

// Prices are the shop's figures that the advice needs beside those of package
// plant.
type Prices struct {
	LatePerHour float64 // of a run that ends after it is due, per hour and run
	ChangeS     float64 // how long one changes a roll, s
	ThreadM     float64 // film lost at a change, m
	RollM       float64 // film on a fresh roll, m
}

// DefaultPrices are used until a shop gives its own. Common practice, no source.
func DefaultPrices() Prices { return Prices{LatePerHour: 10, ChangeS: 600, ThreadM: 0.5, RollM: 50} }

// Plan is one order of the jobs, worked out.
type Plan struct {
	Order  []int     // indexes into Problem.Jobs
	Uncut  []bool    // whether the film stays uncut ahead of the run at that place
	StartS []float64 // by place
	EndS   []float64 // by place

	Bare, Change, Late                float64 // money
	BareStarts, RollChanges, LateRuns int     // how many there are
}

// Cost is the expected money of the plan.
func (p Plan) Cost() float64 { return p.Bare + p.Change + p.Late }

// Advice compares the order that stands with the best one found.
type Advice struct {
	Problem Problem
	Present Plan    // the order that stands, with a cut after every run
	Advised Plan    // the best found; the same as Present when nothing is better
	Exact   bool    // whether no order costs less than Advised
	Bound   float64 // no order costs less than this
	Changes []string
	Aside   []Aside // runs that no advice is given on, in their order behind the others
}

// Aside is a run that could not be placed, and why.
type Aside struct{ Name, Why string }

// MostExact is up to how many jobs the best order is found for certain.
const MostExact = 14

// cent is the least money that is worth a change of plan.
const cent = 0.01

// Advise works the advice out. The same problem always gives the same advice.
func Advise(p Problem) Advice {
	m := newModel(p)
	a := Advice{Problem: p, Present: m.present()}
	a.Bound = m.bound()
	var best []int
	if m.n <= MostExact {
		best, a.Exact = m.exact(m.search(stepsExact(m.n)))
	}
	if !a.Exact {
		best = m.search(stepsLong)
	}
	a.Advised = m.plan(best)
	if a.Present.Cost()-a.Advised.Cost() < cent {
		a.Advised = a.Present
	}
	if a.Exact {
		a.Bound = min(a.Advised.Cost(), m.cost(best, math.Inf(1)))
	}
	a.Bound = min(a.Bound, a.Advised.Cost()) // sums of many numbers may differ in their last digits
	a.Changes = a.changes()
	return a
}

// Saves is the expected money that the advice saves.
func (a *Advice) Saves() float64 { return a.Present.Cost() - a.Advised.Cost() }

// Gap is the most that a still better order could save.
func (a *Advice) Gap() float64 { return a.Advised.Cost() - a.Bound }

// Order names the runs in the advised order, those set aside behind them, as an
// advice.accepted event lists them.
func (a *Advice) Order() []string {
	names := make([]string, 0, len(a.Advised.Order)+len(a.Aside))
	for _, j := range a.Advised.Order {
		names = append(names, a.Problem.Jobs[j].Name)
	}
	for _, s := range a.Aside {
		names = append(names, s.Name)
	}
	return names
}

// Money rounds an amount to the digits of its currency.
func (p *Problem) Money(v float64) string {
	m, err := currency.NewAmount(strconv.FormatFloat(v, 'f', 6, 64), p.Currency)
	if err != nil {
		return fmt.Sprintf("%.2f", v)
	}
	m = m.Round()
	return m.Number() + " " + m.CurrencyCode()
}
