package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/prom"
)

// deployed names a file of the folder deploy.
func deployed(path ...string) string {
	return filepath.Join(append([]string{"..", "..", "deploy"}, path...)...)
}

// tool finds a program of the Debian package that the tests need.
func tool(t testing.TB, program, debian string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is not installed, and the files of deploy cannot be checked without it: sudo apt-get install --no-install-recommends %s", program, debian)
	}
	return path
}

func promtool(t testing.TB) string { return tool(t, "promtool", "prometheus") }
func amtool(t testing.TB) string   { return tool(t, "amtool", "prometheus-alertmanager") }

// run runs a program in a folder of deploy and returns what it printed.
func run(t *testing.T, folder, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir = deployed(folder)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(program), strings.Join(args, " "), err, out)
	}
	return string(out)
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// matches returns the files of a pattern, of which there must be some.
func matches(t *testing.T, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		t.Fatalf("no file matches %s: %v", pattern, err)
	}
	return files
}

// TestPrometheusFiles has the configurations and rules judged by Prometheus's
// own checker, and the rules played over series with known results.
func TestPrometheusFiles(t *testing.T) {
	checker := promtool(t)
	run(t, "prometheus", checker, "check", "config", "--lint=all", "prometheus.yml")
	// Whether the token's file is there is a matter of the shop's computer.
	run(t, "prometheus", checker, "check", "config", "--lint=all", "--syntax-only", "prometheus-token.yml")
	args := []string{"test", "rules"}
	for _, file := range matches(t, deployed("prometheus", "tests", "*.yml")) {
		args = append(args, filepath.Join("tests", filepath.Base(file)))
	}
	run(t, "prometheus", checker, args...)
}

// used finds names of our metrics, also where floor.yml records them as they are,
// and not those of other recorded series.
var used = regexp.MustCompile(`(?:^|[^:\w]|\bfloor:)(rollwarden_\w+)`)

// checkMetrics makes sure that a file names no metric that there is not.
func checkMetrics(t *testing.T, file, text string) {
	t.Helper()
	known := map[string]bool{}
	for _, m := range prom.Table {
		known[m.Name] = true
		if m.Type == prom.Histogram {
			known[m.Name+"_bucket"], known[m.Name+"_sum"], known[m.Name+"_count"] = true, true, true
		}
	}
	found := used.FindAllStringSubmatch(text, -1)
	if len(found) == 0 {
		t.Errorf("%s: names no metric of ours", file)
	}
	for _, m := range found {
		if !known[m[1]] {
			t.Errorf("%s: there is no metric %s", file, m[1])
		}
	}
}

// TestAlertsAreExplained holds the alerts of Prometheus against the catalogue of
// metrics and against the page that runbook_url leads to.
func TestAlertsAreExplained(t *testing.T) {
	for _, file := range matches(t, deployed("prometheus", "rules", "*.yml")) {
		checkMetrics(t, file, readFile(t, file))
	}
	page := readFile(t, deployed("prometheus", "alerts.md"))
	rules := alertNames(t)
	for _, name := range rules {
		if !strings.Contains(page, "\n## "+name+"\n") {
			t.Errorf("alerts.md: want a part %q", "## "+name)
		}
	}
	if parts := strings.Count(page, "\n## "); parts != len(rules) {
		t.Errorf("alerts.md: want a part for each of the %d alerts and no more, got %d", len(rules), parts)
	}
}

// alertNames reads the alerts of the rules, and that each leads to its own part
// of the page: such a part's anchor is its heading in small letters.
func alertNames(t *testing.T) (names []string) {
	t.Helper()
	text := readFile(t, deployed("prometheus", "rules", "watch.yml"))
	for _, rule := range strings.Split(text, "- alert: ")[1:] {
		name, body, _ := strings.Cut(rule, "\n")
		if want := "/alerts#" + strings.ToLower(name) + "\n"; !strings.Contains(body, want) {
			t.Errorf("watch.yml: %s: want a runbook_url that ends in %q", name, want)
		}
		names = append(names, name)
	}
	return names
}

// TestAlertmanagerRoutes asks Alertmanager's own tool where alerts would go.
func TestAlertmanagerRoutes(t *testing.T) {
	asker := amtool(t)
	run(t, "alertmanager", asker, "check-config", "alertmanager.yml")
	goes := func(receiver string, labels ...string) {
		t.Helper()
		args := append([]string{"config", "routes", "test", "--config.file=alertmanager.yml", "--verify.receivers=" + receiver}, labels...)
		run(t, "alertmanager", asker, args...)
	}
	// The labels are those of the pager's Alertmanager channel.
	goes("crew-north", "alertname=bare-edge", "site=north", "machine=heron", "job=KL-1042", "severity=critical")
	goes("crew-quay", "alertname=dry-air", "site=quay", "machine=plover", "severity=info")
	goes("office", "alertname=bare-edge", "site=attic", "machine=siskin", "severity=critical")
	goes("keepers", "alertname=something-else")
	goes("crew-north", "alertname=RollwardenHeadStrike", "site=north", "machine=wren", "severity=critical")
	goes("crew-quay", "alertname=RollwardenFloorSilent", "site=quay", "machine=plover", "severity=warning")
	for _, name := range alertNames(t) {
		receiver := "keepers"
		if name == "RollwardenDown" || name == "RollwardenSiteUnwatched" {
			receiver = "everybody"
		}
		goes(receiver, "alertname="+name, "instance=127.0.0.1:8477", "severity=critical")
	}
}

// TestStack runs Prometheus and Alertmanager as they are, with the files of
// deploy, over a real watch. Besides the commands of TestScripts there are
//
//	alertmanager              start it; the next watch pages high alarms to it
//	prometheus [TOKEN-FILE]   start it over the watch that runs, and wait for its first figures
//	play PACE                 start the demo, which stays after its week
//	struck                    wait for the week's end, and for what came of its head strikes
//	dashboard                 run every query of the dashboard, each of which has to find something
//	told regexp...            wait until a message to somebody matches each
//	quiet regexp...           fail if a message to somebody matched
//	pages PATTERN             run the commands that pages of deploy show, in a folder with deploy
//	configured PATTERN        check the configurations that they show
func TestStack(t *testing.T) {
	tool(t, "prometheus", "prometheus")
	tool(t, "prometheus-alertmanager", "prometheus-alertmanager")
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "stack"),
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Values[inboxKey{}] = newInbox(e)
			return openShop(t, e)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"watch": with((*shop).watch), "signal": with((*shop).signal), "get": with((*shop).get), "await": with((*shop).await),
			"play": with((*shop).play), "struck": with((*shop).struck),
			"alertmanager": with((*shop).alertmanager), "prometheus": with((*shop).prometheus), "dashboard": with((*shop).dashboard),
			"told": with((*shop).told), "quiet": with((*shop).quiet),
			"pages": with((*shop).runPages), "configured": with((*shop).configured),
			"certificate": with((*shop).certificate), "ask": with((*shop).ask),
		},
	})
}

// inbox takes the messages that Alertmanager sends to the receivers of its
// configuration, as lines: receiver, status, labels and annotations.
type inbox struct {
	server *httptest.Server

	mu    sync.Mutex
	lines []string
}

type inboxKey struct{}

func newInbox(e *testscript.Env) *inbox {
	in := &inbox{}
	in.server = httptest.NewServer(in)
	e.Defer(in.server.Close)
	return in
}

// ServeHTTP reads a message in the format of the documentation of Alertmanager,
// Configuration, "<webhook_config>" (version 4).
func (in *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var message struct {
		Version string
		Alerts  []struct {
			Status              string
			Labels, Annotations map[string]string
		}
	}
	err := json.NewDecoder(r.Body).Decode(&message)
	in.mu.Lock()
	defer in.mu.Unlock()
	if err != nil || message.Version != "4" {
		in.lines = append(in.lines, fmt.Sprintf("not a message: version %q, %v", message.Version, err))
	}
	for _, a := range message.Alerts {
		// fmt prints maps in the order of their keys.
		line := fmt.Sprintf("%s %s %v %v", strings.TrimPrefix(r.URL.Path, "/"), a.Status, a.Labels, a.Annotations)
		in.lines = append(in.lines, strings.ReplaceAll(line, "\n", " / "))
	}
}

func (in *inbox) String() string {
	in.mu.Lock()
	defer in.mu.Unlock()
	return strings.Join(in.lines, "\n")
}

func (s *shop) inbox() *inbox { return s.Value(inboxKey{}).(*inbox) }

// told waits for messages.
func (s *shop) told(args []string) {
	s.usage(!s.negated && len(args) > 0, "told regexp...")
	for _, arg := range args {
		re, err := regexp.Compile("(?m)" + arg)
		s.Check(err)
		s.until("a message that matches "+arg, func() (bool, string) {
			all := s.inbox().String()
			return re.MatchString(all), all
		})
	}
}

// quiet makes sure that nothing of the kind has come until now.
func (s *shop) quiet(args []string) {
	s.usage(!s.negated && len(args) > 0, "quiet regexp...")
	for _, arg := range args {
		re, err := regexp.Compile("(?m)" + arg)
		s.Check(err)
		if found := re.FindString(s.inbox().String()); found != "" {
			s.Fatalf("want no message that matches %s, got %s", arg, found)
		}
	}
}

// alertmanager starts Alertmanager with the configuration of deploy, except
// that its messages come to the test, and without waiting between them.
func (s *shop) alertmanager(args []string) {
	s.usage(!s.negated && len(args) == 0, "alertmanager")
	text := s.adapt(deployed("alertmanager", "alertmanager.yml"),
		"http://127.0.0.1:9100", s.inbox().server.URL, "group_interval: 1m", "group_interval: 1s", "group_interval: 5s", "group_interval: 1s", "group_wait: 15s", "group_wait: 1s")
	s.Check(os.WriteFile(s.MkAbs("alertmanager.yml"), []byte(text), 0o644))
	at := s.serve("prometheus-alertmanager", "--config.file=alertmanager.yml", "--storage.path=alerts",
		"--web.listen-address=127.0.0.1:0", "--cluster.listen-address=")
	s.Setenv("ALERTMANAGER", at)
	s.Setenv(config.Variable("pager.alertmanager.url"), "http://"+at)
	s.Setenv(config.Variable("pager.alertmanager.resend_every"), "2s")
	s.Setenv(config.Variable("pager.routes.high"), "alertmanager")
}

var holdFor = regexp.MustCompile(`\bfor: \w+`)

// prometheus starts Prometheus with a configuration and the rules of deploy,
// except that a second is the time for everything.
func (s *shop) prometheus(args []string) {
	s.usage(!s.negated && len(args) < 2, "prometheus [TOKEN-FILE]")
	_, address, _ := strings.Cut(s.Getenv("BOARD"), "://")
	file, pairs := "prometheus.yml", []string{"127.0.0.1:8477", address}
	if len(args) == 1 {
		file, pairs = "prometheus-token.yml", []string{
			"board.kestrel-lane.example:8477", address, "/etc/prometheus/rollwarden-token", s.MkAbs(args[0]),
			"#tls_config:", "tls_config:", "#  ca_file: /etc/prometheus/kestrel-lane-ca.pem", "  ca_file: " + s.MkAbs("tls/cert.pem"),
		}
	}
	pairs = append(pairs, "127.0.0.1:9093", cmp.Or(s.Getenv("ALERTMANAGER"), "127.0.0.1:9093"),
		"scrape_interval: 15s", "scrape_interval: 1s", "evaluation_interval: 15s", "evaluation_interval: 1s", "scrape_timeout: 5s", "scrape_timeout: 1s")
	s.Check(os.WriteFile(s.MkAbs("prometheus.yml"), []byte(s.adapt(deployed("prometheus", file), pairs...)), 0o644))
	s.Check(os.MkdirAll(s.MkAbs("rules"), 0o755))
	s.Check(os.WriteFile(s.MkAbs("rules/floor.yml"), []byte(s.adapt(deployed("prometheus", "rules", "floor.yml"))), 0o644))
	shop := s.adapt(deployed("prometheus", "rules", "shop.yml"), "interval: 5m", "interval: 1s")
	s.Check(os.WriteFile(s.MkAbs("rules/shop.yml"), []byte(shop), 0o644))
	watch := holdFor.ReplaceAllString(s.adapt(deployed("prometheus", "rules", "watch.yml")), "for: 0s")
	s.Check(os.WriteFile(s.MkAbs("rules/watch.yml"), []byte(watch), 0o644))
	at := s.serve("prometheus", "--config.file=prometheus.yml", "--storage.tsdb.path=series", "--web.listen-address=127.0.0.1:0")
	s.Setenv("PROMETHEUS", "http://"+at)
	s.until("the first figures in Prometheus", func() (bool, string) {
		found, err := s.query(`count(floor:rollwarden_head_strikes_total:max) and on () rollwarden_ready == 1`)
		return found > 0, fmt.Sprint(err)
	})
}

// adapt reads a file and puts other texts in place of some, all of which must
// be there.
func (s *shop) adapt(file string, pairs ...string) string {
	data, err := os.ReadFile(file)
	s.Check(err)
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			s.Fatalf("%s: want %q in it", file, pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	return text
}

// listening finds the port that a server took, in the log line of the toolkit
// that Prometheus and Alertmanager share.
var listening = regexp.MustCompile(`msg="Listening on" .*?address=(127\.0\.0\.1:[1-9]\d*)`)

// serve starts a server in the script's folder, returns where it listens, and
// ends it with the script.
func (s *shop) serve(program string, args ...string) (address string) {
	logFile := s.MkAbs(program + ".log")
	log, err := os.Create(logFile)
	s.Check(err)
	defer log.Close()
	cmd := exec.Command(program, args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = s.dir, log, log
	s.Check(cmd.Start())
	s.Defer(func() {
		_ = cmd.Process.Kill() // it may have ended by itself
		_ = cmd.Wait()
	})
	s.until(program+" to listen", func() (bool, string) {
		data, err := os.ReadFile(logFile)
		s.Check(err)
		if m := listening.FindSubmatch(data); m != nil {
			address = string(m[1])
		}
		return address != "", string(data)
	})
	return address
}

// query asks Prometheus and returns how many series answer (HTTP API of
// Prometheus, "Instant queries").
func (s *shop) query(expr string) (series int, err error) {
	body, err := s.fetch(s.Getenv("PROMETHEUS") + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		return 0, err
	}
	var answer struct {
		Status string
		Data   struct{ Result []json.RawMessage }
	}
	if err := json.Unmarshal([]byte(body), &answer); err != nil || answer.Status != "success" {
		return 0, fmt.Errorf("no answer to %s: %w\n%s", expr, err, body)
	}
	return len(answer.Data.Result), nil
}

// typed are the programs whose commands on pages are run.
var typed = []string{"rollwarden", "promtool", "amtool"}

// runPages runs what the pages of a pattern tell people to type. Other programs,
// and a watch that would not end, are left out.
func (s *shop) runPages(args []string) {
	s.usage(!s.negated && len(args) == 1, "pages PATTERN")
	count := 0
	for _, page := range s.readPages(args[0]) {
		for _, block := range shownCommands.FindAllStringSubmatch(page.text, -1) {
			for line := range strings.Lines(block[1]) {
				command, _, _ := strings.Cut(line, "#")
				words := strings.Fields(command)
				if len(words) < 2 || !slices.Contains(typed, words[0]) || words[1] == "run" {
					continue
				}
				count++
				if err := s.Exec(words[0], words[1:]...); err != nil {
					s.Fatalf("%s: %s: %v", page.name, command, err)
				}
			}
		}
	}
	if count == 0 {
		s.Fatalf("no page of %s shows a command", args[0])
	}
}

// configured checks the configuration that each page of a pattern shows.
func (s *shop) configured(args []string) {
	s.usage(!s.negated && len(args) == 1, "configured PATTERN")
	for _, page := range s.readPages(args[0]) {
		block := shownConfig.FindStringSubmatch(page.text)
		if block == nil {
			s.Fatalf("%s shows no rollwarden.yaml", page.name)
		}
		s.Check(os.WriteFile(s.MkAbs("shown.yaml"), []byte(block[1]), 0o644))
		if err := s.Exec("rollwarden", "--config=shown.yaml", "check"); err != nil {
			s.Fatalf("%s: %v", page.name, err)
		}
	}
}

// These find what a page shows.
var (
	shownCommands = regexp.MustCompile("(?s)```sh\n(.*?)```")
	shownConfig   = regexp.MustCompile("(?s)```yaml\n(# rollwarden.yaml\n.*?)```")
)

type page struct{ name, text string }

// readPages reads pages of deploy, in the order of their names.
func (s *shop) readPages(pattern string) (pages []page) {
	files, err := filepath.Glob(filepath.Join(s.Getenv("EXAMPLES"), pattern))
	s.Check(err)
	if len(files) == 0 {
		s.Fatalf("no page matches %s", pattern)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		s.Check(err)
		pages = append(pages, page{filepath.Base(file), string(data)})
	}
	return pages
}
