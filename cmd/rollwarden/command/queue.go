package command

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/queue"
	"rollwarden/rules/units"
)

type queueCommand struct{ look }

// Run prints the queue of each machine and the advice on it. It changes nothing.
func (q queueCommand) Run(e *env) error {
	there, err := q.at(e)
	if err != nil {
		return err
	}
	if e.json {
		return there.tell(e)
	}
	if len(there.machines) == 0 {
		return there.empty(e.out)
	}
	prices, err := there.cfg.QueuePrices()
	if err != nil {
		return err
	}
	s := sheet{Writer: e.out, reader: rules.Read(there.site, there.view), now: there.view.At, prices: prices, twelve: there.site.Display.Clock12, explain: q.Explain}
	for i, m := range there.machines {
		if i > 0 {
			fmt.Fprintln(s)
		}
		if err := s.machine(m); err != nil {
			return err
		}
	}
	return nil
}

// sheet prints queues as they are at a moment, with times in that moment's zone.
type sheet struct {
	io.Writer
	reader  rules.Reader
	now     time.Time
	prices  queue.Prices
	twelve  bool // times of day with a.m. and p.m.
	explain bool
}

func (s sheet) machine(m *floor.Machine) error {
	fmt.Fprintf(s, "%s/%s", m.Site, m.Name)
	if m.Run != nil {
		fmt.Fprintf(s, ", running %s since %s", event.JobName(m.Run.Job, m.Run.Part), s.clock(m.Run.Started))
	}
	fmt.Fprintln(s)
	a, queued := s.reader.QueueAdvice(s.now, m.Site, m.Name, s.prices)
	if !queued {
		_, err := fmt.Fprintln(s, "  nothing is queued")
		return err
	}
	table := tabwriter.NewWriter(s, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  \trun\tstarts\tnine of ten\ttakes\tdue")
	for i, slot := range s.reader.Schedule(s.now, m.Site, m.Name) {
		fmt.Fprintf(table, "  %d\t%s\t%s\t%s\t%s\t%s\n", i+1, event.JobName(slot.Run.Job, slot.Run.Part), s.starts(slot), s.between(slot), takes(slot), s.due(slot.Run))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	s.advice(&a)
	if !s.explain {
		return nil
	}
	return explain(s, a.Explain())
}

func (s sheet) starts(slot rules.Slot) string {
	if slot.Expected.IsZero() {
		return "any moment"
	}
	return s.clock(slot.Expected)
}

func (s sheet) between(slot rules.Slot) string {
	switch {
	case slot.Expected.IsZero():
		return "unknown"
	case slot.Late.IsZero():
		return s.clock(slot.Early) + " or later"
	}
	return s.clock(slot.Early) + " to " + s.clock(slot.Late)
}

func takes(slot rules.Slot) string {
	v, known := slot.TakesS.Get()
	if !known {
		return "unknown"
	}
	return fmt.Sprintf("%s (%s to %s)", span(v), span(slot.LowS.Or(v)), span(slot.HighS.Or(v)))
}

func span(s float64) string { return units.Span(units.Seconds(s)) }

func (s sheet) due(r *floor.Run) string {
	if r.Ticket == nil || r.Ticket.Data.Due == nil {
		return "unknown"
	}
	return s.clock(*r.Ticket.Data.Due)
}

// clock is a time of day, with its date when that is not today's.
func (s sheet) clock(t time.Time) string {
	t = t.In(s.now.Location())
	form := "15:04"
	if s.twelve {
		form = "3:04 PM"
	}
	if t.Format(time.DateOnly) != s.now.Format(time.DateOnly) {
		form = time.DateOnly + " " + form
	}
	return t.Format(form)
}

// advice prints what the advice changes and the parts of the money.
func (s sheet) advice(a *queue.Advice) {
	p, now, then := &a.Problem, &a.Present, &a.Advised
	switch {
	case len(p.Jobs) == 0:
		fmt.Fprintln(s, "  no advice")
	case len(a.Changes) == 0:
		fmt.Fprintf(s, "  advice: keep the order; it costs %s in expectation\n", p.Money(now.Cost()))
	default:
		fmt.Fprintf(s, "  advice: saves %s in expectation, %s instead of %s\n", p.Money(a.Saves()), p.Money(then.Cost()), p.Money(now.Cost()))
	}
	for _, line := range a.Changes {
		fmt.Fprintln(s, "    -", line)
	}
	if len(p.Jobs) > 0 {
		fmt.Fprintf(s, "    bare edges %s, now %s; changes of the roll %s, now %s; lateness %s, now %s\n", p.Money(then.Bare), p.Money(now.Bare),
			p.Money(then.Change), p.Money(now.Change), p.Money(then.Late), p.Money(now.Late))
	}
	if !a.Exact {
		fmt.Fprintf(s, "    a better order could save %s more at most\n", p.Money(a.Gap()))
	}
	for _, line := range a.Kept() {
		fmt.Fprintln(s, "   ", line)
	}
}
