package reliability

import (
	"maps"
	"slices"
	"time"

	"rollwarden/rules/units"
)

// The limits of alarm rates. Flood, stale and the ten minutes are those of
// ANSI/ISA-18.2-2016, clause 16 (IEC 62682); three in a minute is common
// practice, no source; a minute for fleeting is ours: a person needs longer to
// walk to a machine and act.
const (
	tenMinutes  = 10 * time.Minute
	floodAbove  = 10 // annunciations in an interval start a flood …
	floodUntil  = 5  // … and fewer than these end it
	chatters    = 3  // annunciations of one alarm …
	chatterSpan = time.Minute
	fleetSpan   = time.Minute
	staleSpan   = 24 * time.Hour
	acceptable  = 1.0 // annunciations per interval on average …
	manageable  = 2.0
)

func (v *view) alarms() AlarmFigures {
	a := AlarmFigures{Annunciations: uint64(len(v.rings)), Hazards: v.hazards(), BareEdge: v.bareEdge()}
	v.peaks(&a)
	v.nuisances(&a)
	top := v.ofHazard()
	a.Top = top[:min(10, len(top))]
	if len(a.Top) > 0 {
		a.TopTenShare = units.Some(a.Top[len(a.Top)-1].Cumulative)
	}
	priorities := map[string]uint64{}
	for _, r := range v.rings {
		priorities[r.priority]++
	}
	a.Priorities = shares(priorities)
	a.Words = rateWords(a)
	return a
}

// ofHazard is the Pareto chart of annunciations by hazard and machine.
func (v *view) ofHazard() []Bar {
	alarms := map[string]uint64{}
	for _, r := range v.rings {
		alarms[r.alarm.Hazard+" on "+r.key()]++
	}
	return shares(alarms)
}

func rateWords(a AlarmFigures) string {
	rate := a.PerTenMinutes.Or(0)
	switch {
	case a.Annunciations == 0:
		return "no alarm was announced"
	case rate > manageable || a.Floods > 0 && rate > acceptable:
		return "more than a person can manage"
	case a.Floods > 0:
		return "a load that can be managed on average, with floods in between"
	case rate > acceptable:
		return "a load that can be managed"
	}
	return "an acceptable load"
}

// peaks counts annunciations in intervals from the period's start on.
func (v *view) peaks(a *AlarmFigures) {
	span := v.period.To.Sub(v.period.From)
	if span <= 0 {
		return
	}
	a.PerTenMinutes = units.Some(float64(len(v.rings)) * tenMinutes.Seconds() / span.Seconds())
	counts := map[int]uint64{}
	for _, r := range v.rings {
		counts[int(r.At.Sub(v.period.From)/tenMinutes)]++
	}
	var flooded time.Duration
	flood, until := false, -1
	for _, i := range slices.Sorted(maps.Keys(counts)) {
		n := counts[i]
		if n > a.Peak {
			a.Peak, a.PeakAt = n, v.period.From.Add(time.Duration(i)*tenMinutes)
		}
		flood = flood && i == until && n >= floodUntil // an interval without any ends a flood
		if n > floodAbove && !flood {
			flood = true
			a.Floods++
		}
		if flood {
			flooded, until = flooded+tenMinutes, i+1
		}
	}
	a.FloodShare = units.Some(min(1, flooded.Seconds()/span.Seconds()))
}

// nuisances counts alarms that come and go, or stay.
func (v *view) nuisances(a *AlarmFigures) {
	times := map[alarmID][]time.Time{}
	for _, r := range v.rings {
		id := alarmID{r.key(), r.alarm}
		times[id] = append(times[id], r.At)
		if !r.again && r.acked.IsZero() && !r.until.IsZero() && r.until.Sub(r.At) < fleetSpan {
			a.Fleeting++
		}
	}
	for _, list := range times {
		for i := chatters - 1; i < len(list); i++ {
			if list[i].Sub(list[i-chatters+1]) <= chatterSpan {
				a.Chattering++
				break
			}
		}
	}
	for _, r := range v.fold.rings {
		stale := r.At.Add(staleSpan)
		if !r.again && stale.Before(v.period.To) && ended(r.until, v.period.To).After(later(stale, v.period.From)) {
			a.Stale++
		}
	}
}

func (v *view) hazards() (out []HazardFigures) {
	byHazard := map[string][]*ring{}
	for _, r := range v.rings {
		byHazard[r.alarm.Hazard] = append(byHazard[r.alarm.Hazard], r)
	}
	for _, name := range slices.Sorted(maps.Keys(byHazard)) {
		out = append(out, figuresOf(name, byHazard[name]))
	}
	slices.SortStableFunc(out, func(a, b HazardFigures) int { return int(b.Annunciations) - int(a.Annunciations) })
	return out
}

func figuresOf(hazard string, rings []*ring) HazardFigures {
	h := HazardFigures{Hazard: hazard, Annunciations: uint64(len(rings))}
	var acks, leads []float64
	for _, r := range rings {
		if r.again {
			continue
		}
		h.Alarms++
		if !r.acked.IsZero() {
			h.Acknowledged++
			acks = append(acks, r.acked.Sub(r.At).Seconds())
		}
		if r.start == nil {
			continue
		}
		h.Started++
		leads = append(leads, r.start.At.Sub(r.At).Seconds())
		h.Struck += min(r.start.Strikes, 1)
		if r.start.Treated() {
			h.Treated++
		} else {
			h.Untreated++
		}
	}
	h.MedianAckS, h.MedianLeadS, h.TenthLeadS = quantile(acks, 0.5), quantile(leads, 0.5), quantile(leads, 0.1)
	return h
}

// bareEdge judges the alarms of the hazard by all starts.
func (v *view) bareEdge() (q AlarmQuality) {
	for _, s := range v.starts {
		struck := min(s.Strikes, 1)
		switch {
		case !s.Warned():
			q.Unwarned++
			q.UnwarnedStruck += struck
		case s.Treated():
			q.WarnedTreated++
			q.WarnedTreatedStruck += struck
		default:
			q.WarnedUntreated++
			q.WarnedUntreatedStruck += struck
		}
	}
	q.Precision = share(q.WarnedUntreatedStruck, q.WarnedUntreated)
	warned := q.WarnedUntreatedStruck + q.WarnedTreatedStruck
	q.Recall = share(warned, warned+q.UnwarnedStruck)
	return q
}
