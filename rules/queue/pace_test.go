package queue_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/queue"
)

// TestPaceBeforeAnyRun is the computed time, give or take.
func TestPaceBeforeAnyRun(t *testing.T) {
	p := queue.LearnPace(nil)
	low, high := p.Interval(600)
	if p.Factor != 1 || p.Runs != 0 || low >= 600 || high <= 600 {
		t.Errorf("got %+v, from %v to %v s", p, low, high)
	}
}

// TestPaceIsRobust follows the example in the help page of R's function mad: 1 to
// 9 and the same with 100 for 9 have one median, 5, and one median absolute
// deviation, 2 (value from memory). Here a 25th of each is a logarithm, so that
// the two paces must agree.
func TestPaceIsRobust(t *testing.T) {
	logs := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9}
	for i := range logs {
		logs[i] /= 25
	}
	sound := queue.LearnPace(exp(logs))
	logs[8] = 100.0 / 25
	if got := queue.LearnPace(exp(logs)); got != sound {
		t.Errorf("one odd run makes %+v of %+v", got, sound)
	}
	// With 9 runs the median of 5/25 counts 9 of 12, and the deviation of 1.4826
	// times 2/25 is mixed with a quarter likewise.
	if want := math.Exp(5 / 25.0 * 9 / 12); math.Abs(sound.Factor/want-1) > 1e-12 {
		t.Errorf("factor %v, want %v", sound.Factor, want)
	}
	if want := math.Sqrt((9*2.9652*2.9652/625 + 3*0.25*0.25) / 12); math.Abs(sound.Spread-want) > 1e-4 {
		t.Errorf("spread %v, want %v", sound.Spread, want)
	}
}

// TestPaceOfMetresToldWrong: a run of 30 s that is said to have fed next to nothing
// was no slow run, and the next one takes no ages for it.
func TestPaceOfMetresToldWrong(t *testing.T) {
	for _, ratio := range []float64{1e-147, 1e-3, 0, -1, 1e3, 1e145, math.Inf(1), math.NaN()} {
		if got := queue.LearnPace([]float64{ratio}); got != queue.LearnPace(nil) {
			t.Errorf("a ratio of %v teaches %+v", ratio, got)
		}
	}
	if got := queue.LearnPace([]float64{100, 0.01, 1}); got.Runs != 3 {
		t.Errorf("learnt from %d runs of 3", got.Runs)
	}
}

func exp(logs []float64) []float64 {
	out := make([]float64, len(logs))
	for i, l := range logs {
		out[i] = math.Exp(l)
	}
	return out
}

// TestPaceCoversNineOfTen makes machines with a pace of their own and looks how
// often a further run ends within the interval: nine times out of ten, if nine
// runs in ten are usual ones. The ratios are log-normal, the model's own choice,
// and one run in ten of those that it learns from waited for hours.
func TestPaceCoversNineOfTen(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, runs := range []int{8, 64} {
		within, all := 0, 4000
		for range all {
			pace, ratios := math.Exp(0.1*random.NormFloat64()), make([]float64, runs)
			for i := range ratios {
				ratios[i] = pace * math.Exp(0.25*random.NormFloat64())
				if random.IntN(10) == 0 {
					ratios[i] *= 10
				}
			}
			p := queue.LearnPace(ratios)
			low, high := p.Interval(p.Factor)
			if r := pace * math.Exp(0.25*random.NormFloat64()); low <= r && r <= high {
				within++
			}
		}
		if share := float64(within) / float64(all); share < 0.86 || share > 0.97 {
			t.Errorf("of %d runs learnt from: %.3f of the next ones lie within, want about 0.9", runs, share)
		}
	}
}

func TestPaceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ratios := rapid.SliceOfN(rapid.Float64Range(0.2, 5), 1, 100).Draw(t, "ratios")
		p := queue.LearnPace(ratios)
		last := slices.Clone(ratios[max(0, len(ratios)-queue.MostRatios):])
		slices.Sort(last)
		if low, high := min(1, last[0]), max(1, last[len(last)-1]); p.Factor < low-1e-9 || p.Factor > high+1e-9 {
			t.Fatalf("%v lies outside %v and the computed time", p.Factor, last)
		}
		if p.Spread <= 0 || p.Doubt <= 0 {
			t.Fatalf("nothing is certain: %+v", p)
		}
		odd := append(slices.Clone(ratios), 0, -1, math.NaN(), math.Inf(1))
		if got := queue.LearnPace(odd); got.Runs > p.Runs || got.Runs < p.Runs-4 {
			t.Fatalf("what is no ratio taught: %+v", got)
		}
		// Slack grows with each run.
		s, before := queue.Slack{Late: rapid.Bool().Draw(t, "late")}, 0.0
		for range 5 {
			s = s.Plus(p, 600)
			if s.Seconds() <= before {
				t.Fatal("slack does not grow down the queue")
			}
			before = s.Seconds()
		}
		if got := s.Within(before / 3).Seconds(); math.Abs(got-before/3) > 1e-9*before {
			t.Fatalf("cut down to %v, got %v", before/3, got)
		}
	})
}

// TestNoSlackStaysNone cuts a slack that is none down to less than none, as a
// start that is planned after the machine is free does.
func TestNoSlackStaysNone(t *testing.T) {
	for _, late := range []bool{false, true} {
		if got := (queue.Slack{Late: late}).Within(-60).Seconds(); got != 0 {
			t.Errorf("late %v: want 0 s, got %v", late, got)
		}
	}
}
