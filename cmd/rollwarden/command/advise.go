package command

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/units"
)

type adviseCommand struct{ look }

// Run prints, for the next start on each machine, which remedy pays and whether
// the recipe suits film, ink and cutter. It changes nothing.
func (a adviseCommand) Run(e *env) error {
	there, err := a.at(e)
	if err != nil {
		return err
	}
	if e.json {
		return there.tell(e)
	}
	if len(there.machines) == 0 {
		return there.empty(e.out)
	}
	p := counsel{Writer: e.out, scene: there, reader: rules.Read(there.site, there.view), explain: a.Explain}
	for i, m := range there.machines {
		if i > 0 {
			fmt.Fprintln(p)
		}
		if err := p.machine(m); err != nil {
			return err
		}
	}
	return nil
}

// counsel prints what to do at each machine.
type counsel struct {
	io.Writer
	scene
	reader  rules.Reader
	explain bool
}

func (p counsel) machine(m *floor.Machine) error {
	fmt.Fprintf(p, "%s/%s", m.Site, m.Name)
	d, any := p.reader.Decide(p.view.At, m.Site, m.Name)
	if !any {
		fmt.Fprintln(p, "\n  nothing runs and nothing is queued")
	} else if err := p.decision(&d); err != nil {
		return err
	}
	h, any := p.reader.Heat(p.view.At, m.Site, m.Name)
	if !any {
		return nil
	}
	p.heat(&h)
	if !p.explain {
		return nil
	}
	for _, e := range h.Explain(p.site.Display) {
		if err := explain(p, e); err != nil {
			return err
		}
	}
	return nil
}

func (p counsel) decision(d *remedy.Decision) error {
	fmt.Fprintf(p, ", %s (%s)\n  %s\n", event.JobName(d.Job, d.Part), d.Phase, d.Why())
	if err := p.options(d); err != nil {
		return err
	}
	fmt.Fprintln(p, "  a person decides and acts; the machine's manual comes first")
	if !p.explain {
		return nil
	}
	for _, section := range d.Explain().Sections {
		if err := explain(p, section); err != nil {
			return err
		}
	}
	return nil
}

// options prints the remedies as a table, and below it those that cannot be taken:
// among the others their reasons would widen a column that holds prices.
func (p counsel) options(d *remedy.Decision) error {
	table := tabwriter.NewWriter(p, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  \tremedy\tcosts\todds of a strike left\twith that risk\tsurely cheapest")
	var not []string
	for i := range d.Options {
		o := &d.Options[i]
		if o.WhyNot != "" {
			not = append(not, fmt.Sprintf("  not now: %s, %s", o.Code, o.WhyNot))
			continue
		}
		mark := ""
		if i == d.Best && d.Holds {
			mark = ">"
		}
		fmt.Fprintf(table, "  %s\t%s\t%s\t%.1f %% (%.1f to %.1f %%)\t%s\t%s\n", mark, o.Code, price(o),
			100*o.Odds.P, 100*o.Odds.Low, 100*o.Odds.High, expected(o), sure(o))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for _, line := range not {
		fmt.Fprintln(p, line)
	}
	return nil
}

func price(o *remedy.Option) string {
	if o.Cost.Lacks != "" {
		return "price of " + o.Cost.Lacks + " not known"
	}
	return o.Cost.Total.Number() + " " + o.Cost.Total.CurrencyCode()
}

func expected(o *remedy.Option) string {
	if !o.Open() {
		return "unknown"
	}
	e := o.Expected.Round()
	return e.Number() + " " + e.CurrencyCode()
}

// sure is how likely an option is the cheapest. What has no price was not weighed.
func sure(o *remedy.Option) string {
	if !o.Open() {
		return "unknown"
	}
	return remedy.Certainty(o.Sure)
}

// heat prints whether the recipe suits film, ink and cutter, in two lines.
func (p counsel) heat(h *rules.Heat) {
	show := p.site.Display
	film := cmp.Or(h.Film.Stock, string(h.Film.Class))
	if h.Residual == nil {
		fmt.Fprintf(p, "  register of %s: unknown, for cure or mark spacing is\n", film)
	} else {
		fmt.Fprintf(p, "  register of %s: %.2f mm (%s) between the marks, of %.2f mm allowed\n", film, h.Residual.Value, within(h.Residual), h.ToleranceMM)
	}
	switch b := h.Band; {
	case b == nil:
		fmt.Fprintln(p, "  cure: unknown, for the passes or the machine's feed are")
	default:
		fmt.Fprintf(p, "  cure at %.0f passes: %s\n", b.Passes, window(b, show, h.CureC))
	}
}

// within is how far off an estimate may be.
func within(e *register.Estimate) string {
	low, known := e.Low.Get()
	if !known {
		return "nobody has measured how far off that may be"
	}
	return fmt.Sprintf("%.2f to %.2f", low, e.High.Or(low))
}

// window says what temperatures suit a number of passes, and whether the
// recipe's is among them.
func window(b *plant.Band, show units.Display, cure units.Maybe) string {
	if !b.Safe() {
		return "no temperature suits: what cures the ink is too hot for the film or the register"
	}
	text := fmt.Sprintf("%s to %s suit ink, film and register", show.Temp(b.LowC), show.Temp(b.HighC))
	c, known := cure.Get()
	switch {
	case !known:
		return text + "; the recipe's is unknown"
	case b.TooCold(c):
		return text + "; the recipe's " + show.Temp(c) + " is too cold"
	case b.TooHot(c):
		return text + "; the recipe's " + show.Temp(c) + " is too hot"
	}
	return text + "; the recipe's " + show.Temp(c) + " is among them"
}

// explain prints an explanation as a table.
func explain(w io.Writer, e units.Explanation) error {
	fmt.Fprintf(w, "  %s\n", e.Title)
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range e.Lines {
		note := strings.Trim(l.Note+"; "+l.Source, "; ")
		fmt.Fprintln(table, strings.TrimRight(fmt.Sprintf("    %s\t%s\t%s", l.Name, l.Value, note), "\t"))
	}
	return table.Flush()
}
