package queue

import "math"

// model is a problem laid out for arithmetic: one array a property, seconds
// from now, stocks as numbers.
type model struct {
	n                  int
	problem            *Problem
	length, takes      []float64
	release, due, hold []float64 // due is +Inf when unknown, hold -Inf
	late               []float64 // money a second
	change, bare       []float64
	stock              []int     // by job
	limit              []float64 // by stock: film on its first roll, m; 0 when nobody knows
	loaded             int       // stock that is on; none of the jobs' when nothing is known to be
	hangs              float64   // until when what is on the machine may hang there; -Inf when nothing may
	fixed              []bool    // by job, and by place since a fixed job keeps its own
	free               []int     // jobs that may move, in their present order
	used               []float64 // scratch of cost, by stock
	order              []int     // scratch of search
	open, best         []float64 // scratch of cost, by place
	from               []int     // likewise: where the piece of film begins that ends there
	steps              int       // places that the search may still walk over
}

func newModel(p Problem) *model {
	n := len(p.Jobs)
	m := &model{n: n, problem: &p, fixed: make([]bool, n), stock: make([]int, n), order: make([]int, n), from: make([]int, n+1)}
	for _, s := range []*[]float64{&m.length, &m.takes, &m.release, &m.due, &m.hold, &m.late, &m.change, &m.bare, &m.open} {
		*s = make([]float64, n)
	}
	m.best = make([]float64, n+1)
	number := map[string]int{}
	for i := range p.Jobs {
		j := &p.Jobs[i]
		s, known := number[j.Stock]
		if !known {
			s = len(number)
			number[j.Stock] = s
			m.limit = append(m.limit, p.RollM)
		}
		m.stock[i], m.fixed[i] = s, j.Fixed
		m.length[i], m.takes[i], m.release[i] = j.LengthM, j.TakesS, j.ReleaseS
		m.due[i], m.hold[i] = j.DueS.Or(math.Inf(1)), j.HoldS.Or(math.Inf(-1))
		m.late[i], m.change[i], m.bare[i] = j.LatePerHour/3600, j.ChangeCost, j.BareCost
		if !j.Fixed {
			m.free = append(m.free, i)
		}
	}
	m.used = make([]float64, len(m.limit))
	m.loaded, m.hangs = -1, math.Inf(-1)
	if s, known := number[p.Start.Stock]; known && p.Start.Stock != "" {
		m.loaded = s
		m.limit[s] = p.Start.LeftM.Or(0)
	}
	if p.Start.Hangs != "" {
		m.hangs = p.Start.HoldS.Or(math.Inf(-1))
	}
	return m
}

// changes reports whether the roll is changed before a job, after a job; the
// job before the first is -1.
func (m *model) changes(before, job int) bool { return m.stockAfter(before) != m.stock[job] }

func (m *model) stockAfter(job int) int {
	if job < 0 {
		return m.loaded
	}
	return m.stock[job]
}

// fresh is what a job costs when it starts a new piece of film behind another.
func (m *model) fresh(before, job int, change bool) float64 {
	if before < 0 && m.problem.Start.Clear && !change {
		return 0
	}
	return m.bare[job]
}

// end is when a job ends, with a change of the roll ahead of it or without.
func (m *model) end(job int, change bool, free float64) float64 {
	if change {
		free += m.problem.ChangeS
	}
	return max(free, m.release[job]) + m.takes[job]
}

// lateCost is what ending a job then costs for being late.
func (m *model) lateCost(job int, end float64) float64 {
	if end <= m.due[job] {
		return 0
	}
	return (end - m.due[job]) * m.late[job]
}

// cost is the expected money of an order with the best cuts. It gives up once
// it is clear that the cost reaches most, and then returns +Inf.
//
// When the runs end does not depend on the cuts, so these are chosen afterwards:
// best[k] is the least that the bare edges of the first k runs cost, and the
// piece of film that ends with a run begins at the best of all places where it
// can. A piece that can be uncut stays so when it gets shorter, so the search
// for its beginning ends at the first place where it cannot.
func (m *model) cost(order []int, most float64) float64 {
	total, free, before := 0.0, m.problem.Start.FreeS, -1
	for s := range m.used {
		m.used[s] = 0
	}
	for k, j := range order {
		change := m.changes(before, j)
		if change {
			total += m.change[j]
		}
		end := m.end(j, change, free)
		free = end
		m.used[m.stock[j]] += m.length[j]
		total += m.lateCost(j, end)
		m.open[k] = m.fresh(before, j, change)
		m.best[k+1], m.from[k+1] = m.best[k]+m.open[k], k
		if m.open[k] > 0 && m.used[m.stock[j]] <= m.limit[m.stock[j]] {
			m.joinBack(order, k, end)
		}
		m.steps--
		if total >= most {
			return math.Inf(1)
		}
		before = j
	}
	return total + m.best[len(order)]
}

// joinBack looks for the best place at which the piece of film that ends with
// the run at place k may begin.
func (m *model) joinBack(order []int, k int, end float64) {
	for a := k - 1; a >= 0; a-- {
		if m.hold[order[a]] < end || m.stock[order[a]] != m.stock[order[k]] {
			return
		}
		if c := m.best[a] + m.open[a]; c < m.best[k+1] {
			m.best[k+1], m.from[k+1] = c, a
		}
	}
	if m.hangs >= end && m.loaded == m.stock[order[k]] {
		m.best[k+1], m.from[k+1] = 0, -1
	}
}

// plan works an order out in full, with the best cuts.
func (m *model) plan(order []int) Plan {
	m.cost(order, math.Inf(1))
	uncut := make([]bool, len(order))
	for k := len(order); k > 0; {
		a := m.from[k]
		for i := max(a+1, 0); i < k; i++ {
			uncut[i] = true
		}
		k = max(a, 0)
	}
	return m.account(order, uncut)
}

// present is the order that stands, with a cut after every run.
func (m *model) present() Plan {
	order := make([]int, m.n)
	for i := range order {
		order[i] = i
	}
	return m.account(order, make([]bool, m.n))
}

// account adds up what a plan costs.
func (m *model) account(order []int, uncut []bool) Plan {
	p := Plan{Order: append([]int(nil), order...), Uncut: uncut, StartS: make([]float64, m.n), EndS: make([]float64, m.n)}
	free, before := m.problem.Start.FreeS, -1
	for k, j := range order {
		change := m.changes(before, j)
		end := m.end(j, change, free)
		p.StartS[k], p.EndS[k] = end-m.takes[j], end
		if change {
			p.Change += m.change[j]
			p.RollChanges++
		}
		if c := m.fresh(before, j, change); c > 0 && !uncut[k] {
			p.Bare += c
			p.BareStarts++
		}
		if c := m.lateCost(j, end); end > m.due[j] {
			p.Late += c
			p.LateRuns++
		}
		free, before = end, j
	}
	return p
}
