package faults

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// program is the real program, built once for all tests. TestMain removes it.
var program = sync.OnceValues(func() (string, error) {
	if inner := os.Getenv(innerVariable); inner != "" {
		return inner, nil
	}
	path := filepath.Join(scratch, "rollwarden")
	out, err := exec.Command("go", "build", "-o", path, "rollwarden/cmd/rollwarden").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the program: %w\n%s", err, out)
	}
	return path, nil
})

// scratch is a folder for what all tests share.
var scratch string

func TestMain(m *testing.M) {
	os.Exit(inScratch(m.Run))
}

func inScratch(run func() int) int {
	var err error
	if scratch, err = os.MkdirTemp("", "rollwarden-faults-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(scratch)
	return run()
}

// shop is a folder with everything that a watch is given there, and the watch
// that runs in it, if one does.
type shop struct {
	tb    testing.TB
	dir   string
	extra []string         // of the watch's environment
	clock func() time.Time // of the machines; time.Now

	mu    sync.Mutex
	watch *watch     // nil when none runs
	conn  *nats.Conn // to the watch at the address wired
	wired string
	acked []string
	files []dropped
}

// newShop makes a shop with these lines at the end of its configuration.
func newShop(tb testing.TB, config string) *shop {
	tb.Helper()
	s := &shop{tb: tb, dir: tb.TempDir(), clock: time.Now}
	s.configure(config)
	tb.Cleanup(func() {
		s.kill()
		s.hangUp()
		if tb.Failed() {
			tb.Logf("the log of the watch ends with\n%s", lastLines(s.log(), 30))
		}
	})
	return s
}

// configure writes the configuration anew.
func (s *shop) configure(config string) {
	s.tb.Helper()
	s.must(os.WriteFile(filepath.Join(s.dir, "rollwarden.yaml"), []byte(shopConfig+config), 0o600))
}

// shopConfig describes an invented shop, whose machines are all measured.
var shopConfig = `
shop: {name: Kestrel Lane Decals}
http: {listen: 127.0.0.1:0}
log: {level: debug, format: json}
tickets: {settle: 100ms, poll: 1s}
stocks:
  - {code: MONO-GLOSS-137, class: monomeric, width_mm: 1370}
machines:
` + machineConfig()

const cureExitMM = 330

var machines = []string{"north/heron", "north/wren", "north/plover", "quay/heron", "quay/wren", "quay/plover"}

func machineConfig() string {
	var b strings.Builder
	for _, m := range machines {
		site, name, _ := strings.Cut(m, "/")
		fmt.Fprintf(&b, "  - {site: %s, name: %s, folder: %s-%s, swath_mm: 54, stroke_s: 1.6, max_width_mm: 1370,"+
			" path: {cure_entry_mm: 180, cure_exit_mm: %d, take_up_mm: 900, carriage_gap_um: 1500}}\n", site, name, site, name, cureExitMM)
	}
	return b.String()
}

func cureExits() map[string]float64 {
	exits := map[string]float64{}
	for _, m := range machines {
		exits[m] = cureExitMM
	}
	return exits
}

func (s *shop) must(err error) {
	s.tb.Helper()
	if err != nil {
		s.tb.Fatal(err)
	}
}

// path is a file of the shop.
func (s *shop) path(parts ...string) string {
	return filepath.Join(append([]string{s.dir}, parts...)...)
}

// inbox is the ticket folder of a machine.
func (s *shop) inbox(machine string) string {
	return s.path("tickets", strings.ReplaceAll(machine, "/", "-"))
}

func (s *shop) log() []byte {
	log, err := os.ReadFile(s.path("watch.log"))
	if err != nil && !os.IsNotExist(err) {
		s.tb.Error(err)
	}
	return log
}

func lastLines(text []byte, lines int) []byte {
	all := bytes.SplitAfter(text, []byte("\n"))
	return bytes.Join(all[max(0, len(all)-lines):], nil)
}

// watch is a running watch.
type watch struct {
	process     *os.Process
	ended       chan error // gets the outcome once
	begins      int        // where its part of the log begins
	board, nats string
}

// launch starts a watch and does not wait for anything.
func (s *shop) launch() *watch {
	s.tb.Helper()
	bin, err := program()
	s.must(err)
	log, err := os.OpenFile(s.path("watch.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	s.must(err)
	defer log.Close()
	before, err := log.Seek(0, io.SeekEnd)
	s.must(err)
	cmd := exec.Command(bin, "run")
	cmd.Dir, cmd.Stderr = s.dir, log
	cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "ROLLWARDEN_NATS_LISTEN=127.0.0.1:0"}, s.extra...)
	s.must(cmd.Start())
	w := &watch{process: cmd.Process, ended: make(chan error, 1), begins: int(before)}
	go func() { w.ended <- cmd.Wait() }()
	s.mu.Lock()
	s.watch = w
	s.mu.Unlock()
	return w
}

// start starts a watch and waits until it is ready.
func (s *shop) start() {
	s.tb.Helper()
	w := s.launch()
	until(s.tb, "the watch is ready", func() (bool, string) {
		if err, ended := w.over(); ended {
			s.tb.Fatalf("the watch ended: %v\n%s", err, s.log()[w.begins:])
		}
		if !s.find(w) {
			return false, "it does not say where it listens"
		}
		return s.ready()
	})
}

// over reports whether the watch has ended.
func (w *watch) over() (error, bool) {
	select {
	case err := <-w.ended:
		w.ended <- err
		return err, true
	default:
		return nil, false
	}
}

// find reads from the log where the watch listens.
func (s *shop) find(w *watch) bool {
	s.mu.Lock()
	known := w.board != ""
	s.mu.Unlock()
	return known || s.findAgain(w)
}

// findAgain does so of a watch that has opened its bus anew, which then is on
// another port. The last that it said counts.
func (s *shop) findAgain(w *watch) (found bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for line := range bytes.Lines(s.log()[w.begins:]) {
		var at struct{ Board, NATS string }
		if json.Unmarshal(line, &at) == nil && at.Board != "" {
			w.board, w.nats, found = at.Board, at.NATS, true
		}
	}
	return found
}

// now is the watch that runs, or an empty one.
func (s *shop) now() watch {
	s.mu.Lock()
	defer s.mu.Unlock()
	return *cmp.Or(s.watch, &watch{})
}

// kill ends the watch as kill -9 does. A watch that ended by itself is an error.
func (s *shop) kill() {
	s.tb.Helper()
	_ = s.end(syscall.SIGKILL) // killed: that is no clean end
}

// stop asks the watch to end, as systemd does, and wants it to end well.
func (s *shop) stop() {
	s.tb.Helper()
	if err := s.end(syscall.SIGTERM); err != nil {
		s.tb.Errorf("the watch did not end well: %v", err)
	}
}

// end sends a signal, waits for the end of the watch and returns how it ended.
func (s *shop) end(sig syscall.Signal) error {
	s.tb.Helper()
	s.mu.Lock()
	w := s.watch
	s.watch = nil
	s.mu.Unlock()
	if w == nil {
		return nil
	}
	if err, ended := w.over(); ended {
		s.tb.Errorf("the watch ended by itself: %v\n%s", err, lastLines(s.log()[w.begins:], 10))
		return err
	}
	_ = w.process.Signal(sig) // it may end at this moment
	select {
	case err := <-w.ended:
		return err
	case <-time.After(patience):
		_ = w.process.Kill()
		s.tb.Errorf("the watch goes on %s after %s", patience, sig)
		return <-w.ended
	}
}

// browser bounds each request, since a watch can be killed in the middle of one.
var browser = http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// get fetches a page of the board.
func (s *shop) get(path string) (status int, body string, err error) {
	resp, err := browser.Get(s.now().board + path)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(text), err
}

func (s *shop) ready() (bool, string) {
	status, body, err := s.get("/readyz")
	return status == http.StatusOK, fmt.Sprint(status, " ", body, " ", err)
}

// dial returns a JetStream context of the watch that runs now.
func (s *shop) dial() (jetstream.JetStream, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.watch == nil || s.watch.nats == "" {
		return nil, nats.ErrNoServers
	}
	if s.conn == nil || !s.conn.IsConnected() || s.wired != s.watch.nats {
		if s.conn != nil {
			s.conn.Close()
			s.conn = nil
		}
		conn, err := nats.Connect(s.watch.nats, nats.NoReconnect(), nats.Timeout(time.Second), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
		if err != nil {
			return nil, err
		}
		s.conn, s.wired = conn, s.watch.nats
	}
	return jetstream.New(s.conn)
}

func (s *shop) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		s.conn.Close()
		s.conn = nil
	}
}

// settle waits until the watch has nothing left to do: no file waits, no page is
// due, and everything in the journal is folded. It returns the metrics then.
func (s *shop) settle() (metrics string) {
	s.tb.Helper()
	var before string
	until(s.tb, "the watch has nothing left to do", func() (bool, string) {
		if waiting := s.waiting(); waiting != "" {
			return false, waiting + " waits in its folder"
		}
		_, body, err := s.get("/metrics")
		if err != nil {
			return false, err.Error()
		}
		for _, line := range []string{"rollwarden_journal_lag_messages 0", `rollwarden_pages_due{channel="webhook"} 0`, `rollwarden_pages_due{channel="log"} 0`} {
			if strings.Contains(body, strings.TrimSuffix(line, " 0")) && !strings.Contains(body, line+"\n") {
				return false, "no line " + line
			}
		}
		sequence := firstLine(body, "rollwarden_journal_sequence ")
		steady := sequence == before
		before, metrics = sequence, body
		return steady, sequence
	})
	return metrics
}

// firstLine is the first line of a text that begins so.
func firstLine(text, prefix string) string {
	for l := range strings.Lines(text) {
		if strings.HasPrefix(l, prefix) {
			return strings.TrimSpace(l)
		}
	}
	return ""
}

// waiting names a ticket file that lies in an inbox.
func (s *shop) waiting() string {
	for _, m := range machines {
		files, _ := filepath.Glob(filepath.Join(s.inbox(m), "*.json"))
		taking, _ := filepath.Glob(filepath.Join(s.inbox(m), ".taking", "*"))
		if files = append(files, taking...); len(files) > 0 {
			return files[0]
		}
	}
	return ""
}

// prove settles the watch and holds its journal against all that the shop did.
func (s *shop) prove(r *receiver) {
	s.tb.Helper()
	ev := evidence{metrics: s.settle(), exits: cureExits()}
	s.mu.Lock()
	ev.acked, ev.files = s.acked, s.files
	s.mu.Unlock()
	if r != nil {
		ev.channel, ev.received = "webhook", r.pages()
	}
	journal := s.journal()
	complain(s.tb, check(journal, ev))
	s.tb.Logf("%d entries, %d acknowledged events, %d files, %d pages taken", len(journal), len(ev.acked), len(ev.files), len(ev.received))
}

// journal reads the whole journal.
func (s *shop) journal() []entry {
	s.tb.Helper()
	js, err := s.dial()
	s.must(err)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	journal, err := readJournal(ctx, js)
	s.must(err)
	return journal
}
