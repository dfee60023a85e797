// Package remedy says what can be done about a hazard, what each remedy costs,
// and which is cheapest in expectation: the cost of doing it plus the odds of
// a head strike that it leaves times the cost of a strike.
//
// Decide compares the treatments of a bare edge in full, with how sure the
// choice is, and Explain shows how it came about.
//
// The odds come through the interface Odds. A remedy that cannot be taken is
// listed with the reason instead of being left out. Remedies are advice to a
// person; the machine's manual rules.
package remedy

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Odds says how likely a start is to end in a head strike.
type Odds interface {
	Strike(risk.Start) risk.Estimate
}

// Row is one remedy of the table.
type Row struct {
	Code    string
	Doc     string      // one line for the documentation
	Settles bool        // whether it settles every hazard that names it, for certain
	Of      hazard.Code // the hazard that it settles although it only helps with others; may be empty
	Edge    bool        // whether it is a treatment of the edge, with odds of its own

	text  func(*Advisor, *hazard.Scene) string
	cost  func(*Advisor, *hazard.Scene) Bill   // nil where a price says nothing
	block func(*Advisor, *hazard.Scene) string // why it cannot be taken; may be nil
}

// None is the treatment of a start that nothing was done for.
const None = "none"

const betterFilm = "better-film"

// Table lists every remedy that a hazard can name.
var Table = []Row{
	{Code: "pause", Doc: "pause the running machine by its own controls, then advance the edge past the cure exit", Settles: true, Edge: true,
		text: plain("pause the machine by its own controls, then advance the film past the cure exit"),
		cost: func(a *Advisor, s *hazard.Scene) Bill {
			return a.bill(advanceFilm(s), a.labour(a.Costs.AdvanceWorkS), a.downtime(a.Costs.PauseS))
		},
		block: func(_ *Advisor, s *hazard.Scene) string {
			if s.Phase != hazard.Running {
				return "the run has not started"
			}
			return ""
		}},
	{Code: "advance", Doc: "roll the film forward until its edge is past the cure exit and the margin", Settles: true, Edge: true,
		text: func(a *Advisor, s *hazard.Scene) string {
			return "advance the film " + a.Display.Short(s.ClearAdvanceMM())
		},
		cost: func(a *Advisor, s *hazard.Scene) Bill {
			return a.bill(advanceFilm(s), a.labour(a.Costs.AdvanceWorkS))
		},
		block: (*Advisor).advanceBlocked},
	{Code: "leader", Doc: "tape a strip ahead of the edge that reaches past the cure exit", Settles: true, Edge: true,
		text: func(a *Advisor, s *hazard.Scene) string {
			return "tape on a leader of " + a.Display.Short(s.NewLeaderMM())
		},
		cost: func(a *Advisor, _ *hazard.Scene) Bill {
			return a.bill(piece("tape", a.Costs.LeaderTape), a.labour(a.Costs.LeaderWorkS))
		},
		block: (*Advisor).leaderBlocked},
	{Code: "no-cut", Doc: "do not cut the previous job off, so that no bare edge exists", Settles: true, Edge: true,
		text: plain("leave the previous job uncut on the film"),
		cost: func(a *Advisor, _ *hazard.Scene) Bill { return a.bill() }, block: (*Advisor).cutAlready},
	{Code: "better-film", Doc: "print on a film that lies flat by itself", Edge: true,
		text: func(a *Advisor, s *hazard.Scene) string {
			return "print on " + cmp.Or(a.betterFilm(s).Stock, "a film that lies flat by itself")
		},
		cost: (*Advisor).betterFilmCost, block: (*Advisor).betterFilmBlocked},
	{Code: "shaped-edge", Doc: "cut a rounded lip; it helps a bit and settles nothing", Edge: true,
		text: plain("cut a rounded lip"), block: (*Advisor).shapedAlready,
		cost: func(a *Advisor, _ *hazard.Scene) Bill { return a.bill(a.labour(a.Costs.ShapeWorkS)) }},
	{Code: "cooler", Doc: "lower the cure temperature; for an edge it helps a bit and settles nothing", Edge: true, Of: hazard.HotRecipe,
		text: plain("lower the cure temperature, if the ink's cure allows"), cost: (*Advisor).slowerCost, block: (*Advisor).coolerBlocked},

	{Code: "load-stock", Doc: "load the stock that the ticket asks for", Settles: true, text: still("load the stock that the ticket asks for")},
	{Code: "ask-office", Doc: "have the ticket changed to what is loaded", text: plain("ask the office whether what is loaded will do")},
	{Code: "more-passes", Doc: "print with more passes, which cures longer at less heat", text: plain("print with more passes")},
	{Code: "hotter", Doc: "raise the cure temperature, up to the film's ceiling", text: plain("raise the cure temperature, up to the film's ceiling")},
	{Code: "less-ink", Doc: "reduce the ink density", text: plain("reduce the ink density")},
	{Code: "closer-marks", Doc: "set the register marks closer together", text: plain("set the register marks closer together")},
	{Code: "raise-carriage", Doc: "raise the carriage, if the machine's manual allows it for this film", text: still("raise the carriage, if the machine's manual allows it")},
	{Code: "thinner-leader", Doc: "tape on a thinner leader, or take it off", text: still("use a thinner leader, or take it off and advance")},
	{Code: "new-roll", Doc: "load a longer roll", Settles: true, text: still("load a longer roll")},
	{Code: "shorter-run", Doc: "print fewer copies on this roll", text: plain("split the run, and print what fits")},
	{Code: "humidify", Doc: "humidify the room", text: plain("humidify the room before the start")},
	{Code: "check-head", Doc: "print a nozzle check and look for obstructions, then record both", Settles: true, text: still("check nozzles, look for obstructions, and record both")},
	{Code: "wait-rest", Doc: "finish later, when the ink has rested", Settles: true, text: plain("finish later, when the ink has rested")},
	{Code: "start-sooner", Doc: "print this run sooner", text: plain("print this run sooner")},
	{Code: "tell-floor", Doc: "look, and record what is not known", Settles: true, text: plain("look, and record what is not known")},
}

func plain(text string) func(*Advisor, *hazard.Scene) string {
	return func(*Advisor, *hazard.Scene) string { return text }
}

// still is plain for what nobody may do while the machine moves.
func still(text string) func(*Advisor, *hazard.Scene) string {
	return func(_ *Advisor, s *hazard.Scene) string {
		if s.Phase == hazard.Running {
			return "pause the machine by its own controls, then " + text
		}
		return text
	}
}

// ByCode returns a row of the table.
func ByCode(code string) (*Row, bool) {
	for i := range Table {
		if Table[i].Code == code {
			return &Table[i], true
		}
	}
	return nil, false
}

// Advisor ranks remedies with a shop's prices.
type Advisor struct {
	Odds    Odds
	Costs   plant.Costs
	Films   *film.Catalogue
	Flat    []film.Film // films in stock that lie flat by themselves
	Display units.Display
}

// choice is one remedy on its way to being ranked.
type choice struct {
	event.Remedy
	expected float64 // NaN when it cannot be told
}

// Advise lists the remedies of a hazard, the cheapest in expectation first,
// then those without a price, then those that cannot be taken.
func (a *Advisor) Advise(row *hazard.Row, s *hazard.Scene) []event.Remedy {
	choices := make([]choice, 0, len(row.Remedies))
	var cost strikes // only a bare edge asks for it
	if row.Code == hazard.BareEdge {
		cost = a.strikes(s)
	}
	for _, code := range row.Remedies {
		choices = append(choices, a.choose(code, row, s, &cost))
	}
	blind := !slices.ContainsFunc(choices, func(c choice) bool { return c.Settles && rank(c, false) == priced })
	slices.SortStableFunc(choices, func(x, y choice) int {
		if r := cmp.Compare(rank(x, blind), rank(y, blind)); r != 0 || rank(x, blind) != priced {
			return r
		}
		return cmp.Compare(x.expected, y.expected)
	})
	out := make([]event.Remedy, len(choices))
	for i, c := range choices {
		out[i] = c.Remedy
		out[i].Cheapest = i == 0 && c.WhyNot == ""
	}
	return out
}

// The ranks of remedies, the best first.
const (
	unpricedCure = iota // settles the hazard, and nothing that does has a price
	priced
	unpriced
	blocked
)

// rank orders remedies before their cost does. When none that settles the hazard
// has a price, one without comes before those that only help: a price that
// nobody knows must not speak for what leaves the danger.
func rank(c choice, blind bool) int {
	switch {
	case c.WhyNot != "":
		return blocked
	case !math.IsNaN(c.expected):
		return priced
	case blind && c.Settles:
		return unpricedCure
	}
	return unpriced
}

func (a *Advisor) choose(code string, row *hazard.Row, s *hazard.Scene, strike *strikes) choice {
	if text, own := ownText(code); own {
		return choice{event.Remedy{Code: "own", Text: text}, math.NaN()}
	}
	r, ok := ByCode(code)
	if !ok {
		return choice{event.Remedy{Code: code, Text: code, WhyNot: "not in the table of remedies"}, math.NaN()}
	}
	c := choice{event.Remedy{Code: r.Code, Text: r.text(a, s), Settles: r.Settles || r.Of != "" && r.Of == row.Code}, math.NaN()}
	if r.block != nil {
		if c.WhyNot = r.block(a, s); c.WhyNot != "" {
			return c
		}
	}
	if r.cost == nil {
		return c
	}
	bill := r.cost(a, s)
	if bill.Lacks != "" {
		c.Cost = "price not known"
		return c
	}
	c.Cost = say(bill.Total)
	if row.Code == hazard.BareEdge {
		sum := withRisk(bill.Total, a.left(r, s), a.struck(r, s, strike).Total)
		c.expected, c.Expected = float(sum), say(sum)
	}
	return c
}

func ownText(code string) (string, bool) {
	const own = "own:"
	if len(code) < len(own) || code[:len(own)] != own {
		return "", false
	}
	if code == own {
		return "act as the shop's rule says", true
	}
	return code[len(own):], true
}

// Strike is the odds of a strike at this start under a treatment.
func (a *Advisor) Strike(s *hazard.Scene, treatment string) risk.Estimate {
	return a.Odds.Strike(a.start(s, treatment))
}

// start is what the odds under a treatment are asked for.
func (a *Advisor) start(s *hazard.Scene, treatment string) risk.Start {
	class := s.Loaded.Class
	if treatment == betterFilm {
		class, treatment = a.betterFilm(s).Class, None // a bare edge of that film
	}
	return risk.Start{
		Site: s.Machine.Site, Machine: s.Machine.Name, Class: class, Treatment: treatment,
		RHPct: s.Climate.RHPct, TempC: s.Climate.TempC, CureC: s.CureC(),
	}
}

// ChangeCost is what changing to a roll costs, in the shop's currency, when it
// takes so many seconds and so many m² of its film: work, standstill and the film,
// if it has a price.
func (a *Advisor) ChangeCost(f film.Film, changeS, lostM2 float64) float64 {
	return float(a.bill(a.labour(changeS), a.downtime(changeS), filmPart(f, lostM2)).Total)
}

// StrikePrice is what a head strike costs when reprintM2 of a film are printed
// again: standstill, labour, a share of a printhead and the film, if it has a
// price.
func (a *Advisor) StrikePrice(f film.Film, reprintM2 float64) float64 {
	return float(a.strikeBill(f, reprintM2).Total)
}

// strikeBill is what a strike costs when reprintM2 of a film are printed again.
func (a *Advisor) strikeBill(f film.Film, reprintM2 float64) Bill {
	return a.stop().and(filmPart(f, reprintM2))
}

// stop is what any strike costs, whatever film was on.
func (a *Advisor) stop() Bill {
	return a.bill(a.downtime(a.Costs.StrikeDownS), a.labour(a.Costs.StrikeDownS), piece("head", a.Costs.HeadShare))
}

// reprintM2 is how much film is printed again after a strike at a start.
func (a *Advisor) reprintM2(s *hazard.Scene) float64 {
	if s.Run == nil {
		return a.Costs.StrikeReprint
	}
	return max(a.Costs.StrikeReprint, film.Area(s.Run.FedM.Or(0), s.WidthMM()))
}

// strikes are the bills of a strike at one start.
type strikes struct {
	stop Bill // without the film
	asIs Bill // on the film that is loaded
}

func (a *Advisor) strikes(s *hazard.Scene) strikes {
	stop := a.stop()
	return strikes{stop, stop.and(filmPart(s.Loaded, a.reprintM2(s)))}
}

// struck is the bill of a strike under a remedy: a better film is also what is
// printed again.
func (a *Advisor) struck(r *Row, s *hazard.Scene, c *strikes) Bill {
	if r.Code == betterFilm {
		return c.stop.and(filmPart(a.betterFilm(s), a.reprintM2(s)))
	}
	return c.asIs
}

// Doing nothing, for comparison with the remedies.

// DoNothing is the expected cost of starting as things are.
func (a *Advisor) DoNothing(s *hazard.Scene) (expected string, e risk.Estimate) {
	e = a.Strike(s, Standing(s))
	return say(withRisk(a.decimal(0), e.P, a.strikes(s).asIs.Total)), e
}

// Edge treatments.

func advanceFilm(s *hazard.Scene) Part {
	return filmPart(s.Loaded, film.Area(s.ClearAdvanceMM()/1000, s.WidthMM()))
}

func (a *Advisor) advanceBlocked(s *hazard.Scene) string {
	if s.Phase == hazard.Running {
		return "the run has started: pause it by the machine's own controls first"
	}
	planned, _ := s.PlannedM()
	left, known := s.Machine.Roll.LeftM.Get()
	if known && left < s.ClearAdvanceMM()/1000+planned.Or(0) {
		return fmt.Sprintf("the roll has only %s left", a.Display.Long(left))
	}
	return ""
}

func (a *Advisor) leaderBlocked(s *hazard.Scene) string {
	if s.Phase == hazard.Running {
		return "the run has started: never tape film on a running machine"
	}
	if s.Machine.Leader.On {
		return "a leader is on already, and it is too short: take it off first"
	}
	thickness, known := s.Machine.Roll.ThicknessUM.Else(s.Loaded.ThicknessUM).Get()
	if !known {
		return "the film's thickness is not known, so nobody can tell whether a leader passes under the carriage"
	}
	room := s.Plant.Path.GapUM - s.Rules.LiftAllowanceUM - thickness
	if room < leaderHeightUM {
		return fmt.Sprintf("only %.0f µm are left under the carriage, and a usual leader with tape needs %d µm", room, leaderHeightUM)
	}
	return ""
}

// leaderHeightUM is what a leader of liner paper with tape adds; a value from
// memory.
const leaderHeightUM = 200

// cutAlready blocks what would have prevented the hazard and comes too late
// once it holds; it is listed so that people think of it the next time.
func (a *Advisor) cutAlready(*hazard.Scene) string {
	return "too late for this start: the edge is free already. Next time leave the job on the film"
}

// coolerBlocked knows the ink: a cure below what it needs, printed as slowly as a
// cooler recipe is, trades a strike for a smear.
func (a *Advisor) coolerBlocked(s *hazard.Scene) string {
	if s.Phase == hazard.Running {
		return "the zone cools too slowly to help an edge that is on its way"
	}
	band, known := s.Band(1 + a.Costs.CoolerSlowPct/100)
	cure, cured := s.CureC().Get()
	switch {
	case !known || !cured:
		return "the passes or the cure of the recipe are not known, so nobody can tell how cool the ink still cures"
	case band.TooCold(min(cure-coolerByC, band.HighC)):
		return "the ink needs the heat: a cooler cure would leave it wet"
	}
	return ""
}

// coolerByC is the least that a cooler cure is cooler, in °C: recipes are set in
// whole degrees (common practice, no source).
const coolerByC = 1

func (a *Advisor) shapedAlready(s *hazard.Scene) string {
	switch {
	case s.Phase == hazard.Running:
		return "the run has started"
	case s.Machine.Edge.Shape != "":
		return "the lip is shaped already"
	}
	return ""
}

// betterFilm is the cheapest film in stock that lies flat and is known to be wide
// enough. What has no price is only taken where nothing has one.
func (a *Advisor) betterFilm(s *hazard.Scene) film.Film {
	best := film.Film{}
	for _, f := range a.Flat {
		width, known := f.WidthMM.Get()
		if known && width >= s.WidthMM() && (best.Stock == "" || cheaper(f, best)) {
			best = f
		}
	}
	return best
}

// cheaper reports whether a film costs less than another. A price that nobody
// knows is not low.
func cheaper(f, than film.Film) bool {
	if than.PricePerM2.CurrencyCode() == "" {
		return f.PricePerM2.CurrencyCode() != ""
	}
	return less(f.PricePerM2, than.PricePerM2)
}

// noBetterFilm says why no film will do.
func (a *Advisor) noBetterFilm() string {
	for _, f := range a.Flat {
		if !f.WidthMM.Known() {
			return "the width of " + f.Stock + " is not known, so nobody can tell whether it is wide enough"
		}
	}
	return "no film that lies flat and is wide enough is in the stock list"
}

func (a *Advisor) betterFilmBlocked(s *hazard.Scene) string {
	if s.Phase == hazard.Running {
		return "the run has started"
	}
	if a.betterFilm(s).Stock == "" {
		return a.noBetterFilm()
	}
	if planned, _ := s.PlannedM(); !planned.Known() {
		return "the length of the run is not known, so its price is not"
	}
	return ""
}

func (a *Advisor) betterFilmCost(s *hazard.Scene) Bill {
	planned, _ := s.PlannedM()
	p := Part{Key: "price-difference", Quantity: film.Area(planned.Or(0), s.WidthMM()), Unit: squareMetres}
	dear, cheap := a.betterFilm(s).PricePerM2, s.Loaded.PricePerM2
	if dear.CurrencyCode() != "" && cheap.CurrencyCode() != "" {
		p.Price, _ = dear.Sub(cheap)
		if p.Price.IsNegative() {
			return a.bill()
		}
	}
	return a.bill(p)
}

func (a *Advisor) slowerCost(s *hazard.Scene) Bill {
	return a.bill(a.downtime(s.DurationS().Or(0) * a.Costs.CoolerSlowPct / 100))
}
