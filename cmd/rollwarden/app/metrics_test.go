package app

import (
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
)

// counters scrapes what a daemon counts of the floor, by name and labels, with
// the reader of prometheus/common. What it counts of itself begins anew with it.
func counters(t *testing.T, a *App) map[string]float64 {
	t.Helper()
	_, body, _ := look(t, a, "/metrics")
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(body))
	fail(t, err)
	all := map[string]float64{}
	for name, f := range families {
		if f.GetType() != dto.MetricType_COUNTER || !strings.HasPrefix(name, "rollwarden_") || name == "rollwarden_refused_logins_total" {
			continue
		}
		for _, m := range f.Metric {
			all[fmt.Sprint(name, m.Label)] = m.Counter.GetValue()
		}
	}
	return all
}

// saysOfItself wants lines among a daemon's metrics.
func saysOfItself(t *testing.T, a *App, lines ...string) {
	t.Helper()
	_, body, _ := look(t, a, "/metrics")
	for _, line := range lines {
		if !strings.Contains(body, "\n"+line+"\n") {
			t.Errorf("the metrics of %s lack %s", a.cfg.NATS.Name, line)
		}
	}
}

// A partition goes to another daemon and comes back. Meanwhile nothing is shown of
// it, also while it is held again and not folded yet, and no counter ever falls: a
// server would take a lower one for a reset and count the whole past anew.
// Source: https://prometheus.io/docs/concepts/metric_types/ ("Counter") and
// https://prometheus.io/docs/prometheus/latest/querying/functions/#increase.
func TestATakeoverCountsNothingAgain(t *testing.T) {
	const n = 2
	url, ear := elsewhereNATS(t, n), &heard{}
	var machines []config.Machine
	for i := range 6 { // both partitions have some of them
		m := shopOf(t, 1).Machines[0]
		m.Site, m.Name = fmt.Sprint("site-", i), fmt.Sprint("m", i)
		machines = append(machines, m)
	}
	heron := join(t, url, "heron", n, ear, machines...)
	eventually(t, "heron watches all", func() bool { return len(heron.held.list()) == n && heron.ready() })
	for _, m := range machines {
		strike := say(m.Name, time.Now(), "strike.recorded", &event.StrikeRecorded{})
		strike.Site = m.Site
		fail(t, heron.tell(deadline(t), strike))
	}
	fail(t, heron.Settle(deadline(t)))
	before := counters(t, heron)

	moved := heron.held.list()[0]
	heron.held.drop(moved)
	rest := counters(t, heron)
	for series, v := range rest {
		if was, there := before[series]; !there || v < was {
			t.Errorf("when a partition goes, %s goes from %g to %g", series, was, v)
		}
	}
	if len(rest) == 0 || len(rest) == len(before) {
		t.Errorf("of %d series %d are left, want some", len(before), len(rest))
	}

	again, err := heron.openShard(t.Context(), moved.number, func() bool { return false }) // its twin judges
	fail(t, err)
	heron.held.put(again)
	defer heron.held.drop(again)
	if got := counters(t, heron); !maps.Equal(got, rest) {
		t.Errorf("%d series are shown of a partition that is not folded yet", len(got)-len(rest))
	}
	ended := make(chan struct{})
	go func() { defer close(ended); _ = again.run(t.Context()) }() // ends with the test
	t.Cleanup(func() { <-ended })
	eventually(t, "the partition is folded", func() bool { return again.pipe.view.Load() != nil })
	after := counters(t, heron)
	for series, was := range before {
		if v, there := after[series]; !there || v < was {
			t.Errorf("when a partition comes back, %s goes from %g to %g (there: %t)", series, was, v, there)
		}
	}
}
