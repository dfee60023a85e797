package queue

import (
	"fmt"

	"rollwarden/rules/units"
)

const (
	formula     = "money = bare edges + changes of the roll + hours late × price of an hour, in expectation"
	exactSource = "dynamic programming over the sets of runs done (Held and Karp 1962), with every way kept that another does not beat in money, time and cutting"
	longSource  = "dispatching by apparent tardiness cost (Lee, Bhaskaran and Pinedo 1997), then moves and swaps of runs until none helps"
	boundSource = "one change for each stock that is not on, one bare start for each run that cannot hang on to another, and the cheapest assignment of runs to places with the shortest runs ahead of each"
)

// Explain lists inputs, formula, result, what is uncertain, and the method.
func (a *Advice) Explain() units.Explanation {
	e := units.Explanation{Title: "How the order of the queue was chosen"}
	p, now, then := &a.Problem, &a.Present, &a.Advised
	e.Add("formula", formula, "the order as it is now counts with a cut after every run")
	e.Add("the machine is free", when(p.Start.FreeS), a.standing())
	e.Add("a change of the roll", spell(p.ChangeS), "a fresh roll counts as "+p.Display.Long(p.RollM))
	for i := range p.Jobs {
		e.Add(p.Jobs[i].Name, p.Jobs[i].inputs(p), p.Jobs[i].unknown())
	}
	for _, g := range a.kept() {
		e.Add(g.first.Name, "stays behind the others", g.first.Why)
		if g.more > 0 {
			e.Add(fmt.Sprintf("and %d more", g.more), "stay behind the others", g.first.Why)
		}
	}
	e.Add("bare edges", p.compare(now.Bare, then.Bare), fmt.Sprintf("starts: %d, advised %d", now.BareStarts, then.BareStarts))
	e.Add("changes of the roll", p.compare(now.Change, then.Change), fmt.Sprintf("changes: %d, advised %d", now.RollChanges, then.RollChanges))
	e.Add("lateness", p.compare(now.Late, then.Late), fmt.Sprintf("runs late: %d, advised %d", now.LateRuns, then.LateRuns))
	e.Add("in all", p.compare(now.Cost(), then.Cost()), "the advice saves "+p.Money(a.Saves()))
	if a.Exact {
		e.Add("certainty", "no order costs less", exactSource)
	} else {
		e.Add("certainty", fmt.Sprintf("no order costs less than %s, so at most %s more could be saved", p.Money(a.Bound), p.Money(a.Gap())), boundSource)
		e.Add("method", longSource, "")
	}
	return e
}

func (p *Problem) compare(now, then float64) string {
	return p.Money(now) + " now, " + p.Money(then) + " advised"
}

// standing says what is on the machine.
func (a *Advice) standing() string {
	s := &a.Problem.Start
	if s.Stock == "" {
		return "what is loaded is not known, so the first run needs a change of the roll"
	}
	text := s.Stock + " is on"
	if left, known := s.LeftM.Get(); known {
		text += " with " + a.Problem.Display.Long(left) + " left"
	} else {
		text += "; how much is left is not known, so nothing on it is advised to stay uncut"
	}
	switch {
	case s.Clear:
		text += ", its edge past the cure zone"
	case s.Hangs != "":
		text += ", with " + s.Hangs + " on it"
	}
	return text
}

// inputs says what is known of a job.
func (j *Job) inputs(p *Problem) string {
	text := j.Stock + ", " + p.Display.Long(j.LengthM) + ", " + spell(j.TakesS)
	if j.ReleaseS > 0 {
		text += ", not before " + when(j.ReleaseS)
	}
	if due, known := j.DueS.Get(); known {
		text += fmt.Sprintf(", due %s or %s an hour", when(due), p.Money(j.LatePerHour))
	}
	text += ", bare edge " + p.Money(j.BareCost) + ", change " + p.Money(j.ChangeCost)
	if j.Fixed {
		text += ", keeps its place because a person gave it"
	}
	return text
}

// unknown says what follows from what is not known of a job.
func (j *Job) unknown() string {
	switch {
	case !j.DueS.Known() && !j.HoldS.Known():
		return "when it is due is not known: it counts as never late, and must be cut off at once"
	case !j.DueS.Known():
		return "when it is due is not known: it counts as never late"
	case !j.HoldS.Known():
		return "until when it may hang uncut is not known: it must be cut off at once"
	}
	return ""
}

// when says a moment, in s from now.
func when(s float64) string {
	switch {
	case s > 0:
		return "in " + spell(s)
	case s < 0:
		return spell(-s) + " ago"
	}
	return "now"
}
