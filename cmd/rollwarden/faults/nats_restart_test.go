package faults

import (
	"testing"
	"time"
)

// TestBusRestarts kills the NATS server at random moments, again and again, and
// once keeps it away for ten seconds, while tickets and events arrive.
func TestBusRestarts(t *testing.T) {
	t.Parallel()
	rng, bus := dice(t), startNATS(t)
	tr := newTrial(t, bus.url(), bus.url(), bus.url())
	stop := tr.work(rng.Uint64())
	restarts := 6
	if long() {
		restarts = 100
	}
	for i := range restarts {
		away := time.Duration(rng.IntN(300)) * time.Millisecond
		if i == restarts/2 {
			away = 10 * time.Second
		}
		over := bus.outage(time.Duration(rng.IntN(700))*time.Millisecond, away)
		defer over() // also when the test ends here
		tr.risk()
		over()
		bus.await()
	}
	stop()
	tr.prove()
}
