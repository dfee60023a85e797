package register

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Line is a straight line y = Intercept + Slope·x by ordinary least squares.
type Line struct {
	N                      int     // points it was fitted to
	Intercept, Slope       float64 // in the units of y, and of y per x
	InterceptSE, SlopeSE   float64 // their standard errors
	SD                     float64 // residual standard deviation, N-2 degrees of freedom
	R2                     float64 // share of the variance that it explains; 0 where y does not vary
	Low, High              float64 // smallest and largest x that it was fitted to
	meanX, sumXX, residual float64 // mean of x, squares of x about it, squares of the residuals
}

// minPoints is the fewest points that leave something to judge a line's
// uncertainty by.
const minPoints = 3

// FitLine fits a line. It needs at least three points at two different x.
func FitLine(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, fmt.Errorf("a line needs as many x as y: got %d and %d", len(x), len(y))
	}
	n := float64(len(x))
	if len(x) < minPoints {
		return Line{}, fmt.Errorf("a line needs at least %d points at 2 different x: got %d", minPoints, len(x))
	}
	l := Line{N: len(x), Low: x[0], High: x[0]}
	for _, v := range x {
		l.Low, l.High = min(l.Low, v), max(l.High, v)
	}
	if !(l.Low < l.High) { // a NaN is no spread either
		return Line{}, fmt.Errorf("a line needs at least 2 different x: got only %v", l.Low)
	}
	l.Intercept, l.Slope = stat.LinearRegression(x, y, nil, false)
	l.meanX = stat.Mean(x, nil)
	meanY, sumYY := stat.Mean(y, nil), 0.0
	for i := range x {
		l.sumXX += square(x[i] - l.meanX)
		sumYY += square(y[i] - meanY)
		l.residual += square(y[i] - l.At(x[i]))
	}
	if sumYY > 0 {
		l.R2 = 1 - l.residual/sumYY
	}
	l.SD = math.Sqrt(l.residual / (n - 2))
	l.SlopeSE = l.SD / math.Sqrt(l.sumXX)
	l.InterceptSE = l.SD * math.Sqrt(1/n+square(l.meanX)/l.sumXX)
	return l, nil
}

func square(v float64) float64 { return v * v }

// At returns the line's height at x.
func (l *Line) At(x float64) float64 { return l.Intercept + l.Slope*x }

// Predict returns the interval in which one more point at x is expected, with a
// confidence such as 0.95 (Student's t, N-2 degrees of freedom).
func (l *Line) Predict(x, confidence float64) (low, high float64) {
	half := l.quantile(confidence) * l.SD * math.Sqrt(1+l.leverage(x))
	return l.At(x) - half, l.At(x) + half
}

// SlopeWithin returns the confidence interval of the slope.
func (l *Line) SlopeWithin(confidence float64) (low, high float64) {
	half := l.quantile(confidence) * l.SlopeSE
	return l.Slope - half, l.Slope + half
}

func (l *Line) quantile(confidence float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(l.N - 2)}.Quantile(0.5 + confidence/2)
}

// leverage is how much a point at x bears on the line there, 1/N or more.
func (l *Line) leverage(x float64) float64 {
	return 1/float64(l.N) + square(x-l.meanX)/l.sumXX
}

// studentized returns the externally studentized residual of one of the points
// that the line was fitted to: how far it lies off, in standard errors that the
// other points give. It is not known for a point that alone holds the line.
func (l *Line) studentized(x, y float64) (t float64, known bool) {
	off, rest := y-l.At(x), 1-l.leverage(x)
	if l.N <= minPoints || rest < 1e-9 {
		return 0, false
	}
	others := (l.residual - square(off)/rest) / float64(l.N-3)
	if others <= 0 {
		// The others lie on one line, to the last digit that can be told.
		return math.Copysign(math.Inf(1), off), math.Abs(off) > tiny*math.Abs(y)
	}
	return off / math.Sqrt(others*rest), true
}

// tiny is what rounding may leave of a difference of doubles.
const tiny = 1e-12

// outlier reports whether an externally studentized residual is too large for
// the largest of the line's N at 5 percent, by Bonferroni's inequality.
func (l *Line) outlier(t float64) bool {
	tail := distuv.StudentsT{Sigma: 1, Nu: float64(l.N - 3)}.Survival(math.Abs(t))
	return 2*tail*float64(l.N) < 0.05
}
