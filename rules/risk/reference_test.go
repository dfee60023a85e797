package risk_test

import (
	"context"
	"math"
	"math/rand/v2"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/risk"
)

// question is what R is asked, with our answer and how far it may be off from
// R's: relative to the scale, or to R's own answer where that is zero.
type question struct {
	ask                 string
	ours, within, scale float64
}

func ask(name string, x ...float64) string {
	var b strings.Builder
	b.WriteString(name)
	for _, v := range x {
		b.WriteString(" " + strconv.FormatFloat(v, 'g', 17, 64))
	}
	return b.String()
}

// compare asks R, an implementation that shares no code with ours (R Core Team,
// https://www.r-project.org; its beta distribution is TOMS 708 by DiDonato and
// Morris).
func compare(t *testing.T, list []question) {
	t.Helper()
	program, err := exec.LookPath("Rscript")
	if err != nil {
		t.Fatal("Rscript is missing: apt-get install r-base-core")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "--vanilla", "testdata/reference.R")
	var asked, said strings.Builder
	for _, q := range list {
		asked.WriteString(q.ask + "\n")
	}
	cmd.Stdin, cmd.Stderr = strings.NewReader(asked.String()), &said
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("R: %v\n%s", err, said.String())
	}
	answers := strings.Fields(string(out))
	if len(answers) != len(list) {
		t.Fatalf("R gave %d answers to %d questions\n%s", len(answers), len(list), said.String())
	}
	worst := 0.0
	for i, q := range list {
		want, err := strconv.ParseFloat(answers[i], 64)
		if err != nil {
			t.Fatalf("R said %q to %s", answers[i], q.ask)
		}
		scale := q.scale
		if scale == 0 {
			scale = math.Abs(want)
		}
		off := math.Abs(q.ours-want) / scale
		if !(off <= q.within) {
			t.Errorf("%s\n\tours %.12g, R %.12g, off by %.2g", q.ask, q.ours, want, off)
		}
		worst = max(worst, off)
	}
	t.Logf("%d questions, off by %.1g at worst", len(list), worst)
}

// TestPosteriorsAgreeWithR fits shops of one kind, and compares the ends of the
// interval and the odds with R's, to a thousand-millionth.
func TestPosteriorsAgreeWithR(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	var list []question
	for range 200 {
		starts := rng.Uint64N(2000) + 1
		strikes := uint64(math.Pow(rng.Float64(), 3)*float64(starts)) + 1
		s := bare()
		s.Treatment = treated[rng.IntN(7)]
		m := risk.Fit(risk.DefaultPrior(), []risk.Cell{cellOf(s, min(strikes, starts), starts)}, risk.FitOptions{Fixed: true})
		e, b := m.Strike(s), m.Posterior(s)
		list = append(list,
			question{ask("qbeta", 0.025, b.Alpha, b.Beta), e.Low, 1e-9, 0},
			question{ask("qbeta", 0.975, b.Alpha, b.Beta), e.High, 1e-9, 0},
			question{ask("pbeta", e.P, b.Alpha, b.Beta), risk.ProbCheaper(risk.Choice{Strike: 1, Odds: b}, risk.Choice{Cost: e.P}), 1e-9, 0},
		)
	}
	for _, treatment := range treated[:8] { // before data, where odds pile up at zero
		s := bare()
		s.Treatment = treatment
		m := risk.Fit(risk.DefaultPrior(), nil, risk.FitOptions{})
		b := m.Posterior(s)
		list = append(list, question{ask("qbeta", 0.975, b.Alpha, b.Beta), m.Strike(s).High, 1e-9, 0})
	}
	compare(t, list)
}

// TestTheLikelihoodAgreesWithR takes it of the rats' 71 groups, one by one.
func TestTheLikelihoodAgreesWithR(t *testing.T) {
	strikes, starts := tumours()
	var list []question
	for i := range starts {
		prior, cells := study(0.14, strikes[i:i+1], starts[i:i+1])
		h := risk.Fit(prior, cells, risk.FitOptions{Starts: 10, MachineStarts: math.Inf(1), Fixed: true}).Hyper()
		list = append(list, question{ask("likelihood", 10, 0.14, float64(strikes[i]), float64(starts[i])), h.LogLikelihood, 1e-9, 0})
	}
	compare(t, list)
}

// TestChoicesAgreeWithR compares the joint integrals, which are good to 2e-3 in
// probability, and in cost to a ten-thousandth of a strike.
func TestChoicesAgreeWithR(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	decisions := [][]risk.Choice{usual(15), usual(60), usual(400)}
	for range 25 {
		choices := make([]risk.Choice, 2+rng.IntN(5))
		for i := range choices {
			mean, worth := []float64{0.003, 0.02, 0.1, 0.3}[rng.IntN(4)], 5+400*rng.Float64()
			choices[i] = risk.Choice{Cost: 5 * rng.Float64(), Strike: 50 + 60*rng.Float64(), Odds: distuv.Beta{Alpha: worth * mean, Beta: worth * (1 - mean)}}
		}
		decisions = append(decisions, choices)
	}
	var list []question
	for _, choices := range decisions {
		var rows [][]float64
		for _, c := range choices {
			rows = append(rows, []float64{c.Cost, c.Strike, c.Odds.Alpha, c.Odds.Beta})
		}
		got := risk.Weigh(choices)
		all := flat(rows)
		list = append(list, question{ask("least", all...), got.Least, 1e-4, 100})
		for i := range choices {
			first := append(append([]float64{}, rows[i]...), flat(without(rows, i))...)
			list = append(list, question{ask("cheapest", first...), got.Cheapest[i], 2e-3, 1})
		}
	}
	compare(t, list)
}

func flat(rows [][]float64) (all []float64) {
	for _, r := range rows {
		all = append(all, r...)
	}
	return all
}

func without(rows [][]float64, i int) (rest [][]float64) {
	for k, r := range rows {
		if k != i {
			rest = append(rest, r)
		}
	}
	return rest
}

// TestScoresAgreeWithR takes the mean squared error, whose parts the other
// tests add up to it.
func TestScoresAgreeWithR(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var x []float64
	var list []risk.Forecast
	for range 300 {
		f := risk.Forecast{P: rng.Float64(), Struck: rng.IntN(3) == 0}
		struck := 0.0
		if f.Struck {
			struck = 1
		}
		list, x = append(list, f), append(x, f.P, struck)
	}
	c := risk.Calibrate(list, risk.DefaultEdges())
	compare(t, []question{
		{ask("brier", x...), c.Brier, 1e-9, 0},
		{ask("brier", x...), c.Reliability - c.Resolution + c.Uncertainty + c.Within, 1e-9, 0},
	})
}
