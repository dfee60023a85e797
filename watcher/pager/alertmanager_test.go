package pager

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rollwarden/rules/event"
)

// alertServer takes alerts as the API defines them and keeps each body.
type alertServer struct {
	*httptest.Server
	mu     sync.Mutex
	bodies [][]postableAlert
	auth   string
	code   int
}

func newAlertServer(t *testing.T) *alertServer {
	t.Helper()
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	schema, err := compiler.Compile("testdata/postable_alerts.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	s := &alertServer{code: http.StatusOK}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if r.Method != http.MethodPost || r.URL.Path != "/prefix/api/v2/alerts" || r.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%s %s as %s", r.Method, r.URL, r.Header.Get("Content-Type"))
		}
		s.auth = r.Header.Get("Authorization")
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
		if err != nil {
			t.Error(err)
		}
		if err := schema.Validate(value); err != nil {
			t.Errorf("body %s: %v", body, err)
		}
		var alerts []postableAlert
		if err := json.Unmarshal(body, &alerts); err != nil {
			t.Error(err)
		}
		checkAlerts(t, alerts)
		if s.code == http.StatusOK {
			s.bodies = append(s.bodies, alerts)
		}
		w.WriteHeader(s.code)
	}))
	t.Cleanup(s.Close)
	return s
}

// checkAlerts applies the server's own rules beyond the schema (Validate in
// alert/alert.go of github.com/prometheus/alertmanager v0.34.2): a start, no
// end before it, and at least one label.
func checkAlerts(t *testing.T, alerts []postableAlert) {
	t.Helper()
	for _, a := range alerts {
		if a.StartsAt.IsZero() || a.EndsAt.Before(a.StartsAt) || len(a.Labels) == 0 {
			t.Errorf("the server would refuse %+v", a)
		}
	}
}

func (s *alertServer) last(t *testing.T) []postableAlert {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.bodies) == 0 {
		t.Fatal("nothing was posted")
	}
	return s.bodies[len(s.bodies)-1]
}

func (s *alertServer) channel(t *testing.T, now *time.Time) *Alertmanager {
	t.Helper()
	a, err := NewAlertmanager(AlertmanagerOptions{
		Name: "am", URL: s.URL + "/prefix/", ResendEvery: time.Minute,
		Authorization: NewSecret("Bearer abcdefgh"), Now: func() time.Time { return *now },
	})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestAlertOfAPage(t *testing.T) {
	server := newAlertServer(t)
	now := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	am := server.channel(t, &now)
	page := pageOf(t, "a1", nil)
	page.BoardURL, page.RunbookURL = "http://127.0.0.1:8477/floor/heron", "http://127.0.0.1:8477/help/bare-edge"
	if err := am.Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	if server.auth != "Bearer abcdefgh" {
		t.Errorf("Authorization %q", server.auth)
	}
	got := server.last(t)
	if len(got) != 1 {
		t.Fatalf("%d alerts", len(got))
	}
	wantLabels := map[string]string{"alertname": "bare-edge", "site": "north", "machine": "heron", "job": "K-101", "part": "P1", "severity": "critical"}
	if labelKey(got[0].Labels) != labelKey(wantLabels) {
		t.Errorf("labels %v, want %v", got[0].Labels, wantLabels)
	}
	wantNotes := map[string]string{
		"summary":     "HIGH bare-edge, heron: job K-101/P1, starts 08:12 UTC",
		"description": "Bare leading edge of MONO-GLOSS-137 will enter the cure zone.\nedge: 0 mm (limit at least 420 mm)",
		"remedy":      "Tape a leader ahead of the edge (0.20 USD, settles it, cheapest in expectation)",
		"caution":     "The carriage can hit a lifted edge.",
		"runbook_url": "http://127.0.0.1:8477/help/bare-edge",
	}
	if labelKey(got[0].Annotations) != labelKey(wantNotes) {
		t.Errorf("annotations %v, want %v", got[0].Annotations, wantNotes)
	}
	if !got[0].StartsAt.Equal(page.At) || !got[0].EndsAt.Equal(now.Add(4*time.Minute)) || got[0].GeneratorURL != page.BoardURL {
		t.Errorf("from %s to %s by %s", got[0].StartsAt, got[0].EndsAt, got[0].GeneratorURL)
	}
}

func TestAlertLeavesOutWhatIsEmpty(t *testing.T) {
	server := newAlertServer(t)
	now := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	page := pageOf(t, "a1", func(a *event.AlarmChanged) {
		*a = event.AlarmChanged{Hazard: "dry-air", To: "unacknowledged", Priority: "low", Message: "The air is dry."}
	})
	page.Machine = event.AnyMachine
	if err := server.channel(t, &now).Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	got := server.last(t)[0]
	if len(got.Labels) != 4 || len(got.Annotations) != 2 || got.Labels["severity"] != "info" || got.Annotations["summary"] != "LOW dry-air, site north" {
		t.Errorf("got %+v", got)
	}
}

func TestOnlyAClearedAlarmResolves(t *testing.T) {
	for _, c := range []struct {
		to, emit string
		resolved bool
	}{
		{"unacknowledged", "annunciate", false}, {"acknowledged", "", false}, {"latched", "", false},
		{"shelved", "", false}, {"suppressed", "", false}, {"out-of-service", "", false},
		{"returned-unacknowledged", "clear", true}, {"normal", "clear", true}, {"normal", "", true},
	} {
		server := newAlertServer(t)
		now := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC) // ten hours of silence later
		page := pageOf(t, "a1", func(a *event.AlarmChanged) { a.To, a.Emit = c.to, c.emit })
		if err := server.channel(t, &now).Send(t.Context(), page); err != nil {
			t.Fatal(err)
		}
		if resolved := !server.last(t)[0].EndsAt.After(now); resolved != c.resolved {
			t.Errorf("%s %q: resolved %t, want %t", c.to, c.emit, resolved, c.resolved)
		}
	}
}

// A sender whose clock is ahead must not make an alert that ends before it starts.
func TestAlertEndsNotBeforeItStarts(t *testing.T) {
	server := newAlertServer(t) // checks it
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	am := server.channel(t, &now)
	for _, emit := range []string{"annunciate", "clear"} {
		if err := am.Send(t.Context(), pageOf(t, "a1", func(a *event.AlarmChanged) { a.Emit = emit })); err != nil {
			t.Fatal(err)
		}
	}
}

func TestLevelHoldsAndResolves(t *testing.T) {
	server := newAlertServer(t)
	now := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	am := server.channel(t, &now)
	one := pageOf(t, "a1", nil)
	one.Raised = one.At.Add(-time.Minute)
	two := pageOf(t, "a2", func(a *event.AlarmChanged) { a.Job, a.Priority = "K-102", "medium" })
	level := func(active ...Page) map[string]string {
		t.Helper()
		server.mu.Lock()
		before := len(server.bodies)
		server.mu.Unlock()
		if err := am.Level(t.Context(), active); err != nil {
			t.Fatal(err)
		}
		if len(server.bodies) == before {
			return nil
		}
		got := make(map[string]string)
		for _, a := range server.last(t) {
			state := "ends in " + a.EndsAt.Sub(now).String()
			got[a.Labels["job"]+" "+a.Labels["severity"]] = state
		}
		return got
	}
	equal := func(step string, got map[string]string, want map[string]string) {
		t.Helper()
		if labelKey(got) != labelKey(want) {
			t.Errorf("%s: got %v, want %v", step, got, want)
		}
	}
	equal("nothing yet", level(), nil)
	equal("both", level(one, two), map[string]string{"K-101 critical": "ends in 4m0s", "K-102 warning": "ends in 4m0s"})
	now = now.Add(time.Minute)
	equal("again", level(one, two), map[string]string{"K-101 critical": "ends in 4m0s", "K-102 warning": "ends in 4m0s"})
	two.Priority = "high"
	equal("new priority", level(one, two), map[string]string{"K-101 critical": "ends in 4m0s", "K-102 critical": "ends in 4m0s", "K-102 warning": "ends in 0s"})

	server.code = http.StatusBadGateway
	if err := am.Level(t.Context(), []Page{two}); err == nil {
		t.Error("want the error of the bad gateway")
	}
	server.code = http.StatusOK
	equal("cleared, after a failure", level(two), map[string]string{"K-101 critical": "ends in 0s", "K-102 critical": "ends in 4m0s"})
	equal("still", level(two), map[string]string{"K-102 critical": "ends in 4m0s"})
	equal("last one cleared", level(), map[string]string{"K-102 critical": "ends in 0s"})
	equal("nothing", level(), nil)
}

func TestAlertStartsWhenTheAlarmWasRaised(t *testing.T) {
	server := newAlertServer(t)
	now := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	page := pageOf(t, "a1", nil)
	page.Raised = page.At.Add(-time.Hour)
	if err := server.channel(t, &now).Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	if got := server.last(t)[0].StartsAt; !got.Equal(page.Raised) {
		t.Errorf("starts at %s, want %s", got, page.Raised)
	}
}

func TestSummaryIsShortAndOneLine(t *testing.T) {
	page := pageOf(t, "a1", func(a *event.AlarmChanged) {
		a.Job = strings.Repeat("K", 200)
		a.Part = "1\r\nBcc: someone"
	})
	got := summary(page, time.UTC)
	if len(got) > 78 || strings.ContainsAny(got, "\r\n") || !strings.HasPrefix(got, "HIGH bare-edge, heron: job KKK") {
		t.Errorf("summary %q", got)
	}
	page.Emit = "clear"
	if got := summary(page, time.UTC); !strings.HasPrefix(got, "CLEARED bare-edge") || strings.Contains(got, "starts") {
		t.Errorf("summary %q", got)
	}
}

func TestAlertmanagerOptionsAreChecked(t *testing.T) {
	for name, o := range map[string]AlertmanagerOptions{
		"no address":     {Name: "am"},
		"not http":       {Name: "am", URL: "tcp://127.0.0.1:9093"},
		"query":          {Name: "am", URL: "http://127.0.0.1:9093/?x=1"},
		"quick re-sends": {Name: "am", URL: "http://127.0.0.1:9093", ResendEvery: time.Millisecond},
	} {
		if _, err := NewAlertmanager(o); err == nil || !strings.Contains(err.Error(), "alertmanager am") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
