package risk_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// year is what ten machines do in 250 days of 12 starts: 30 000 starts, on
// four classes of film, treated in five ways, in all weathers.
func year() []risk.Cell {
	rng, prior := rand.New(rand.NewPCG(3, 5)), risk.DefaultPrior()
	classes := []event.Class{event.Monomeric, event.Polymeric, event.Cast, event.Unknown}
	counts := map[risk.Cell]*risk.Cell{}
	for range 30000 {
		s := risk.Start{
			Site: "north", Machine: string(rune('a' + rng.IntN(10))), Class: classes[rng.IntN(len(classes))],
			Treatment: treated[rng.IntN(5)], RHPct: someRH[rng.IntN(4)], CureC: someCure[rng.IntN(4)],
		}
		key := cellOf(s, 0, 0)
		if counts[key] == nil {
			counts[key] = &risk.Cell{}
			*counts[key] = key
		}
		counts[key].Starts++
		if rng.Float64() < prior.Strike(s).P {
			counts[key].Strikes++
		}
	}
	var cells []risk.Cell
	for _, c := range counts {
		cells = append(cells, *c)
	}
	return cells
}

func BenchmarkFit(b *testing.B) {
	cells := year()
	for b.Loop() {
		risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{})
	}
	b.ReportMetric(float64(len(cells)), "cells")
}

// BenchmarkFitOfMany fits the odds of ten thousand machines with three kinds of start
// each.
func BenchmarkFitOfMany(b *testing.B) {
	var cells []risk.Cell
	for i, c := range year() {
		for copies := range 10 {
			c.Machine = fmt.Sprint("m", (10*i+copies)%10_000)
			cells = append(cells, c)
		}
	}
	for b.Loop() {
		risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{})
	}
	b.ReportMetric(float64(len(cells)), "cells")
}

func BenchmarkStrike(b *testing.B) {
	m := risk.Fit(risk.DefaultPrior(), year(), risk.FitOptions{})
	s := risk.Start{Site: "north", Machine: "a", Class: event.Monomeric, Treatment: "none", RHPct: units.Some(45), CureC: units.Some(95)}
	for b.Loop() {
		m.Strike(s)
	}
}

// BenchmarkDecision asks for the odds under each treatment of the edge.
func BenchmarkDecision(b *testing.B) {
	m := risk.Fit(risk.DefaultPrior(), year(), risk.FitOptions{})
	s := risk.Start{Site: "north", Machine: "a", Class: event.Monomeric, CureC: units.Some(95)}
	for b.Loop() {
		for _, s.Treatment = range []string{"none", "advance", "leader", "no-cut", "shaped-edge", "cooler", "better-film"} {
			m.Strike(s)
		}
	}
}

func BenchmarkProbCheaper(b *testing.B) {
	m := risk.Fit(risk.DefaultPrior(), year(), risk.FitOptions{})
	s := risk.Start{Class: event.Monomeric, Treatment: "none", RHPct: units.Some(45), CureC: units.Some(95)}
	nothing := risk.Choice{Strike: 90, Odds: m.Posterior(s)}
	s.Treatment = "shaped-edge"
	shaped := risk.Choice{Cost: 0.6, Strike: 90, Odds: m.Posterior(s)}
	for b.Loop() {
		risk.ProbCheaper(shaped, nothing)
	}
}
