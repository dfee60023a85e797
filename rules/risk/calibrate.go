package risk

import (
	"cmp"
	"math"
	"slices"

	"rollwarden/rules/units"
)

// Forecast is what was said before a start, and how the start ended.
type Forecast struct {
	P      float64 // the odds of a strike that were given, from 0 to 1
	Struck bool
}

// Bin is a row of the reliability table: the starts whose odds lay from Low up
// to High, what was said of them on average, and what came.
type Bin struct {
	Low, High       float64
	Starts, Strikes int
	MeanP, Rate     float64 // NaN in an empty bin
}

// Calibration says how good a series of forecasts was.
//
// Brier is the mean squared error of the odds (Brier 1950), 0 at best. Murphy
// (1973) takes it apart:
//
//	Brier = Reliability - Resolution + Uncertainty + Within
//
// Reliability is the squared distance between what was said and what came,
// 0 at best. Resolution is how far the bins' rates lie apart, the more the
// better. Uncertainty is that of always giving the shop's average. Within is
// what the bins blur, 0 if all forecasts of a bin are the same (Stephenson,
// Coelho and Jolliffe 2008).
type Calibration struct {
	Starts, Strikes                                     int
	Brier, Reliability, Resolution, Uncertainty, Within float64
	Skill                                               units.Maybe // 1 - Brier/Uncertainty; unknown if all starts ended alike
	Bins                                                []Bin
}

// DefaultEdges are the limits between bins: close together where the odds of a
// strike mostly are. They are values from judgement, no source.
func DefaultEdges() []float64 { return []float64{0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5} }

// Calibrate judges forecasts, with bins that part at the edges; a forecast on
// an edge belongs above it. Forecasts that are no probability are left out, as
// are edges that do not lie between 0 and 1. Without forecasts everything is
// zero and the skill unknown.
func Calibrate(forecasts []Forecast, edges []float64) Calibration {
	c := Calibration{Bins: emptyBins(edges)}
	for _, f := range forecasts {
		if !(0 <= f.P && f.P <= 1) {
			continue
		}
		struck := 0
		if f.Struck {
			struck = 1
		}
		b := &c.Bins[c.bin(f.P)]
		b.Starts, b.Strikes = b.Starts+1, b.Strikes+struck
		b.MeanP += f.P
		c.Starts, c.Strikes = c.Starts+1, c.Strikes+struck
		c.Brier += (f.P - float64(struck)) * (f.P - float64(struck))
	}
	c.decompose()
	return c
}

// decompose turns the sums into means and takes the score apart.
func (c *Calibration) decompose() {
	n := float64(max(c.Starts, 1))
	average := float64(c.Strikes) / n
	c.Brier /= n
	c.Uncertainty = average * (1 - average)
	for i := range c.Bins {
		b := &c.Bins[i]
		k := float64(b.Starts)
		b.MeanP, b.Rate = b.MeanP/k, float64(b.Strikes)/k // NaN without starts
		if b.Starts > 0 {
			c.Reliability += k / n * (b.MeanP - b.Rate) * (b.MeanP - b.Rate)
			c.Resolution += k / n * (b.Rate - average) * (b.Rate - average)
		}
	}
	c.Within = c.Brier - (c.Reliability - c.Resolution + c.Uncertainty)
	if c.Uncertainty > 0 {
		c.Skill = units.Some(1 - c.Brier/c.Uncertainty)
	}
}

func emptyBins(edges []float64) []Bin {
	inside := slices.DeleteFunc(slices.Clone(edges), func(e float64) bool { return math.IsNaN(e) || e <= 0 || e >= 1 })
	slices.Sort(inside)
	bins, low := []Bin{}, 0.0
	for _, high := range append(slices.Compact(inside), 1) {
		bins = append(bins, Bin{Low: low, High: high})
		low = high
	}
	return bins
}

// bin finds where a forecast belongs.
func (c *Calibration) bin(p float64) int {
	i, exact := slices.BinarySearchFunc(c.Bins, p, func(b Bin, p float64) int { return cmp.Compare(b.Low, p) })
	if exact {
		return i
	}
	return i - 1
}
