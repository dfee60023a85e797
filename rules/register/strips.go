package register

import (
	"fmt"
	"math"

	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// Axis is a direction on the film.
type Axis string

// The axes of a control strip.
const (
	Feed  Axis = "feed"  // along the roll
	Cross Axis = "cross" // across it
)

// Axes lists them.
var Axes = []Axis{Feed, Cross}

// Confidence is that of every interval that is given.
const Confidence = 0.95

// PVCExpansionPerC is the linear thermal expansion of rigid PVC, 1/°C: tables of
// plastics give 50 to 80e-6 (value from memory; plasticised film has up to
// twice as much). It is reversible. What a cure leaves in cold film is another
// thing, the release of what the making of the film froze in, and film shrinks
// by it; but a strip that is measured warm shows both.
const PVCExpansionPerC = 80e-6

// steepest is the strain per °C beyond which a strip is likely to be misread:
// ten times what plastics do when they are merely warmed.
const steepest = 10 * PVCExpansionPerC

// Point is one strip beside the line.
type Point struct {
	Strip       floor.Strip
	Strain      float64     // (measured - nominal)/nominal
	Fitted      float64     // the line's; 0 where there is none
	Studentized units.Maybe // externally studentized residual
	Outlier     bool        // too far off for the largest of so many, at 5 percent
}

// Fitted is what the strips of one stock say about one axis.
type Fitted struct {
	Axis         Axis
	Line         *Line // strain against cure temperature; nil while strips are too few
	Points       []Point
	Temperatures int     // different ones
	Outliers     int     // among the points
	FewestPasses float64 // of the strips that say; 0 where none does
	MostPasses   float64
}

// Stock is what the strips of one stock say.
type Stock struct{ Feed, Cross Fitted }

// Fit fits the strips of one stock. No strip is left out: one that lies far off
// is marked, and stays in the line until a person removes its cause.
func Fit(strips []floor.Strip) *Stock {
	return &Stock{fitAxis(Feed, strips), fitAxis(Cross, strips)}
}

func fitAxis(axis Axis, strips []floor.Strip) Fitted {
	f := Fitted{Axis: axis}
	var cure, strain []float64
	seen := map[float64]bool{}
	for _, s := range strips {
		if Axis(s.Axis) != axis {
			continue
		}
		p := Point{Strip: s, Strain: PercentChange(s.NominalMM, s.MeasuredMM) / 100}
		f.Points = append(f.Points, p)
		cure, strain = append(cure, s.CureC), append(strain, p.Strain)
		seen[s.CureC] = true
		f.pass(s.Passes)
	}
	f.Temperatures = len(seen)
	line, err := FitLine(cure, strain)
	if err != nil {
		return f // Lack says what is missing
	}
	f.Line = &line
	for i := range f.Points {
		p := &f.Points[i]
		p.Fitted = line.At(p.Strip.CureC)
		if t, known := line.studentized(p.Strip.CureC, p.Strain); known {
			p.Studentized, p.Outlier = units.Some(t), line.outlier(t)
		}
		if p.Outlier {
			f.Outliers++
		}
	}
	return f
}

func (f *Fitted) pass(passes units.Maybe) {
	n, known := passes.Get()
	switch {
	case !known:
	case f.MostPasses == 0:
		f.FewestPasses, f.MostPasses = n, n
	default:
		f.FewestPasses, f.MostPasses = min(f.FewestPasses, n), max(f.MostPasses, n)
	}
}

// Lack says what is missing for a line; empty where there is one.
func (f *Fitted) Lack() string {
	switch {
	case f.Line != nil:
		return ""
	case len(f.Points) == 0:
		return "no control strips yet"
	}
	return fmt.Sprintf("%s at %s: a line needs %d at 2", count(len(f.Points), "measured length"), count(f.Temperatures, "temperature"), minPoints)
}

func count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprint(n, " ", what)
}

// Doubts says what makes the strips worth measuring again.
func (f *Fitted) Doubts() (doubts []string) {
	for _, p := range f.Points {
		if p.Outlier {
			doubts = append(doubts, fmt.Sprintf("%g mm at %g °C, measured as %.6g mm, lies far off the others: measure it again", p.Strip.NominalMM, p.Strip.CureC, p.Strip.MeasuredMM))
		}
	}
	if f.Line == nil {
		return doubts
	}
	low, high := f.Line.SlopeWithin(Confidence)
	switch {
	case math.Abs(f.Line.Slope) > steepest:
		doubts = append(doubts, fmt.Sprintf("a strain of %.3f %% per °C is more than film can do: check nominal lengths and temperatures", 100*f.Line.Slope))
	case low > 0:
		doubts = append(doubts, fmt.Sprintf("the strips grow with heat, as warm film does (PVC up to about %.3f %% per °C): measure them cold", 100*PVCExpansionPerC))
	case low < 0 && high > 0:
		doubts = append(doubts, "the strips do not show whether heat matters: measure at temperatures further apart")
	}
	return doubts
}
