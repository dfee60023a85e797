package reliability

import (
	"fmt"
	"maps"
	"slices"
	"time"
)

// minPoints is the fewest points whose limits are worth looking at: a value
// from judgement.
const minPoints = 8

// maxPoints is how many of the newest a chart shows; the limits are from all.
const maxPoints = 60

// maxWeeks is how far back the chart of weeks goes.
const maxWeeks = 26

// charts are those that the data suffice for.
func (v *view) charts() []Series {
	var out []Series
	add := func(s Series, labels []string, c Chart, ok bool) {
		if ok {
			out = append(out, s.drawn(labels, c))
		}
	}
	labels, starts, hours := v.gaps()
	c, ok := Geometric(starts)
	add(Series{Name: "g", Title: "Starts between strikes", Unit: "starts"}, labels, c, ok)
	c, ok = TimesBetween(hours)
	add(Series{Name: "t", Title: "Time between strikes", Unit: "h"}, labels, c, ok)

	labels, struck, started := v.weeks()
	c, ok = Rates(struck, started)
	add(Series{Name: "u", Title: "Strikes per start, by week", Unit: "strikes per start"}, labels, c, ok)

	labels, reprints, finished := v.reprintsByDay()
	c, ok = LaneyProportions(reprints, finished)
	add(Series{Name: "p-prime", Title: "Reprints per finished run, by day", Unit: "reprints per run"}, labels, c, ok)

	labels, m2 := v.wasteByDay()
	c, ok = Individuals(m2)
	add(Series{Name: "individuals", Title: "Waste, by day", Unit: "m²"}, labels, c, ok)
	if ok {
		add(Series{Name: "ewma", Title: "Waste, average that forgets", Unit: "m²"}, labels, EWMA(m2, 0.2, c.Center, movingRange(m2)/d2), true)
	}
	return out
}

// drawn puts a chart's newest points in a series. Lower limits stop at 0, as
// everything that is charted does.
func (s Series) drawn(labels []string, c Chart) Series {
	s.Center = c.Center
	for i := max(0, len(c.Points)-maxPoints); i < len(c.Points); i++ {
		p := c.Points[i]
		s.Points = append(s.Points, SeriesPoint{labels[i], p.Value, max(0, p.Low), p.High, p.Beyond()})
	}
	out := 0
	for _, p := range s.Points {
		if p.Beyond {
			out++
		}
	}
	switch {
	case len(c.Points) < minPoints:
		s.Words = TooFew
	case out == 0:
		s.Words = "no more than chance would do"
	default:
		s.Words = fmt.Sprintf("%d of %d beyond the limits: look for what was different then", out, len(s.Points))
	}
	return s
}

// gaps are the good starts and the hours between successive strikes of the
// whole life, by the date of the later one.
func (v *view) gaps() (labels []string, starts, hours []float64) {
	list := v.all.Strikes
	for i := 1; i < len(list); i++ {
		labels = append(labels, v.date(list[i].At))
		starts = append(starts, max(0, float64(list[i].Starts)-float64(list[i-1].Starts)-1))
		hours = append(hours, max(0, list[i].At.Sub(list[i-1].At).Hours()))
	}
	return labels, starts, hours
}

func (v *view) date(t time.Time) string { return t.In(v.fold.zone).Format(time.DateOnly) }

// weeks are the strikes and starts of the newest weeks that had starts.
func (v *view) weeks() (labels []string, strikes, starts []float64) {
	type week struct{ starts, strikes float64 }
	weeks := map[string]*week{}
	for _, d := range v.all.Days {
		monday := mondayOf(d.Date)
		if weeks[monday] == nil {
			weeks[monday] = &week{}
		}
		weeks[monday].starts += float64(d.Starts)
		weeks[monday].strikes += float64(d.Strikes)
	}
	for _, monday := range newest(slices.Sorted(maps.Keys(weeks)), maxWeeks) {
		if w := weeks[monday]; w.starts > 0 {
			labels, strikes, starts = append(labels, monday), append(strikes, w.strikes), append(starts, w.starts)
		}
	}
	return labels, strikes, starts
}

func mondayOf(date string) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date // of a history that somebody wrote by hand
	}
	return t.AddDate(0, 0, -(int(t.Weekday())+6)%7).Format(time.DateOnly)
}

// reprintsByDay counts on the days on which runs finished. A day never has
// more reprints than runs here: what is over belongs to runs of days before.
func (v *view) reprintsByDay() (labels []string, reprints, finished []float64) {
	runs, again := map[string]float64{}, map[string]float64{}
	for _, r := range v.fold.runs {
		if r.finished && v.period.Has(r.until) {
			runs[v.date(r.until)]++
		}
	}
	for _, r := range v.reprints {
		again[v.date(r.At)]++
	}
	for _, day := range slices.Sorted(maps.Keys(runs)) {
		labels, reprints, finished = append(labels, day), append(reprints, min(again[day], runs[day])), append(finished, runs[day])
	}
	return labels, reprints, finished
}

// wasteByDay adds waste up on the days that had starts or waste.
func (v *view) wasteByDay() (labels []string, m2 []float64) {
	days := map[string]float64{}
	for _, s := range v.starts {
		days[v.date(s.At)] += 0
	}
	for _, w := range v.wastes {
		days[v.date(w.At)] += w.m2.Or(0)
	}
	for _, day := range slices.Sorted(maps.Keys(days)) {
		labels, m2 = append(labels, day), append(m2, days[day])
	}
	return labels, m2
}
