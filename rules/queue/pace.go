package queue

import (
	"math"
	"slices"
)

// Pace is how long the runs of one machine really take, against the time
// computed for them. Ratios of times are compared on a logarithmic scale,
// where half and twice the computed time lie equally far from it.
type Pace struct {
	Factor float64 // real over computed time, of a usual run
	Spread float64 // standard deviation of one run's logarithm around the factor's
	Doubt  float64 // standard deviation of the factor's own logarithm
	Runs   int     // so many finished runs were learnt from
}

// What is believed before any run has finished: that runs take as long as
// computed, as surely as if priorRuns runs had shown it, give or take a quarter.
// Common practice, no source.
const (
	priorRuns   = 3
	priorSpread = 0.25
)

// normalMAD makes the median absolute deviation of normal values their standard
// deviation: one over the normal distribution's upper quartile (Rousseeuw and
// Croux 1993, "Alternatives to the median absolute deviation", JASA 88).
const normalMAD = 1.482602218505602

// MostRatios is how many ratios LearnPace looks at, at most.
const MostRatios = 64

// mostRatio is how many times faster or slower than computed a run may have been
// to teach anything: beyond, its metres were told wrong (common practice, no
// source). Taken as they are, they would make the next run last for ages.
const mostRatio = 100

// LearnPace learns a pace from the ratios of real to computed time of the last
// runs, newest last. A ratio that no run can have teaches nothing, and no more
// than MostRatios are looked at, the newest.
//
// The median and the median absolute deviation of the logarithms stand for
// their middle and spread, so that a run which waited over lunch says nothing.
// Both are shrunk towards what is believed beforehand, in proportion to the
// number of runs: with n runs the learnt middle counts n/(n+priorRuns).
func LearnPace(ratios []float64) Pace {
	var buffer [MostRatios]float64
	logs := buffer[:0]
	for _, r := range ratios[max(0, len(ratios)-MostRatios):] {
		if 1.0/mostRatio <= r && r <= mostRatio {
			logs = append(logs, math.Log(r))
		}
	}
	n := float64(len(logs))
	middle, spread := medianAndMAD(logs)
	spread *= normalMAD
	p := Pace{Runs: len(logs), Factor: math.Exp(middle * n / (n + priorRuns))}
	p.Spread = math.Sqrt((n*spread*spread + priorRuns*priorSpread*priorSpread) / (n + priorRuns))
	// The variance of a median of n normal values tends to π/2 that of their mean.
	p.Doubt = p.Spread * math.Sqrt(math.Pi/2/(n+priorRuns))
	return p
}

// medianAndMAD returns the median and the median absolute deviation from it,
// both 0 of no values. It uses the values up.
func medianAndMAD(values []float64) (median, mad float64) {
	median = medianOf(values)
	for i, v := range values {
		values[i] = math.Abs(v - median)
	}
	return median, medianOf(values)
}

// medianOf sorts the values and returns their median.
func medianOf(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	half := len(values) / 2
	if len(values)%2 == 1 {
		return values[half]
	}
	return (values[half-1] + values[half]) / 2
}

// reach is how many standard deviations an interval goes to either side: nine
// of ten normal values lie within.
const reach = 1.6448536269514722

// Interval returns the times, in s, between which nine of ten runs end that are
// expected to take this long.
func (p Pace) Interval(expectedS float64) (low, high float64) {
	early, late := Slack{}.Plus(p, expectedS), Slack{Late: true}.Plus(p, expectedS)
	return max(0, expectedS-early.Seconds()), expectedS + late.Seconds()
}

// Slack is how far a moment may lie to one side of what is expected. It grows
// with each run before that moment: what varies from run to run adds up as
// variances do, and the doubt about the machine's pace, which all runs share,
// adds up as it is.
type Slack struct {
	Late             bool    // the side: later than expected, or sooner
	variance, shared float64 // s², s
}

// Plus adds a run that is expected to take this long, in s.
func (s Slack) Plus(p Pace, expectedS float64) Slack {
	own := expectedS * s.share(p.Spread)
	return Slack{s.Late, s.variance + own*own, s.shared + expectedS*s.share(p.Doubt)}
}

// share is what a standard deviation of logarithms comes to on this side, as a
// share of the time: a run can take twice its time, but not save all of it.
func (s Slack) share(deviation float64) float64 {
	if s.Late {
		return math.Expm1(reach*deviation) / reach
	}
	return -math.Expm1(-reach*deviation) / reach
}

// Seconds is how far the moment may lie off: between the slack to either side
// lie nine of ten.
func (s Slack) Seconds() float64 { return reach * math.Sqrt(s.variance+s.shared*s.shared) }

// Within cuts the slack down to so many seconds: a planned start leaves less of
// it, since nothing starts before its time.
func (s Slack) Within(seconds float64) Slack {
	all := s.Seconds()
	if all == 0 || all <= seconds {
		return s // no slack at all cannot be cut, whatever is left for it
	}
	left := max(0, seconds) / all
	return Slack{s.Late, s.variance * left * left, s.shared * left}
}
