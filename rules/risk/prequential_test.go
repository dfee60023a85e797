package risk_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// season draws starts, one an hour, that strike with a rate per class: for
// monomeric film three times the prior's, for polymeric film none at all.
func season(n int, seed uint64) (list []risk.Outcome) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range n {
		s := risk.Start{Site: "north", Machine: machines[rng.IntN(3)], Class: event.Monomeric, Treatment: "none", RHPct: units.Some(45), CureC: units.Some(95)}
		rate := 0.36
		if rng.IntN(2) == 0 {
			s.Class, rate = event.Polymeric, 0
		}
		list = append(list, risk.Outcome{Start: s, Struck: rng.Float64() < rate, At: time.Unix(int64(3600*i), 0)})
	}
	return list
}

// prequential walks outcomes with the fitted model, learning from every strike at
// once.
func prequential(prior risk.Prior, outcomes []risk.Outcome, o risk.FitOptions) []risk.Foretold {
	w := risk.Walk{
		Fit:        func(cells []risk.Cell) func(risk.Start) float64 { return risk.Fit(prior, cells, o).Mean },
		StrikeFits: len(outcomes),
	}
	return w.Foretell(outcomes)
}

// TestNoHindsight changes how every start from the 50th on ended: nothing that
// is said of it, or before it, may change.
func TestNoHindsight(t *testing.T) {
	outcomes := season(120, 4)
	before := prequential(risk.DefaultPrior(), outcomes, risk.FitOptions{})
	for i := 50; i < len(outcomes); i++ {
		outcomes[i].Struck = !outcomes[i].Struck
	}
	after := prequential(risk.DefaultPrior(), outcomes, risk.FitOptions{})
	for i := range 51 {
		if before[i].P != after[i].P || before[i].Average != after[i].Average {
			t.Errorf("start %d: %v and %v, after the future changed %v and %v", i, before[i].P, before[i].Average, after[i].P, after[i].Average)
		}
	}
	if before[119].P == after[119].P {
		t.Error("the last forecast does not depend on what came before it")
	}
}

// TestForecastsAreThoseOfEarlierFits has no strike in the first eleven starts:
// the first forecast is the prior's, and the eleventh that of a fit to ten. The
// twelfth start strikes, and the thirteenth knows of it. The fits are worked out
// here by themselves.
func TestForecastsAreThoseOfEarlierFits(t *testing.T) {
	outcomes := season(30, 9)
	for i := range 12 {
		outcomes[i].Struck = i == 11
	}
	list := prequential(risk.DefaultPrior(), outcomes, risk.FitOptions{})
	prior := risk.DefaultPrior().Strike(outcomes[0].Start).P
	near(t, "first", list[0].P, prior, 1e-12)
	near(t, "first of the average", list[0].Average, prior, 1e-12)
	for at, c := range map[int]struct{ known, strikes int }{9: {0, 0}, 10: {10, 0}, 11: {10, 0}, 12: {12, 1}} {
		var cells []risk.Cell
		for _, o := range outcomes[:c.known] {
			n := uint64(0)
			if o.Struck {
				n = 1
			}
			cells = append(cells, cellOf(o.Start, n, 1))
		}
		s := outcomes[at].Start
		near(t, fmt.Sprint("forecast ", at+1), list[at].P, risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{}).Strike(s).P, 1e-12)
		near(t, fmt.Sprint("average ", at+1), list[at].Average, (float64(c.strikes)+risk.DefaultPrior().Strike(s).P)/float64(at+1), 1e-12)
	}
}

// TestAWalkGoesOn starts in the middle, right after a strike, from the cells of
// what came before: it says the same as the walk from the beginning, which then
// is fitted anew as well.
func TestAWalkGoesOn(t *testing.T) {
	outcomes, prior := season(150, 6), risk.DefaultPrior()
	whole := prequential(prior, outcomes, risk.FitOptions{})
	for k := range outcomes {
		if k == 0 || !outcomes[k-1].Struck {
			continue
		}
		w := risk.Walk{
			Fit: func(cells []risk.Cell) func(risk.Start) float64 {
				return risk.Fit(prior, cells, risk.FitOptions{}).Mean
			},
			StrikeFits: len(outcomes),
		}
		for _, o := range outcomes[:k] {
			n := uint64(0)
			if o.Struck {
				n = 1
			}
			w.Before = append(w.Before, cellOf(o.Start, n, 1))
		}
		for i, f := range w.Foretell(outcomes[k:]) {
			near(t, fmt.Sprintf("from %d on, start %d", k, k+i), f.P, whole[k+i].P, 1e-9)
			near(t, fmt.Sprintf("from %d on, average %d", k, k+i), f.Average, whole[k+i].Average, 1e-12)
		}
	}
}

// TestStrikesDoNotFitForEver lets every one of 2 000 starts strike: the fits are
// those that are allowed after strikes and those of the growth by a tenth,
// log(2000/100)/log(1.1) = 31 from a hundred starts on and nine up to there.
func TestStrikesDoNotFitForEver(t *testing.T) {
	outcomes, fits := season(2000, 8), 0
	for i := range outcomes {
		outcomes[i].Struck = true
	}
	w := risk.Walk{StrikeFits: 25, Fit: func([]risk.Cell) func(risk.Start) float64 {
		fits++
		return func(risk.Start) float64 { return 0.5 }
	}}
	if w.Foretell(outcomes); fits < 25+31 || fits > 1+25+31+10 {
		t.Errorf("%d fits", fits)
	}
}

// TestTheOrderOfTimeCounts shuffles the list: only the times say what was first.
func TestTheOrderOfTimeCounts(t *testing.T) {
	outcomes := season(80, 2)
	want := prequential(risk.DefaultPrior(), outcomes, risk.FitOptions{})
	shuffled := slices.Clone(outcomes)
	rand.New(rand.NewPCG(5, 5)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	got := prequential(risk.DefaultPrior(), shuffled, risk.FitOptions{})
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(units.Maybe{})); diff != "" {
		t.Error(diff)
	}
}

// TestTheModelBeatsTheAverage where classes differ, and its odds come true.
func TestTheModelBeatsTheAverage(t *testing.T) {
	r := risk.Score(prequential(risk.DefaultPrior(), season(2000, 3), risk.FitOptions{}), risk.DefaultEdges())
	t.Logf("Brier %.4f, of the average %.4f; reliability %.5f, resolution %.5f, uncertainty %.5f, skill %.3f",
		r.Model.Brier, r.Average.Brier, r.Model.Reliability, r.Model.Resolution, r.Model.Uncertainty, r.Model.Skill.Or(-1))
	if r.Model.Starts != 2000 || r.Model.Brier >= r.Average.Brier || r.Model.Reliability > 0.002 || r.Model.Skill.Or(-1) <= 0 {
		t.Errorf("%+v", r.Model)
	}
	if r.Average.Resolution > 0.005 {
		t.Errorf("the average tells starts apart: %+v", r.Average)
	}
	if empty := risk.Score(nil, nil); empty.Model.Skill.Known() || empty.Model.Starts != 0 {
		t.Errorf("of no starts: %+v", empty)
	}
}

func BenchmarkPrequential(b *testing.B) {
	outcomes := season(3000, 7)
	for b.Loop() {
		prequential(risk.DefaultPrior(), outcomes, risk.FitOptions{})
	}
}
