package floor

import (
	"time"

	"rollwarden/rules/event"
)

// Memory recognises copies of events. What counts for ever is remembered for
// ever, so that a copy changes nothing at any distance. Fleeting reports, which
// are most of what a busy floor sends, are remembered for one to two days by the
// floor's own clock: a copy that is later still says how a run or the air once
// was, and nothing that is counted hangs on it. So memory grows with the work of
// a shop and not with the chattiness of its machines.
//
// The zero value remembers nothing yet.
type Memory struct {
	Lasting Seen `json:"lasting"`
	// Young and Old hold the fleeting reports of this day and of the one before.
	// Day counts the days since 1970, in UTC.
	Young Seen  `json:"young"`
	Old   Seen  `json:"old"`
	Day   int64 `json:"day"`
}

const day = 24 * time.Hour

// Add notes an event and reports whether it was new. The floor's clock is the
// latest time of an event so far, which is never far ahead of the journal's.
func (m *Memory) Add(e event.Event) bool {
	m.turn(e.Time.Unix() / int64(day/time.Second))
	k := e.Key()
	if !event.Fleeting(e.Type) {
		return m.Lasting.Add(k)
	}
	return !m.Old.Has(k) && m.Young.Add(k)
}

// turn begins a new day, and forgets the one before the last.
func (m *Memory) turn(to int64) {
	switch {
	case to <= m.Day:
		return
	case to == m.Day+1:
		m.Old = m.Young
	default:
		m.Old = Seen{}
	}
	m.Young, m.Day = Seen{}, to
}

// Freeze returns what is remembered for writing down. It stays as it is while m
// goes on.
func (m *Memory) Freeze() Memory {
	return Memory{Lasting: m.Lasting.Freeze(), Young: m.Young.Freeze(), Old: m.Old.Freeze(), Day: m.Day}
}
