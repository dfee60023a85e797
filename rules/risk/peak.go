package risk

import "math"

// maximize returns where f is greatest between low and high: the best of
// steps+1 points, refined between its neighbours.
func maximize(low, high float64, steps int, f func(float64) float64) float64 {
	step := (high - low) / float64(steps)
	best, at := math.Inf(-1), low
	for i := range steps + 1 {
		x := low + float64(i)*step
		if y := f(x); y > best {
			best, at = y, x
		}
	}
	return peak(max(low, at-step), min(high, at+step), f)
}

// peakWithin is how far from the greatest value the result of peak may lie.
const peakWithin = 5e-6

// point is a place and the value of a function there.
type point struct{ x, y float64 }

// peak narrows the interval from a to b around the greatest value. A likelihood
// is dear, and near its peak a parabola: so the peak of the parabola through the
// three best points is looked at next, and where that is not to be trusted the
// golden section of the longer side. The method and what is to be trusted are R. P.
// Brent's (Algorithms for Minimization without Derivatives, 1973, chapter 5).
func peak(a, b float64, f func(float64) float64) float64 {
	const golden, tolerance = 2 - math.Phi, peakWithin / 2
	x := a + golden*(b-a)
	first := point{x, f(x)}
	s := search{a, b, first, first, first}
	step, before := 0.0, 0.0 // the last two
	for !s.within(2 * tolerance) {
		next := vertex(s.best, s.second, s.third) - s.best.x
		switch {
		case math.Abs(next) < math.Abs(before)/2 && s.holds(next):
			step, before = next, step // every second step is halved at least
			if !s.holds(next-2*tolerance) || !s.holds(next+2*tolerance) {
				step = math.Copysign(tolerance, s.middle()-s.best.x)
			}
		case s.best.x < s.middle():
			before = s.b - s.best.x
			step = golden * before
		default:
			before = s.a - s.best.x
			step = golden * before
		}
		step = math.Copysign(max(tolerance, math.Abs(step)), step)
		s.take(point{s.best.x + step, f(s.best.x + step)})
	}
	return s.best.x
}

// search is an interval that holds a peak, and the best points in it so far.
type search struct {
	a, b                float64
	best, second, third point
}

func (s *search) middle() float64 { return (s.a + s.b) / 2 }

// within reports whether all of the interval is that near to the best point.
func (s *search) within(d float64) bool { return max(s.best.x-s.a, s.b-s.best.x) <= d }

// holds reports whether a step from the best point stays in the interval.
func (s *search) holds(step float64) bool { return s.a < s.best.x+step && s.best.x+step < s.b }

// take narrows the interval by a new point, since the peak is not beyond the worse
// one of it and the best.
func (s *search) take(p point) {
	worse := p
	switch {
	case p.y >= s.best.y:
		worse, s.best, s.second, s.third = s.best, p, s.best, s.second
	case p.y >= s.second.y || s.second == s.best:
		s.second, s.third = p, s.second
	case p.y >= s.third.y || s.third == s.best || s.third == s.second:
		s.third = p
	}
	if worse.x < s.best.x {
		s.a = worse.x
	} else {
		s.b = worse.x
	}
}

// vertex is where the parabola through three points turns; NaN when they do not
// make one.
func vertex(p, q, r point) float64 {
	toQ, toR := p.x-q.x, p.x-r.x
	byQ, byR := toR*(p.y-q.y), toQ*(p.y-r.y)
	return p.x - (toR*byQ-toQ*byR)/(2*(byQ-byR))
}
