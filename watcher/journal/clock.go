package journal

import (
	"fmt"
	"time"

	"rollwarden/rules/event"
)

// A NATS on another computer has a clock of its own, and by that one the journal
// judges when an event can have happened (event.MaxSkew, event.MaxAhead). Whose
// clock is right nobody knows here, but that they differ is seen.

// compareClocks holds the caller's clock against the server's, as the server has
// just told it.
func (j *Journal) compareClocks(server time.Time) {
	if j.now == nil || server.IsZero() {
		return
	}
	skew := j.now().Sub(server)
	before := time.Duration(j.skew.Swap(int64(skew)))
	switch wrong, was := tooFar(skew), tooFar(before); {
	case wrong && !was:
		j.log.Error().Msg(j.clockHealth().Error())
	case was && !wrong:
		j.log.Info().Msg("the clocks of this computer and of NATS agree again")
	}
}

func tooFar(skew time.Duration) bool { return skew.Abs() > event.MaxSkew }

// clockHealth reports that the clocks differ by more than an event may lie ahead.
func (j *Journal) clockHealth() error {
	skew, side := time.Duration(j.skew.Load()), "ahead of"
	if !tooFar(skew) {
		return nil
	}
	if skew < 0 {
		side = "behind"
	}
	return fmt.Errorf("the clock of this computer is %s %s that of NATS, so that starts are judged at the wrong time: set both by a time server", skew.Abs().Round(time.Second), side)
}

// believable is an event with a time that the journal can believe. One that lies
// too far ahead would count as happening when it is stored, or be refused when it
// is read; what this program itself has to say must not be lost to its own clock,
// so it happens now by the server's.
func (j *Journal) believable(e event.Event) event.Event {
	skew := time.Duration(j.skew.Load())
	if j.now == nil || skew <= event.MaxSkew {
		return e
	}
	if now := j.now().Add(-skew); e.Time.Sub(now) > event.MaxSkew {
		e.Time = now
	}
	return e
}
