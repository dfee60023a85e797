package rules

import (
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/floor"
	"rollwarden/rules/register"
	"rollwarden/rules/units"
)

// calm remembers of a machine that no steady row holds on its running and queued
// runs, so that a report of progress or climate need not judge the whole queue.
// It is good as long as what the steady rows look at is the same, until the
// moment when time alone may change what they say.
type calm struct {
	steadies
	known  bool
	unsure bool      // one of them cannot tell: with alarms, that counts
	until  time.Time // zero for ever
	wake   time.Time // when to judge again for a run or row that was passed over; zero for never
}

// steadies is all that steady rows look at and that can change. What the site
// gives cannot, and what follows from it is left out: films, rules and plant.
type steadies struct {
	roll    floor.Roll // without the metres left, which no steady row looks at
	queue   uint64     // version
	ticket  *floor.Ticket
	length  units.Maybe // of the running run, as it was queued
	started time.Time   // likewise; zero when none runs
	drift   *register.Model
	pace    float64
	free    time.Time // when the machine is free for the second
	near    int       // scenes before it: the longer they are, the fewer are judged behind
}

// steadiesOf reads them off a machine whose near scenes are laid out.
func (e *Engine) steadiesOf(m *floor.Machine, free time.Time) steadies {
	s := steadies{roll: m.Roll, queue: m.QueueVersion(), drift: e.drift, pace: e.scratch[0].Pace, near: e.near}
	s.roll.LeftM = units.Maybe{}
	if m.Run != nil {
		s.ticket, s.length, s.started = m.Run.Ticket, m.Run.PlanM, m.Run.Started
	}
	if len(m.Queue) > 1 {
		s.free = free
	}
	return s
}

// lasts reports whether nothing that a steady row looks at has changed.
func (c *calm) lasts(now time.Time, what *steadies, alarms []alarm.Alarm) bool {
	return c.known && !(c.unsure && len(alarms) > 0) && (c.until.IsZero() || now.Before(c.until)) && c.steadies == *what
}

// calm is what the search found out about the steady rows. A start that moves
// along with the clock, as behind a run that may begin at any moment, leaves
// nothing to rely on.
func (f *finder) calm(what steadies) calm {
	return calm{steadies: what, known: f.lasting, unsure: f.unsure, until: f.next, wake: f.wake}
}
