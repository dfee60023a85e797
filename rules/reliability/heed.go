package reliability

import (
	"slices"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// bareEdge is the hazard that starts are warned of.
const bareEdge = string(hazard.BareEdge)

// alarmChanged keeps annunciations and what became of them. A transition that
// does not start from the state its alarm is in changed nothing, and is no
// record either.
func (f *Fold) alarmChanged(e event.Event, d *event.AlarmChanged) {
	id := alarmID{floor.Key(e.Site, e.Machine), alarm.Key{Hazard: d.Hazard, Job: d.Job, Part: d.Part}}
	if f.alarms.StateOf(e.Site, e.Machine, id.key) != alarm.State(d.From) {
		return
	}
	if d.Emit == alarm.Annunciate {
		f.annunciated(e, d, id)
	}
	r := f.standing[id]
	if r == nil {
		return
	}
	if d.On == string(alarm.Acknowledge) && r.acked.IsZero() {
		r.acked = e.Time
	}
	if !alarm.State(d.To).Active() && r.until.IsZero() {
		r.until = e.Time
	}
	if alarm.State(d.To) == alarm.Normal {
		delete(f.standing, id)
	}
}

func (f *Fold) annunciated(e event.Event, d *event.AlarmChanged, id alarmID) {
	r := &ring{Entry: entryOf(e), alarm: id.key, priority: d.Priority}
	f.rings = append(f.rings, r)
	if d.Phase != string(hazard.Running) {
		f.warn(id.machine, r)
	}
	if stands := f.standing[id]; stands != nil && stands.until.IsZero() {
		r.again = true
		return
	}
	f.standing[id] = r
}

// warn keeps the first annunciation of each hazard of a job part until it
// starts.
func (f *Fold) warn(key string, r *ring) {
	id := jobID{key, r.alarm.Job, r.alarm.Part}
	if r.alarm.Job == "" {
		return
	}
	for _, w := range f.warnings[id] {
		if w.alarm.Hazard == r.alarm.Hazard {
			return
		}
	}
	f.warnings[id] = append(f.warnings[id], r)
}

// heed puts the alarms that came before a start to it.
func (f *Fold) heed(key string, s *Start) {
	id := jobID{key, s.Job, s.Part}
	s.heeded = f.warnings[id]
	for _, r := range s.heeded {
		if r.At.After(s.At) {
			continue
		}
		r.start = s
		if r.alarm.Hazard == bareEdge {
			s.AlarmAt = r.At
		}
	}
	delete(f.warnings, id)
}

// unheed lets the alarms wait for the next start of the job part again. What was
// announced since comes behind them.
func (f *Fold) unheed(key string, s *Start) {
	id := jobID{key, s.Job, s.Part}
	since := f.warnings[id]
	delete(f.warnings, id)
	for _, r := range append(slices.Clone(s.heeded), since...) {
		r.start = nil
		f.warn(key, r)
	}
}
