package risk

import (
	"slices"
	"time"
)

// Outcome is one start and how it ended.
type Outcome struct {
	Start  Start
	Struck bool
	At     time.Time // of the start
}

// Cell is the outcome counted.
func (o Outcome) Cell() Cell {
	c := o.Start.cell()
	c.Starts = 1
	if o.Struck {
		c.Strikes = 1
	}
	return c
}

// Foretold is an outcome with what was to be said of it before it came.
type Foretold struct {
	Outcome
	P       float64 // by the model of the starts before
	Average float64 // by the average of the starts before, the prior counting as one start
}

// Walk is a way through a shop's starts, for odds that are learnt by any means.
type Walk struct {
	Before     []Cell                           // starts that were known before the first one
	Fit        func([]Cell) func(Start) float64 // learns the odds; of no cells, those without any data
	StrikeFits int                              // strikes that are learnt at once; those after them wait for a tenth more starts
}

// Foretell walks a shop's starts in the order of their time and says of each what
// the odds, learnt from earlier starts only, and the plain average say of it (Dawid
// 1984, Journal of the Royal Statistical Society A 147, calls such forecasts
// prequential). The odds are learnt anew whenever ten starts and a tenth have come,
// and after a strike at once, as the watch does it: so the forecasts are those that
// were given, whoever asks, and when. Most of the time goes into the fits after
// strikes. A start counts as known to the next one, although runs on other machines
// may overlap.
func (w Walk) Foretell(outcomes []Outcome) []Foretold {
	outcomes = slices.Clone(outcomes)
	slices.SortStableFunc(outcomes, func(a, b Outcome) int { return a.At.Compare(b.At) })
	cells, all := map[Cell]tally{}, tally{}
	add := func(c Cell, t tally) {
		c.Starts, c.Strikes = 0, 0
		cells[c], all = cells[c].plus(t), all.plus(t)
	}
	for _, c := range w.Before {
		add(c, tally{c.Strikes, max(c.Starts, c.Strikes)})
	}
	list := make([]Foretold, 0, len(outcomes))
	untaught := w.Fit(nil)
	odds, fitAt, strikeFits := untaught, uint64(leastNews), w.StrikeFits
	if all.starts > 0 {
		fitAt = 0
	}
	for _, x := range outcomes {
		if all.starts >= fitAt {
			odds = w.Fit(counted(cells))
			fitAt = all.starts + max(leastNews, all.starts/10)
		}
		list = append(list, Foretold{
			Outcome: x, P: odds(x.Start),
			Average: (float64(all.strikes) + untaught(x.Start)) / float64(all.starts+1),
		})
		t := tally{starts: 1}
		if x.Struck {
			t.strikes = 1
			if strikeFits > 0 {
				fitAt = 0
				strikeFits--
			}
		}
		add(x.Start.cell(), t)
	}
	return list
}

// leastNews is by how many starts, at least, a log must grow to be fitted anew.
const leastNews = 10

// cell is the cell of a start, without counts.
func (s Start) cell() Cell {
	return Cell{Class: s.Class, Treatment: s.Treatment, RH: RHBand(s.RHPct), Cure: CureBand(s.CureC), Site: s.Site, Machine: s.Machine}
}

// counted lists cells with their counts. Their order does not matter to Fit.
func counted(cells map[Cell]tally) []Cell {
	list := make([]Cell, 0, len(cells))
	for c, t := range cells {
		c.Starts, c.Strikes = t.starts, t.strikes
		list = append(list, c)
	}
	return list
}

// Record is how the odds that were given did against the plain average.
type Record struct{ Model, Average Calibration }

// Score judges what was foretold, of all starts or of those of a month. The
// edges part the bins; see Calibrate.
func Score(list []Foretold, edges []float64) Record {
	model, average := make([]Forecast, len(list)), make([]Forecast, len(list))
	for i, f := range list {
		model[i], average[i] = Forecast{f.P, f.Struck}, Forecast{f.Average, f.Struck}
	}
	return Record{Calibrate(model, edges), Calibrate(average, edges)}
}
