package risk_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

func TestBands(t *testing.T) {
	for v, want := range map[float64]risk.Band{0: risk.Dry, 34.9: risk.Dry, 35: risk.Usual, 55: risk.Usual, 55.1: risk.Humid, 100: risk.Humid, -1: risk.UnknownBand, 101: risk.UnknownBand} {
		if got := risk.RHBand(units.Some(v)); got != want {
			t.Errorf("%v %%: got %s, want %s", v, got, want)
		}
	}
	for v, want := range map[float64]risk.Band{20: risk.Cool, 89.9: risk.Cool, 90: risk.Warm, 100: risk.Warm, 100.1: risk.Hot, -300: risk.UnknownBand, math.Inf(1): risk.UnknownBand} {
		if got := risk.CureBand(units.Some(v)); got != want {
			t.Errorf("%v °C: got %s, want %s", v, got, want)
		}
	}
	for _, v := range []units.Maybe{{}, units.Some(math.NaN())} {
		if risk.RHBand(v) != risk.UnknownBand || risk.CureBand(v) != risk.UnknownBand {
			t.Errorf("%v is in a band", v)
		}
	}
}

// bare is a start of cheap film with nothing done, and cell its count.
func bare() risk.Start {
	return risk.Start{Site: "north", Machine: "heron", Class: event.Monomeric, Treatment: "none", RHPct: units.Some(45), CureC: units.Some(95)}
}

func cell(machine string, strikes, starts uint64) risk.Cell {
	return risk.Cell{Class: event.Monomeric, Treatment: "none", RH: risk.Usual, Cure: risk.Warm, Site: "north", Machine: machine, Strikes: strikes, Starts: starts}
}

// values of what a start may be, the unknown included.
var (
	someRH   = []units.Maybe{{}, units.Some(20), units.Some(45), units.Some(70)}
	someCure = []units.Maybe{{}, units.Some(80), units.Some(95), units.Some(110)}
	treated  = []string{"none", "advance", "pause", "leader", "no-cut", "shaped-edge", "cooler", "better-film", "prayer", ""}
	machines = []string{"heron", "wren", "plover", ""}
)

func anyStart() *rapid.Generator[risk.Start] {
	return rapid.Custom(func(t *rapid.T) risk.Start {
		return risk.Start{
			Site: "north", Machine: rapid.SampledFrom(machines).Draw(t, "machine"),
			Class:     rapid.SampledFrom(event.Classes).Draw(t, "class"),
			Treatment: rapid.SampledFrom(treated).Draw(t, "treatment"),
			RHPct:     rapid.SampledFrom(someRH).Draw(t, "rh"),
			CureC:     rapid.SampledFrom(someCure).Draw(t, "cure"),
		}
	})
}

func cellOf(s risk.Start, strikes, starts uint64) risk.Cell {
	return risk.Cell{
		Class: s.Class, Treatment: s.Treatment, RH: risk.RHBand(s.RHPct), Cure: risk.CureBand(s.CureC),
		Site: s.Site, Machine: s.Machine, Strikes: strikes, Starts: starts,
	}
}

func anyCell() *rapid.Generator[risk.Cell] {
	return rapid.Custom(func(t *rapid.T) risk.Cell {
		starts := rapid.Uint64Range(0, 300).Draw(t, "starts")
		return cellOf(anyStart().Draw(t, "start"), rapid.Uint64Range(0, starts).Draw(t, "strikes"), starts)
	})
}

// TestWithoutDataThePriorStands wants the prior's odds exactly, and its words.
func TestWithoutDataThePriorStands(t *testing.T) {
	prior := risk.DefaultPrior()
	m := risk.Fit(prior, nil, risk.FitOptions{})
	rapid.Check(t, func(t *rapid.T) {
		s := anyStart().Draw(t, "start")
		got := m.Strike(s)
		if want := prior.Strike(s); got.P != want.P || got.Basis != want.Basis {
			t.Fatalf("got %+v, want %+v", got, want)
		}
		if !(0 <= got.Low && got.Low <= got.P && got.P <= got.High && got.High <= 1) {
			t.Fatalf("no interval: %+v", got)
		}
	})
}

// TestByHand works the five lines of Model out with k = 20 and l = 60. Wren's
// 6 in 60 count with the weight 61/120: 3.05 in 30.5. So K = 50.5,
// q = (20·0.12 + 3.05)/50.5 = 0.1079208, L = 60·50.5/111.5 = 27.174888, and
// heron's 2 in 10 give (27.174888·0.1079208 + 2)/37.174888 = 0.132690.
func TestByHand(t *testing.T) {
	m := risk.Fit(risk.DefaultPrior(), []risk.Cell{cell("heron", 2, 10), cell("wren", 6, 60)}, risk.FitOptions{Fixed: true})
	e := m.Explain(bare())
	near(t, "weighted starts", e.OthersStarts, 30.5, 1e-9)
	near(t, "weighted strikes", e.OthersStrikes, 3.05, 1e-9)
	near(t, "shop", e.Shop, 0.1079208, 1e-7)
	near(t, "worth", e.ShopStarts, 27.174888, 1e-6)
	near(t, "odds", e.Result.P, 0.132690, 1e-6)
	near(t, "mean of the posterior", m.Posterior(bare()).Mean(), e.Result.P, 1e-15)
	if diff := cmp.Diff(e.Result, m.Strike(bare())); diff != "" {
		t.Errorf("explained is not what was said: %s", diff)
	}
	for _, text := range []string{e.Formula, e.Worked, e.Source, e.Inputs[4].Value} {
		if text == "" {
			t.Errorf("left out of %+v", e)
		}
	}
	if want := "q = (20·0.12 + 3.05)/50.5 = 0.1079; L = 27.17; P = (27.17·0.1079 + 2)/(27.17 + 10) = 0.1327"; e.Worked != want {
		t.Errorf("got  %s\nwant %s", e.Worked, want)
	}
}

func TestBasis(t *testing.T) {
	other := bare()
	other.RHPct = units.Some(70)
	unsure := bare()
	unsure.RHPct = units.Maybe{}
	fitted := []risk.Cell{cell("heron", 30, 200)}
	var worth []risk.Cell // of eight kinds on other film, which say what a prior is worth
	for _, treatment := range treated[:8] {
		c := cell("heron", 1, 10)
		c.Class, c.Treatment = event.Paper, treatment
		worth = append(worth, c)
	}
	for name, c := range map[string]struct {
		cells []risk.Cell
		start risk.Start
		want  string
	}{
		"nothing at all":    {nil, bare(), "prior, no data of yours yet"},
		"nothing like this": {[]risk.Cell{cell("heron", 0, 9)}, other, "prior, no data of yours yet"},
		"one machine":       {[]risk.Cell{cell("heron", 12, 143)}, bare(), "12 strikes in 143 starts like this, and the prior"},
		"another machine":   {[]risk.Cell{cell("wren", 1, 1)}, bare(), "1 strike in 1 start like this, and the prior"},
		"several machines":  {[]risk.Cell{cell("heron", 3, 40), cell("wren", 9, 103)}, bare(), "12 strikes in 143 starts like this, 3 in 40 of them on heron, and the prior"},
		"scaled":            {fitted, other, "no starts like this yet; the prior, with 1.5 times its odds by your other starts on monomeric film"},
		"other film":        {worth, bare(), "no starts like this yet; the prior, worth what your other starts say"},
		"the worst":         {[]risk.Cell{cellOf(risk.Start{Class: event.Monomeric, Treatment: "none", RHPct: units.Some(45), CureC: units.Some(95)}, 4, 4)}, unsure, "no starts like this yet; as bad as the worst that they may be"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := risk.Fit(risk.DefaultPrior(), c.cells, risk.FitOptions{}).Strike(c.start).Basis; got != c.want {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

// TestMoreStrikesAreMoreRisk adds strikes without starts, under hyper-parameters
// that stay: no start of any kind gets safer, and this one gets riskier.
func TestMoreStrikesAreMoreRisk(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := rapid.SliceOfN(anyCell(), 0, 12).Draw(t, "cells")
		s, other := anyStart().Draw(t, "start"), anyStart().Draw(t, "another start")
		starts := rapid.Uint64Range(1, 200).Draw(t, "starts")
		strikes := rapid.Uint64Range(0, starts-1).Draw(t, "strikes")
		fit := func(strikes uint64) *risk.Model {
			return risk.Fit(risk.DefaultPrior(), append(slices.Clone(cells), cellOf(s, strikes, starts)), risk.FitOptions{Fixed: true})
		}
		less, more := fit(strikes), fit(strikes+1)
		if got, than := more.Strike(s).P, less.Strike(s).P; !(got > than) {
			t.Fatalf("%v after %d strikes, %v after %d", got, strikes+1, than, strikes)
		}
		if got, than := more.Strike(other).P, less.Strike(other).P; got < than-1e-12 {
			t.Fatalf("another start got safer: %v from %v", got, than)
		}
	})
}

// TestMuchDataIsTheRate has a million starts, against which no prior counts.
func TestMuchDataIsTheRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyStart().Draw(t, "start")
		strikes := rapid.Uint64Range(0, 1e6).Draw(t, "strikes")
		got := risk.Fit(risk.DefaultPrior(), []risk.Cell{cellOf(s, strikes, 1e6)}, risk.FitOptions{}).Strike(s)
		if rate := float64(strikes) / 1e6; math.Abs(got.P-rate) > 2.5e-4 || got.High-got.Low > 0.0021 {
			t.Fatalf("got %+v, want %v", got, rate)
		}
	})
}

// TestOrderDoesNotMatter shuffles cells and splits one, fit and all.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := rapid.SliceOfN(anyCell(), 1, 40).Draw(t, "cells")
		other := slices.Clone(cells)
		rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "seed"))).Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
		half := other[0]
		half.Strikes, half.Starts = half.Strikes/2, half.Starts/2
		other[0].Strikes -= half.Strikes
		other[0].Starts -= half.Starts
		if other[0].Starts < other[0].Strikes {
			return
		}
		m := risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{})
		n := risk.Fit(risk.DefaultPrior(), append(other, half), risk.FitOptions{})
		if diff := cmp.Diff(m.Hyper(), n.Hyper()); diff != "" {
			t.Fatalf("hyper-parameters: %s", diff)
		}
		s := anyStart().Draw(t, "start")
		if diff := cmp.Diff(m.Explain(s), n.Explain(s)); diff != "" {
			t.Fatalf("estimate: %s", diff)
		}
	})
}

// TestKnowingLessIsNotSafer leaves one thing out of a start. Unless there are
// starts for which just that was unknown, the odds get no better.
func TestKnowingLessIsNotSafer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyStart().Draw(t, "start")
		less := s
		switch rapid.IntRange(0, 3).Draw(t, "what") {
		case 0:
			less.Class = event.Unknown
		case 1:
			less.RHPct = units.Maybe{}
		case 2:
			less.CureC = units.Maybe{}
		case 3:
			if s.Treatment = "none"; s.Treatment != less.Treatment {
				return
			}
			less.Treatment = ""
		}
		own := cellOf(less, 0, 0)
		known := func(treatment string) string { return strings.TrimPrefix(treatment, "prayer") } // of which no prior knows
		cells := slices.DeleteFunc(rapid.SliceOfN(anyCell(), 0, 30).Draw(t, "cells"), func(c risk.Cell) bool {
			return c.Class == own.Class && known(c.Treatment) == known(own.Treatment) && c.RH == own.RH && c.Cure == own.Cure
		})
		m := risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{})
		if less != s && m.Strike(less).P < m.Strike(s).P*(1-1e-12) && cellOf(s, 0, 0) != own {
			t.Fatalf("%+v: %v\n%+v: %v", less, m.Strike(less), s, m.Strike(s))
		}
	})
}

// A shop without a hygrometer learns its rate all the same.
func TestTheUnknownLearns(t *testing.T) {
	s := bare()
	s.RHPct = units.Maybe{}
	got := risk.Fit(risk.DefaultPrior(), []risk.Cell{cellOf(s, 20, 2000)}, risk.FitOptions{}).Strike(s)
	if got.P > 0.012 {
		t.Errorf("1 %% of 2000 starts: %+v", got)
	}
}

// TestWhatTheLogLacks has a strike without a start, which must not vanish, and
// names that the prior does not know.
func TestWhatTheLogLacks(t *testing.T) {
	s := bare()
	got := risk.Fit(risk.DefaultPrior(), []risk.Cell{cell("heron", 1, 0)}, risk.FitOptions{}).Strike(s)
	if !strings.HasPrefix(got.Basis, "1 strike in 1 start like this") || got.P <= 0.12 {
		t.Errorf("a strike without a start: %+v", got)
	}
	empty := risk.Fit(risk.Prior{}, nil, risk.FitOptions{Starts: math.NaN(), MachineStarts: -1, MinCells: -1}).Strike(s)
	if !(empty.P > 0 && empty.Low <= empty.High && empty.High <= 1) {
		t.Errorf("without a prior: %+v", empty)
	}
	vellum := bare()
	vellum.Class, vellum.Treatment = "vellum", "prayer"
	if got := risk.Fit(risk.DefaultPrior(), []risk.Cell{cellOf(vellum, 5, 10)}, risk.FitOptions{}).Strike(vellum); got.P < 0.2 {
		t.Errorf("a film nobody knows: %+v", got)
	}
}

// TestMachinesArePooled compares a bad machine, a good one and a new one.
func TestMachinesArePooled(t *testing.T) {
	m := risk.Fit(risk.DefaultPrior(), []risk.Cell{cell("heron", 20, 60), cell("wren", 2, 60)}, risk.FitOptions{})
	on := func(name string) risk.Estimate {
		s := bare()
		s.Machine = name
		return m.Strike(s)
	}
	heron, wren, plover := on("heron"), on("wren"), on("plover")
	if !(2.0/60 < wren.P && wren.P < plover.P && plover.P < heron.P && heron.P < 20.0/60) {
		t.Errorf("heron %v, plover %v, wren %v", heron.P, plover.P, wren.P)
	}
	if plover.High-plover.Low <= heron.P-wren.P-0.1 {
		t.Errorf("a new machine is known too well: %+v", plover)
	}
	far := bare()
	far.Site = "quay"
	if quay := m.Strike(far); quay.P != plover.P {
		t.Errorf("a machine of that name at another site: %v, want %v as of any new one", quay.P, plover.P)
	}
}

// TestEnoughData holds the rule of FitOptions: 5 strikes, seen or expected, for
// a class, and 8 full kinds of start for the strength.
func TestEnoughData(t *testing.T) {
	full := func(n int) (cells []risk.Cell) {
		for _, treatment := range treated[:n] {
			c := cell("heron", 1, 10)
			c.Treatment = treatment
			cells = append(cells, c)
		}
		return cells
	}
	for name, c := range map[string]struct {
		cells           []risk.Cell
		options         risk.FitOptions
		scale, strength bool
	}{
		"four strikes":        {[]risk.Cell{cell("heron", 4, 30)}, risk.FitOptions{}, false, false},
		"five strikes":        {[]risk.Cell{cell("heron", 5, 30)}, risk.FitOptions{}, true, false},
		"none, five expected": {[]risk.Cell{cell("heron", 0, 42)}, risk.FitOptions{}, true, false},
		"none, four expected": {[]risk.Cell{cell("heron", 0, 41)}, risk.FitOptions{}, false, false},
		"seven kinds":         {full(7), risk.FitOptions{}, true, false},
		"eight kinds":         {full(8), risk.FitOptions{}, true, true},
		"as documented":       {full(8), risk.FitOptions{Fixed: true}, false, false},
		"asked for more":      {full(8), risk.FitOptions{MinStrikes: 9, MinCells: 9}, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			h := risk.Fit(risk.DefaultPrior(), c.cells, c.options).Hyper()
			if _, scale := h.Scale[event.Monomeric]; scale != c.scale || h.StartsFitted != c.strength {
				t.Errorf("%+v", h)
			}
			if !c.strength && h.Starts != 20 {
				t.Errorf("strength %v", h.Starts)
			}
		})
	}
}
