package command

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"regexp"
	"sync"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/demo"
	"rollwarden/metrics/monthly"
)

// heard is what the demo says, while it plays.
type heard struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (h *heard) Write(p []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.Write(p)
}

func (h *heard) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.String()
}

// TestReportOfTheDemo lets the demo play its week, and wants the page of its
// month and the command to give the same file.
func TestReportOfTheDemo(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	var out heard
	ended := make(chan error, 1)
	go func() {
		ended <- demo.Play(ctx, &out, demo.Options{Seed: 7, Stay: true, Listen: "127.0.0.1:0"})
	}()
	for !regexp.MustCompile(`The watch goes on`).MatchString(out.String()) {
		select {
		case err := <-ended:
			t.Fatalf("the demo ended: %v\n%s", err, out.String())
		case <-time.After(50 * time.Millisecond):
		}
	}
	board, nats := regexp.MustCompile(`http://127[.0-9]+:\d+`).FindString(out.String()), regexp.MustCompile(`nats://127[.0-9]+:\d+`).FindString(out.String())
	page := fetch(t, board+"/report/2026-03/report.json")

	// The demo's shop, by the demo's clock: it stands on the Monday after.
	cfg, err := config.Load("../demo/shop.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Data.Folder = t.TempDir()
	zone, err := cfg.Location()
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 9, 7, 40, 0, 0, zone)
	r := reportCommand{Month: "2026-03", Out: "march.json", NATS: nats}
	press, e, format, err := r.prepare(cfg, now)
	if err != nil {
		t.Fatal(err)
	}
	if e.Report, err = r.read(ctx, cfg, e, func() time.Time { return now }, func(done, total int64) {}); err != nil {
		t.Fatal(err)
	}
	var file bytes.Buffer
	if err := press.Write(&file, e, format, now); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(file.Bytes(), page) {
		t.Errorf("the page and the command differ:\n%s\n----\n%s", head(page), head(file.Bytes()))
	}
	if e.Report.Front.Starts == 0 || e.Report.Alarms.Annunciations == 0 || !e.Report.Running || e.Month != (monthly.Month{Year: 2026, Month: time.March}) {
		t.Errorf("a week of nothing: %+v", e.Report.Front)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func fetch(t *testing.T, url string) []byte {
	t.Helper()
	response, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v\n%s", url, response.Status, err, head(body))
	}
	return body
}

func head(b []byte) []byte { return b[:min(len(b), 2000)] }
