package remedy

import (
	"fmt"
	"math"

	"github.com/bojanz/currency"
	"gonum.org/v1/gonum/stat/distuv"

	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Believer is Odds that also says how sure it is of them.
type Believer interface {
	Posterior(risk.Start) distuv.Beta
}

// Averager is Odds that can leave their interval out, which takes longest to
// work out.
type Averager interface {
	Mean(risk.Start) float64
}

// Decision is which treatment of the edge pays for one start: every one that
// the hazard names, what each costs, leaves and risks, and how sure it is that
// the one chosen is the cheapest. It is advice to a person; the machine's
// manual rules.
type Decision struct {
	Site, Machine, Job, Part string
	Phase                    hazard.Phase
	Holds                    bool            // whether there is a bare edge at all; without one nothing needs doing
	Options                  []Option        // none first, then as the hazard names them
	Best                     int             // index of what pays
	Forced                   string          // why Best is not the least of the expected costs that are known; empty when it is
	Informed                 currency.Amount // per start, what it would be worth to know all true odds; zero unless Weighed
	Weighed                  bool            // whether certainty, regret and values are worked out

	scene  *hazard.Scene // a copy
	odds   Odds
	manual string // the hazard's caution
	show   units.Display
}

// Option is one treatment of the edge, or none.
type Option struct {
	Code, Text string
	WhyNot     string // why it cannot be taken; then only Cost may be known
	Cost       Bill
	Reach      units.Maybe // mm from the print line: how far the film's front will have come
	Settles    bool        // whether that is past the cure exit, so that the odds are those of a settled edge
	Odds       risk.Estimate
	Strike     Bill            // what a strike under it costs
	Expected   currency.Amount // Cost + Odds.P · Strike
	BreakEven  units.Maybe     // odds as it stands, from which on it pays; above 1 it never does
	Pays       bool            // whether the odds as it stands are above

	Sure   float64         // probability that it is truly the cheapest of those that can be taken
	Regret currency.Amount // what choosing it is expected to cost more than the truly cheapest
	Trial  currency.Amount // what one more start under it is expected to save at each later start

	start risk.Start
	loss  float64 // Strike, for statistics
}

// Open reports whether an option can be taken and is priced.
func (o *Option) Open() bool { return o.WhyNot == "" && o.Cost.Lacks == "" }

// Chosen is the option that pays.
func (d Decision) Chosen() *Option { return &d.Options[d.Best] }

// AsItStands is the option of doing nothing.
func (d Decision) AsItStands() *Option { return &d.Options[0] }

// Decide compares the treatments of a bare edge at a start. The row is the
// rule book's for the hazard, which says what may be done.
func (a *Advisor) Decide(row *hazard.Row, s *hazard.Scene) Decision {
	d := a.lay(row, s)
	for i := range d.Options {
		if o := &d.Options[i]; o.WhyNot == "" {
			o.Odds = a.Odds.Strike(o.start)
		}
	}
	d.weigh(a)
	return d
}

// Why is the decision in one line, without what takes longest to work out, its
// certainty and the intervals of the odds: for the text of an alarm.
func (a *Advisor) Why(row *hazard.Row, s *hazard.Scene) string {
	d := a.lay(row, s)
	return d.Why()
}

// LeastExpected is what a start costs in expectation, in the shop's currency, with
// the cheapest treatment of the edge of the film that is loaded, or with none.
func (a *Advisor) LeastExpected(row *hazard.Row, s *hazard.Scene) float64 {
	d, least := a.lay(row, s), math.Inf(1)
	for i := range d.Options {
		if o := &d.Options[i]; o.Open() && o.Code != betterFilm {
			least = min(least, float(o.Expected))
		}
	}
	return least
}

// lay lists the options with their costs and odds, which have no interval yet,
// and finds the best.
func (a *Advisor) lay(row *hazard.Row, s *hazard.Scene) Decision {
	scene := *s
	d := Decision{
		Site: s.Machine.Site, Machine: s.Machine.Name, Phase: s.Phase, Holds: row.Check(s) == hazard.Holds,
		Options: make([]Option, 0, 1+len(row.Remedies)), scene: &scene, odds: a.Odds, manual: row.Caution, show: a.Display,
	}
	if s.Run != nil {
		d.Job, d.Part = s.Run.Job, s.Run.Part
	}
	strike := a.strikes(s)
	d.Options = append(d.Options, a.nothing(s, &strike))
	for _, code := range row.Remedies {
		if r, known := ByCode(code); known && r.Edge {
			d.Options = append(d.Options, a.option(r, s, &d.Options[0], &strike))
		}
	}
	d.choose()
	return d
}

func (a *Advisor) nothing(s *hazard.Scene, strike *strikes) Option {
	o := Option{Code: None, Text: "start as it is", Cost: a.bill(), Reach: s.FrontMM(), start: a.start(s, Standing(s)), Strike: strike.asIs}
	if s.Phase == hazard.Running {
		o.Text = "let it run as it is"
	}
	o.Settles = reaches(o.Reach, &s.Plant.Path)
	a.price(&o, nil)
	return o
}

func (a *Advisor) option(r *Row, s *hazard.Scene, none *Option, strike *strikes) Option {
	o := Option{Code: r.Code, Text: r.text(a, s), Reach: reach(r, s)}
	if r.block != nil {
		o.WhyNot = r.block(a, s)
	}
	o.Settles = r.Settles && reaches(o.Reach, &s.Plant.Path)
	if o.WhyNot != "" {
		return o
	}
	o.Cost, o.start, o.Strike = r.cost(a, s), a.start(s, a.leaves(r, s)), a.struck(r, s, strike)
	a.price(&o, none)
	return o
}

// price works out what an option is expected to cost.
func (a *Advisor) price(o *Option, none *Option) {
	o.Odds.P, o.loss = a.mean(o.start), float(o.Strike.Total)
	o.Expected = withRisk(o.Cost.Total, o.Odds.P, o.Strike.Total)
	if none == nil {
		return
	}
	if o.Open() && none.loss > 0 {
		from := o.breakEven(none)
		o.BreakEven, o.Pays = units.Some(from), none.Odds.P > from
	}
}

// breakEven is from which odds as it stands on an option pays. What it leaves on
// the same film with the edge unsettled is a share of those odds, and grows with
// them: cost + share·p·loss < p·(loss of doing nothing). Else it stands by
// itself, and the whole expected cost has to be won back.
func (o *Option) breakEven(none *Option) float64 {
	if !o.Settles && o.start.Class == none.start.Class && none.Odds.P > 0 {
		return risk.BreakEven(float(o.Cost.Total), none.loss-o.Odds.P/none.Odds.P*o.loss)
	}
	return risk.BreakEven(float(o.Expected), none.loss)
}

// left is what a remedy leaves of the odds.
func (a *Advisor) left(r *Row, s *hazard.Scene) float64 { return a.mean(a.start(s, a.leaves(r, s))) }

func (a *Advisor) mean(s risk.Start) float64 {
	if odds, ok := a.Odds.(Averager); ok {
		return odds.Mean(s)
	}
	return a.Odds.Strike(s).P
}

// leaves is the treatment whose odds a remedy leaves. One that settles the
// hazard is judged by where the front will be, not by hope: short of the cure
// exit it leaves what there is. So does one that only helps, on an edge that is
// treated already: the odds know one treatment of an edge, and those of a rounded
// lip are not those of a rounded lip past the cure exit. Another film is loaded
// with a front of its own.
func (a *Advisor) leaves(r *Row, s *hazard.Scene) string {
	standing := Standing(s)
	if r.Settles && !reaches(reach(r, s), &s.Plant.Path) {
		return standing
	}
	if !r.Settles && r.Code != betterFilm && standing != None {
		return standing
	}
	return r.Code
}

// reach is where the film's front will be after a remedy, mm from the print
// line. An edge that nobody knows counts from the print line, where a machine
// rewinds it to, and is rolled forward over the whole path.
func reach(r *Row, s *hazard.Scene) units.Maybe {
	switch r.Code {
	case "advance", "pause":
		return units.Some(s.FrontMM().Or(0) + s.ClearAdvanceMM())
	case "leader":
		return units.Some(s.Machine.Edge.PositionMM.Or(0) + s.NewLeaderMM())
	}
	return s.FrontMM()
}

func reaches(front units.Maybe, path *plant.Path) bool {
	mm, known := front.Get()
	return known && mm >= path.CureExitMM
}

// Standing is the treatment that the edge has now, judged by where its front
// is and not by what was meant.
func Standing(s *hazard.Scene) string {
	switch settled := reaches(s.FrontMM(), &s.Plant.Path); {
	case settled && s.Machine.Leader.On:
		return "leader"
	case settled:
		return "advance"
	case s.Machine.Edge.Shape != "":
		return "shaped-edge"
	}
	return None
}

// choose finds the least expected cost. Neither doing nothing nor what only helps
// is ever chosen because something is not known: the first remedy that settles
// the hazard is then.
func (d *Decision) choose() {
	if !d.Holds {
		return
	}
	for i := range d.Options {
		if o := &d.Options[i]; o.Open() && less(o.Expected, d.Chosen().Expected) {
			d.Best = i
		}
	}
	if d.Best != 0 && d.Chosen().Settles {
		return
	}
	unknown := ""
	switch strike := d.AsItStands().Strike; {
	case !strike.Total.IsPositive():
		unknown = "what a strike costs is not known"
	case strike.Lacks != "":
		unknown = priceUnknown(strike)
	}
	for i := range d.Options {
		o := &d.Options[i]
		if o.WhyNot == "" && o.Settles && (unknown != "" || o.Cost.Lacks != "") {
			if d.Best, d.Forced = i, unknown; unknown == "" {
				d.Forced = priceUnknown(o.Cost)
			}
			return
		}
	}
}

func priceUnknown(b Bill) string { return "the price of " + b.Lacks + " is not known" }

// weigh says how sure the choice is, by all beliefs about the odds at once.
func (d *Decision) weigh(a *Advisor) {
	open, choices := make([]*Option, 0, len(d.Options)), make([]risk.Choice, 0, len(d.Options))
	for i := range d.Options {
		if o := &d.Options[i]; o.Open() {
			open, choices = append(open, o), append(choices, a.believe(o))
		}
	}
	outlook := risk.Weigh(choices)
	for i, o := range open {
		o.Sure = outlook.Cheapest[i]
		o.Regret = a.decimal(max(0, choices[i].Expected()-outlook.Least))
		o.Trial = a.decimal(risk.ValueOfTrial(choices, i))
	}
	d.Informed, d.Weighed = a.decimal(outlook.Informed), true
}

// believe is an option with all that is believed of its odds. Odds that say
// nothing of how sure they are count as certain.
func (a *Advisor) believe(o *Option) risk.Choice {
	cost := float(o.Cost.Total)
	b, ok := a.Odds.(Believer)
	if !ok {
		return risk.Choice{Cost: cost + o.Odds.P*o.loss}
	}
	return risk.Choice{Cost: cost, Strike: o.loss, Odds: b.Posterior(o.start)}
}

// Why is the decision in one line.
func (d Decision) Why() string {
	best, none := d.Chosen(), d.AsItStands()
	switch {
	case !d.Holds && d.scene.Plant.Path.Assumed && !d.scene.Loaded.LiesFlat:
		return "none: the film reaches past the cure exit as it was guessed; nobody has measured where it is"
	case !d.Holds:
		return "none: there is no bare edge before the cure zone"
	case d.Forced != "":
		return best.Code + ": " + d.Forced + ", and what is not known is not safe"
	case d.Best == 0:
		return "none: no remedy pays" + d.nearest() + d.sure()
	}
	return fmt.Sprintf("%s: %s against %s × %s; pays from a strike chance of %s up%s",
		best.Code, say(best.Cost.Total), share(none.Odds.P), say(none.Strike.Total), chance(best.BreakEven.Or(1)), d.sure())
}

// nearest says what it would take for a remedy to pay.
func (d Decision) nearest() string {
	near := -1
	for i := 1; i < len(d.Options); i++ {
		if d.Options[i].Open() && (near < 0 || less(d.Options[i].Expected, d.Options[near].Expected)) {
			near = i
		}
	}
	if near < 0 {
		return ", for none can be taken"
	}
	o, none := &d.Options[near], d.AsItStands()
	return fmt.Sprintf("; the cheapest, %s, costs %s against %s × %s and pays from a strike chance of %s up",
		o.Code, say(o.Cost.Total), share(none.Odds.P), say(none.Strike.Total), chance(o.BreakEven.Or(1)))
}

// sure says how sure it is that the choice is truly the cheapest. The least
// expected cost decides; another may be the cheapest more often and dearer by
// more where it is not, and is then named.
func (d Decision) sure() string {
	if !d.Weighed {
		return ""
	}
	best, rival := d.Chosen(), d.likeliest()
	if rival == best {
		return "; " + Certainty(best.Sure) + " sure to be the cheapest"
	}
	what := "costs"
	if best.Code == None {
		what = "doing nothing costs"
	}
	return fmt.Sprintf("; %s least on average, strikes included; %s comes out cheapest more often (%s against %s), but costs more when it does not",
		what, rival.Code, Certainty(rival.Sure), Certainty(best.Sure))
}

// likeliest is the option that is most likely the cheapest.
func (d Decision) likeliest() *Option {
	rival := d.Chosen()
	for i := range d.Options {
		if o := &d.Options[i]; o.Open() && o.Sure > rival.Sure {
			rival = o
		}
	}
	return rival
}

// share is a probability as a factor, with two digits.
func share(p float64) string { return fmt.Sprintf("%.2g", p) }

// chance is a probability in percent.
func chance(p float64) string {
	switch pct := 100 * p; {
	case pct == 0:
		return "0 %"
	case pct < 0.1:
		return "under 0.1 %"
	case pct < 9.95:
		return fmt.Sprintf("%.1f %%", pct)
	case pct > 100:
		return "over 100 %"
	default:
		return fmt.Sprintf("%.0f %%", pct)
	}
}

// Certainty is a probability in percent of what nobody can be wholly sure of.
func Certainty(p float64) string {
	switch {
	case p < 0.01:
		return "under 1 %"
	case p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
