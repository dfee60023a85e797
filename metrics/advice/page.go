package advice

import (
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"rollwarden/metrics/strip"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/remedy"
	"rollwarden/rules/units"
)

type page struct {
	web.Frame
	Site, Machine     string
	Stream, Now, Here string
	Changed           uint64 // where in the journal the machine was changed last
	At                web.Stamp
	Newest            template.HTML
	Decision          *decisionView
	Heat              *heatView
	Queue             *queueView
}

func (p painter) page(pic *picture) page {
	out := page{
		Site: p.site, Machine: p.machine, Stream: p.audience.Stream(), Now: web.Instant(p.Now),
		Here: Path(p.site, p.machine), Changed: changed(pic.machine), At: p.Stamp(pic.at),
	}
	if pic.decision != nil {
		out.Decision = p.decision(pic.decision, pic.whys)
	}
	if pic.heat != nil {
		out.Heat = p.heat(pic.heat, pic.heatWhys)
		out.Heat.Guessed = p.guessed(pic.plant)
	}
	if pic.queue != nil {
		out.Queue = p.queue(pic)
	}
	return out
}

// The decision.

type decisionView struct {
	Why, About web.Said
	Manual     web.Said
	Options    []optionRow // empty when there is nothing to decide
	Seldom     bool        // whether another than what pays is more often the cheapest
	Facts      []fact
	Reasons    []section
}

// optionRow is one treatment of the edge.
type optionRow struct {
	Text, WhyNot   web.Said
	Best           bool
	Cost, Lacks    web.Said
	Parts          []fact
	Odds, Basis    web.Said
	Expected, Sure web.Said
	From, Side     web.Said // from which odds on it pays, and on which side they are
}

func (p painter) decision(d *remedy.Decision, e remedy.Explanation) *decisionView {
	out := &decisionView{Why: p.phrase(d.Why()), About: p.own("advice.next", event.JobName(d.Job, d.Part)), Reasons: p.reasons(e.Sections...)}
	if d.Phase == hazard.Running {
		out.About = p.own("advice.running", event.JobName(d.Job, d.Part))
	}
	if manual, ok := line(e, "choice", "manual"); ok {
		out.Manual = p.phrase(manual.Note)
	}
	if !d.Holds {
		return out
	}
	for i := range d.Options {
		out.Options = append(out.Options, p.option(&d.Options[i], e, i == d.Best))
		out.Seldom = out.Seldom || d.Options[i].Sure > d.Chosen().Sure
	}
	if from, ok := line(e, sectionOf(&d.Options[nearest(d)]), "break-even"); ok {
		out.Facts = append(out.Facts, p.fact(from))
	}
	for _, of := range []struct{ section, key string }{{"choice", "regret"}, {sectionOf(d.Chosen()), "trial"}, {"choice", "informed"}} {
		if l, ok := line(e, of.section, of.key); ok {
			out.Facts = append(out.Facts, p.fact(l))
		}
	}
	return out
}

// nearest is the remedy whose break-even tells most: the one that pays, else the
// cheapest of those that do not.
func nearest(d *remedy.Decision) int {
	if d.Best != 0 {
		return d.Best
	}
	best, least := 0, 0.0
	for i := range d.Options {
		if from, known := d.Options[i].BreakEven.Get(); known && (best == 0 || from < least) {
			best, least = i, from
		}
	}
	return best
}

// sectionOf is the key of the section on an option.
func sectionOf(o *remedy.Option) string {
	if o.Code == remedy.None {
		return "odds"
	}
	return "option/" + o.Code
}

// line finds a line of an explanation. The page's numbers are taken from there,
// so that one value is never written in two ways.
func line(e remedy.Explanation, section, key string) (remedy.Line, bool) {
	for _, s := range e.Sections {
		for _, l := range s.Lines {
			if s.Key == section && l.Key == key {
				return l, true
			}
		}
	}
	return remedy.Line{}, false
}

func (p painter) option(o *remedy.Option, e remedy.Explanation, best bool) optionRow {
	row := optionRow{Text: p.phrase(o.Text), Best: best}
	cell := func(key string) web.Said {
		if l, ok := line(e, sectionOf(o), key); ok {
			return p.phrase(l.Value)
		}
		return p.own("unknown")
	}
	if o.WhyNot != "" {
		row.WhyNot = p.phrase(o.WhyNot)
		return row
	}
	row.Cost, row.Odds, row.Basis = p.amount(o.Cost.Total), cell("left"), p.phrase(o.Odds.Basis)
	for _, part := range o.Cost.Parts {
		row.Parts = append(row.Parts, fact{Name: p.keyed("advice.line", "cost/"+part.Key, part.Key), Value: p.amount(part.Amount)})
	}
	if o.Cost.Lacks != "" {
		row.Cost, row.Lacks = p.own("unknown"), p.phrase("without "+o.Cost.Lacks+", whose price is not known")
	}
	row.Expected, row.Sure = cell("expected"), cell("sure")
	if o.BreakEven.Known() {
		row.From, row.Side = cell("break-even"), p.own("advice.pays-not")
		if o.Pays {
			row.Side = p.own("advice.pays")
		}
	}
	return row
}

// Heat and register.

type heatView struct {
	About, Film web.Said
	Facts       []fact
	Guessed     web.Said      // what of the window nobody has measured; empty when all was
	Picture     template.HTML // the cure window; empty when it cannot be drawn
	Bands       []bandRow
	Reasons     []section
}

type bandRow struct {
	Passes, Low, High string
	Code              web.Said
	None, Here        bool
}

// What is shown of the explanations of heat and register, by the names that the
// rules give the lines. Those of the second list are left out when absent.
var (
	heatFacts = []string{
		"cutter tolerance", "residual", "largest mark spacing", "hottest cure for the marks", "print scale, feed", "print scale, cross",
		"window", "this recipe",
	}
	heatDoubts = []string{"beyond the strips"}
)

func (p painter) heat(h *rules.Heat, why []units.Explanation) *heatView {
	out := &heatView{About: p.own("advice.roll-alone"), Film: p.film(h), Reasons: p.reasons(why...)}
	if h.Job != "" {
		out.About = p.own("advice.next", event.JobName(h.Job, h.Part))
	}
	for _, name := range slices.Concat(heatFacts, heatDoubts) {
		if f, ok := p.find(why, name); ok {
			out.Facts = append(out.Facts, f)
		} else if slices.Contains(heatFacts, name) {
			out.Facts = append(out.Facts, fact{Name: p.phrase(name), Value: p.own("unknown")})
		}
	}
	out.Picture = p.window(h)
	for _, b := range h.Window {
		out.Bands = append(out.Bands, p.band(h, b))
	}
	return out
}

// guessed says what of the cure window is no measure of the machine.
func (p painter) guessed(m *plant.Machine) web.Said {
	switch {
	case m == nil || m.Path.Assumed:
		return p.own("advice.window.guessed")
	case !m.Configured:
		return p.own("advice.window.partly")
	}
	return web.Said{}
}

func (p painter) film(h *rules.Heat) web.Said {
	parts := []string{p.Name("class", string(h.Film.Class), string(h.Film.Class))}
	if h.Film.Stock != "" {
		parts = slices.Insert(parts, 0, h.Film.Stock)
	}
	return web.Said{Text: strings.Join(parts, ", ")}
}

func (p painter) find(why []units.Explanation, name string) (fact, bool) {
	for _, e := range why {
		for _, l := range e.Lines {
			if l.Name == name {
				return p.fact(l), true
			}
		}
	}
	return fact{}, false
}

func (p painter) band(h *rules.Heat, b plant.Band) bandRow {
	row := bandRow{Passes: plainNumber(b.Passes), None: !b.Safe(), Here: h.Passes == units.Some(b.Passes)}
	if b.Safe() {
		row.Low, row.High = p.Number(p.Temp(b.LowC)), p.Number(p.Temp(b.HighC))
	}
	if b.Code != "" {
		row.Code = p.keyed("hazard", b.Code+".title", b.Code)
	}
	return row
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// window draws the cure window with the ticket's recipe in it.
func (p painter) window(h *rules.Heat) template.HTML {
	o := strip.WindowOptions{ID: "cure", Bands: h.Window, Display: p.Display, Texts: strip.WindowTexts{
		Label: p.Say("advice.window.label"), Passes: p.Say("advice.window.passes"), Temperature: p.Say("advice.window.cure"),
		TooCold: p.Say("advice.window.cold"), TooHot: p.Say("advice.window.hot"), Safe: p.Say("advice.window.safe"), Here: p.Say("advice.window.here"),
	}}
	passes, some := h.Passes.Get()
	if cure, known := h.CureC.Get(); some && known {
		o.Spot = &strip.Spot{Passes: passes, CureC: cure}
	}
	var svg strings.Builder
	if strip.Window(&svg, o) != nil {
		return "" // too few bands: the page says that the window is not known
	}
	return template.HTML(svg.String()) // strip escapes what it writes
}

// The queue.

type queueView struct {
	Runs    folded[runRow]
	Advised bool // whether there is any advice
	Changes folded[web.Said]
	Moves   bool // whether the advised order is another
	Saves   web.Said
	Money   []moneyRow
	Gap     web.Said // empty when no order costs less
	Kept    folded[fact]
	Uncut   folded[web.Said]
	Accept  *acceptForm
	Reasons []section
}

// folded is a list of which the first are seen at once, the next in a fold, and the
// rest is only counted: a queue may be of any length, and its page may not.
type folded[T any] struct {
	First, Next []T
	Beyond      int
}

// How many lines of a list are seen at once, and with those in its fold. An order
// names no more, so that all of what is accepted can be read.
const (
	seenAtOnce = 20
	seenAtAll  = mostOrdered
)

func fold[T any](all []T) folded[T] {
	seen := all[:min(len(all), seenAtAll)]
	first := min(len(seen), seenAtOnce)
	return folded[T]{seen[:first], seen[first:], len(all) - len(seen)}
}

// All counts the list.
func (f folded[T]) All() int { return len(f.First) + len(f.Next) + f.Beyond }

type runRow struct {
	Place               int
	Name                string
	Start, Between      web.Said
	Takes, TakesBetween web.Said
	Due                 web.Said
	Advised             string // its place in the advised order
}

type moneyRow struct {
	Name, Now, Advised web.Said
	Count              web.Said
}

// acceptForm accepts the advised order.
type acceptForm struct {
	To, Back, ID string
	Order        []string
	Beyond       int // runs behind those of the order, which keep theirs
	Named        bool
}

func (p painter) queue(pic *picture) *queueView {
	a := pic.queue
	out := &queueView{
		Advised: len(a.Problem.Jobs) > 0, Moves: !slices.IsSorted(a.Advised.Order), Saves: p.phrase(a.Problem.Money(a.Saves())),
		Kept: fold(p.kept(a)), Uncut: fold(p.uncut(a)), Reasons: p.reasons(p.gathered(pic.queueWhys)),
	}
	out.Runs = fold(p.runs(pic.slots, a))
	out.Runs.Beyond += len(a.Order()) - len(pic.slots) // what stands too far down to be judged
	changes := make([]web.Said, len(a.Changes))
	for i, text := range a.Changes {
		changes[i] = p.phrase(text)
	}
	out.Changes = fold(changes)
	if out.Advised {
		out.Money = p.costs(a)
	}
	if !a.Exact {
		out.Gap = p.phrase(a.Problem.Money(a.Gap()))
	}
	if out.Moves && mayOrder(p.audience.Role) {
		out.Accept = p.accept(a, changed(pic.machine))
	}
	return out
}

// mayOrder reports whether a role may accept an order, so that nothing is offered
// in vain; the watch's own edge has the last word. Anybody may where nobody has
// to log in.
func mayOrder(role string) bool { return role == "" || role == "supervisor" }

// mostOrdered is how many runs an accepted order may name, as the interface has
// it. Those behind them keep their order.
const mostOrdered = 100

func (p painter) accept(a *queue.Advice, after uint64) *acceptForm {
	order := a.Order()
	named := min(len(order), mostOrdered)
	return &acceptForm{
		To:   "/api/v1/machines/" + p.site + "/" + p.machine + "/advice",
		Back: Path(p.site, p.machine) + "?after=" + strconv.FormatUint(after, 10),
		ID:   uuid.NewString(), Order: order[:named], Beyond: len(order) - named, Named: p.audience.Named,
	}
}

// runs are those of the queue, in their present order.
func (p painter) runs(slots []rules.Slot, a *queue.Advice) []runRow {
	rows, advised := make([]runRow, len(slots)), map[string]int{}
	for k, name := range a.Order() {
		advised[name] = k + 1
	}
	for i, s := range slots {
		rows[i] = p.run(i, s, advised)
	}
	return rows
}

func (p painter) run(i int, s rules.Slot, advised map[string]int) runRow {
	name := event.JobName(s.Run.Job, s.Run.Part)
	row := runRow{Place: i + 1, Name: name, Start: p.own("advice.any-moment"), Between: p.own("unknown"), Takes: p.own("unknown"), Due: p.due(s.Run)}
	if !s.Expected.IsZero() {
		row.Start = web.Said{Text: p.Clock(s.Expected)}
		row.Between = p.own("advice.from-on", p.Clock(s.Early))
		if !s.Late.IsZero() {
			row.Between = p.own("advice.between", p.Clock(s.Early), p.Clock(s.Late))
		}
	}
	if takes, known := s.TakesS.Get(); known {
		row.Takes = web.Said{Text: p.span(takes)}
		row.TakesBetween = p.own("advice.between", p.span(s.LowS.Or(takes)), p.span(s.HighS.Or(takes)))
	}
	if place, some := advised[name]; some {
		row.Advised = strconv.Itoa(place)
	}
	return row
}

func (p painter) span(s float64) string {
	return p.Number(units.Span(time.Duration(s * float64(time.Second))))
}

func (p painter) due(r *floor.Run) web.Said {
	if r.Ticket == nil || r.Ticket.Data.Due == nil {
		return p.own("unknown")
	}
	return web.Said{Text: p.Clock(*r.Ticket.Data.Due)}
}

// costs compares the order that stands with the advised one, part by part.
func (p painter) costs(a *queue.Advice) []moneyRow {
	now, then := &a.Present, &a.Advised
	row := func(key string, was, is float64) moneyRow {
		return moneyRow{Name: p.own(key), Now: p.phrase(a.Problem.Money(was)), Advised: p.phrase(a.Problem.Money(is))}
	}
	rows := []moneyRow{
		row("advice.money.bare", now.Bare, then.Bare), row("advice.money.change", now.Change, then.Change),
		row("advice.money.late", now.Late, then.Late), row("advice.money.all", now.Cost(), then.Cost()),
	}
	for i, n := range [][2]int{{now.BareStarts, then.BareStarts}, {now.RollChanges, then.RollChanges}, {now.LateRuns, then.LateRuns}} {
		rows[i].Count = p.own("advice.money.count", n[0], n[1])
	}
	return rows
}

// uncut names the pairs of runs between which the film is better not cut.
func (p painter) uncut(a *queue.Advice) (pairs []web.Said) {
	ahead := a.Problem.Start.Hangs
	for k, j := range a.Advised.Order {
		if a.Advised.Uncut[k] {
			pairs = append(pairs, p.own("advice.pair", ahead, a.Problem.Jobs[j].Name))
		}
		ahead = a.Problem.Jobs[j].Name
	}
	return pairs
}

// gathered leaves of neighbouring lines that say the same of different runs only the
// first few, and says of how many more it is true.
func (p painter) gathered(e units.Explanation) units.Explanation {
	lines := e.Lines
	e.Lines = nil
	for len(lines) > 0 {
		same := 1
		for same < len(lines) && lines[same].Value == lines[0].Value && lines[same].Note == lines[0].Note {
			same++
		}
		e.Lines = append(e.Lines, lines[:min(same, seenAtOnce)]...)
		if more := same - seenAtOnce; more > 0 {
			e.Lines = append(e.Lines, units.Line{Name: fmt.Sprintf("%d more", more), Value: lines[0].Value, Note: lines[0].Note})
		}
		lines = lines[same:]
	}
	return e
}

// kept names the runs that stay where they are, and why.
func (p painter) kept(a *queue.Advice) (runs []fact) {
	for i := range a.Problem.Jobs {
		if j := &a.Problem.Jobs[i]; j.Fixed {
			runs = append(runs, fact{Name: web.Said{Text: j.Name}, Value: p.own("advice.kept")})
		}
	}
	for _, s := range a.Aside {
		runs = append(runs, fact{Name: web.Said{Text: s.Name}, Value: p.phrase(s.Why)})
	}
	return runs
}
