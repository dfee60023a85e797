package app

import (
	"strings"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/pager"
)

// A watch whose clock is more than a day ahead of that of NATS warns all the same,
// and says that it is not well, and why.
func TestAWatchAheadOfNATSStillWarns(t *testing.T) {
	ear := &heard{}
	cfg := shopOf(t, 1)
	cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Lease = elsewhereNATS(t, 1), "", 2*time.Second
	cfg.Pager.Routes = config.Routes{High: []string{"ear"}}
	a := startApp(t, Options{Config: cfg, Clock: NewManualClock(time.Now().Add(30 * time.Hour)), Channels: []pager.Channel{mouth{ear, "heron"}}})
	bare(t, a, "north", "m0", "J1")
	eventually(t, "it pages", func() bool { return len(ear.all()) > 0 })
	if n := a.View().Floor.Counts.Rejected; len(n) > 0 {
		t.Errorf("it refuses its own events: %v", n)
	}
	if status, _, _ := look(t, a, "/readyz"); status != 503 {
		t.Errorf("readyz: %d", status)
	}
	if _, body, _ := look(t, a, "/upkeep"); !strings.Contains(body, "ahead of that of NATS") {
		t.Errorf("the page about the watch does not say it:\n%s", body)
	}
}
