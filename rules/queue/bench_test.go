package queue_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"rollwarden/rules/queue"
	"rollwarden/rules/units"
)

// busy is a queue as a shop might have it: three stocks in a mixed order, due
// times so tight that not all can be met, and cheap film that starts bare.
func busy(jobs int, seed uint64) queue.Problem {
	random := rand.New(rand.NewPCG(seed, 9))
	p := queue.Problem{
		Start:   queue.Start{FreeS: 300, Stock: "MONO-GLOSS-137", LeftM: units.Some(30), Hangs: "KL-1", HoldS: units.Some(7200)},
		ChangeS: 600, RollM: 50, Currency: "USD",
	}
	stocks := []string{"MONO-GLOSS-137", "MONO-MATT-137", "POLY-GLOSS-137"}
	bare := []float64{0.68, 0.70, 0}
	for i := range jobs {
		s := random.IntN(3)
		takes := 300 + 1500*random.Float64()
		due := takes + 900*float64(jobs)*random.Float64()
		p.Jobs = append(p.Jobs, queue.Job{
			Name: fmt.Sprint("KL-", i+2), Stock: stocks[s], LengthM: takes / 360, TakesS: takes, DueS: units.Some(due), HoldS: units.Some(due + 1800),
			LatePerHour: 10, ChangeCost: 16, BareCost: bare[s],
		})
	}
	return p
}

func BenchmarkAdvise(b *testing.B) {
	for _, jobs := range []int{5, 10, 14, 15, 40} {
		b.Run(fmt.Sprint("jobs=", jobs), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				queue.Advise(busy(jobs, uint64(i%8)))
			}
		})
	}
}

func BenchmarkLearnPace(b *testing.B) {
	ratios := make([]float64, queue.MostRatios)
	for i := range ratios {
		ratios[i] = 1 + float64(i*37%64)/64
	}
	b.ReportAllocs()
	for b.Loop() {
		queue.LearnPace(ratios)
	}
}
