package queue

import (
	"fmt"
	"time"

	"rollwarden/rules/units"
)

// changes says in one line each what the advice changes and why: runs that
// move, and cuts that are left out.
func (a *Advice) changes() (lines []string) {
	present, advised := a.Present.byJob(), a.Advised.byJob()
	for _, j := range moved(a.Advised.Order) {
		lines = append(lines, fmt.Sprintf("run %s as number %d instead of %d: %s", a.name(j), advised[j].place+1, present[j].place+1, a.why(present[j], advised[j], j)))
	}
	for k, uncut := range a.Advised.Uncut {
		if uncut {
			j := a.Advised.Order[k]
			lines = append(lines, fmt.Sprintf("do not cut between %s and %s: then no bare edge starts, which saves %s",
				a.before(&a.Advised, k), a.name(j), a.Problem.Money(a.Problem.Jobs[j].BareCost)))
		}
	}
	return lines
}

// visit is one job in one plan.
type visit struct {
	place   int
	changes bool    // the roll is changed ahead of it
	late    float64 // s
	before  string  // what runs ahead of it
}

// byJob lists the visits of a plan by job.
func (p Plan) byJob() []visit {
	out := make([]visit, len(p.Order))
	for k, j := range p.Order {
		out[j].place = k
	}
	return out
}

func (a *Advice) visit(p *Plan, k int) visit {
	j := p.Order[k]
	v := visit{place: k, before: a.before(p, k)}
	stock := a.Problem.Start.Stock
	if k > 0 {
		stock = a.Problem.Jobs[p.Order[k-1]].Stock
	}
	v.changes = stock != a.Problem.Jobs[j].Stock
	if due, known := a.Problem.Jobs[j].DueS.Get(); known {
		v.late = max(0, p.EndS[k]-due)
	}
	return v
}

// why says what a run gains by its move.
func (a *Advice) why(was, is visit, j int) string {
	was, is = a.visit(&a.Present, was.place), a.visit(&a.Advised, is.place)
	switch {
	case was.changes && !is.changes:
		return fmt.Sprintf("%s is on by then, which saves a change of the roll", a.stockName(j))
	case was.late-is.late >= 60:
		return "it ends " + spell(was.late-is.late) + " less late"
	case is.late-was.late >= 60:
		return "others are due sooner, or dearer when late, although it ends " + spell(is.late-was.late) + " later than it is due"
	}
	return "it makes room for others"
}

func (a *Advice) stockName(j int) string {
	if s := a.Problem.Jobs[j].Stock; s != "" {
		return s
	}
	return "its stock"
}

func spell(s float64) string { return units.Span(time.Duration(s * float64(time.Second))) }

func (a *Advice) name(j int) string { return a.Problem.Jobs[j].Name }

// before names what runs ahead of a place.
func (a *Advice) before(p *Plan, k int) string {
	if k == 0 {
		return a.Problem.Start.Hangs
	}
	return a.name(p.Order[k-1])
}

// moved lists the jobs that leave their place: all that do not belong to the
// longest part of the order which still stands as it stood.
func moved(order []int) (out []int) {
	length, from, last := make([]int, len(order)), make([]int, len(order)), -1
	for k, j := range order {
		length[k], from[k] = 1, -1
		for i := range k {
			if order[i] < j && length[i] >= length[k] {
				length[k], from[k] = length[i]+1, i
			}
		}
		if last < 0 || length[k] > length[last] {
			last = k
		}
	}
	stays := make([]bool, len(order))
	for ; last >= 0; last = from[last] {
		stays[last] = true
	}
	for k, j := range order {
		if !stays[k] {
			out = append(out, j)
		}
	}
	return out
}
