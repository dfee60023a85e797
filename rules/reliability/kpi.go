package reliability

import (
	"cmp"
	"slices"
	"strings"

	"rollwarden/rules/units"
)

// Bar is one bar of a Pareto chart.
type Bar struct {
	Name       string  `json:"name"`
	Value      float64 `json:"value"`
	Share      float64 `json:"share"`      // of all, 0 to 1
	Cumulative float64 `json:"cumulative"` // share of this bar and those before it
}

// Pareto orders values by size, the largest first and equals by name, leaves
// out those that are 0, and says what share of the whole each has.
func Pareto(values map[string]float64) []Bar {
	var bars []Bar
	total := 0.0
	for name, v := range values {
		if v > 0 {
			bars = append(bars, Bar{Name: name, Value: v})
		}
	}
	slices.SortFunc(bars, func(a, b Bar) int {
		return cmp.Or(cmp.Compare(b.Value, a.Value), strings.Compare(a.Name, b.Name))
	})
	for _, b := range bars { // in their order, because the last digits of a sum depend on it
		total += b.Value
	}
	sum := 0.0
	for i := range bars {
		sum += bars[i].Value
		bars[i].Share, bars[i].Cumulative = bars[i].Value/total, sum/total
	}
	return bars
}

// Times are the times of a machine in the terms of ISO 22400-2, in s.
type Times struct {
	ProductionS  float64     // actual production time: prints, and is not down
	DownS        float64     // actual downtime: out of production after a failure
	PlannedBusyS units.Maybe // planned busy time: that the shop meant the machine to be in use
	Failures     uint64
	Restored     uint64  // failures whose time to restoration is known …
	RestoringS   float64 // … and its sum
}

// KPIs are key performance indicators after ISO 22400-2:2014, in our words. One
// that its data are missing for is unknown.
type KPIs struct {
	Availability        units.Maybe `json:"availability"`         // actual production time over planned busy time
	TechnicalEfficiency units.Maybe `json:"technical_efficiency"` // production time over production time and downtime
	MTBFS               units.Maybe `json:"mtbf_s"`               // mean operating time between failures: production time over failures
	MTBFLowerS          units.Maybe `json:"mtbf_lower_s"`         // its one-sided lower limit at the report's confidence
	MTTRS               units.Maybe `json:"mttr_s"`               // mean time to restoration, over the failures whose time is known
	QualityRatio        units.Maybe `json:"quality_ratio"`        // good over produced quantity, m²
	ScrapRatio          units.Maybe `json:"scrap_ratio"`          // thrown away over produced quantity, m²
	ReworkRatio         units.Maybe `json:"rework_ratio"`         // reprints over finished runs
}

// Quantities are what a machine produced, in the terms of ISO 22400-2. The
// standard leaves the unit of a quantity to the order: film is m², rework is
// job parts.
type Quantities struct {
	ProducedM2 float64
	ScrapM2    float64 // of what was produced; what never was, such as an advanced edge, is no scrap
	Finished   uint64  // runs
	Reprinted  uint64  // job parts printed again
}

// Indicate computes the indicators. MTBF is time-terminated: production time
// over the number of failures, unknown without one while its lower limit is
// known. A ratio above its bounds, as when what was printed in one month is
// thrown away in the next, stays unknown rather than be put right.
func Indicate(t Times, q Quantities) KPIs {
	k := KPIs{
		TechnicalEfficiency: ratio(t.ProductionS, t.ProductionS+t.DownS),
		MTBFS:               ratio(t.ProductionS, float64(t.Failures)),
		MTTRS:               ratio(t.RestoringS, float64(t.Restored)),
		ScrapRatio:          atMostOne(ratio(q.ScrapM2, q.ProducedM2)),
		QualityRatio:        atMostOne(ratio(q.ProducedM2-q.ScrapM2, q.ProducedM2)),
		ReworkRatio:         ratio(float64(q.Reprinted), float64(q.Finished)),
	}
	if busy, known := t.PlannedBusyS.Get(); known {
		k.Availability = ratio(t.ProductionS, busy)
	}
	if t.ProductionS > 0 {
		k.MTBFLowerS = units.Some(BetweenLower(t.ProductionS, t.Failures, Confidence))
	}
	return k
}

func ratio(part, whole float64) units.Maybe {
	if whole <= 0 {
		return units.Maybe{}
	}
	return units.Some(part / whole)
}

func atMostOne(m units.Maybe) units.Maybe {
	if v, known := m.Get(); known && (v < 0 || v > 1) {
		return units.Maybe{}
	}
	return m
}
