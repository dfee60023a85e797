package rules

import (
	"slices"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
)

// View is the floor at one moment for readers: it never changes again.
type View struct {
	Seq    uint64
	At     time.Time // the watch's clock when the view was made
	Floor  *floor.State
	Alarms *alarm.Book
	Odds   remedy.Odds     // as learnt so far
	Drift  *register.Model // likewise

	sites map[string]*View // of a merged one, that of each site
}

// View returns the present state for readers. It is cheap: machines and
// tickets are shared and copied only when the next event touches them.
func (e *Engine) View(now time.Time) *View {
	e.fitStrips()
	return &View{Seq: e.seq, At: now, Floor: e.floor.Snapshot(), Alarms: e.alarms.Snapshot(), Odds: e.advisor.Odds, Drift: e.drift}
}

// Reader answers questions about a view, away from the goroutine that owns the
// engine. A Reader is for one goroutine at a time; it keeps what it has worked
// out of the rule book from one view to the next.
type Reader struct {
	e *Engine

	// What holds for a view that has learnt nothing of its own.
	odds  remedy.Odds
	drift *register.Model
}

// NewReader returns a reader of a shop that has no view yet.
func NewReader(site Site) Reader {
	e := New(site)
	return Reader{e: e, odds: e.advisor.Odds, drift: e.drift}
}

// Read returns a new reader of a view.
func Read(site Site, v *View) Reader { return NewReader(site).On(v) }

// On turns the reader to a view and returns it.
func (r Reader) On(v *View) Reader {
	r.e.seq, r.e.floor, r.e.alarms = v.Seq, v.Floor, v.Alarms
	r.e.advisor.Odds, r.e.drift = r.odds, r.drift
	if v.Odds != nil {
		r.e.advisor.Odds = v.Odds
	}
	if v.Drift != nil {
		r.e.drift = v.Drift
	}
	return r
}

// Standing is one hazard that holds, with everything that a person is shown.
type Standing struct {
	Key    alarm.Key
	Row    *hazard.Row
	Hidden bool // a cause of it stands, or it is put aside for the job or as a whole
	Change event.AlarmChanged
}

// Hazards judges one machine at a moment without the lifecycle: what holds,
// with reason, evidence and remedies.
func (r Reader) Hazards(now time.Time, site, name string) []Standing {
	m := r.e.floor.Machine(site, name)
	if m == nil {
		return nil
	}
	alarms := r.e.alarms.On(site, name)
	found, _ := r.e.find(now, m, alarms, nil)
	r.e.hide(alarms, found)
	out := make([]Standing, 0, len(found))
	for i := range found {
		f := &found[i]
		if f.vague {
			continue
		}
		s := Standing{Key: f.key, Row: &r.e.site.Book.Rows[f.row], Hidden: f.hide}
		s.Change.Hazard, s.Change.Job, s.Change.Part = f.key.Hazard, f.key.Job, f.key.Part
		r.e.describe(&s.Change, m, f)
		out = append(out, s)
	}
	return out
}

// Alarms returns the alarms of a machine as they are at a moment. The floor moves on
// after an alarm was announced: of one whose hazard still holds, evidence, remedies,
// cautions and the start that it warns of are what they are now. So is the message,
// unless it tells what a person did. What was announced stands in the view.
func (r Reader) Alarms(now time.Time, site, name string) []alarm.Alarm {
	list, m := r.e.alarms.On(site, name), r.e.floor.Machine(site, name)
	active := func(a alarm.Alarm) bool { return a.State.Active() }
	if m == nil || !slices.ContainsFunc(list, active) {
		return list
	}
	list = slices.Clone(list)
	found, _ := r.e.find(now, m, list, nil)
	for i := range found {
		f := &found[i]
		k := slices.IndexFunc(list, func(a alarm.Alarm) bool { return a.Key == f.key && active(a) })
		if k < 0 || f.vague && r.e.site.Book.Rows[f.row].Code != hazard.BareEdge {
			continue // only of a bare edge can be said what nobody can tell
		}
		c := &list[k].Change
		message := c.Message
		if r.e.describe(c, m, f); c.Emit != alarm.Annunciate {
			c.Message = message
		}
	}
	return list
}

// ReadyAt is when each queued run of a machine is expected to start, in the
// order of the queue, as far down as runs are judged; zero means at any moment.
func (r Reader) ReadyAt(now time.Time, site, name string) []time.Time {
	m := r.e.floor.Machine(site, name)
	if m == nil {
		return nil
	}
	r.e.scenes(now, m)
	at := make([]time.Time, 0, len(r.e.scratch))
	for i := range r.e.scratch[1:] {
		if s := &r.e.scratch[i+1]; s.Phase == hazard.Queued {
			at = append(at, s.ReadyAt)
		}
	}
	return at
}

// Odds is how likely the machine's next start, as it stands, is to end in a
// head strike; false when nothing is queued.
func (r Reader) Odds(now time.Time, site, name string) (risk.Estimate, bool) {
	m := r.e.floor.Machine(site, name)
	if m == nil || len(m.Queue) == 0 {
		return risk.Estimate{}, false
	}
	r.e.scenes(now, m)
	for i := range r.e.scratch[1:] {
		if s := &r.e.scratch[i+1]; s.Next && s.Phase == hazard.Queued {
			return r.e.advisor.Strike(s, remedy.Standing(s)), true
		}
	}
	return risk.Estimate{}, false
}
