package reliability

import "math"

// Charts for events so rare that most days have none. A point is not how many
// came, but how long it took until the next: a value above the upper limit is
// an improvement, one below the lower limit a setback.

// shewhartTail is the probability above three standard deviations of a normal
// variable, so that these limits are as rarely passed as usual ones.
const shewhartTail = 0.0013498980316301

// Geometric is the g chart of the whole numbers of good starts between
// successive strikes. If every start has the same odds p of a strike they are
// geometric, P(X ≤ x) = 1-(1-p)^(x+1), with p = ((N-1)/N)/(mean+1). Center and
// limits are the median and the quantiles that the three-sigma limits of a
// normal variable have, interpolated between whole numbers. It needs two
// values.
//
// J. C. Benneyan, Number-between g-type statistical quality control charts for
// monitoring adverse events, Health Care Management Science 4 (2001), 305-318,
// for the chart and the estimator of p.
func Geometric(between []float64) (c Chart, ok bool) {
	n := float64(len(between))
	if n < 2 {
		return Chart{}, false
	}
	p := (n - 1) / n / (mean(between) + 1)
	c.Center = geometricQuantile(p, 0.5)
	low, high := geometricQuantile(p, shewhartTail), geometricQuantile(p, 1-shewhartTail)
	for _, v := range between {
		c.Points = append(c.Points, Point{v, low, high})
	}
	return c, true
}

// geometricQuantile interpolates between the steps of the distribution.
func geometricQuantile(p, u float64) float64 {
	if u <= p {
		return 0
	}
	until := func(x float64) float64 { return -math.Expm1((x + 1) * math.Log1p(-p)) }
	x := math.Floor(math.Log1p(-u)/math.Log1p(-p) - 1)
	return x + (u-until(x))/(until(x+1)-until(x))
}

// nelson is the power that makes a Weibull variable of shape 3.6, nearly a
// normal one, of an exponential one.
const nelson = 1 / 3.6

// TimesBetween is the t chart of the times between successive strikes: the
// individuals chart of y = t^(1/3.6), with center and limits carried back by
// the power of 3.6. A lower limit below 0 is 0. It needs two values.
//
// L. S. Nelson, A control chart for parts-per-million nonconforming items,
// Journal of Quality Technology 26 (1994), 239-240.
func TimesBetween(times []float64) (c Chart, ok bool) {
	y := make([]float64, len(times))
	for i, t := range times {
		y[i] = math.Pow(t, nelson)
	}
	c, ok = Individuals(y)
	back := func(y float64) float64 { return math.Pow(max(0, y), 1/nelson) }
	c.Center = back(c.Center)
	for i, p := range c.Points {
		c.Points[i] = Point{times[i], back(p.Low), back(p.High)}
	}
	return c, ok
}
