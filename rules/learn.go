package rules

import (
	"fmt"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/register"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// learnEvery is by how many starts the log must have grown, at least, before
// the odds are learnt anew; a long log must have grown by a tenth.
const learnEvery = 10

// heed counts what may change the odds, starts by and by and a strike at once,
// and notes when control strips have changed. What is taken back is unlearnt.
func (e *Engine) heed(ev event.Event) {
	switch d := ev.Data.(type) {
	case *event.RunStarted:
		e.starts++
	case *event.StrikeRecorded:
		e.learnAt = 0
	case *event.StripMeasured:
		e.strips = true
	case *event.EntryUndone:
		e.learnAt = 0
		e.strips = e.strips || d.Type == "strip.measured" // the floor takes nothing back under another type
	}
}

// learn fits the odds to the shop's own starts when there is enough news.
func (e *Engine) learn() {
	if e.site.Learn == nil || e.starts < e.learnAt {
		return
	}
	e.advisor.Odds = e.site.Learn(Cells(e.floor))
	e.learnAt = e.starts + max(learnEvery, e.starts/10)
}

// fitStrips fits the register anew when control strips have changed. Every
// machine may print on their stock, so all are judged again.
func (e *Engine) fitStrips() {
	if !e.strips {
		return
	}
	e.strips = false
	e.drift = register.Learn(e.site.Drift, e.floor.Strips)
	for key := range e.floor.Machines {
		e.dirty[key] = true
	}
}

// startsOf counts the starts of a floor.
func startsOf(f *floor.State) (n uint64) {
	for _, m := range f.Machines {
		n += m.Tally.TotalStarts()
	}
	return n
}

// Cells lays the starts of all machines out for the model of the odds. Treatments
// are as the floor saw them: where an advanced edge lay is not kept with a kind of
// start, so one that fell short counts with those that reached.
func Cells(f *floor.State) []risk.Cell {
	var out []risk.Cell
	for _, m := range f.Sorted() {
		for _, k := range m.Tally.Kinds {
			out = append(out, risk.Cell{
				Class: k.Class, Treatment: k.Treatment.String(), Site: m.Site, Machine: m.Name,
				RH: risk.RHBand(measured(k.RHPct)), Cure: risk.CureBand(measured(k.CureC)),
				Starts: k.Starts, Strikes: k.Strikes,
			})
		}
	}
	return out
}

func measured(v int) units.Maybe {
	if v == floor.Unmeasured {
		return units.Maybe{}
	}
	return units.Some(float64(v))
}

// oddsOf is what a bare start is judged by, as evidence.
func oddsOf(e risk.Estimate) event.Evidence {
	return event.Evidence{
		Name:  "odds of a strike as it is",
		Value: fmt.Sprintf("%.0f %% (%.0f to %.0f %%)", 100*e.P, 100*e.Low, 100*e.High), Limit: e.Basis,
	}
}
