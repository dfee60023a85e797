package register

import (
	"fmt"
	"math"
	"strings"

	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// Model predicts from control strips where a stock has enough of them, and from
// the film's class where it has not. It never changes once it is made.
type Model struct {
	class  ClassDefault
	stocks map[string]*Stock
	none   *Stock // of film without strips
}

// Learn fits the strips of each stock.
func Learn(class ClassDefault, strips map[string][]floor.Strip) *Model {
	m := &Model{class: class, stocks: make(map[string]*Stock, len(strips)), none: Fit(nil)}
	for stock, s := range strips {
		m.stocks[stock] = Fit(s)
	}
	return m
}

// Residual returns the larger print-to-cut residual, in mm, between marks that
// are feedMM apart along the roll and crossMM across it, after a cure at cureC °C.
// Passes do not enter: strips of all of them are taken together.
func (m *Model) Residual(f *film.Film, cureC, feedMM, crossMM float64) (mm float64) {
	p := m.For(f)
	return max(Bow(m.class.Share, p.strain(Feed, cureC), feedMM, feedMM/2), Bow(m.class.Share, p.strain(Cross, cureC), crossMM, crossMM/2))
}

// Basis says what the prediction for a film rests on.
func (m *Model) Basis(f *film.Film) string {
	p := m.For(f)
	if p.Stock == m.none {
		return m.class.Basis(f)
	}
	return p.AxisBasis(Feed) + "; " + p.AxisBasis(Cross)
}

// For returns what the model says about a film.
func (m *Model) For(f *film.Film) Forecast {
	p := Forecast{Stock: m.none, Share: m.class.Share, film: f}
	if s, known := m.stocks[f.Stock]; known && f.Stock != "" { // film that nobody named may be any
		p.Stock = s
	}
	return p
}

// Forecast is what is predicted for one film. Where an axis has no line, the
// class of the film speaks for it.
type Forecast struct {
	Stock *Stock  // what its strips say
	Share float64 // uncompensated share of the strain
	film  *film.Film
}

// Estimate is a prediction. Low and High bound it with the package's Confidence
// and are not known where the class of the film is all there is.
type Estimate struct {
	Value     float64
	Low, High units.Maybe
	Axis      Axis // the one that decides
}

func (p *Forecast) fitted(a Axis) *Fitted {
	if a == Cross {
		return &p.Stock.Cross
	}
	return &p.Stock.Feed
}

// strain is the change of length, as a fraction, that a cure leaves.
//
// What lies beyond the strips is not known, and so is never taken to be better
// than what is. Cooler than the coolest strip, film strains as that strip did: a
// line that has left its strips could promise anything. Hotter than the hottest
// one, and where a strip lies far off the others, the larger of the line and the
// film's class counts.
func (p *Forecast) strain(a Axis, cureC float64) float64 {
	strain, _ := p.see(a, cureC)
	return strain
}

// see also says whether it is the line that speaks.
func (p *Forecast) see(a Axis, cureC float64) (strain float64, measured bool) {
	f, class := p.fitted(a), p.film.Strain(cureC)
	if f.Line == nil {
		return class, false
	}
	strain = f.Line.At(max(cureC, f.Line.Low))
	if (cureC > f.Line.High || f.Outliers > 0) && math.Abs(class) > math.Abs(strain) {
		return class, false
	}
	return strain, true
}

// Strain returns the change of length, as a fraction, that a cure at cureC °C
// leaves along an axis.
func (p *Forecast) Strain(a Axis, cureC float64) Estimate {
	strain, measured := p.see(a, cureC)
	e := Estimate{Value: strain, Axis: a}
	if measured {
		line := p.fitted(a).Line
		low, high := line.Predict(max(cureC, line.Low), Confidence)
		e.Low, e.High = units.Some(low), units.Some(high)
	}
	return e
}

// bend is the size of the strain that a cure leaves along an axis.
func (p *Forecast) bend(a Axis, cureC float64) Estimate {
	e := p.Strain(a, cureC)
	low, measured := e.Low.Get()
	if !measured {
		e.Value = math.Abs(e.Value)
		return e
	}
	high := e.High.Or(0)
	least := min(math.Abs(low), math.Abs(high))
	if low < 0 && high > 0 {
		least = 0
	}
	return Estimate{math.Abs(e.Value), units.Some(least), units.Some(max(math.Abs(low), math.Abs(high))), a}
}

func (e Estimate) scaled(by float64) Estimate {
	e.Value *= by
	for _, v := range []*units.Maybe{&e.Low, &e.High} {
		if x, known := v.Get(); known {
			*v = units.Some(x * by)
		}
	}
	return e
}

// worst is the larger of the two axes' bends, each over its own span. Where both
// are measured, either may turn out to be the larger one.
func (p *Forecast) worst(cureC, feedMM, crossMM float64) Estimate {
	worst, other := p.bend(Feed, cureC).scaled(feedMM), p.bend(Cross, cureC).scaled(crossMM)
	if other.Value > worst.Value {
		worst, other = other, worst
	}
	if worst.High.Known() && other.High.Known() {
		worst.Low = units.Some(max(worst.Low.Or(0), other.Low.Or(0)))
		worst.High = units.Some(max(worst.High.Or(0), other.High.Or(0)))
	}
	return worst
}

// Residual returns the largest print-to-cut residual in mm, half way between
// marks that are feedMM apart along the roll and crossMM across it, along the axis
// where it is larger: cutters state their tolerance for each axis.
func (p *Forecast) Residual(cureC, feedMM, crossMM float64) Estimate {
	return p.worst(cureC, feedMM, crossMM).scaled(p.Share)
}

// LargestSpacing returns how far apart marks may stand, in mm and along both axes,
// for the residual to stay within a tolerance; +Inf where the film does not strain
// at all.
func (p *Forecast) LargestSpacing(toleranceMM, cureC float64) Estimate {
	perMM := p.worst(cureC, 1, 1).scaled(p.Share)
	e := Estimate{Value: toleranceMM / perMM.Value, Axis: perMM.Axis}
	if most, known := perMM.High.Get(); known {
		e.Low, e.High = units.Some(toleranceMM/most), units.Some(toleranceMM/perMM.Low.Or(0))
	}
	return e
}

// HottestC returns the hottest cure, in °C, whose residual stays within a
// tolerance: +Inf where heat does not matter, and -Inf where no strip would do,
// because what is cooler has not been measured.
func (p *Forecast) HottestC(toleranceMM, feedMM, crossMM float64) (c float64, decides Axis) {
	most := func(spanMM float64) float64 { return toleranceMM / (p.Share * spanMM) } // the strain that meets the tolerance
	feed, cross := p.hottest(Feed, most(feedMM)), p.hottest(Cross, most(crossMM))
	if cross < feed {
		return cross, Cross
	}
	return feed, Feed
}

// hottest is the hottest cure whose strain is no larger than most.
func (p *Forecast) hottest(a Axis, most float64) float64 {
	class := p.film.OnsetC + most/math.Abs(p.film.StrainPerC) // +Inf for film that does not strain
	f := p.fitted(a)
	if f.Line == nil {
		return class
	}
	limit := f.Line.hottest(most)
	switch {
	case f.Outliers > 0:
		limit = min(limit, class)
	case limit > f.Line.High:
		limit = max(f.Line.High, min(limit, class))
	}
	if !math.IsInf(limit, 1) && math.Abs(p.strain(a, limit)) > most*(1+tiny) {
		return math.Inf(-1) // it lies where no strip was measured
	}
	return limit
}

// hottest is the largest x at which the line lies within most of zero.
func (l *Line) hottest(most float64) float64 {
	switch {
	case l.Slope != 0:
		return most/math.Abs(l.Slope) - l.Intercept/l.Slope
	case math.Abs(l.Intercept) <= most:
		return math.Inf(1)
	}
	return math.Inf(-1)
}

// PreScale returns the percentage at which to print along an axis for the length
// to come out right after a cure at cureC °C: 100/(1 + strain).
func (p *Forecast) PreScale(a Axis, cureC float64) Estimate {
	e := p.Strain(a, cureC)
	scale := func(strain float64) float64 { return 100 / (1 + strain) }
	if low, known := e.Low.Get(); known {
		e.Low, e.High = units.Some(scale(e.High.Or(0))), units.Some(scale(low))
	}
	e.Value = scale(e.Value)
	return e
}

// AxisBasis says what an axis' prediction rests on.
func (p *Forecast) AxisBasis(a Axis) string {
	f := p.fitted(a)
	if f.Line == nil {
		return fmt.Sprintf("%s: class default, %s: %s", a, f.Lack(), ofClass(p.film))
	}
	return fmt.Sprintf("%s: %.4f %%/°C from %s, %.0f to %.0f °C, off by %.3f %% (one standard deviation)",
		a, 100*f.Line.Slope, count(f.Line.N, "measured length"), f.Line.Low, f.Line.High, 100*f.Line.SD)
}

// Beyond says how a recipe leaves what was measured; empty where it does not.
// Passes of 0 are not known.
func (p *Forecast) Beyond(cureC, passes float64) string {
	var out []string
	for _, a := range Axes {
		f := p.fitted(a)
		switch l := f.Line; {
		case l == nil:
		case cureC < l.Low:
			out = append(out, fmt.Sprintf("%s: cooler than any strip (%.0f °C): taken as at that one", a, l.Low))
		case cureC > l.High:
			out = append(out, fmt.Sprintf("%s: hotter than any strip (%.0f °C): the larger of line and class default counts", a, l.High))
		}
		if f.Line != nil && passes > 0 && f.MostPasses > 0 && (passes < f.FewestPasses || passes > f.MostPasses) {
			out = append(out, fmt.Sprintf("%s: strips were printed in %s passes", a, span(f.FewestPasses, f.MostPasses)))
		}
	}
	return strings.Join(out, "; ")
}

func span(from, to float64) string {
	if from == to {
		return fmt.Sprintf("%.0f", from)
	}
	return fmt.Sprintf("%.0f to %.0f", from, to)
}
