package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/units"
)

// Heat is what cure and register come to for the next run of a machine, or for
// its roll when nothing is queued.
type Heat struct {
	Site, Machine string
	Job, Part     string // of the run; empty for the roll alone
	Film          film.Film
	ToleranceMM   float64 // of the cutter

	// The recipe. What the ticket does not say is not known; ink density is
	// then the rule book's, and work counts as contour-cut.
	Passes, CureC, SpacingMM units.Maybe
	FeedMM, CrossMM          float64 // between marks, no further than the run is long and the film wide; 0 without a spacing
	DensityPct               float64
	DensityAssumed           bool
	ContourCut               bool
	ContourAssumed           bool

	// The register. Without the cure, or the spacing, of the recipe there is
	// nothing to say.
	Forecast       register.Forecast
	Residual       *register.Estimate // mm half way between marks, at the spacing
	LargestSpacing *register.Estimate // mm within the tolerance, at the cure; +Inf for any
	PreScaleFeed   *register.Estimate // percent, at the cure
	PreScaleCross  *register.Estimate // likewise
	HottestC       units.Maybe        // °C within the tolerance, at the spacing; ±Inf as HottestC of package register
	Beyond         string             // how the recipe leaves what was measured; empty where it does not

	// The cure window. It is empty for a machine whose dwell nobody knows.
	Ceilings []plant.Ceiling
	Window   []plant.Band
	Band     *plant.Band // at the passes of the recipe; nil while they are not known

	ink   plant.Ink
	dwell float64 // s in the cure zone at the passes of the recipe
}

// Heat works out what cure and register come to for the next run of a machine.
// It is false when the machine has no run and no roll to speak of.
func (r Reader) Heat(now time.Time, site, name string) (Heat, bool) {
	m := r.e.floor.Machine(site, name)
	if m == nil || !m.Roll.Loaded && m.Run == nil && len(m.Queue) == 0 {
		return Heat{}, false
	}
	s := r.nextScene(now, m)
	h := Heat{
		Site: site, Machine: name, Film: s.Wanted, ToleranceMM: s.Plant.ToleranceMM,
		DensityPct: s.Rules.AssumedDensityPct, DensityAssumed: true, ContourCut: true, ContourAssumed: true,
		ink: s.Plant.Ink,
	}
	if s.Run != nil {
		h.Job, h.Part = s.Run.Job, s.Run.Part
		h.readTicket(s.Run.Ticket)
	}
	h.register(r.e.drift, s)
	h.cure(s.Plant)
	return h, true
}

// nextScene is the run that starts next, else the one that runs, else the
// machine with what is on it.
func (r Reader) nextScene(now time.Time, m *floor.Machine) *hazard.Scene {
	r.e.scenes(now, m)
	for i := range r.e.scratch {
		if s := &r.e.scratch[i]; s.Next && s.Phase == hazard.Queued {
			return s
		}
	}
	return &r.e.scratch[0]
}

func (h *Heat) readTicket(t *floor.Ticket) {
	if t == nil {
		return
	}
	h.Passes, h.CureC, h.SpacingMM = units.From(t.Data.Passes), units.From(t.Data.CureC), units.From(t.Data.MarkSpacingMM)
	h.ContourCut, h.ContourAssumed = t.Data.ContourCut, false
	if t.Data.InkDensityPct != nil {
		h.DensityPct, h.DensityAssumed = *t.Data.InkDensityPct, false
	}
}

func (h *Heat) register(model *register.Model, s *hazard.Scene) {
	h.Forecast = model.For(&h.Film)
	spacing, spaced := h.SpacingMM.Get()
	if spaced {
		h.FeedMM, h.CrossMM = s.Spans(spacing)
		c, _ := h.Forecast.HottestC(h.ToleranceMM, h.FeedMM, h.CrossMM)
		h.HottestC = units.Some(c)
	}
	cure, known := h.CureC.Get()
	if !known {
		return
	}
	if spaced {
		e := h.Forecast.Residual(cure, h.FeedMM, h.CrossMM)
		h.Residual = &e
	}
	largest := h.Forecast.LargestSpacing(h.ToleranceMM, cure)
	feed, cross := h.Forecast.PreScale(register.Feed, cure), h.Forecast.PreScale(register.Cross, cure)
	h.LargestSpacing, h.PreScaleFeed, h.PreScaleCross = &largest, &feed, &cross
	h.Beyond = h.Forecast.Beyond(cure, h.Passes.Or(0))
}

func (h *Heat) cure(m *plant.Machine) {
	ceiling := h.Film.CeilingC
	if h.ContourCut {
		ceiling = h.Film.ContourCeilingC
	}
	h.Ceilings = []plant.Ceiling{{Code: string(hazard.HotRecipe), C: ceiling}}
	if c, known := h.HottestC.Get(); known && h.ContourCut {
		h.Ceilings = append(h.Ceilings, plant.Ceiling{Code: string(hazard.RegisterDrift), C: c})
	}
	h.Window = m.Window(h.DensityPct, h.Ceilings)
	if passes, known := h.Passes.Get(); known && h.Window != nil {
		b := m.Band(passes, h.DensityPct, h.Ceilings)
		h.Band, h.dwell = &b, m.Dwell(passes)
	}
}

// Explain shows where the numbers come from: the strips, the register, the cure.
func (h *Heat) Explain(d units.Display) []units.Explanation {
	return []units.Explanation{h.explainStrips(d), h.explainRegister(d), h.explainCure(d)}
}

func (h *Heat) explainStrips(d units.Display) units.Explanation {
	e := units.Explanation{Title: "Control strips of " + h.filmName()}
	e.Addf("formula", "strain = (measured - nominal)/nominal; a straight line over the cure temperature, by least squares")
	for _, f := range []*register.Fitted{&h.Forecast.Stock.Feed, &h.Forecast.Stock.Cross} {
		axis := string(f.Axis)
		for _, p := range f.Points {
			e.Add(axis+", "+d.Temp(p.Strip.CureC), fmt.Sprintf("%.6g mm became %.6g mm: %+.3f %%", p.Strip.NominalMM, p.Strip.MeasuredMM, 100*p.Strain), pointNote(f, p))
		}
		if l := f.Line; l != nil {
			e.Add(axis+", slope", fmt.Sprintf("%.5f ± %.5f %%/°C", 100*l.Slope, 100*l.SlopeSE), "one standard error")
			e.Add(axis+", at 0 °C", fmt.Sprintf("%.4f ± %.4f %%", 100*l.Intercept, 100*l.InterceptSE), "one standard error")
			e.Add(axis+", scatter", fmt.Sprintf("%.4f %%, R² %.3f", 100*l.SD, l.R2), fmt.Sprintf("%d lengths, %s to %s", l.N, d.Temp(l.Low), d.Temp(l.High)))
		}
		for _, doubt := range f.Doubts() {
			e.Add(axis+", doubt", doubt, "")
		}
	}
	for _, a := range register.Axes {
		e.Add("basis", h.Forecast.AxisBasis(a), "")
	}
	e.Add("source", "dimensional change as in ISO 11501; prediction intervals and studentized residuals of ordinary least squares",
		"a line needs 3 lengths at 2 temperatures; an outlier lies too far off for the largest of so many at 5 % (Bonferroni); it stays in the line, which then never speaks better of the film than its class does")
	return e
}

func (h *Heat) filmName() string {
	if h.Film.Stock == "" {
		return string(h.Film.Class) + " film without a stock code"
	}
	return h.Film.Stock
}

func pointNote(f *register.Fitted, p register.Point) string {
	if f.Line == nil {
		return ""
	}
	note := fmt.Sprintf("the line says %+.3f %%", 100*p.Fitted)
	if t, known := p.Studentized.Get(); known {
		note += fmt.Sprintf(", studentized residual %.1f", t)
	}
	if p.Outlier {
		note += ": an outlier"
	}
	return note
}

func (h *Heat) explainRegister(d units.Display) units.Explanation {
	e := units.Explanation{Title: "Register on the cutter"}
	h.addRecipe(&e, d)
	e.Addf("cutter tolerance", "%.2f mm", h.ToleranceMM)
	e.Add("uncompensated share", fmt.Sprintf("%.2f", h.Forecast.Share), "rules.uncompensated_share: an assumption until the shop measures it")
	e.Add("formula", "residual = share × |strain| × span between marks, along the axis where it is larger",
		"marks take out offset, rotation, scale and skew; the share of the strain bows between two marks as a parabola and is largest half way")
	if h.FeedMM > 0 {
		e.Add("span between marks", d.Short(h.FeedMM)+" along the roll, "+d.Short(h.CrossMM)+" across", "the mark spacing, but no more than the run is long and the film wide")
	}
	if h.Residual == nil {
		e.Add("residual", "not known", "the ticket gives no "+h.lacking())
	} else {
		e.Add("residual", fmt.Sprintf("%.2f mm%s", h.Residual.Value, within("%.2f", *h.Residual)), h.axisNote(*h.Residual))
	}
	if h.LargestSpacing != nil {
		e.Add("largest mark spacing", spacingWords(*h.LargestSpacing, d), "tolerance/(share × |strain|), at the planned cure")
	}
	if c, known := h.HottestC.Get(); known {
		e.Add("hottest cure for the marks", hottestWords(c, d), "where the residual meets the tolerance, at the planned spacing")
	}
	if h.PreScaleFeed != nil {
		for _, s := range []*register.Estimate{h.PreScaleFeed, h.PreScaleCross} {
			e.Add("print scale, "+string(s.Axis), fmt.Sprintf("%.3f %%%s", s.Value, within("%.3f", *s)), "100/(1 + strain): printed so, a length comes out right")
		}
	}
	if h.Beyond != "" {
		e.Add("beyond the strips", h.Beyond, "what was not measured is never taken to be better than what was")
	}
	return e
}

func (h *Heat) addRecipe(e *units.Explanation, d units.Display) {
	e.Add("film", h.filmName(), string(h.Film.Class))
	e.Add("cure", orNotKnown(h.CureC, d.Temp), "")
	e.Add("passes", orNotKnown(h.Passes, func(n float64) string { return fmt.Sprintf("%g", n) }), "")
	e.Add("mark spacing", orNotKnown(h.SpacingMM, d.Short), "")
	note := ""
	if h.ContourAssumed {
		note = "assumed: no ticket says"
	}
	e.Add("contour cut", map[bool]string{true: "yes", false: "no"}[h.ContourCut], note)
}

func orNotKnown(v units.Maybe, say func(float64) string) string {
	if x, known := v.Get(); known {
		return say(x)
	}
	return "not known"
}

// lacking names what the ticket must say for the residual to be known.
func (h *Heat) lacking() string {
	var lack []string
	if !h.CureC.Known() {
		lack = append(lack, "cure temperature")
	}
	if !h.SpacingMM.Known() {
		lack = append(lack, "mark spacing")
	}
	return strings.Join(lack, " and no ")
}

// within says the interval of an estimate.
func within(format string, e register.Estimate) string {
	low, known := e.Low.Get()
	if !known {
		return ""
	}
	return fmt.Sprintf(" ("+format+" to "+format+")", low, e.High.Or(math.Inf(1)))
}

func (h *Heat) axisNote(e register.Estimate) string {
	if !e.Low.Known() {
		return string(e.Axis) + ", by the film's class: no interval is known"
	}
	return fmt.Sprintf("%s, by the strips; the next one falls within with %.0f %%", e.Axis, 100*register.Confidence)
}

func spacingWords(e register.Estimate, d units.Display) string {
	if math.IsInf(e.Value, 1) {
		return "any: the film does not strain there"
	}
	low, known := e.Low.Get()
	if !known {
		return d.Short(e.Value)
	}
	return fmt.Sprintf("%s (%s at the cautious end)", d.Short(e.Value), d.Short(low))
}

func hottestWords(c float64, d units.Display) string {
	switch {
	case math.IsInf(c, 1):
		return "any"
	case math.IsInf(c, -1):
		return "none that was measured: measure a strip at a cooler cure"
	}
	return d.Temp(c)
}

func (h *Heat) explainCure(d units.Display) units.Explanation {
	e := units.Explanation{Title: "Cure window"}
	note := ""
	if h.DensityAssumed {
		note = "assumed by the rule book: no ticket says"
	}
	e.Add("ink density", fmt.Sprintf("%.0f %%", h.DensityPct), note)
	e.Add("needed", fmt.Sprintf("%.0f s at %s", h.ink.NeededDwell(h.DensityPct), d.Temp(h.ink.ReferenceC)), "of ink "+h.ink.Family)
	e.Add("formula", "coolest cure: 1/T = 1/T_ref + R/Ea × ln(dwell/needed), T in kelvin", fmt.Sprintf("Arrhenius' law with Ea = %.0f kJ/mol", h.ink.ActivationJ/1000))
	for _, c := range h.Ceilings {
		e.Add("ceiling, "+c.Code, hottestWords(c.C, d), "")
	}
	switch {
	case h.Window == nil:
		e.Add("window", "not known", "how long film stays in the cure zone is not known: give the machine's path, swath and stroke")
	case h.Band == nil:
		e.Add("window", "not known for this run", "the ticket gives no passes")
	default:
		e.Addf("dwell in the cure zone", "%.0f s at %g passes", h.dwell, h.Band.Passes)
		e.Add("window", bandWords(*h.Band, d), fmt.Sprintf("at %g passes", h.Band.Passes))
		if c, known := h.CureC.Get(); known {
			e.Add("this recipe", placeWords(*h.Band, c, d), "")
		}
	}
	return e
}

func bandWords(b plant.Band, d units.Display) string {
	if !b.Safe() {
		return "none: what cures the ink is too hot for the film"
	}
	return d.Temp(b.LowC) + " to " + d.Temp(b.HighC)
}

func placeWords(b plant.Band, c float64, d units.Display) string {
	switch cold, hot := b.TooCold(c), b.TooHot(c); {
	case cold && hot:
		return d.Temp(c) + " is too cold for the ink and too hot for the film"
	case cold:
		return d.Temp(c) + " is too cold for the ink"
	case hot:
		return d.Temp(c) + " is too hot: " + b.Code
	}
	return d.Temp(c) + " is inside"
}
