package reliability_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

// TestPareto is worked out by hand.
func TestPareto(t *testing.T) {
	got := reliability.Pareto(map[string]float64{"trim": 2, "cure": 0, "register": 5, "misprint": 2, "head-strike": 11})
	want := []reliability.Bar{{"head-strike", 11, 0.55, 0.55}, {"register", 5, 0.25, 0.8}, {"misprint", 2, 0.1, 0.9}, {"trim", 2, 0.1, 1}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if got := reliability.Pareto(map[string]float64{"cure": 0}); got != nil {
		t.Errorf("nothing has bars: %v", got)
	}
}

func TestParetoProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.MapOf(rapid.StringN(1, 3, -1), rapid.Float64Range(0, 1e6)).Draw(t, "values")
		before := 0.0
		bars := reliability.Pareto(values)
		for i, b := range bars {
			if i > 0 && b.Value > bars[i-1].Value || b.Cumulative < before {
				t.Fatalf("bar %d of %v", i, bars)
			}
			before = b.Cumulative
		}
		if len(bars) > 0 && before != 1 {
			t.Fatalf("all together are %v", before)
		}
	})
}

// TestIndicate works the formulas of ISO 22400-2:2014 by hand: planned busy
// time 400 min, actual production time 300 min, 540 produced of which 27 are
// scrap (quality 513/540 = 0.95, scrap 0.05), 20 min down after 2 failures of
// which one took 15 min and the other is not known.
func TestIndicate(t *testing.T) {
	k := reliability.Indicate(
		reliability.Times{ProductionS: 18000, DownS: 1200, PlannedBusyS: units.Some(24000), Failures: 2, Restored: 1, RestoringS: 900},
		reliability.Quantities{ProducedM2: 540, ScrapM2: 27, Finished: 200, Reprinted: 3},
	)
	for name, row := range map[string]struct {
		got  units.Maybe
		want float64
	}{
		"availability": {k.Availability, 0.75}, "technical efficiency": {k.TechnicalEfficiency, 0.9375}, "MTBF": {k.MTBFS, 9000},
		"MTTR": {k.MTTRS, 900}, "quality": {k.QualityRatio, 0.95}, "scrap": {k.ScrapRatio, 0.05}, "rework": {k.ReworkRatio, 0.015},
		"MTBF, lower": {k.MTBFLowerS, 18000 * 2 / 12.5916}, // χ²(0.95; 6) as tables print it
	} {
		got, known := row.got.Get()
		if !known {
			t.Errorf("%s is not known", name)
		}
		near(t, name, got, row.want, 1e-5*row.want)
	}
}

// TestIndicateTheUnknown wants nothing to be made up.
func TestIndicateTheUnknown(t *testing.T) {
	if diff := cmp.Diff(reliability.KPIs{}, reliability.Indicate(reliability.Times{}, reliability.Quantities{}), cmp.AllowUnexported(units.Maybe{})); diff != "" {
		t.Error(diff)
	}
	k := reliability.Indicate(reliability.Times{ProductionS: 3600}, reliability.Quantities{ProducedM2: 1, ScrapM2: 2})
	if k.MTBFS.Known() || !k.MTBFLowerS.Known() || k.QualityRatio.Known() || k.ScrapRatio.Known() {
		t.Errorf("without a failure, and with more scrap than print: %+v", k)
	}
}
