package reliability

import "math"

// Chart is a control chart: a series with the limits that chance alone would
// rarely let it pass.
type Chart struct {
	Center float64
	Points []Point
}

// Point is one value of a chart. Limits may differ from point to point.
type Point struct {
	Value, Low, High float64
}

// Beyond reports whether the point lies outside its limits; on a limit is
// inside.
func (p Point) Beyond() bool { return p.Value < p.Low || p.Value > p.High }

// sigmas is how far the limits lie from the center, as Shewhart had them.
const sigmas = 3

// d2 turns a mean moving range of two into a standard deviation: its mean is
// d2 = 2/√π standard deviations of a normal variable. Tables print 1.128.
var d2 = 2 / math.Sqrt(math.Pi)

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// movingRange is the mean distance between neighbours; 0 for fewer than two.
func movingRange(values []float64) float64 {
	sum := 0.0
	for i := 1; i < len(values); i++ {
		sum += math.Abs(values[i] - values[i-1])
	}
	return sum / float64(max(1, len(values)-1))
}

// Individuals is the XmR chart: mean ± 3·MR/d2 with the mean moving range MR
// (NIST/SEMATECH e-Handbook, 6.3.2.2). It needs two values.
func Individuals(values []float64) (c Chart, ok bool) {
	if len(values) < 2 {
		return Chart{}, false
	}
	c.Center = mean(values)
	wide := sigmas * movingRange(values) / d2
	for _, v := range values {
		c.Points = append(c.Points, Point{v, c.Center - wide, c.Center + wide})
	}
	return c, true
}

// EWMA is the chart of the exponentially weighted moving average
// z = λ·x + (1-λ)·z, which starts at center, with the limits for an average
// that has run for long, center ± 3·sigma·√(λ/(2-λ)) (NIST/SEMATECH e-Handbook,
// 6.3.2.4). sigma is the standard deviation of one value.
func EWMA(values []float64, lambda, center, sigma float64) Chart {
	c, z := Chart{Center: center}, center
	wide := sigmas * sigma * math.Sqrt(lambda/(2-lambda))
	for _, v := range values {
		z = lambda*v + (1-lambda)*z
		c.Points = append(c.Points, Point{z, center - wide, center + wide})
	}
	return c
}

// Rates is the u chart of events per exposure: limits ū ± 3·√(ū/n), not below
// 0 (NIST/SEMATECH e-Handbook, 6.3.3.1, with n = 1 for counts). Groups without
// exposure must be left out. ok is false without a group.
func Rates(events, exposure []float64) (c Chart, ok bool) {
	if len(events) == 0 {
		return Chart{}, false
	}
	c.Center = mean(events) / mean(exposure)
	for i, x := range events {
		wide := sigmas * math.Sqrt(c.Center/exposure[i])
		c.Points = append(c.Points, Point{x / exposure[i], max(0, c.Center-wide), c.Center + wide})
	}
	return c, true
}

// LaneyProportions is the p' chart: the p chart's limits, widened or narrowed
// by how much more or less than binomially the groups vary. That factor is the
// mean moving range, over d2, of the standardised z = (p-p̄)/√(p̄(1-p̄)/n).
// D. B. Laney, Improved control charts for attributes, Quality Engineering 14
// (2002), 531-537. Groups without trials must be left out.
func LaneyProportions(events, trials []float64) (c Chart, ok bool) {
	center := mean(events) / mean(trials)
	if len(events) < 2 || center <= 0 || center >= 1 {
		return proportions(events, trials, 1)
	}
	z := make([]float64, len(events))
	for i, x := range events {
		z[i] = (x/trials[i] - center) / math.Sqrt(center*(1-center)/trials[i])
	}
	return proportions(events, trials, movingRange(z)/d2)
}

// proportions is the p chart with its limits a factor wider: p̄ ± 3·√(p̄(1-p̄)/n)
// within 0 to 1 (NIST/SEMATECH e-Handbook, 6.3.3.2).
func proportions(events, trials []float64, factor float64) (c Chart, ok bool) {
	if len(events) == 0 {
		return Chart{}, false
	}
	c.Center = mean(events) / mean(trials)
	for i, x := range events {
		wide := sigmas * factor * math.Sqrt(max(0, c.Center*(1-c.Center))/trials[i])
		c.Points = append(c.Points, Point{x / trials[i], max(0, c.Center-wide), min(1, c.Center+wide)})
	}
	return c, true
}
