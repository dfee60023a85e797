package lease

import (
	"context"
	"errors"
	"sync"
	"time"
)

// Why a term ends before the watch does.
var (
	// ErrLost means that the row could not be written in time, or that another
	// daemon has written it.
	ErrLost = errors.New("the lease is lost")
	// ErrGivenBack means that another daemon has less than its fair share.
	ErrGivenBack = errors.New("the lease is given back")
)

// term is one holding of a share, from taking it to letting go of it.
type term struct {
	share int
	end   context.CancelCauseFunc // of the work
	alarm *time.Timer             // ends it when its time runs out

	writing sync.Mutex // one write of the row at a time; guards rev
	rev     uint64     // of the row as this daemon wrote it

	mu    sync.Mutex
	until time.Time // when the work must have stopped
	over  bool      // it was told to stop, and is never taken up again
}

func newTerm(share int, rev uint64, until time.Time, end context.CancelCauseFunc) *term {
	t := &term{share: share, rev: rev, until: until, end: end}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.alarm = time.AfterFunc(time.Until(until), t.check)
	return t
}

// held reports whether the share is this daemon's at this very moment. It looks
// at both clocks of the computer: the one that counts does not run while the
// computer sleeps, and the one that is shown to people may be set back.
func (t *term) held() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return !t.over && before(time.Now(), t.until)
}

func before(now, until time.Time) bool {
	return now.Before(until) && now.Round(0).Before(until.Round(0))
}

// extend gives a term more time, unless it has run out already.
func (t *term) extend(until time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if now := time.Now(); !t.over && before(now, t.until) {
		t.until = until
		t.alarm.Reset(until.Sub(now))
	}
}

// check ends a term that has run out.
func (t *term) check() {
	if !t.held() {
		t.stop(ErrLost)
	}
}

// stop ends the work. The first reason stays.
func (t *term) stop(why error) {
	t.mu.Lock()
	t.over = true
	t.alarm.Stop()
	t.mu.Unlock()
	t.end(why)
}

func (t *term) active() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return !t.over
}
