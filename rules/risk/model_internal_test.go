package risk

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"rollwarden/rules/event"
)

// A machine keeps only what its own starts change. Worked out for every kind of
// start, as the comment of Model has it, each comes to the same to the last digit.
func TestMachinesKeepOnlyWhatDiffers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	prior := DefaultPrior()
	a := newAxes(prior)
	kept, all := 0, 0
	for round := range 20 {
		var cells []Cell
		for range rng.IntN(60) {
			cells = append(cells, Cell{
				Site: "north", Machine: fmt.Sprint("m", rng.IntN(6)), Class: append(a.classes, event.Monomeric)[rng.IntN(len(a.classes)+1)],
				Treatment: a.treatments[rng.IntN(len(a.treatments))], RH: rhBands()[rng.IntN(rhCount)], Cure: cureBands()[rng.IntN(cureCount)],
				Starts: uint64(1 + rng.IntN(40)), Strikes: uint64(rng.IntN(10)),
			})
		}
		m := Fit(prior, cells, FitOptions{})
		for at, mc := range m.machine {
			whole := &machine{own: mc.own, worst: map[int]float64{}}
			for k, base := range m.base {
				whole.worst[k] = base
			}
			for _, k := range m.byUnknowns() {
				i := k.index(&m.axes)
				for worse := range m.oneMoreKnown(k) {
					whole.worst[i] = max(whole.worst[i], m.posterior(whole, worse.index(&m.axes)).mean())
				}
			}
			for k, want := range whole.worst {
				if got := m.prior(mc, k); got != want {
					t.Fatalf("round %d, %v, kind %d: got %v, want %v", round, at, k, got, want)
				}
			}
			kept += len(mc.worst)
			all += len(whole.worst)
		}
	}
	if kept == 0 || kept > all/2 {
		t.Fatalf("%d of %d are kept: want some, and far from all", kept, all)
	}
}
