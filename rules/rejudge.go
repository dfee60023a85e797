package rules

import (
	"cmp"
	"slices"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
)

// Rejudge folds a journal once more and judges it by another rule book, as if
// that had been in force all along. The journal itself stays as it is: a rule
// that changed today cannot rewrite last month.
type Rejudge struct {
	engine *Engine
	seq    uint64
	wake   time.Time
	raised map[alarmOf]*Difference
}

type alarmOf struct {
	site, machine string
	key           alarm.Key
}

// Difference is an alarm that one of the two rule books raised and the other
// did not.
type Difference struct {
	Site, Machine string
	Key           alarm.Key
	Was           time.Time // when it was first raised then; zero for never
	Now           time.Time // when it would first be raised; zero for never
	Message       string    // of the one that was, or would be, raised
}

// NewRejudge returns a judgement by the site's rule book.
func NewRejudge(site Site) *Rejudge {
	site.PageFor = nil
	return &Rejudge{engine: New(site), raised: map[alarmOf]*Difference{}}
}

// Apply takes the next event of the journal and when it was stored, which is
// when the watch heard of it: a sender's clock may be wrong, and an event may be
// told late. Alarms and pages of then are compared with and not folded.
func (r *Rejudge) Apply(stored time.Time, e event.Event) {
	r.wakeUntil(stored)
	if d, ok := e.Data.(*event.AlarmChanged); ok {
		if d.Emit == alarm.Annunciate {
			r.note(e, d, func(x *Difference) *time.Time { return &x.Was })
		}
		return
	}
	if k, known := event.KindOf(e.Type); known && k.From == event.FromDaemon {
		return
	}
	r.apply(e)
	r.judge(stored)
}

// wakeUntil judges at every moment up to now at which time alone changes a
// verdict. An alarm can be the last entry of a journal: were its time left out,
// a delay that ran out then would seem to be running still.
func (r *Rejudge) wakeUntil(now time.Time) {
	for !r.wake.IsZero() && !r.wake.After(now) {
		r.judge(r.wake)
	}
}

func (r *Rejudge) apply(e event.Event) {
	r.seq++
	r.engine.Apply(r.seq, e)
}

// judge carries transitions out at once, since no journal stands in between.
func (r *Rejudge) judge(now time.Time) {
	for {
		due, next := r.engine.Judge(now)
		r.wake = next
		if len(due) == 0 {
			return
		}
		for _, e := range due {
			if d := e.Data.(*event.AlarmChanged); d.Emit == alarm.Annunciate {
				r.note(e, d, func(x *Difference) *time.Time { return &x.Now })
			}
			r.apply(e)
		}
	}
}

func (r *Rejudge) note(e event.Event, d *event.AlarmChanged, side func(*Difference) *time.Time) {
	k := alarmOf{e.Site, e.Machine, alarm.Key{Hazard: d.Hazard, Job: d.Job, Part: d.Part}}
	x, ok := r.raised[k]
	if !ok {
		x = &Difference{Site: e.Site, Machine: e.Machine, Key: k.key, Message: d.Message}
		r.raised[k] = x
	}
	if at := side(x); at.IsZero() {
		*at = e.Time
	}
}

// Differences lists, in order of time and place, the alarms that only one of the two
// rule books raised.
func (r *Rejudge) Differences() []Difference {
	var out []Difference
	for _, x := range r.raised {
		if x.Was.IsZero() != x.Now.IsZero() {
			out = append(out, *x)
		}
	}
	slices.SortFunc(out, func(a, b Difference) int {
		return cmp.Or(cmp.Compare(a.when(), b.when()), cmp.Compare(a.Site, b.Site), cmp.Compare(a.Machine, b.Machine), a.Key.Compare(b.Key))
	})
	return out
}

func (d Difference) when() int64 {
	if d.Was.IsZero() {
		return d.Now.UnixNano()
	}
	return d.Was.UnixNano()
}
