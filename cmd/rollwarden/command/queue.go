package command

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hint"
	"rollwarden/rules/queue"
	"rollwarden/rules/units"
	"rollwarden/watcher/journal"
)

type queueCommand struct {
	Machines []string `arg:"" optional:"" help:"Machines to show, as name or site/name; all of them when absent."`
	Explain  bool     `help:"Show what the advice was worked out from."`
	NATS     string   `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// Run prints the queue of each machine and the advice on it. It changes nothing.
func (q queueCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	site, err := cfg.Site()
	if err != nil {
		return err
	}
	view, err := q.view(e, cfg, site)
	if err != nil {
		return err
	}
	machines, err := q.chosen(view.Floor, cfg)
	if err != nil {
		return usageError{err}
	}
	s := sheet{Writer: e.out, reader: rules.Read(site, view), now: view.At, twelve: site.Display.Clock12, explain: q.Explain}
	for i, m := range machines {
		if i > 0 {
			fmt.Fprintln(s)
		}
		if err := s.machine(m); err != nil {
			return err
		}
	}
	return nil
}

// view folds the journal as it is now. Judging makes the engine learn the odds;
// what it returns is the running watch's to say.
func (q queueCommand) view(e *env, cfg *config.Config, site rules.Site) (*rules.View, error) {
	zone, err := cfg.Location()
	if err != nil {
		return nil, err
	}
	b, err := replayCommand{NATS: q.NATS}.open(e.ctx, cfg)
	if err != nil {
		return nil, err
	}
	defer func() {
		end, cancel := context.WithTimeout(context.Background(), sendWithin)
		defer cancel()
		b.Close(end)
	}()
	j, err := journal.Look(e.ctx, b.JetStream(), cfg.JournalOptions(zerolog.Nop()))
	if err != nil {
		return nil, err
	}
	engine := rules.New(site)
	err = j.Read(e.ctx, 1, 0, "", func(m journal.Entry) error {
		ev, err := event.Decode(m.Message)
		if err != nil {
			engine.Refuse(m.Seq, m.Stored, m.Subject, err)
			return nil
		}
		engine.Apply(m.Seq, ev)
		return nil
	})
	if err != nil {
		return nil, err
	}
	now := time.Now().In(zone)
	engine.Judge(now)
	return engine.View(now), nil
}

// chosen lists the machines to show.
func (q queueCommand) chosen(f *floor.State, cfg *config.Config) (out []*floor.Machine, err error) {
	all := f.Sorted()
	if len(q.Machines) == 0 {
		return all, nil
	}
	for _, name := range q.Machines {
		found := slices.DeleteFunc(slices.Clone(all), func(m *floor.Machine) bool { return name != m.Name && name != floor.Key(m.Site, m.Name) })
		if len(found) == 0 {
			names := machineNames(cfg)
			return nil, fmt.Errorf("nothing was heard of a machine %q%s (want one of %s)", name, hint.DidYouMean(name, names), strings.Join(names, ", "))
		}
		out = append(out, found...)
	}
	return out, nil
}

// sheet prints queues as they are at a moment, with times in that moment's zone.
type sheet struct {
	io.Writer
	reader  rules.Reader
	now     time.Time
	twelve  bool // times of day with a.m. and p.m.
	explain bool
}

func (s sheet) machine(m *floor.Machine) error {
	fmt.Fprintf(s, "%s/%s", m.Site, m.Name)
	if m.Run != nil {
		fmt.Fprintf(s, ", running %s since %s", event.JobName(m.Run.Job, m.Run.Part), s.clock(m.Run.Started))
	}
	fmt.Fprintln(s)
	a, queued := s.reader.QueueAdvice(s.now, m.Site, m.Name, queue.DefaultPrices())
	if !queued {
		_, err := fmt.Fprintln(s, "  nothing is queued")
		return err
	}
	table := tabwriter.NewWriter(s, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  \trun\tstarts\tnine of ten between\ttakes\tdue")
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
	return s.explanation(a.Explain())
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
		return s.clock(slot.Early) + " and nobody can tell"
	}
	return s.clock(slot.Early) + " and " + s.clock(slot.Late)
}

func takes(slot rules.Slot) string {
	v, known := slot.TakesS.Get()
	if !known {
		return "unknown"
	}
	return fmt.Sprintf("%s (%s to %s)", span(v), span(slot.LowS.Or(v)), span(slot.HighS.Or(v)))
}

func span(s float64) string { return units.Span(time.Duration(s * float64(time.Second))) }

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
		form = "3:04 pm"
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
	for _, aside := range a.Aside {
		fmt.Fprintf(s, "    %s stays where it is: %s\n", aside.Name, aside.Why)
	}
}

func (s sheet) explanation(e units.Explanation) error {
	fmt.Fprintf(s, "  %s\n", e.Title)
	table := tabwriter.NewWriter(s, 0, 0, 2, ' ', 0)
	for _, l := range e.Lines {
		fmt.Fprintln(table, strings.TrimRight(fmt.Sprintf("    %s\t%s\t%s", l.Name, l.Value, l.Note), "\t"))
	}
	return table.Flush()
}
