package remedy

import (
	"fmt"
	"math"
	"strings"

	"rollwarden/rules/hazard"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Explanation is a decision in sections to read, in order.
type Explanation struct{ Sections []Section }

// Section is a part of an explanation, and Line one thing that went into a decision
// or came out of it. All of them have keys.
type (
	Section = units.Explanation
	Line    = units.Line
)

func add(s *Section, key, name, value, note, source string) {
	s.Lines = append(s.Lines, Line{Key: key, Name: name, Value: value, Note: note, Source: source})
}

// Where values come from.
const (
	fromFloor  = "events of the floor"
	fromPrices = "costs and stock list of the shop's configuration"
	fromPath   = "feed path of the machine's configuration"
)

// Explainer is Odds that shows how it came by them.
type Explainer interface {
	Explain(risk.Start) risk.Explanation
}

// Explain lays a decision out: what it was made from, the formulas with their
// numbers, the result, and how uncertain it is.
func (d Decision) Explain() Explanation {
	e := Explanation{Sections: []Section{d.chosen(), d.inputs(), d.asItStands(), d.strike()}}
	for i := 1; i < len(d.Options); i++ {
		e.Sections = append(e.Sections, d.explain(&d.Options[i]))
	}
	e.Sections = append(e.Sections, d.doubts())
	return e
}

func (d Decision) chosen() Section {
	s := Section{Key: "choice", Title: "What pays"}
	best := d.Chosen()
	add(&s, "choice", "choice", best.Text, d.Why(), "")
	if d.Weighed && d.Holds {
		add(&s, "sure", "sure to be the cheapest", Certainty(best.Sure), "over all that can be taken and has a price, together", "")
		add(&s, "regret", "cost of being wrong", say(best.Regret), "expected, per start: its cost less that of the truly cheapest", "")
		add(&s, "informed", "worth of knowing all odds", say(d.Informed), "expected, per start, before choosing; for the least expected cost it is the cost of being wrong", "")
	}
	add(&s, "manual", "before anything is done", "the machine's manual rules; a person acts, and Rollwarden only advises", d.manual, "")
	return s
}

func (d Decision) inputs() Section {
	s := Section{Key: "inputs", Title: "What is known of the start"}
	add(&s, "machine", "machine", d.Site+"/"+d.Machine, "", fromFloor)
	add(&s, "job", "job", strings.Trim(d.Job+" "+d.Part, " "), string(d.Phase), fromFloor)
	add(&s, "film", "film", string(d.scene.Loaded.Class), d.scene.Loaded.Stock, fromFloor)
	add(&s, "front", "front of the film", d.mm(d.Options[0].Reach), "from the print line; cure exit "+d.show.Short(d.scene.Plant.Path.CureExitMM), fromFloor+"; "+fromPath)
	if !d.scene.Machine.Edge.PositionMM.Known() {
		add(&s, "edge", "edge", "unknown", "what must be rolled forward counts from the print line: look before relying on it", fromFloor)
	}
	add(&s, "width", "width", d.show.Short(d.scene.WidthMM()), "", fromFloor)
	add(&s, "cure", "cure temperature", known(d.scene.CureC(), d.show.Temp), "", "ticket")
	add(&s, "humidity", "humidity", known(d.scene.Climate.RHPct, func(v float64) string { return fmt.Sprintf("%.0f %%", v) }), "", fromFloor)
	if !d.scene.Machine.Roll.LeftM.Known() {
		add(&s, "roll-left", "metres left on the roll", "unknown", "look before advancing: nobody can tell whether the roll is long enough", fromFloor)
	}
	return s
}

// asItStands explains the odds of doing nothing, down to the model.
func (d Decision) asItStands() Section {
	none := d.AsItStands()
	s := Section{Key: "odds", Title: "Odds of a strike as it stands"}
	d.odd(&s, none)
	add(&s, "expected", "expected cost", say(none.Expected), share(none.Odds.P)+" × "+say(none.Strike.Total), "")
	d.weighed(&s, none)
	model, ok := d.odds.(Explainer)
	if !ok {
		return s
	}
	e := model.Explain(none.start)
	for _, in := range e.Inputs {
		add(&s, "kind/"+strings.ReplaceAll(in.Name, " ", "-"), "counted as: "+in.Name, in.Value, "", "")
	}
	add(&s, "formula", "formula", e.Formula, "", e.Source)
	add(&s, "worked", "worked out", e.Worked, "", "")
	add(&s, "prior", "prior", chance(e.Prior), scaleWords(e), "odds of the shop's configuration")
	add(&s, "worth", "what the prior is worth", fmt.Sprintf("%.3g starts", e.PriorStarts), fittedWords(e.StartsFitted), "")
	add(&s, "own", "this machine's own starts", fmt.Sprintf("%d strikes in %d", e.OwnStrikes, e.OwnStarts), "", "the shop's own log")
	return s
}

func scaleWords(e risk.Explanation) string {
	if !e.ScaleFitted {
		return "as documented: too few starts on this film to correct it"
	}
	return fmt.Sprintf("%.2g times what is documented, fitted to your starts on this film", e.Scale)
}

func fittedWords(fitted bool) string {
	if fitted {
		return "fitted to your own starts"
	}
	return "as documented: too few starts to fit it"
}

func (d Decision) odd(s *Section, o *Option) {
	note := o.Odds.Basis
	if o.Settles {
		note = joined(note, "of a settled edge: the front will lie past the cure exit, at "+d.mm(o.Reach))
	}
	add(s, "left", "odds of a strike", fmt.Sprintf("%s (%s to %s)", chance(o.Odds.P), chance(o.Odds.Low), chance(o.Odds.High)), note, "95 % credible interval")
}

func (d Decision) strike() Section {
	s := Section{Key: "strike", Title: "What a strike costs"}
	d.bill(&s, d.AsItStands().Strike)
	return s
}

func (d Decision) explain(o *Option) Section {
	s := Section{Key: "option/" + o.Code, Title: o.Text}
	if o.WhyNot != "" {
		add(&s, "why-not", "cannot be taken", o.WhyNot, "", "")
		return s
	}
	d.bill(&s, o.Cost)
	d.odd(&s, o)
	if !o.Open() {
		return s
	}
	add(&s, "expected", "expected cost", say(o.Expected), say(o.Cost.Total)+" + "+share(o.Odds.P)+" × "+say(o.Strike.Total), "")
	if from, known := o.BreakEven.Get(); known {
		where := "below it: it does not pay"
		if o.Pays {
			where = "above it: it pays"
		}
		add(&s, "break-even", "pays from a strike chance of", chance(from), chance(d.AsItStands().Odds.P)+" as it stands is "+where, "what it costs over what it takes of the loss by a strike")
	}
	d.weighed(&s, o)
	return s
}

// weighed adds what needs the beliefs about all odds.
func (d Decision) weighed(s *Section, o *Option) {
	if !d.Weighed {
		return
	}
	add(s, "sure", "chance to be truly the cheapest", Certainty(o.Sure), "", "")
	add(s, "regret", "cost if chosen and wrong", say(o.Regret), "expected, per start", "")
	add(s, "trial", "worth of one more try", say(o.Trial), "expected, at each later start, because it may change the choice", "")
}

// bill adds the parts of a cost and their sum.
func (d Decision) bill(s *Section, b Bill) {
	for _, p := range b.Parts {
		add(s, "cost/"+p.Key, strings.ReplaceAll(p.Key, "-", " "), say(p.Amount), d.quantity(p), fromPrices)
	}
	note := ""
	if b.Lacks != "" {
		note = "without " + b.Lacks + ", whose price is not known"
	}
	add(s, "cost", "together", say(b.Total), note, "")
}

func (d Decision) quantity(p Part) string {
	switch p.Unit {
	case squareMetres:
		return d.show.Area(p.Quantity) + " at " + p.Price.Number() + " " + p.Price.CurrencyCode() + " per m²"
	case seconds:
		return fmt.Sprintf("%.1f min at %s per hour", p.Quantity/60, say(p.Price))
	}
	return ""
}

// doubts says what the numbers cannot.
func (d Decision) doubts() Section {
	s := Section{Key: "doubts", Title: "What to keep in mind"}
	add(&s, "independent", "odds of different treatments", "count as independent", "they share the film's own odds, so the certainty is somewhat too small or too great", "")
	if _, believes := d.odds.(Believer); !believes {
		add(&s, "certain", "odds", "count as exact", "nothing says how sure they are", "")
	}
	if d.Phase == hazard.Running {
		add(&s, "running", "the machine is running", "pause it by its own controls first", "nobody reaches into a machine that moves", "")
	}
	return s
}

func (d Decision) mm(m units.Maybe) string { return known(m, d.show.Short) }

func known(m units.Maybe, format func(float64) string) string {
	if v, ok := m.Get(); ok && !math.IsNaN(v) {
		return format(v)
	}
	return "unknown"
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}
