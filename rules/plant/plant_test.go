package plant_test

import (
	"math"
	"testing"

	"github.com/bojanz/currency"
	"pgregory.net/rapid"

	"rollwarden/rules/film"
	"rollwarden/rules/plant"
)

var path = plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500}

func TestClearAdvance(t *testing.T) {
	for _, row := range []struct{ edge, margin, want float64 }{
		{0, 35, 365}, {-20, 35, 385}, {330, 35, 35}, {330, 0, 0}, {365, 35, 0}, {366, 35, 0}, {5000, 35, 0}, {364.5, 35, 0.5},
	} {
		if got := path.ClearAdvance(row.edge, row.margin); math.Abs(got-row.want) > 1e-9 {
			t.Errorf("edge at %v, margin %v: want %v, got %v", row.edge, row.margin, row.want, got)
		}
	}
}

func TestClearAdvanceClears(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		edge := rapid.Float64Range(-1000, 5000).Draw(t, "edge")
		margin := rapid.Float64Range(0, 500).Draw(t, "margin")
		advance := path.ClearAdvance(edge, margin)
		if advance < 0 || edge+advance < path.CureExitMM+margin-1e-9 {
			t.Fatalf("from %v an advance of %v does not clear %v", edge, advance, path.CureExitMM+margin)
		}
	})
}

// TestAdvanceCost takes a roll 1.37 m wide past a cure exit a third of a metre
// away. That costs 0.50 to 0.75 USD of cheap film: common practice, no source.
func TestAdvanceCost(t *testing.T) {
	low, _ := currency.NewAmount("0.50", "USD")
	high, _ := currency.NewAmount("0.75", "USD")
	for _, exitMM := range []float64{320, 333, 345} {
		p := plant.Path{CureEntryMM: 180, CureExitMM: exitMM}
		area := film.Area(p.ClearAdvance(0, 35)/1000, 1370)
		for _, price := range []string{"1.05", "1.20", "1.40"} {
			perM2, err := currency.NewAmount(price, "USD")
			if err != nil {
				t.Fatal(err)
			}
			cost, err := film.Film{PricePerM2: perM2}.Cost(area)
			if err != nil {
				t.Fatal(err)
			}
			below, _ := cost.Cmp(low)
			above, _ := cost.Cmp(high)
			if below < 0 || above > 0 {
				t.Errorf("exit at %v mm, %s USD/m²: want 0.50 to 0.75 USD, got %s", exitMM, price, cost)
			}
		}
	}
}

// TestFeedAndDwell follows one stroke by hand: a swath of 54 mm in 12 passes
// moves the film 4.5 mm a stroke of 1.6 s, which is 2.8125 mm/s, and a zone of
// 150 mm then takes 53.33 s.
func TestFeedAndDwell(t *testing.T) {
	m := plant.Machine{Path: path, SwathMM: 54, StrokeS: 1.6}
	if got := m.FeedSpeed(12); math.Abs(got-2.8125) > 1e-12 {
		t.Errorf("feed: want 2.8125 mm/s, got %v", got)
	}
	if got := m.Dwell(12); math.Abs(got-160.0/3) > 1e-9 {
		t.Errorf("dwell: want 53.33 s, got %v", got)
	}
	if m.Dwell(16) <= m.Dwell(8) {
		t.Error("more passes must cure longer")
	}
	for _, passes := range []float64{0, -1} {
		if m.FeedSpeed(passes) != 0 || m.Dwell(passes) != 0 {
			t.Errorf("%v passes: want no feed and no cure that could be counted on", passes)
		}
	}
	if (&plant.Machine{Path: path, SwathMM: 54}).Dwell(8) != 0 {
		t.Error("an unknown stroke time: want no cure that could be counted on")
	}
}
