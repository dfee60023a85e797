package faults

import (
	"net/http"
	"strings"
	"testing"
	"time"
)

// newProxyTrial is a trial in which a proxy stands before the NATS server, for the
// watch and for the machines.
func newProxyTrial(t *testing.T) (*trial, *natsProxy) {
	t.Helper()
	bus := startNATS(t)
	p := newNATSProxy(t, bus.address)
	url := "nats://" + p.address()
	return newTrial(t, url, url, bus.url()), p
}

// TestLostAcknowledgements cuts the connection when an event is stored and its
// sender does not know it yet: first for chosen events of the watch and of the
// floor, each twice in a row, then at random. Every sender sends again, so events
// are stored twice; they must count once.
func TestLostAcknowledgements(t *testing.T) {
	t.Parallel()
	rng := dice(t)
	tr, proxy := newProxyTrial(t)
	stop := tr.work(rng.Uint64())
	for _, typ := range []string{"alarm.changed", "page.sent", "edge.moved", "ticket.received"} {
		before, left := proxy.stolenSoFar(), 2
		proxy.steal(func(subject string) bool {
			steals := left > 0 && strings.HasSuffix(subject, "."+typ)
			if steals {
				left--
			}
			return steals
		})
		tr.risk()
		until(t, "two acknowledgements of "+typ+" got lost", func() (bool, string) {
			return proxy.stolenSoFar() == before+2, "fewer"
		})
	}
	proxy.steal(func(string) bool { return rng.IntN(12) == 0 }) // under the proxy's lock
	rounds := 4
	if long() {
		rounds = 200
	}
	for range rounds {
		tr.risk()
	}
	proxy.steal(func(string) bool { return false })
	stop()
	tr.prove()
	if twice := firstLine(tr.settle(), "rollwarden_duplicate_events_total "); strings.HasSuffix(twice, " 0") {
		t.Errorf("%d acknowledgements got lost, and no event was stored twice: nothing was tested", proxy.stolenSoFar())
	} else {
		t.Logf("%d acknowledgements got lost; %s", proxy.stolenSoFar(), twice)
	}
}

// TestHalfOpenConnections holds what goes over every connection, without closing
// one, as a switch does that loses power. The watch has to say that it is blind,
// take another connection by itself, and raise the alarm. Then everything that was
// held goes on: old messages come after new ones.
func TestHalfOpenConnections(t *testing.T) {
	t.Parallel()
	rng := dice(t)
	tr, proxy := newProxyTrial(t)
	stop := tr.work(rng.Uint64())
	rounds := 1
	if long() {
		rounds = 10
	}
	for range rounds {
		tr.risk()
		time.Sleep(time.Duration(rng.IntN(300)) * time.Millisecond)
		release := proxy.hold()
		since := time.Now()
		tr.awaitStatus(http.StatusServiceUnavailable)
		t.Logf("known to be blind after %s", time.Since(since).Round(time.Second/10))
		tr.risk()
		t.Logf("an alarm has come and gone after %s", time.Since(since).Round(time.Second/10))
		release()
		tr.awaitStatus(http.StatusOK)
	}
	stop()
	tr.prove()
}

// awaitStatus waits until the watch answers its readiness probe so.
func (tr *trial) awaitStatus(want int) {
	tr.t.Helper()
	until(tr.t, "the watch answers "+http.StatusText(want), func() (bool, string) {
		status, body, err := tr.get("/readyz")
		return status == want && err == nil, body
	})
}

// TestSlowBus gives the watch and the machines a line of 20 ms and 16 kB/s, on
// which even the journal cannot be read at once after a restart.
func TestSlowBus(t *testing.T) {
	t.Parallel()
	rng := dice(t)
	tr, proxy := newProxyTrial(t)
	stop := tr.work(rng.Uint64())
	tr.risk()
	time.Sleep(3 * time.Second) // something to read after the restart
	proxy.slow(20*time.Millisecond, 16<<10)
	rounds := 2
	if long() {
		rounds = 20
	}
	for range rounds {
		tr.risk()
	}
	stop()
	tr.kill()
	since := time.Now()
	tr.start()
	t.Logf("ready %s after a start on the slow line", time.Since(since).Round(time.Second/10))
	tr.risk()
	proxy.slow(0, 0)
	tr.prove()
}
