package monthly

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

// summary is the first page.
func (p *writer) summary() section {
	s := section{ID: "summary", Title: p.Say("report.summary")}
	f := &p.r.Front
	s.Blocks = append(s.Blocks, block{Keys: []key{
		{p.Say("report.key.strikes"), p.count(f.Strikes).Text, p.fewStrikes(f.Strikes)},
		{Name: p.Say("report.key.starts"), Value: p.count(f.Starts).Text},
		p.plain("report.key.between", f.StartsBetween),
		{p.Say("report.key.waste"), p.number(f.WasteM2, 1) + " m²", prose{Text: p.cost(f.WasteCost)}},
		{Name: p.Say("report.key.reprints"), Value: p.count(f.Reprints).Text},
		p.prevented(&f.Prevented),
	}})
	s.say(p.comparison(p.Say("report.before"), f.Before))
	s.quote(p.how(&f.Prevented))
	if len(f.Next) > 0 {
		s.Blocks = append(s.Blocks, block{Steps: p.next(f.Next)})
	} else {
		s.say(p.Say("report.nothing-to-do"))
	}
	return s
}

// fewStrikes warns of rates from few strikes where they are first counted.
func (p *writer) fewStrikes(n uint64) prose {
	if n >= few {
		return prose{}
	}
	return prose{Text: p.Say("report.few-strikes")}
}

// plain writes an estimate for those who do not read intervals: the figure
// large, and beside it in words what it may be as well.
func (p *writer) plain(name string, e reliability.Estimate) key {
	k := key{Name: p.Say(name), Value: p.rough(e.Value), Note: p.said(e.Words)}
	switch {
	case !e.Value.Known() && e.Low.Known():
		k.Value = p.Say("report.at-least", p.rough(e.Low))
	case e.Value.Known() && e.Low.Known() && e.High.Known():
		k.Note = p.after(p.Say("report.range", p.rough(e.Low), p.rough(e.High)), k.Note)
	}
	return k
}

// after puts a note behind a text of the reader's language.
func (p *writer) after(text string, note prose) prose {
	if note.Text != "" {
		note.Text = text + "; " + note.Text
		return note
	}
	return prose{Text: text}
}

// prevented gives no figure the look of a result that is none, and nobody fewer
// strikes than none: an interval that reaches zero says that nothing can be told.
func (p *writer) prevented(e *reliability.Prevented) key {
	notNegative := func(m units.Maybe) string { return p.rough(units.Some(max(0, m.Or(0)))) }
	low, known := e.Low.Get()
	switch {
	case !e.Value.Known():
		return key{Name: p.Say("report.key.prevented"), Value: p.Say("report.not-estimated")}
	case e.Starts == 0:
		return key{p.Say("report.key.prevented"), "0", prose{Text: p.Say("report.prevented.none")}}
	case known && low <= 0:
		return key{p.Say("report.key.prevented"), p.Say("report.too-few"), prose{Text: p.Say("report.prevented.too-few", notNegative(e.Value), notNegative(e.High))}}
	}
	k := p.plain("report.key.prevented", e.Estimate)
	k.Value = p.Say("report.about", k.Value)
	return k
}

// how says how strikes prevented were estimated, with an example.
func (p *writer) how(e *reliability.Prevented) prose {
	switch {
	case !e.Value.Known():
		return sentence(p.said(e.How))
	case e.Starts == 0:
		return prose{} // the figure has said it
	}
	out := sentence(p.said(e.How))
	out.Text += " " + p.Say("report.prevented.example")
	return out
}

func (p *writer) next(steps []reliability.Step) (list []thing) {
	for _, step := range steps {
		t := thing{Title: p.said(step.Title), Reason: sentence(p.said(step.Reason)), Saving: p.Say("report.saving.unknown")}
		if step.Saving != nil {
			t.Saving = p.Say("report.saving", p.money(step.Saving))
			if p.r.Running {
				t.Saving = p.Say("report.saving.running", p.money(step.Saving))
			}
		}
		if step.Strikes.Known() {
			t.Saving += ", " + p.Say("report.saving.strikes", p.rough(step.Strikes))
		}
		list = append(list, t)
	}
	return list
}

// comparison says what the strikes per start of two spans tell.
func (p *writer) comparison(name string, c reliability.Comparison) string {
	out := name + " " + p.said(c.Words).Text
	if c.Ratio.Value.Known() {
		out += ". " + p.Say("report.ratio", p.estimate(c.Ratio), p.maybe(c.P))
	}
	return out + "."
}

// tally is a row of strikes over starts.
type tally struct {
	name            string
	strikes, starts uint64
}

// perThousand is strikes per 1 000 starts with the exact Poisson interval of the
// strikes.
func (t *tally) perThousand() reliability.Estimate {
	if t.starts == 0 {
		return reliability.Estimate{}
	}
	i, scale := reliability.Garwood(t.strikes, reliability.Confidence), 1000/float64(t.starts)
	return reliability.Estimate{
		Value: units.Some(float64(t.strikes) * scale), Low: units.Some(i.Low * scale), High: units.Some(i.High * scale), Words: t.words(),
	}
}

// few is below how many strikes a rate is called uncertain: its interval then
// spans more than a factor of seven.
const few = 5

func (t *tally) words() string {
	if t.strikes < few {
		return reliability.TooFew
	}
	return ""
}

// byMachine, byClass and byTreatment lay the strikes and starts out.

func (p *writer) byMachine() (list []tally) {
	for _, m := range p.r.Machines {
		list = append(list, tally{m.Site + "/" + m.Machine, m.Strikes, m.Starts})
	}
	return list
}

func (p *writer) byClass() (list []tally) {
	for _, c := range event.Classes {
		list = append(list, p.kinds(p.Name("class", string(c), string(c)), func(o *reliability.Outcome) bool { return o.Class == c }))
	}
	return slices.DeleteFunc(list, tally.empty)
}

func (p *writer) byTreatment() (list []tally) {
	for _, code := range append(slices.Clone(floor.Treatments), "unknown") {
		list = append(list, p.kinds(p.treatment(code), func(o *reliability.Outcome) bool { return o.Treatment == code }))
	}
	return slices.DeleteFunc(list, tally.empty)
}

func (p *writer) kinds(name string, has func(*reliability.Outcome) bool) tally {
	t := tally{name: name}
	for i := range p.r.Kinds {
		if o := &p.r.Kinds[i]; has(o) {
			t.strikes, t.starts = t.strikes+o.Strikes, t.starts+o.Starts
		}
	}
	return t
}

func (t tally) empty() bool { return t.strikes+t.starts == 0 }

// strikes says how often heads were struck, where, and what changed that.
func (p *writer) strikes() section {
	s := section{ID: "strikes", Title: p.Say("report.strikes")}
	s.say(p.Say("report.strikes.intro"))
	for _, by := range []struct {
		title, column string
		list          []tally
	}{
		{p.Say("report.by-machine"), "machine", p.byMachine()},
		{p.Say("report.by-class"), "class", p.byClass()},
		{p.Say("report.by-treatment"), "treatment", p.byTreatment()},
	} {
		t := p.table(by.title, by.column, "#starts", "#strikes", "#per-thousand", "worth")
		var rows []span
		for _, k := range by.list {
			e := k.perThousand()
			t.row(text(k.name), p.count(k.starts), p.count(k.strikes), text(p.estimate(e)), p.words(e.Words))
			rows = append(rows, spanOf(k.name, p.Say("report.of-starts", k.strikes, k.starts), e))
		}
		s.draw(p.intervals(by.title, p.Say("report.chart.intervals"), p.Say("report.col.per-thousand"), rows), t)
	}
	p.showMonths(&s)
	p.showChanges(&s)
	p.listStrikes(&s)
	return s
}

// spanOf is a row of a chart for an estimate.
func spanOf(label, text string, e reliability.Estimate) span {
	nan := math.NaN()
	return span{label: label, text: text, value: e.Value.Or(nan), low: e.Low.Or(nan), high: e.High.Or(nan), said: nan}
}

func (p *writer) showMonths(s *section) {
	t := p.table(p.Say("report.by-month"), "month", "#starts", "#strikes", "#per-thousand", "#printed", "#waste", "cost", "#reprints", "#annunciations")
	var rows []span
	months := p.r.Months
	for _, m := range months {
		name := MonthOf(m.From, p.Zone).String()
		k := tally{name, m.Strikes, m.Starts}
		e := k.perThousand()
		t.row(text(name), p.count(m.Starts), p.count(m.Strikes), text(p.estimate(e)), p.value(m.PrintedM2, 1), p.value(m.WasteM2, 1),
			text(p.cost(m.WasteCost)), p.count(m.Reprints), p.count(m.Annunciations))
		rows = append(rows, spanOf(name, p.Say("report.of-starts", m.Strikes, m.Starts), e))
	}
	rows = rows[max(0, len(rows)-13):]
	if len(months) > 1 {
		s.draw(p.intervals(t.Title, p.Say("report.chart.intervals"), p.Say("report.col.per-thousand"), rows), t)
	}
}

func (p *writer) showChanges(s *section) {
	t := p.table(p.Say("report.changes"), "change", "where", "since", "#before", "#after", "#ratio", "worth")
	for _, c := range p.r.Changes {
		where := c.Site
		if c.Machine != event.AnyMachine {
			where += "/" + c.Machine
		}
		t.row(text(c.Label), text(where), text(p.moment(c.Since)), text(p.Say("report.of-starts", c.Effect.BeforeStrikes, c.Effect.BeforeStarts)),
			text(p.Say("report.of-starts", c.Effect.Strikes, c.Effect.Starts)), text(p.estimate(c.Effect.Ratio)), p.words(c.Effect.Words))
	}
	s.show(t)
}

func (p *writer) listStrikes(s *section) {
	t := p.table(p.Say("report.each-strike"), "when", "machine", "job", "class", "treatment", "warned", "down", "note")
	for _, k := range p.r.Strikes {
		warned := p.Say("report.no")
		if k.Warned {
			warned = p.Say("report.yes")
		}
		t.row(text(p.moment(k.At)), text(k.Site+"/"+k.Machine), text(event.JobName(k.Job, k.Part)), text(p.Name("class", string(k.Class), string(k.Class))),
			text(p.treatment(k.Treatment)), text(warned), text(p.span(k.DownS)+" ("+p.Name("report.down", k.DownBy, k.DownBy)+")"), text(k.Note))
	}
	s.show(t)
}

// trend says whether strikes become rarer.
func (p *writer) trend() section {
	s := section{ID: "trend", Title: p.Say("report.trend")}
	t := &p.r.Trend
	s.say(p.Say("report.trend.says", t.Strikes, t.Starts) + " " + p.said(t.Words).Text + ".")
	told := t.Words != reliability.TooFew
	switch {
	case !told:
		s.say(p.Say("report.trend.too-few"))
	case t.Fits:
		s.say(p.Say("report.trend.fits"))
	default:
		s.say(p.Say("report.trend.fits-not"))
	}
	p.showStrikes(&s, told)
	if !told {
		return s
	}
	figures := p.table(p.Say("report.trend.figures"), "figure", "#value", "meaning")
	figures.row(text("β"), text(p.estimate(t.Beta)), text(p.Say("report.trend.beta")))
	figures.row(text("λ"), text(p.maybe(t.Lambda)), text(p.Say("report.trend.lambda")))
	figures.row(text(p.Say("report.key.between")), text(p.estimate(t.Between)), text(p.Say("report.trend.between")))
	figures.row(text("Cramér-von Mises"), text(p.maybe(t.Cramer)), text(p.Say("report.trend.cramer", p.maybe(t.CramerLimit))))
	s.show(figures)
	return s
}

// showStrikes draws strikes over starts, with the model's curve if it tells
// anything.
func (p *writer) showStrikes(s *section, model bool) {
	t := &p.r.Trend
	columns, legend := []string{"date", "#at-start", "#strikes"}, "report.chart.growth"
	g := growth{end: float64(t.Starts - t.SinceStart), strikes: float64(t.Strikes)}
	if model {
		columns, legend = append(columns, "#expected"), "report.chart.growth-model"
		g.beta, g.lambda = t.Beta.Value.Or(0), t.Lambda.Or(0)
	}
	list := p.table(p.Say("report.chart.growth.title"), columns...)
	for _, q := range t.Points {
		at := cell{prose{Text: p.number(q.Starts+0.5, 0)}, units.Some(q.Starts + 0.5)}
		row := []cell{text(p.date(q.At)), at, p.count(uint64(q.Strikes))}
		if model {
			row = append(row, cell{prose{Text: p.maybe(q.Model)}, q.Model})
		}
		list.row(row...)
		g.points = append(g.points, [2]float64{q.Starts, float64(q.Strikes)})
	}
	s.draw(p.growth(list.Title, p.Say(legend), g), list)
}

// fewPoints is from how many on a control chart is drawn: a value from judgement.
const fewPoints = 5

// charts are the control charts. Those of hardly a point are named only.
func (p *writer) charts() section {
	s := section{ID: "charts", Title: p.Say("report.charts")}
	if len(p.r.Charts) == 0 {
		return s
	}
	s.say(p.Say("report.charts.intro"))
	var left []string
	for i := range p.r.Charts {
		if c := &p.r.Charts[i]; len(c.Points) >= fewPoints {
			p.showChart(&s, c)
		} else {
			left = append(left, p.Name("report.chart", c.Name+".title", c.Title))
		}
	}
	if len(left) > 0 {
		s.say(p.Say("report.charts.left", fewPoints, strings.Join(left, ", ")))
	}
	return s
}

func (p *writer) showChart(s *section, c *reliability.Series) {
	title := p.Name("report.chart", c.Name+".title", c.Title)
	unit := p.Name("report.chart", c.Name+".unit", c.Unit)
	words := p.said(c.Words).Text
	t := p.table(title, "date", "#value", "#low", "#high", "beyond")
	var points []plotted
	for _, q := range c.Points {
		beyond := ""
		if q.Beyond {
			beyond = p.Say("report.yes")
		}
		t.row(text(q.Label), cell{prose{Text: p.brief(q.Value)}, units.Some(q.Value)}, cell{prose{Text: p.brief(q.Low)}, units.Some(q.Low)},
			cell{prose{Text: p.brief(q.High)}, units.Some(q.High)}, text(beyond))
		points = append(points, plotted{q.Label, q.Value, q.Low, q.High, q.Beyond})
	}
	s.draw(p.control(title, words, unit, c.Center, points), t)
	s.say(p.Name("report.chart", c.Name+".text", "") + " " + p.Say("report.chart.here", words))
}

// or writes a dash for what is not there.
func or(text string) string { return cmp.Or(text, "–") }
