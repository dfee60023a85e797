package queue

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rollwarden/rules/units"
)

// mixed is a queue with everything in it that orders can differ by.
func mixed(jobs int, seed uint64) Problem {
	random := rand.New(rand.NewPCG(seed, 5))
	maybe := func(scale float64) units.Maybe {
		if random.IntN(4) == 0 {
			return units.Maybe{}
		}
		return units.Some(scale * random.Float64())
	}
	p := Problem{Start: Start{FreeS: 300, Stock: "A", LeftM: maybe(40), Hangs: "J0", HoldS: maybe(4000)}, ChangeS: 600, RollM: 25}
	for i := range jobs {
		span := 1200 * float64(jobs)
		p.Jobs = append(p.Jobs, Job{
			Name: fmt.Sprint("J", i+1), Stock: string(rune('A' + random.IntN(4))), LengthM: 1 + 5*random.Float64(), TakesS: 200 + 1500*random.Float64(),
			ReleaseS: max(0, span*(random.Float64()-0.7)), DueS: maybe(span), HoldS: maybe(2 * span),
			LatePerHour: 20 * random.Float64(), ChangeCost: 10 + 10*random.Float64(), BareCost: 2 * random.Float64(), Fixed: random.IntN(9) == 0,
		})
	}
	return p
}

// TestSearchAgainstExact holds the search, by itself, against the exact method at
// sizes at which both can be had, and the bound against the truth.
func TestSearchAgainstExact(t *testing.T) {
	for seed := range uint64(30) {
		m := newModel(mixed(10+int(seed%3), seed))
		found := m.search(stepsLong / 4)
		best, exact := m.exact(found)
		got, least := m.cost(found, math.Inf(1)), m.plan(best).Cost()
		if !exact {
			t.Fatalf("problem %d is too large for the exact method", seed)
		}
		if got < least-1e-6 || got > 1.02*least {
			t.Errorf("problem %d: the search finds %.3f, and the least is %.3f", seed, got, least)
		}
		if bound := m.bound(); bound > least+1e-6 {
			t.Errorf("problem %d: the bound is %.3f, and one order costs %.3f", seed, bound, least)
		}
	}
}

// TestExactByItself gives the exact method the dearest of all orders to start
// from, so that it has to find the least by itself, and holds it and the bound
// against the cost of every order. Money is dear here against lateness, and ties
// are common, so that what is cheap now and what is soon contradict each other.
func TestExactByItself(t *testing.T) {
	for seed := range uint64(4500) { // a label wrongly dropped shows in few of them
		p := mixed(1+int(seed%7), seed)
		for i := range p.Jobs {
			j := &p.Jobs[i]
			j.TakesS, j.LatePerHour = 600*math.Ceil(j.TakesS/600), math.Floor(j.LatePerHour/7)*7
			j.BareCost, j.ChangeCost = math.Floor(3*j.BareCost), math.Floor(j.ChangeCost-10)
			switch seed % 3 {
			case 0:
				j.LatePerHour = 0
			case 1:
				j.ReleaseS, j.ChangeCost, j.Fixed = 2*j.ReleaseS, 0, false
			}
		}
		p.Start.Clear, p.ChangeS = seed%2 == 0, 600*float64(seed%5)
		if p.Start.Clear {
			p.Start.Hangs = ""
		}
		m := newModel(p)
		least, most, dearest := math.Inf(1), math.Inf(-1), []int(nil)
		permute(slices.Clone(m.free), 0, func(free []int) {
			c := m.freeCost(free, math.Inf(1))
			if c > most {
				most, dearest = c, slices.Clone(m.order)
			}
			least = min(least, c)
		})
		best, exact := m.exact(dearest)
		if got := m.cost(best, math.Inf(1)); math.Abs(got-least) > 1e-6 || !exact {
			t.Errorf("problem %d: got %.3f, and one of all orders costs %.3f", seed, got, least)
		}
		if bound := m.bound(); bound > least+1e-6 {
			t.Errorf("problem %d: the bound is %.3f, and one order costs %.3f", seed, bound, least)
		}
	}
}

// permute visits every order of the list.
func permute(list []int, done int, visit func([]int)) {
	if done == len(list) {
		visit(list)
		return
	}
	for i := done; i < len(list); i++ {
		list[done], list[i] = list[i], list[done]
		permute(list, done+1, visit)
		list[done], list[i] = list[i], list[done]
	}
}

// TestLongQueues looks at queues beyond the exact method: no order of the search
// may break what must stay, and the advice says how far off it may be.
func TestLongQueues(t *testing.T) {
	for _, jobs := range []int{MostExact + 1, 40, 120} {
		a := Advise(mixed(jobs, uint64(jobs)))
		sorted := slices.Sorted(slices.Values(a.Advised.Order))
		for k, j := range a.Advised.Order {
			if sorted[k] != k || a.Problem.Jobs[k].Fixed && j != k {
				t.Errorf("%d jobs: the order %v is none, or moves a fixed job", jobs, a.Advised.Order)
				break
			}
		}
		if a.Exact || a.Bound <= 0 || a.Gap() < 0 || a.Saves() <= 0 {
			t.Errorf("%d jobs: exact %v, bound %.2f, gap %.2f, saves %.2f", jobs, a.Exact, a.Bound, a.Gap(), a.Saves())
		}
		for _, l := range a.Explain().Lines {
			if l.Name == "certainty" && l.Note != boundSource {
				t.Errorf("%d jobs: certainty is explained by %q", jobs, l.Note)
			}
		}
	}
}

// TestAssign holds the method against all assignments of small tables.
func TestAssign(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	for n := 1; n <= 6; n++ {
		cost := make([][]float64, n)
		for i := range cost {
			cost[i] = make([]float64, n)
			for k := range cost[i] {
				cost[i][k] = float64(random.IntN(20))
			}
		}
		least := math.Inf(1)
		var try func(row int, used uint, sum float64)
		try = func(row int, used uint, sum float64) {
			if row == n {
				least = min(least, sum)
				return
			}
			for c := range n {
				if used&(1<<c) == 0 {
					try(row+1, used|1<<c, sum+cost[row][c])
				}
			}
		}
		try(0, 0, 0)
		if got := assign(cost); math.Abs(got-least) > 1e-9 {
			t.Errorf("%v: got %v, want %v", cost, got, least)
		}
	}
}

func TestMoved(t *testing.T) {
	for _, row := range []struct{ order, want []int }{
		{[]int{0, 1, 2, 3}, nil},
		{[]int{1, 2, 3, 0}, []int{0}},
		{[]int{3, 0, 1, 2}, []int{3}},
		{[]int{1, 0}, []int{0}},
		{nil, nil},
	} {
		if got := moved(row.order); !slices.Equal(got, row.want) {
			t.Errorf("%v: %v moved, want %v", row.order, got, row.want)
		}
	}
}

func TestMoveBlock(t *testing.T) {
	for size := 1; size <= longestBlock; size++ {
		for from := 0; from+size <= 6; from++ {
			for to := 0; to+size <= 6; to++ {
				list := []int{0, 1, 2, 3, 4, 5}
				rest := slices.Delete(slices.Clone(list), from, from+size)
				want := slices.Insert(rest, to, list[from:from+size]...)
				moveBlock(list, from, to, size)
				if !slices.Equal(list, want) {
					t.Errorf("%d from %d to %d: got %v, want %v", size, from, to, list, want)
				}
			}
		}
	}
}
