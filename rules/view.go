package rules

import (
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
)

// View is the floor at one moment for readers: it never changes again.
type View struct {
	Seq    uint64
	At     time.Time // the watch's clock when the view was made
	Floor  *floor.State
	Alarms *alarm.Book
}

// View returns the present state for readers. It is cheap: machines and
// tickets are shared and copied only when the next event touches them.
func (e *Engine) View(now time.Time) *View {
	return &View{Seq: e.seq, At: now, Floor: e.floor.Snapshot(), Alarms: e.alarms.Snapshot()}
}

// Plant returns what is configured for a machine.
func (e *Engine) Plant(site, name string) plant.Machine { return *e.plantOf(site, name) }

// Standing is one hazard that holds now, with everything a person is shown.
type Standing struct {
	Key    alarm.Key
	Row    *hazard.Row
	Hidden bool // a cause of it stands, or it is shelved as a whole
	Change event.AlarmChanged
}

// Hazards judges one machine at a moment without the lifecycle: what holds,
// with reason, evidence and remedies. It changes nothing.
func (e *Engine) Hazards(now time.Time, site, name string) []Standing {
	m := e.floor.Machine(site, name)
	if m == nil {
		return nil
	}
	found, _ := e.find(now, m)
	e.hide(m, found)
	out := make([]Standing, len(found))
	for i := range found {
		f := &found[i]
		out[i] = Standing{Key: f.key, Row: &e.site.Book.Rows[f.row], Hidden: f.hide}
		out[i].Change.Hazard, out[i].Change.Job, out[i].Change.Part = f.key.Hazard, f.key.Job, f.key.Part
		e.describe(&out[i].Change, m, f)
	}
	return out
}

// ReadyAt is when each queued run of a machine is expected to start, in the
// order of the queue; zero means at any moment.
func (e *Engine) ReadyAt(now time.Time, site, name string) []time.Time {
	m := e.floor.Machine(site, name)
	if m == nil {
		return nil
	}
	e.scenes(now, m)
	at := make([]time.Time, 0, len(m.Queue))
	for i := range e.scratch[1:] {
		if s := &e.scratch[i+1]; s.Phase == hazard.Queued {
			at = append(at, s.ReadyAt)
		}
	}
	return at
}
