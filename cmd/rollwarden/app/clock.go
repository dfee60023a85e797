package app

import (
	"sync"
	"time"
)

// Clock is the time by which the watch judges. The real one ticks by itself;
// the demo moves its own, so that a week passes in a minute.
type Clock interface {
	Now() time.Time
	// At returns a channel that is ready once the clock has reached t, or
	// sooner: whoever waits for it looks at the clock again.
	At(t time.Time) (<-chan time.Time, func())
}

// RealClock is the clock of this machine.
type RealClock struct{}

// Now implements Clock.
func (RealClock) Now() time.Time { return time.Now() }

// longestWait bounds one wait. A timer stands still while the computer sleeps
// and knows nothing of a clock that is set, so none may last for a night.
const longestWait = time.Minute

// At implements Clock.
func (RealClock) At(t time.Time) (<-chan time.Time, func()) {
	timer := time.NewTimer(min(time.Until(t), longestWait))
	return timer.C, func() { timer.Stop() }
}

// ManualClock stands still until it is moved.
type ManualClock struct {
	mu      sync.Mutex
	now     time.Time
	waiters map[chan time.Time]time.Time
}

// NewManualClock returns a clock that stands at a moment.
func NewManualClock(now time.Time) *ManualClock {
	return &ManualClock{now: now, waiters: map[chan time.Time]time.Time{}}
}

// Now implements Clock.
func (c *ManualClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Set moves the clock; it never goes back.
func (c *ManualClock) Set(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now.Before(c.now) {
		return
	}
	c.now = now
	for ch, at := range c.waiters {
		if !at.After(now) {
			delete(c.waiters, ch)
			ch <- now // the channel has room for its one value
		}
	}
}

// At implements Clock.
func (c *ManualClock) At(t time.Time) (<-chan time.Time, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	ch := make(chan time.Time, 1)
	if !t.After(c.now) {
		ch <- c.now
		return ch, func() {}
	}
	c.waiters[ch] = t
	return ch, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.waiters, ch)
	}
}
