package monthly

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

// document is a report laid out for people, in the words of one language. Every
// rendering for people is made from it.
type document struct {
	Lang, Title, Shop string
	Period            string // what it is of, in one line
	Notice            prose  // that the month is still running
	Sections          []section
	Adviser           string
}

type section struct {
	ID, Title string
	Blocks    []block
}

// block is one of its parts; the others are empty.
type block struct {
	Text  *prose
	Keys  []key
	Steps []thing
	Table *table
	Chart *drawing // Table holds its figures
}

// prose is a text of the rules, which may have stayed English.
type prose struct{ Text, Lang string }

// key is a figure that anyone must be able to find.
type key struct {
	Name, Value string
	Note        prose
}

// thing is one thing to do next.
type thing struct {
	Title, Reason prose
	Saving        string
}

type table struct {
	Title string
	Head  []column
	Rows  [][]cell
}

type column struct {
	Text   string
	Number bool
}

// cell is a text, with its number where it is a plain one.
type cell struct {
	prose
	Value units.Maybe
}

// SVG is for the template.
func (b block) SVG() template.HTML { return b.Chart.SVG() }

// writer finds the words and numbers of one report in one language.
type writer struct {
	web.Pen
	phrases *web.Phrases
	e       *Edition
	r       *reliability.Report
}

// lay lays an edition out.
func (p *Press) lay(e *Edition) *document {
	w := &writer{Pen: p.pen, phrases: p.phrases, e: e, r: &e.Report}
	d := &document{Lang: w.Lang, Title: w.title(), Shop: e.Shop, Period: w.period(), Adviser: w.Say("adviser")}
	if e.Report.Running {
		d.Notice = prose{Text: w.Say("report.running", w.moment(e.Report.Until))}
	}
	if i := slices.IndexFunc(e.Report.Quality, func(q reliability.Doubt) bool { return q.Code == reliability.LetGo }); i >= 0 {
		d.Notice.Text = strings.TrimSpace(d.Notice.Text + " " + w.Say("report.let-go", w.Number(strconv.FormatUint(e.Report.Quality[i].Count, 10))))
	}
	for _, s := range []func() section{
		w.summary, w.strikes, w.trend, w.charts, w.waste, w.machines, w.remedies, w.alarms, w.forecast, w.tickets, w.quality, w.method,
	} {
		if made := s(); len(made.Blocks) > 0 {
			d.Sections = append(d.Sections, made)
		}
	}
	return d
}

func (p *writer) title() string {
	title := p.Say("report.title", p.monthName(p.e.Month))
	if p.e.Site != "" {
		title += ", " + p.e.Site
	}
	return title
}

func (p *writer) monthName(m Month) string {
	return fmt.Sprintf("%s %d", p.Say("month."+strconv.Itoa(int(m.Month))), m.Year)
}

func (p *writer) period() string {
	return p.Say("report.period", p.moment(p.r.From), p.moment(p.r.Until), p.ZoneName())
}

// moment writes a time with its date, in the zone of the report.
func (p *writer) moment(t time.Time) string {
	layout := time.DateOnly + " 15:04"
	if p.Clock12 {
		layout = time.DateOnly + " 3:04 PM"
	}
	return t.In(p.Zone).Format(layout)
}

func (p *writer) date(t time.Time) string { return t.In(p.Zone).Format(time.DateOnly) }

// Numbers.

func (p *writer) number(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return p.Say("unknown")
	}
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return p.Number(text)
}

// brief writes a number with about three digits that matter.
func (p *writer) brief(v float64) string {
	a := math.Abs(v)
	switch {
	case a == 0 || a >= 100:
		return p.number(v, 0)
	case a >= 10:
		return p.number(v, 1)
	case a >= 1:
		return p.number(v, 2)
	}
	return p.number(v, min(6, 2-int(math.Floor(math.Log10(a)))))
}

// rough writes an estimate with the two digits that it carries at best; the table of
// figures and the answers to programs have them all.
func (p *writer) rough(m units.Maybe) string {
	v, known := m.Get()
	if !known || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return p.maybe(m)
	}
	digits := 1 - int(math.Floor(math.Log10(math.Abs(v))))
	scale := math.Pow10(digits)
	return p.number(math.Round(v*scale)/scale, min(6, max(0, digits)))
}

func (p *writer) percent(share float64, digits int) string { return p.number(100*share, digits) + " %" }

func (p *writer) share(m units.Maybe) string {
	v, known := m.Get()
	if !known {
		return p.Say("unknown")
	}
	return p.percent(v, 1)
}

func (p *writer) span(m units.Maybe) string {
	v, known := m.Get()
	if !known {
		return p.Say("unknown")
	}
	return p.Number(units.Span(time.Duration(v * float64(time.Second))))
}

func (p *writer) maybe(m units.Maybe) string {
	v, known := m.Get()
	if !known {
		return p.Say("unknown")
	}
	return p.brief(v)
}

// estimate writes a figure with its interval, by a way to write one number.
func estimate(p *writer, e reliability.Estimate, write func(float64) string) string {
	value, known := e.Value.Get()
	low, hasLow := e.Low.Get()
	high, hasHigh := e.High.Get()
	switch {
	case !known && hasLow:
		return p.Say("report.at-least", write(low))
	case !known:
		return p.Say("unknown")
	case hasLow && hasHigh:
		return p.Say("report.interval", write(value), write(low), write(high))
	case hasLow:
		return p.Say("report.from", write(value), write(low))
	}
	return write(value)
}

func (p *writer) estimate(e reliability.Estimate) string { return estimate(p, e, p.brief) }

func (p *writer) odds(e reliability.Estimate) string {
	return estimate(p, e, func(v float64) string { return p.percent(v, 1) })
}

func (p *writer) money(a *currency.Amount) string {
	if a == nil {
		return p.Say("unknown")
	}
	return p.Number(a.Number()) + " " + a.CurrencyCode()
}

// cost writes an amount, and what has no price beside it.
func (p *writer) cost(c reliability.Cost) string {
	switch {
	case c.Amount == nil && c.UnpricedM2 == 0:
		return "–"
	case c.UnpricedM2 == 0:
		return p.money(c.Amount)
	case c.Amount == nil:
		return p.Say("report.no-price", p.brief(c.UnpricedM2))
	}
	return p.Say("report.some-price", p.money(c.Amount), p.brief(c.UnpricedM2))
}

// Words.

// said turns a sentence of the rules into the reader's language.
func (p *writer) said(text string) prose {
	turned, ok := p.phrases.In(p.Lang, text)
	if !ok {
		return prose{text, "en"}
	}
	return prose{Text: turned}
}

// sentence makes one of a clause of the rules.
func sentence(p prose) prose {
	if first, size := utf8.DecodeRuneInString(p.Text); size > 0 {
		p.Text = string(unicode.ToUpper(first)) + p.Text[size:]
		if !strings.HasSuffix(p.Text, ".") {
			p.Text += "."
		}
	}
	return p
}

func (p *writer) treatment(code string) string { return p.Name("report.treatment", code, code) }
func (p *writer) cause(code string) string     { return p.Name("waste", code, code) }
func (p *writer) hazard(code string) string    { return p.Name("phrase", code+".title", code) }

// Cells and tables.

func text(s string) cell { return cell{prose: prose{Text: s}} }

func (p *writer) words(s string) cell { return cell{prose: p.said(s)} }

func (p *writer) count(n uint64) cell {
	return cell{prose{Text: strconv.FormatUint(n, 10)}, units.Some(float64(n))}
}

func (p *writer) value(v float64, digits int) cell {
	return cell{prose{Text: p.number(v, digits)}, units.Some(v)}
}

// table makes an empty one. The key of a column of numbers begins with #.
func (p *writer) table(title string, columns ...string) *table {
	t := &table{Title: title}
	for _, c := range columns {
		name, isNumber := strings.CutPrefix(c, "#")
		t.Head = append(t.Head, column{p.Say("report.col." + name), isNumber})
	}
	return t
}

func (t *table) row(cells ...cell) { t.Rows = append(t.Rows, cells) }

// Sections and blocks.

func (s *section) say(text string) {
	if text != "" {
		s.Blocks = append(s.Blocks, block{Text: &prose{Text: text}})
	}
}

func (s *section) quote(text prose) {
	if text.Text != "" {
		s.Blocks = append(s.Blocks, block{Text: &text})
	}
}

func (s *section) show(t *table) {
	if len(t.Rows) > 0 {
		s.Blocks = append(s.Blocks, block{Table: t})
	}
}

// draw shows a chart with its table behind it.
func (s *section) draw(d *drawing, t *table) {
	if len(t.Rows) > 0 {
		s.Blocks = append(s.Blocks, block{Chart: d, Table: t})
	}
}
