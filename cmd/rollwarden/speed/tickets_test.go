package speed

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/rules/event"
)

// BenchmarkTicketToAlarm measures how long it takes from a ticket file that stands
// in a drop folder to the alarm of its run over NATS. The settle time, for which a
// file must have been left alone before it is read, is taken off: over-p50-ms and
// over-p99-ms are what the watch adds to it.
func BenchmarkTicketToAlarm(b *testing.B) {
	cfg := shopFor(b, 1)
	w := startApp(b, app.Options{Config: cfg})
	s := speakTo(b, w.NATS())
	a := newAlarms(b, s)
	a.load()
	s.stored()
	folder := filepath.Join(cfg.Tickets.Folder, "m0")
	var over []time.Duration
	for i := 0; b.Loop(); i++ {
		job := fmt.Sprint("T", i)
		ticket := fmt.Sprintf(`{"job": %q, "stock": "MONO-GLOSS-137", "film_class": "monomeric", "length_m": 3, "passes": 12, "cure_c": 93}`, job)
		file := filepath.Join(folder, job+".json")
		if err := os.WriteFile(file, []byte(ticket), 0o644); err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		a.await(job)
		over = append(over, time.Since(began)-cfg.Tickets.Settle)
		s.say("m0", "ticket.withdrawn", &event.TicketWithdrawn{Job: job})
		s.say("m0", "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: job, Action: "acknowledge", By: "speed"})
		s.stored()
	}
	b.ReportMetric(float64(cfg.Tickets.Settle.Milliseconds()), "settle-ms")
	b.ReportMetric(quantile(over, 0.5), "over-p50-ms")
	b.ReportMetric(quantile(over, 0.99), "over-p99-ms")
}
