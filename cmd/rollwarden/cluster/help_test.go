package cluster

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
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

// patience is how long anything may take. It only ever passes when something is
// broken.
const patience = 90 * time.Second

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func until(t testing.TB, what string, ok func() (bool, string)) {
	t.Helper()
	seen := ""
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		done := false
		if done, seen = ok(); done {
			return
		}
	}
	t.Fatalf("waited too long until %s; at last: %s", what, seen)
}

// freePort finds a port that is free now: a cluster has to know its addresses
// before it begins.
func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

// build makes a program of this module, or of one that it uses.
func build(t testing.TB, dir, pkg string) string {
	t.Helper()
	path := filepath.Join(dir, filepath.Base(strings.TrimSuffix(pkg, "/v2")))
	out, err := exec.Command("go", "build", "-o", path, pkg).CombinedOutput()
	if err != nil {
		t.Fatalf("go build %s: %v\n%s", pkg, err, out)
	}
	return path
}

// process is a program that runs until the test kills it.
type process struct {
	t    testing.TB
	name string
	make func() *exec.Cmd
	log  string // file of what it says
	cmd  *exec.Cmd
}

func (p *process) start() {
	p.t.Helper()
	log, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	must(p.t, err)
	defer log.Close()
	p.cmd = p.make()
	p.cmd.Stdout, p.cmd.Stderr = log, log
	must(p.t, p.cmd.Start())
}

func (p *process) signal(s syscall.Signal) {
	p.t.Helper()
	must(p.t, p.cmd.Process.Signal(s))
}

// kill ends it as a power cut would, but for the disk.
func (p *process) kill() {
	if p.cmd != nil {
		p.cmd.Process.Signal(syscall.SIGKILL) // it may have ended
		p.cmd.Wait()
		p.cmd = nil
	}
}

// tail is the end of what it said.
func (p *process) tail() string {
	text, _ := os.ReadFile(p.log)
	return string(text[max(0, len(text)-3000):])
}

// deployed reads a file of deploy/nats with other texts in place of some.
func deployed(t testing.TB, name string, pairs ...string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", "nats", name))
	must(t, err)
	for i := 0; i < len(pairs); i += 2 {
		if !bytes.Contains(text, []byte(pairs[i])) {
			t.Fatalf("%s: want %q in it", name, pairs[i])
		}
		text = bytes.ReplaceAll(text, []byte(pairs[i]), []byte(pairs[i+1]))
	}
	return text
}

const watchPassword = "kestrel-lane-watch"

// startNATS starts three servers with the files that a shop is given.
func startNATS(t testing.TB, dir, program string) (nodes []*process, urls string) {
	t.Helper()
	must(t, os.WriteFile(filepath.Join(dir, "partitions.conf"), deployed(t, "partitions.conf"), 0o600))
	must(t, os.WriteFile(filepath.Join(dir, "accounts.conf"), deployed(t, "accounts.conf", "#include partitions.conf", "include partitions.conf"), 0o600))
	var routes, clients []string
	for range 3 {
		routes, clients = append(routes, freePort(t)), append(clients, freePort(t))
	}
	for i := range 3 {
		name := fmt.Sprintf("nats-%d", i+1)
		pairs := []string{"0.0.0.0:4222", clients[i], "0.0.0.0:6222", routes[i], "/var/lib/nats", filepath.Join(dir, name), "CHANGE-ME", "kestrel-lane-route"}
		for k, other := range routes {
			pairs = append(pairs, fmt.Sprintf("nats-%d.kestrel-lane.example:6222", k+1), other)
		}
		file := filepath.Join(dir, name+".conf")
		must(t, os.WriteFile(file, deployed(t, "cluster.conf", pairs...), 0o600))
		n := &process{t: t, name: name, log: filepath.Join(dir, name+".log"), make: func() *exec.Cmd {
			cmd := exec.Command(program, "--config", file)
			cmd.Env = append(os.Environ(), "NODE="+name, "WATCH_PASSWORD="+watchPassword, "ADMIN_PASSWORD=kestrel-lane-admin")
			return cmd
		}}
		n.start()
		t.Cleanup(n.kill)
		nodes = append(nodes, n)
	}
	return nodes, "nats://" + strings.Join(clients, ",nats://")
}

// dial connects as the watches do, and waits until the cluster has agreed who
// leads it.
func dial(t testing.TB, urls string) jetstream.JetStream {
	t.Helper()
	var conn *nats.Conn
	until(t, "a NATS server answers", func() (bool, string) {
		var err error
		conn, err = nats.Connect(urls, nats.UserInfo("watch", watchPassword), nats.MaxReconnects(-1),
			nats.ReconnectWait(50*time.Millisecond), nats.ReconnectBufSize(-1))
		return err == nil, fmt.Sprint(err)
	})
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	must(t, err)
	until(t, "the cluster has a leader", func() (bool, string) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := js.AccountInfo(ctx)
		return err == nil, fmt.Sprint(err)
	})
	return js
}

// receiver takes the pages of all watches.
type receiver struct {
	server *httptest.Server

	mu    sync.Mutex
	first map[place]time.Time // when a machine was paged for the first time
	keys  map[place][]string  // idempotency keys of its pages, as they came
}

type place struct{ site, machine string }

func newReceiver(t testing.TB) *receiver {
	r := &receiver{first: map[place]time.Time{}, keys: map[place][]string{}}
	r.server = httptest.NewServer(r)
	t.Cleanup(r.server.Close)
	return r
}

// ServeHTTP notes a page.
func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, _ := io.ReadAll(req.Body)
	var page struct{ Site, Machine, Emit string }
	if err := json.Unmarshal(body, &page); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	at := place{page.Site, page.Machine}
	if r.first[at].IsZero() {
		r.first[at] = time.Now()
	}
	r.keys[at] = append(r.keys[at], page.Emit+" "+req.Header.Get("Idempotency-Key"))
}

func (r *receiver) paged(at place) (time.Time, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	t, ok := r.first[at]
	return t, ok
}
