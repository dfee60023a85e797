package queue

import (
	"cmp"
	"math"
	"slices"
)

// The search for a good order is bounded: so many places of orders are walked
// over at most, whatever the number of jobs.
const stepsLong = 2_000_000

// stepsExact bounds the search where the exact method follows, which only needs
// a fair order to compare with, and the more so the larger the problem.
func stepsExact(jobs int) int { return 400 * jobs * jobs }

// search finds a good order, and always the same one: it starts from the best
// of several orders that are cheap to make, improves it by moving and swapping
// runs until nothing helps, and goes on from slightly disturbed copies until
// its steps are used up.
func (m *model) search(steps int) []int {
	m.steps = steps
	best, least := []int(nil), math.Inf(1)
	for _, free := range m.starts() {
		if c := m.freeCost(free, math.Inf(1)); c < least-1e-9 {
			best, least = free, c
		}
	}
	least = m.improve(best, least)
	var d dice
	for trial := slices.Clone(best); m.steps > 0 && len(m.free) > 3; {
		copy(trial, best)
		disturb(trial, &d)
		if c := m.improve(trial, m.freeCost(trial, math.Inf(1))); c < least-1e-9 {
			least = c
			best, trial = trial, best
		}
	}
	return slices.Clone(m.fill(best))
}

// fill puts the jobs that may move around those that keep their places. The
// order is good until the next call.
func (m *model) fill(free []int) []int {
	next := 0
	for k := range m.order {
		if m.order[k] = k; !m.fixed[k] {
			m.order[k] = free[next]
			next++
		}
	}
	return m.order
}

func (m *model) freeCost(free []int, most float64) float64 { return m.cost(m.fill(free), most) }

// starts are the orders that the search begins with: the present one, by due
// time, by stock, and by the dispatching rule for weighted tardiness with
// several looks ahead.
func (m *model) starts() [][]int {
	byDue := slices.Clone(m.free)
	slices.SortStableFunc(byDue, func(a, b int) int { return cmp.Compare(m.due[a], m.due[b]) })
	byStock := slices.Clone(m.free)
	slices.SortStableFunc(byStock, func(a, b int) int { return m.rankOfStock(a) - m.rankOfStock(b) })
	out := [][]int{slices.Clone(m.free), byDue, byStock}
	for _, look := range []float64{0.5, 1, 2, 4} {
		out = append(out, m.dispatch(look))
	}
	return out
}

// rankOfStock puts the stock that is on first.
func (m *model) rankOfStock(j int) int {
	if m.stock[j] == m.loaded {
		return -1
	}
	return m.stock[j]
}

// dispatch is the rule of apparent tardiness cost with set-ups (Lee, Bhaskaran
// and Pinedo 1997): the next job is the one that is most urgent for its length,
// less so when there is time left until it is due, and when it needs a change.
func (m *model) dispatch(look float64) []int {
	left, mean := slices.Clone(m.free), 0.0
	for _, j := range left {
		mean += m.takes[j] / float64(len(left))
	}
	out := make([]int, 0, len(left))
	free, before := m.problem.Start.FreeS, -1
	for len(left) > 0 {
		pick, urgency := 0, -1.0
		for i, j := range left {
			change := m.changes(before, j)
			slack := max(0, m.due[j]-m.end(j, change, free))
			u := m.late[j] / max(1, m.takes[j]) * math.Exp(-slack/max(1, look*mean))
			if change {
				u /= math.E
			} else {
				u += 1e-12 // of jobs that are not urgent, the stock that is on comes first
			}
			if u > urgency {
				pick, urgency = i, u
			}
		}
		j := left[pick]
		free, before = m.end(j, m.changes(before, j), free), j
		out, left = append(out, j), slices.Delete(left, pick, pick+1)
	}
	return out
}

// improve moves and swaps runs in place as long as that lowers the cost and
// steps are left, and returns the cost.
func (m *model) improve(free []int, cost float64) float64 {
	for better := true; better && m.steps > 0; {
		better = false
		for size := 1; size <= longestBlock; size++ {
			for from := 0; from+size <= len(free); from++ {
				for to := 0; to+size <= len(free) && m.steps > 0; to++ {
					if c := m.tryMove(free, from, to, size, cost); c < cost {
						cost, better = c, true
					}
				}
			}
		}
		for i := range free {
			for k := i + 1; k < len(free) && m.steps > 0; k++ {
				free[i], free[k] = free[k], free[i]
				if c := m.freeCost(free, cost-1e-9); c < cost-1e-9 {
					cost, better = c, true
				} else {
					free[i], free[k] = free[k], free[i]
				}
			}
		}
	}
	return cost
}

// longestBlock is how many neighbours are moved together at most.
const longestBlock = 3

// tryMove moves a block of runs and keeps the new order if it costs less.
func (m *model) tryMove(free []int, from, to, size int, cost float64) float64 {
	if from == to {
		return cost
	}
	moveBlock(free, from, to, size)
	if c := m.freeCost(free, cost-1e-9); c < cost-1e-9 {
		return c
	}
	moveBlock(free, to, from, size)
	return cost
}

// moveBlock takes the block out and puts it back so that it begins at to.
func moveBlock(list []int, from, to, size int) {
	var block [longestBlock]int
	copy(block[:size], list[from:from+size])
	if from < to {
		copy(list[from:to], list[from+size:to+size])
	} else {
		copy(list[to+size:from+size], list[to:from])
	}
	copy(list[to:to+size], block[:size])
}

// disturb exchanges a few runs with others not far behind them.
func disturb(free []int, d *dice) {
	for range 3 {
		i := d.below(len(free))
		k := min(len(free)-1, i+1+d.below(6))
		free[i], free[k] = free[k], free[i]
	}
}

// dice are numbers that look random and are always the same: a linear
// congruential generator (Knuth, The Art of Computer Programming, volume 2,
// section 3.3.4, the constants of MMIX), of which the high bits are taken.
type dice uint64

func (d *dice) below(n int) int {
	*d = *d*6364136223846793005 + 1442695040888963407
	return int(uint64(*d) >> 33 % uint64(n))
}
