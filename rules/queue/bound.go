package queue

import (
	"math"
	"slices"
)

// bound is an amount that no order costs less than: the least that set-ups cost
// plus the least that lateness costs, each as if the other did not matter.
func (m *model) bound() float64 {
	if m.n == 0 {
		return 0
	}
	return m.leastSetups() + m.leastLateness()
}

// leastSetups counts, for every stock that is not on, one change of the roll
// and one start on a bare edge, and a start on a bare edge for every run that
// can never hang on to another.
func (m *model) leastSetups() (total float64) {
	cleared := m.problem.Start.Clear
	for s := range m.limit {
		change, least, alone := math.Inf(1), math.Inf(1), 0.0
		for j := range m.n {
			if m.stock[j] != s {
				continue
			}
			change = min(change, m.change[j])
			least = min(least, m.change[j]+m.bare[j])
			if !m.joins(j) {
				alone += m.bare[j]
			}
		}
		switch {
		case s == m.loaded && cleared:
			total += max(0, alone-m.dearest(s)) // the first of them starts for nothing
		case s == m.loaded:
			total += alone
		default:
			total += max(least, change+alone)
		}
	}
	return total
}

// dearest is the most that a start on a bare edge of a stock costs.
func (m *model) dearest(s int) (most float64) {
	for j := range m.n {
		if m.stock[j] == s {
			most = max(most, m.bare[j])
		}
	}
	return most
}

// joins reports whether a job can hang on to any other in any order.
func (m *model) joins(j int) bool {
	limit := m.limit[m.stock[j]]
	if m.loaded == m.stock[j] && m.hangs >= m.earliest(j) && m.length[j] <= limit {
		return true
	}
	for i := range m.n {
		if i != j && m.stock[i] == m.stock[j] && m.length[i]+m.length[j] <= limit && m.hold[i] >= max(m.earliest(i), m.release[j])+m.takes[j] {
			return true
		}
	}
	return false
}

// earliest is when a job ends if it comes first and needs no change.
func (m *model) earliest(j int) float64 {
	return max(m.problem.Start.FreeS, m.release[j]) + m.takes[j]
}

// leastLateness assigns jobs to places so that lateness costs least, if a job
// at a place had nothing but the shortest of the others before it. No order
// lets a job end sooner than that, and every order is such an assignment.
func (m *model) leastLateness() float64 {
	shortest := slices.Clone(m.takes)
	slices.Sort(shortest)
	cost := make([][]float64, m.n)
	cells := make([]float64, m.n*m.n)
	for j := range m.n {
		cost[j] = cells[j*m.n : (j+1)*m.n]
		own, _ := slices.BinarySearch(shortest, m.takes[j])
		before := m.problem.Start.FreeS
		for k := range m.n { // before is the time of the k shortest others
			end := max(m.earliest(j), before+m.takes[j])
			cost[j][k] = m.lateCost(j, end)
			if k < own {
				before += shortest[k]
			} else if k+1 < m.n {
				before += shortest[k+1]
			}
		}
	}
	return assign(cost)
}

// assign returns the least sum of one number from each row, each from another
// column, of a square table. It is the Hungarian method with shortest
// augmenting paths (Kuhn 1955; Jonker and Volgenant 1987), in time n³. Rows and
// columns have potentials u and v such that no reduced cost is below 0; row by
// row, the cheapest path of reduced costs to a free column is found, and the
// columns on it are handed on. Index 0 stands for none.
func assign(cost [][]float64) (total float64) {
	n := len(cost)
	u, v, dist := make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)
	rowOf, from, done := make([]int, n+1), make([]int, n+1), make([]bool, n+1)
	for row := 1; row <= n; row++ {
		rowOf[0] = row
		for c := range dist {
			dist[c], done[c] = math.Inf(1), false
		}
		at := 0
		for rowOf[at] != 0 {
			done[at] = true
			r, next, step := rowOf[at], 0, math.Inf(1)
			for c := 1; c <= n; c++ {
				if done[c] {
					continue
				}
				if d := cost[r-1][c-1] - u[r] - v[c]; d < dist[c] {
					dist[c], from[c] = d, at
				}
				if dist[c] < step {
					step, next = dist[c], c
				}
			}
			for c := range dist {
				if done[c] {
					u[rowOf[c]] += step
					v[c] -= step
				} else {
					dist[c] -= step
				}
			}
			at = next
		}
		for at != 0 {
			rowOf[at] = rowOf[from[at]]
			at = from[at]
		}
	}
	for c := 1; c <= n; c++ {
		total += cost[rowOf[c]-1][c-1]
	}
	return total
}
