package speed

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/watcher/pager"
)

// BenchmarkPageBesidePrometheus has one hazard watched twice and measures how long
// it takes from the event to the page at one receiver of webhooks: by Rollwarden,
// which is told of the event, and by a real Prometheus and Alertmanager, which
// scrape a gauge of the same edge and judge it by an alerting rule. x-sooner is how
// many times as long theirs takes.
//
// Neither is slow at its work: nearly all of theirs is waiting for the next scrape
// and then for the next evaluation, each half an interval on average, and the
// intervals are a matter of configuration: 15 s as deploy/prometheus has them, and
// 1 s as tight as people go. They watch all of a shop's computers with that, keep
// what they have seen, and need nobody to send events; the rule here knows no film,
// leader, ticket or unknown edge. Alertmanager waits for nothing (group_wait 0s).
func BenchmarkPageBesidePrometheus(b *testing.B) {
	for _, interval := range []time.Duration{time.Second, 15 * time.Second} {
		b.Run("interval="+interval.String(), func(b *testing.B) { pageBeside(b, interval) })
	}
}

// Each trial is on a machine of its own, so that no page is held back as a repeat.
const trials = 60

func pageBeside(b *testing.B, interval time.Duration) {
	in := newInbox(b)
	hook, err := pager.NewWebhook(pager.WebhookOptions{Name: "receiver", URL: in.URL + "/ours", Secrets: []pager.Secret{pager.NewSecret(strings.Repeat("s", 32))}})
	if err != nil {
		b.Fatal(err)
	}
	cfg := shopFor(b, trials)
	cfg.Pager.Routes = config.Routes{High: []string{"receiver"}}
	a := startApp(b, app.Options{Config: cfg, Channels: []pager.Channel{hook}})
	s := speakTo(b, a.NATS())
	gauges := newGauges(b)
	for i := range trials {
		machine := fmt.Sprint("m", i)
		s.say(machine, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: f(1370), LengthM: f(1e4), ThicknessUM: f(220), EdgeMM: f(400)})
		s.say(machine, "ticket.received", ticketOf("J0"))
		gauges.set(machine, 0.4)
	}
	s.stored()
	if err := a.Settle(patient(b)); err != nil {
		b.Fatal(err)
	}
	startPrometheus(b, gauges.URL, startAlertmanager(b, in.URL+"/theirs"), interval)
	gauges.awaitScrape(b)
	var ours, theirs []time.Duration
	for i := 0; b.Loop(); i++ {
		if i == trials {
			b.Fatalf("want at most %d rounds: -benchtime %dx", trials, trials)
		}
		// The last page has come right after an evaluation: begin at any moment of
		// the interval.
		time.Sleep(time.Duration(rand.Int64N(int64(interval))))
		machine := fmt.Sprint("m", i)
		began := time.Now()
		gauges.set(machine, 0)
		s.say(machine, "edge.moved", &event.EdgeMoved{PositionMM: f(0), Cause: event.CauseRewind})
		ours = append(ours, in.await(b, "ours "+machine).Sub(began))
		theirs = append(theirs, in.await(b, "theirs "+machine).Sub(began))
	}
	b.ReportMetric(quantile(ours, 0.5), "ours-p50-ms")
	b.ReportMetric(quantile(theirs, 0.5), "theirs-p50-ms")
	b.ReportMetric(quantile(ours, 1), "ours-max-ms")
	b.ReportMetric(quantile(theirs, 1), "theirs-max-ms")
	b.ReportMetric(quantile(theirs, 0.5)/quantile(ours, 0.5), "x-sooner")
}

// inbox notes when the first page of each machine came, from either side.
type inbox struct {
	*httptest.Server
	mu   sync.Mutex
	came map[string]time.Time
	news chan struct{} // has room for one
}

func newInbox(b *testing.B) *inbox {
	in := &inbox{came: map[string]time.Time{}, news: make(chan struct{}, 1)}
	in.Server = httptest.NewServer(in)
	b.Cleanup(in.Close)
	return in
}

// ServeHTTP reads our page, of which the machine is a member, and a message of
// Alertmanager (documentation of Alertmanager, "<webhook_config>", version 4).
func (in *inbox) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	now := time.Now()
	var message struct {
		Machine string
		Hazard  string
		Alerts  []struct{ Labels struct{ Machine string } }
	}
	if json.NewDecoder(r.Body).Decode(&message) != nil {
		return
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	var machines []string
	if message.Hazard == "bare-edge" {
		machines = append(machines, message.Machine)
	}
	for _, a := range message.Alerts {
		machines = append(machines, a.Labels.Machine)
	}
	for _, m := range machines {
		key := strings.TrimPrefix(r.URL.Path, "/") + " " + m
		if _, twice := in.came[key]; !twice {
			in.came[key] = now
		}
	}
	select {
	case in.news <- struct{}{}:
	default:
	}
}

func (in *inbox) await(b *testing.B, key string) time.Time {
	b.Helper()
	for timeout := time.After(patience); ; {
		in.mu.Lock()
		at, came := in.came[key]
		in.mu.Unlock()
		if came {
			return at
		}
		select {
		case <-in.news:
		case <-timeout:
			b.Fatalf("no page: %s", key)
		}
	}
}

// gauges is what a machine would have scraped from it: where the edge is, and that
// a run of cheap film waits. It tells at once.
type gauges struct {
	*httptest.Server
	mu    sync.Mutex
	edges map[string]float64 // m
	asked chan struct{}      // has room for one
}

func newGauges(b *testing.B) *gauges {
	g := &gauges{edges: map[string]float64{}, asked: make(chan struct{}, 1)}
	g.Server = httptest.NewServer(g)
	b.Cleanup(g.Close)
	return g
}

func (g *gauges) set(machine string, edge float64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.edges[machine] = edge
}

// ServeHTTP writes the text format of Prometheus ("Exposition formats", 0.0.4).
func (g *gauges) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; version=0.0.4")
	g.mu.Lock()
	defer g.mu.Unlock()
	for machine, edge := range g.edges {
		fmt.Fprintf(w, "edge_position_meters{machine=%q} %g\nqueued_cheap_runs{machine=%q} 1\n", machine, edge, machine)
	}
	select {
	case g.asked <- struct{}{}:
	default:
	}
}

func (g *gauges) awaitScrape(b *testing.B) {
	b.Helper()
	select {
	case <-g.asked:
	case <-time.After(patience):
		b.Fatal("Prometheus does not scrape")
	}
}

// The rule holds where the bare-edge alarm does: the edge of cheap film that is
// about to run lies short of the cure exit.
const bareEdgeRule = `groups:
- name: edge
  rules:
  - alert: BareEdge
    expr: edge_position_meters < 0.33 and on (machine) queued_cheap_runs > 0
`

func startPrometheus(b *testing.B, exporter, alertmanager string, interval time.Duration) {
	folder := b.TempDir()
	put(b, folder, "rules.yml", bareEdgeRule)
	put(b, folder, "prometheus.yml", fmt.Sprintf(`global: {scrape_interval: %[1]s, evaluation_interval: %[1]s, scrape_timeout: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%[2]q]}]}]}
scrape_configs: [{job_name: machines, static_configs: [{targets: [%[3]q]}]}]
`, interval, alertmanager, strings.TrimPrefix(exporter, "http://")))
	serve(b, folder, "prometheus", "prometheus", "--config.file=prometheus.yml", "--storage.tsdb.path=series", "--web.listen-address=127.0.0.1:0")
}

func startAlertmanager(b *testing.B, receiver string) (address string) {
	folder := b.TempDir()
	put(b, folder, "alertmanager.yml", fmt.Sprintf(`route: {receiver: hook, group_by: [alertname, machine], group_wait: 0s, group_interval: 1s, repeat_interval: 4h}
receivers: [{name: hook, webhook_configs: [{url: %q, send_resolved: false}]}]
`, receiver))
	return serve(b, folder, "prometheus-alertmanager", "prometheus-alertmanager", "--config.file=alertmanager.yml", "--storage.path=alerts",
		"--web.listen-address=127.0.0.1:0", "--cluster.listen-address=")
}

func put(b *testing.B, folder, name, text string) {
	b.Helper()
	if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o644); err != nil {
		b.Fatal(err)
	}
}

// listening finds the port that a server took, in the log line of the toolkit
// that Prometheus and Alertmanager share.
var listening = regexp.MustCompile(`msg="Listening on" .*?address=(127\.0\.0\.1:[1-9]\d*)`)

// serve starts a server in a folder, returns where it listens, and ends it with the
// benchmark.
func serve(b *testing.B, folder, program, debian string, args ...string) (address string) {
	b.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		b.Fatalf("%s is not installed: sudo apt-get install --no-install-recommends %s", program, debian)
	}
	log, err := os.Create(filepath.Join(folder, "log"))
	if err != nil {
		b.Fatal(err)
	}
	defer log.Close()
	cmd := exec.Command(path, args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = folder, log, log
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended by itself
		_ = cmd.Wait()
	})
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		text, err := os.ReadFile(log.Name())
		if err != nil {
			b.Fatal(err)
		}
		if m := listening.FindSubmatch(text); m != nil {
			return string(m[1])
		}
	}
	b.Fatalf("%s does not listen", program)
	return ""
}
