package queue

import (
	"math"
	"math/bits"
	"slices"
)

// label is one way of having run a set of jobs, a certain one last. Of two ways
// to the same set and last job, one that has cost no more, ends no later and
// leaves no less time until the film must be cut makes the other useless; when
// none does so, both are kept. That makes the method exact although lateness
// depends on when a run ends.
type label struct {
	cost, time, until float64 // until is when what hangs on the film must be cut off
	set               uint16
	last              int8  // -1 before the first
	useless           bool  // another label is as good
	prev              int32 // label that it goes on from
	next              int32 // another of the same set and last job; -1 for none
}

// mostLabels bounds the memory of the exact method.
const mostLabels = 3_000_000

// sets is the exact method at work.
type sets struct {
	*model
	labels []label
	head   []int32   // by set and last job: its first label; -1 for none
	metres []float64 // by set
	ofStk  []uint16  // by stock: the set of its jobs
	open   []float64 // by stock: the least that changing to it and starting on it costs
	most   float64   // cost of the best order known
}

// exact finds an order that costs least, by dynamic programming over the sets
// of jobs that have run (Held and Karp 1962) with labels that are compared by
// dominance. A label that cannot lead to less than the order given is not
// followed. It reports false, with the order given, when that takes too much.
func (m *model) exact(good []int) ([]int, bool) {
	x := m.newSets(m.cost(good, math.Inf(1)))
	done := 0
	for k := range m.n {
		layer := len(x.labels)
		for i := done; i < layer; i++ {
			if !x.labels[i].useless && !x.hopeless(&x.labels[i]) {
				x.extend(int32(i), k)
			}
		}
		if done = layer; len(x.labels) > mostLabels {
			return good, false
		}
	}
	best := int32(-1)
	for i := done; i < len(x.labels); i++ {
		if x.labels[i].cost < x.most-1e-9 {
			best, x.most = int32(i), x.labels[i].cost
		}
	}
	if best < 0 || m.n == 0 {
		return good, true
	}
	return x.orderOf(best), true
}

func (m *model) newSets(most float64) *sets {
	all := 1 << m.n
	x := &sets{model: m, most: most, head: make([]int32, all*m.n), metres: make([]float64, all)}
	for i := range x.head {
		x.head[i] = -1
	}
	for set := 1; set < all; set++ {
		low := bits.TrailingZeros(uint(set))
		x.metres[set] = x.metres[set&(set-1)] + m.length[low]
	}
	x.ofStk, x.open = make([]uint16, len(m.limit)), make([]float64, len(m.limit))
	for s := range x.open {
		x.open[s] = math.Inf(1)
	}
	for j, s := range m.stock {
		x.ofStk[s] |= 1 << j
		x.open[s] = min(x.open[s], m.change[j]+m.bare[j])
	}
	x.labels = append(make([]label, 0, 1<<12), label{time: m.problem.Start.FreeS, until: m.hangs, last: -1, prev: -1, next: -1})
	return x
}

// hopeless reports whether what a label must still cost, at the least, leaves
// nothing to gain: a change for every stock that is neither on nor done with,
// and the lateness of every job left as if it came next.
func (x *sets) hopeless(l *label) bool {
	least, on := l.cost, x.stockAfter(int(l.last))
	for s, jobs := range x.ofStk {
		if s != on && jobs&^l.set != 0 {
			least += x.open[s]
		}
	}
	for left := uint16(1<<x.n-1) &^ l.set; left != 0; left &= left - 1 {
		j := bits.TrailingZeros16(left)
		least += x.lateCost(j, x.end(j, x.stock[j] != on, l.time))
	}
	return least >= x.most-1e-9
}

// extend lets each job that may come k-th follow a label, cut and uncut.
func (x *sets) extend(from int32, k int) {
	l := x.labels[from]
	for j := range x.n {
		if l.set&(1<<j) != 0 || (x.fixed[k] || x.fixed[j]) && j != k {
			continue
		}
		before := int(l.last)
		change := x.changes(before, j)
		next := label{time: x.end(j, change, l.time), set: l.set | 1<<j, last: int8(j), prev: from}
		next.cost = l.cost + x.lateCost(j, next.time)
		if change {
			next.cost += x.change[j]
		}
		edge := x.fresh(before, j, change)
		if edge > 0 && x.canHang(&l, &next) {
			next.until = min(l.until, x.hold[j])
			x.add(next)
		}
		next.cost, next.until = next.cost+edge, x.hold[j]
		x.add(next)
	}
}

// canHang reports whether the next job may stay uncut behind what hangs there.
func (x *sets) canHang(l, next *label) bool {
	s := x.stock[next.last]
	return s == x.stockAfter(int(l.last)) && l.until >= next.time && x.metres[next.set&x.ofStk[s]] <= x.limit[s]
}

// add keeps a label unless another makes it useless.
func (x *sets) add(n label) {
	if n.cost >= x.most {
		return
	}
	head := &x.head[int(n.set)*x.n+int(n.last)]
	for link := head; *link >= 0; {
		o := &x.labels[*link]
		if o.cost <= n.cost && o.time <= n.time && o.until >= n.until {
			return
		}
		if n.cost <= o.cost && n.time <= o.time && n.until >= o.until {
			o.useless = true
			*link = o.next
			continue
		}
		link = &o.next
	}
	n.next = *head
	*head = int32(len(x.labels))
	x.labels = append(x.labels, n)
}

// orderOf walks back from a label.
func (x *sets) orderOf(i int32) []int {
	order := make([]int, 0, x.n)
	for ; x.labels[i].last >= 0; i = x.labels[i].prev {
		order = append(order, int(x.labels[i].last))
	}
	slices.Reverse(order)
	return order
}
