package faults

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"
)

// newPagerTrial is a trial whose NATS is well: what is hurt are the channels.
func newPagerTrial(t *testing.T, env ...string) *trial {
	t.Helper()
	bus := startNATS(t)
	return newTrial(t, bus.url(), bus.url(), bus.url(), env...)
}

// awaitMetric waits until the watch shows a sample.
func (tr *trial) awaitMetric(line string) {
	tr.t.Helper()
	until(tr.t, "the watch shows "+line, func() (bool, string) {
		_, body, err := tr.get("/metrics")
		name, _, _ := strings.Cut(line, " ")
		return err == nil && strings.Contains(body, "\n"+line+"\n"), firstLine(body, name)
	})
}

// TestReceiverInEveryMood pages a receiver that fails, asks for a rest, takes a
// page and resets the connection, and takes one and answers too late, in random
// order, and kills the watch in the middle.
func TestReceiverInEveryMood(t *testing.T) {
	t.Parallel()
	rng := dice(t)
	tr := newPagerTrial(t)
	moods := []mood{fails, busy, resets, slow}
	if long() {
		moods = slices.Repeat(moods, 10)
	}
	rng.Shuffle(len(moods), func(i, j int) { moods[i], moods[j] = moods[j], moods[i] })
	t.Logf("moods: %s", moods)
	for i, m := range moods {
		tr.hook.feel(m)
		if i%2 == 0 {
			tr.bare()
		} else {
			tr.clear()
		}
		tr.settle()
	}

	// It has taken a page and does not say so before the watch is killed.
	copies := tr.hook.again()
	tr.hook.feel(slow)
	told := tr.hook.count("heron", "annunciate")
	tr.bare()
	tr.paged("annunciate", told+1)
	tr.kill()
	tr.start()
	until(t, "the page comes again", func() (bool, string) { return tr.hook.again() > copies, tr.hook.String() })
	tr.clear()
	tr.settle()
	tr.prove()
	if n := tr.hook.count("heron", "annunciate"); n != told+1 {
		t.Errorf("want %d pages under keys of their own, got %d:\n%s", told+1, n, tr.hook)
	}
}

// TestReceiverIsDeadForLong lets the receiver die, the watch try in vain and be
// killed, and the receiver come back. No page is dropped, and "cleared" does not
// come before "raised".
func TestReceiverIsDeadForLong(t *testing.T) {
	t.Parallel()
	tr := newPagerTrial(t)
	tr.risk()
	tr.hook.die()
	tr.bare()
	tr.awaitMetric(`rollwarden_pages_total{channel="webhook",result="failed"} 2`)
	tr.kill()
	tr.start()
	tr.clear()
	tr.bare()
	tr.awaitMetric(`rollwarden_pages_total{channel="webhook",result="failed"} 4`)
	tr.awaitMetric(`rollwarden_pages_due{channel="webhook"} 3`)
	tr.hook.revive()
	tr.paged("annunciate", 3)
	tr.clear()
	tr.paged("clear", 3)
	tr.prove()
	var said []string
	for _, p := range tr.hook.pages() {
		said = append(said, p.Emit)
	}
	if want := []string{"annunciate", "clear", "annunciate", "clear", "annunciate", "clear"}; !slices.Equal(said, want) {
		t.Errorf("want the pages in their order, got %s", said)
	}
}

// TestADeadChannelDelaysNoOther pages three channels, of which the webhook is dead
// until its first page is given up. Mail gets every page at once, although its server
// dies when it has taken a message; so does Alertmanager, which comes late and goes
// away in between. What was given up is for people to see.
func TestADeadChannelDelaysNoOther(t *testing.T) {
	t.Parallel()
	box, manager := newMailbox(t), newAlertmanager(t)
	tr := newPagerTrial(t,
		"ROLLWARDEN_PAGER_ROUTES_HIGH=webhook,mail,alertmanager", "ROLLWARDEN_PAGER_GIVE_UP_AFTER=1m",
		"ROLLWARDEN_PAGER_MAIL_HOST=127.0.0.1", fmt.Sprint("ROLLWARDEN_PAGER_MAIL_PORT=", box.port()), "ROLLWARDEN_PAGER_MAIL_TLS=none",
		"ROLLWARDEN_PAGER_MAIL_FROM=floor@kestrel-lane.example", "ROLLWARDEN_PAGER_MAIL_TO=crew@kestrel-lane.example",
		"ROLLWARDEN_PAGER_ALERTMANAGER_URL=http://"+manager.address, "ROLLWARDEN_PAGER_ALERTMANAGER_RESEND_EVERY=1s")
	tr.hook.die()
	box.dieAfter(1)
	tr.bare()
	tr.mailed(box, 1)
	tr.awaitMetric(`rollwarden_pages_due{channel="webhook"} 1`)
	if n := len(box.messages()); n != 2 {
		t.Errorf("the mail server died with a message that it had taken: want it a second time, got %d messages", n)
	}

	manager.start()
	tr.stands(manager, true)
	manager.kill() // it forgets, and is told again without a change
	manager.start()
	tr.stands(manager, true)
	manager.kill()
	tr.clear()
	tr.mailed(box, 2)
	manager.start()
	tr.awaitMetric(`rollwarden_pages_due{channel="alertmanager"} 0`)
	tr.stands(manager, false)

	tr.awaitMetric(`rollwarden_pages_total{channel="webhook",result="dropped"} 1`)
	tr.hook.revive() // for the page that comes after it
	tr.paged("clear", 1)
	status, body, err := tr.get("/history/north/heron")
	if err != nil || status != http.StatusOK || !strings.Contains(body, "given up after") {
		t.Errorf("the history of the machine does not tell of the pages that were given up: %d, %v", status, err)
	}
	tr.prove()
}

// mailed waits until a mailbox has so many different messages. The Message-ID is
// what tells a mail system that one came again (RFC 5322 section 3.6.4).
func (tr *trial) mailed(box *mailbox, want int) {
	tr.t.Helper()
	since := time.Now()
	until(tr.t, fmt.Sprint(want, " different mails"), func() (bool, string) {
		ids := box.messages()
		return len(slices.Compact(slices.Sorted(slices.Values(ids)))) == want && len(ids) > want, fmt.Sprint(ids)
	})
	tr.t.Logf("mail %d after %s", want, time.Since(since).Round(time.Second/10))
}

// stands waits until heron's alarm stands at Alertmanager, or does not.
func (tr *trial) stands(manager *alertmanager, want bool) {
	tr.t.Helper()
	until(tr.t, fmt.Sprint("heron's alarm stands at Alertmanager: ", want), func() (bool, string) {
		active, err := manager.active()
		is := slices.ContainsFunc(active, func(l map[string]string) bool {
			return l["alertname"] == "bare-edge" && l["machine"] == "heron" && l["job"] == "KL-1042" && l["severity"] == "critical"
		})
		return err == nil && is == want, fmt.Sprint(active, err)
	})
}
