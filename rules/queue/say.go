package queue

import (
	"fmt"
	"slices"

	"rollwarden/rules/units"
)

// changes says in one line each what the advice changes and why: runs that
// move, and cuts that are left out.
func (a *Advice) changes() (lines []string) {
	moves, named := moved(a.Advised.Order), map[int]bool{}
	for _, j := range moves {
		named[j] = a.gain(j) != "" // its own line says so
	}
	for _, j := range moves {
		is := slices.Index(a.Advised.Order, j)
		if is == j { // what was ahead of it is behind it now, and as much the other way round
			lines = append(lines, fmt.Sprintf("run %s behind %s, still as number %d", a.name(j), a.before(&a.Advised, is), is+1))
			continue
		}
		lines = append(lines, fmt.Sprintf("run %s as number %d instead of %d: %s", a.name(j), is+1, j+1, a.why(j, named)))
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
	changes bool    // the roll is changed ahead of it
	late    float64 // s
}

func (a *Advice) visit(p *Plan, j int) visit {
	k := slices.Index(p.Order, j)
	stock := a.Problem.Start.Stock
	if k > 0 {
		stock = a.Problem.Jobs[p.Order[k-1]].Stock
	}
	v := visit{changes: stock != a.Problem.Jobs[j].Stock}
	if due, known := a.Problem.Jobs[j].DueS.Get(); known {
		v.late = max(0, p.EndS[k]-due)
	}
	return v
}

// why says what a move gains: for the run itself, else for the first run that gains
// by it and was not named yet. Many moves make room for one gain, and only one of them
// is told to be for it.
func (a *Advice) why(j int, named map[int]bool) string {
	if gain := a.gain(j); gain != "" {
		return gain
	}
	for _, other := range a.Advised.Order {
		if gain := a.gain(other); gain != "" && !named[other] {
			named[other] = true
			return "so " + a.name(other) + " gains: " + gain
		}
	}
	return "together with the other moves it costs less"
}

// gain says what the advice does for one run; empty when that is nothing.
func (a *Advice) gain(j int) string {
	was, is := a.visit(&a.Present, j), a.visit(&a.Advised, j)
	switch {
	case was.changes && !is.changes:
		return a.Problem.Jobs[j].Stock + " is on by then, which saves a change of the roll"
	case was.late-is.late >= 60:
		return "it ends " + spell(was.late-is.late) + " less late"
	}
	return ""
}

func spell(s float64) string { return units.Span(units.Seconds(s)) }

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

// Kept says in one line each which runs no advice is given on, and why. Of those that
// stand behind one another for one reason the first is named and the others are counted.
func (a *Advice) Kept() (lines []string) {
	for _, g := range a.kept() {
		lines = append(lines, fmt.Sprintf("%s stays where it is: %s", g.first.Name, g.first.Why))
		if g.more > 0 {
			lines = append(lines, fmt.Sprintf("and %d more: %s", g.more, g.first.Why))
		}
	}
	return lines
}

// alike are runs set aside for one reason.
type alike struct {
	first Aside
	more  int // behind it
}

func (a *Advice) kept() (groups []alike) {
	for _, s := range a.Aside {
		if last := len(groups) - 1; last >= 0 && groups[last].first.Why == s.Why {
			groups[last].more++
		} else {
			groups = append(groups, alike{first: s})
		}
	}
	return groups
}
