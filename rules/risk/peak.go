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
	best := point{x, f(x)}
	second, third := best, best
	step, before := 0.0, 0.0 // the last two
	for {
		middle := (a + b) / 2
		if math.Abs(best.x-middle)+(b-a)/2 <= 2*tolerance {
			return best.x
		}
		// Steps must at least halve every second time, or little is to be hoped for.
		next := vertex(best, second, third) - best.x
		if math.Abs(next) < math.Abs(before)/2 && a < best.x+next && best.x+next < b {
			step, before = next, step
			if best.x+step-a < 2*tolerance || b-best.x-step < 2*tolerance {
				step = math.Copysign(tolerance, middle-best.x)
			}
		} else {
			if before = b - best.x; best.x >= middle {
				before = a - best.x
			}
			step = golden * before
		}
		if math.Abs(step) < tolerance {
			step = math.Copysign(tolerance, step)
		}
		tried := point{best.x + step, f(best.x + step)}
		switch {
		case tried.y >= best.y && step >= 0:
			a = best.x
		case tried.y >= best.y:
			b = best.x
		case step < 0:
			a = tried.x
		default:
			b = tried.x
		}
		switch {
		case tried.y >= best.y:
			best, second, third = tried, best, second
		case tried.y >= second.y || second == best:
			second, third = tried, second
		case tried.y >= third.y || third == best || third == second:
			third = tried
		}
	}
}

// vertex is where the parabola through three points turns; NaN when they do not
// make one.
func vertex(p, q, r point) float64 {
	toQ, toR := p.x-q.x, p.x-r.x
	byQ, byR := toR*(p.y-q.y), toQ*(p.y-r.y)
	return p.x - (toR*byQ-toQ*byR)/(2*(byQ-byR))
}
