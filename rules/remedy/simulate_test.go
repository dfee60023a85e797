package remedy_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// world is a shop whose true odds are known to the simulation alone. They are
// drawn once for each kind of start, around the documented prior with the worth
// of 20 starts, and once for each machine, around its kind with the worth of 60.
type world struct {
	rng   *rand.Rand
	src   rand.Source
	kinds map[risk.Cell]float64 // by kind, with no machine named
	odds  map[risk.Cell]float64 // by kind and machine
}

func cellOf(s risk.Start) risk.Cell {
	return risk.Cell{Class: s.Class, Treatment: s.Treatment, RH: risk.RHBand(s.RHPct), Cure: risk.CureBand(s.CureC), Site: s.Site, Machine: s.Machine}
}

// truth is the odds of a start, drawn when first asked for.
func (w *world) truth(s risk.Start) float64 {
	at := cellOf(s)
	if p, drawn := w.odds[at]; drawn {
		return p
	}
	kind := at
	kind.Machine = ""
	mean, drawn := w.kinds[kind]
	if !drawn {
		mean = w.around(risk.DefaultPrior().Strike(s).P, 20)
		w.kinds[kind] = mean
	}
	w.odds[at] = w.around(mean, 60)
	return w.odds[at]
}

func (w *world) around(mean, worth float64) float64 {
	mean = min(1-1e-9, max(1e-9, mean))
	return distuv.Beta{Alpha: worth * mean, Beta: worth * (1 - mean), Src: w.src}.Rand()
}

func pick[T any](w *world, list ...T) T { return list[w.rng.IntN(len(list))] }

// someStart is what comes along: three machines, three classes of film that
// does not lie flat, all weathers and cures, one edge in two untreated.
func (w *world) someStart() risk.Start {
	return risk.Start{
		Site: "north", Machine: pick(w, "heron", "wren", "plover"),
		Class:     pick(w, event.Monomeric, event.Monomeric, event.Other, event.Unknown),
		Treatment: pick(w, "none", "none", "none", "none", "advance", "advance", "leader", "shaped-edge"),
		RHPct:     units.Some(pick(w, 20.0, 45.0, 45.0, 70.0)), CureC: units.Some(pick(w, 80.0, 95.0, 95.0, 110.0)),
	}
}

// month plays 150 starts and counts them as the floor does.
func (w *world) month() []risk.Cell {
	counts := map[risk.Cell][2]uint64{}
	for range 150 {
		s := w.someStart()
		c := counts[cellOf(s)]
		c[0]++
		if w.rng.Float64() < w.truth(s) {
			c[1]++
		}
		counts[cellOf(s)] = c
	}
	var cells []risk.Cell
	for cell, c := range counts {
		cell.Starts, cell.Strikes = c[0], c[1]
		cells = append(cells, cell)
	}
	return cells
}

// sceneOf is a start as the rules see it, of a roll of some width on a path of
// some length, with nothing done about its edge yet.
func (w *world) sceneOf(s risk.Start) *hazard.Scene {
	scene := bare()
	scene.Machine = &floor.Machine{
		Site: s.Site, Name: s.Machine, Edge: floor.Edge{PositionMM: units.Some(0)},
		Roll: floor.Roll{Loaded: true, WidthMM: units.Some(pick(w, 610.0, 1370.0)), LeftM: units.Some(40), ThicknessUM: units.Some(220)},
	}
	scene.Loaded = film.Film{Stock: "ROLL", Class: s.Class, PricePerM2: usd("1.20")}
	scene.Climate.RHPct = s.RHPct
	scene.Plant.Path.CureExitMM = pick(w, 330.0, 700.0, 1500.0)
	cure := s.CureC.Or(0)
	scene.Run.Ticket.Data.CureC = &cure
	return scene
}

// trueCost is what an option really costs on average.
func (w *world) trueCost(s *hazard.Scene, o *remedy.Option) float64 {
	start := risk.Start{Site: s.Machine.Site, Machine: s.Machine.Name, Class: s.Loaded.Class, Treatment: o.Code, RHPct: s.Climate.RHPct, CureC: s.CureC()}
	if o.Code == "better-film" {
		start.Class, start.Treatment = event.Polymeric, "none"
	}
	return number(o.Cost.Total.Number()) + w.truth(start)*number(o.Strike.Total.Number())
}

// trueCosts are those of all options that can be taken, and the least of them,
// which one who knows the truth pays.
func (w *world) trueCosts(s *hazard.Scene, d remedy.Decision) (costs map[string]float64, least float64) {
	costs, least = map[string]float64{}, math.Inf(1)
	for i := range d.Options {
		if o := &d.Options[i]; o.Open() {
			costs[o.Code] = w.trueCost(s, o)
			least = min(least, costs[o.Code])
		}
	}
	return costs, least
}

// TestAThousandShopMonths plays months of shops whose truth is known. The 95 %
// intervals must cover it between 93 and 97 times in a hundred, what is chosen
// must beat every habit, and "sure to be the cheapest" must come true.
func TestAThousandShopMonths(t *testing.T) {
	const shops, decisions = 1000, 4
	var cover, all, sure, right float64
	regret, none, byTreatment := map[string]float64{}, 0, map[string]*[2]float64{}
	book := row(t, hazard.BareEdge)
	for shop := range shops {
		src := rand.NewPCG(uint64(shop), 20260302)
		w := &world{rand.New(src), src, map[risk.Cell]float64{}, map[risk.Cell]float64{}}
		cells := w.month()
		model := risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{})
		for cell, p := range w.odds {
			e := model.Strike(startOf(cell))
			if byTreatment[cell.Treatment] == nil {
				byTreatment[cell.Treatment] = new([2]float64)
			}
			b := byTreatment[cell.Treatment]
			if all++; e.Low <= p && p <= e.High {
				cover++
				b[0]++
			}
			b[1]++
		}
		a := advisor()
		a.Odds = model
		for range decisions {
			s := w.sceneOf(w.someStart())
			d := a.Decide(book, s)
			costs, least := w.trueCosts(s, d)
			chosen := costs[d.Chosen().Code]
			regret["chosen"] += chosen - least
			for code, habit := range map[string]string{"never act": "none", "always advance": "advance", "always leader": "leader"} {
				regret[code] += costs[habit] - least
			}
			if sure += d.Chosen().Sure; chosen == least {
				right++
			}
			if d.Best == 0 {
				none++
			}
		}
	}
	n := float64(shops * decisions)
	t.Logf("%.2f %% of %.0f intervals cover the truth", 100*cover/all, all)
	for _, code := range slices.Sorted(maps.Keys(byTreatment)) {
		b := byTreatment[code]
		t.Logf("  %-12s %.2f %% of %.0f", code, 100*b[0]/b[1], b[1])
	}
	for _, code := range slices.Sorted(maps.Keys(regret)) {
		t.Logf("  regret %-15s %7.3f USD per start", code, regret[code]/n)
	}
	t.Logf("%.1f %% sure to be the cheapest, and %.1f %% were; nothing done in %d of %.0f", 100*sure/n, 100*right/n, none, n)
	if share := cover / all; share < 0.93 || share > 0.97 {
		t.Errorf("%.2f %% of the intervals cover the truth: want 93 to 97", 100*share)
	}
	for code, sum := range regret {
		if code != "chosen" && regret["chosen"] >= sum {
			t.Errorf("choosing loses %.3f USD per start, %s %.3f", regret["chosen"]/n, code, sum/n)
		}
	}
	if off := (sure - right) / n; off < -0.03 || off > 0.03 {
		t.Errorf("%.1f %% sure, and %.1f %% right", 100*sure/n, 100*right/n)
	}
}

// startOf is a start of a cell.
func startOf(c risk.Cell) risk.Start {
	rh := map[risk.Band]float64{risk.Dry: 20, risk.Usual: 45, risk.Humid: 70}
	cure := map[risk.Band]float64{risk.Cool: 80, risk.Warm: 95, risk.Hot: 110}
	return risk.Start{Site: c.Site, Machine: c.Machine, Class: c.Class, Treatment: c.Treatment, RHPct: units.Some(rh[c.RH]), CureC: units.Some(cure[c.Cure])}
}
