package faults

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// watchPassword lets the watch and the tests in, as accounts.conf has it.
const watchPassword = "kestrel-lane-watch"

// natsServer is a NATS server in a process of its own, as deploy/nats sets it up,
// that can be killed and come back on the same store and address.
type natsServer struct {
	t       *testing.T
	name    string
	address string
	config  string
	log     string
	process *exec.Cmd // nil while it is away
}

// natsProgram is the server that go.mod names, built once for all tests.
var natsProgram = sync.OnceValues(func() (string, error) {
	program := filepath.Join(scratch, "nats-server")
	out, err := exec.Command("go", "build", "-o", program, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the NATS server: %w\n%s", err, out)
	}
	return program, nil
})

// startNATS starts one server alone.
func startNATS(t *testing.T) *natsServer {
	t.Helper()
	dir := natsFolder(t)
	s := &natsServer{t: t, name: "floor", address: freeAddress(t)}
	s.config = natsConfig(t, dir, "nats.conf", "nats.conf", "0.0.0.0:4222", s.address, "/var/lib/nats", filepath.Join(dir, "store"))
	s.start()
	return s
}

// startCluster starts three servers that keep one journal together.
func startCluster(t *testing.T) []*natsServer {
	t.Helper()
	dir := natsFolder(t)
	var routes []string
	for range 3 {
		routes = append(routes, freeAddress(t))
	}
	var nodes []*natsServer
	for i, route := range routes {
		s := &natsServer{t: t, name: fmt.Sprintf("nats-%d", i+1), address: freeAddress(t)}
		pairs := []string{"$NODE", s.name, "0.0.0.0:4222", s.address, "0.0.0.0:6222", route, "/var/lib/nats", filepath.Join(dir, s.name), "CHANGE-ME", "kestrel-lane-route"}
		for k, other := range routes {
			pairs = append(pairs, fmt.Sprintf("nats-%d.kestrel-lane.example:6222", k+1), other)
		}
		s.config = natsConfig(t, dir, "cluster.conf", s.name+".conf", pairs...)
		s.launch()
		nodes = append(nodes, s)
	}
	for _, s := range nodes {
		s.await()
	}
	return nodes
}

// natsFolder is where the configuration and the stores of one test go.
func natsFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	natsConfig(t, dir, "accounts.conf", "accounts.conf")
	return dir
}

// natsConfig copies a file of deploy/nats with other texts in place of some.
func natsConfig(t *testing.T, dir, from, to string, pairs ...string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", "nats", from))
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("deploy/nats/%s: want %q in it", from, pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	path := filepath.Join(dir, to)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// freeAddress finds a port that is free now: a server that comes back has to be
// where it was.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func (s *natsServer) url() string { return "nats://" + s.address }

// start starts the server and waits until it takes clients.
func (s *natsServer) start() {
	s.t.Helper()
	s.launch()
	s.await()
}

func (s *natsServer) launch() {
	s.t.Helper()
	program, err := natsProgram()
	if err != nil {
		s.t.Fatal(err)
	}
	s.log = s.config + ".log"
	log, err := os.OpenFile(s.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	cmd := exec.Command(program, "--config", s.config)
	cmd.Env = append(os.Environ(), "WATCH_PASSWORD="+watchPassword, "ADMIN_PASSWORD=kestrel-lane-admin")
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.process = cmd
	s.t.Cleanup(func() {
		if s.process == cmd {
			s.kill()
		}
	})
}

func (s *natsServer) await() {
	s.t.Helper()
	until(s.t, "the NATS server "+s.name+" takes clients", func() (bool, string) {
		conn, err := nats.Connect(s.url(), nats.UserInfo("watch", watchPassword), nats.Timeout(time.Second))
		if err != nil {
			log, _ := os.ReadFile(s.log)
			return false, err.Error() + "\n" + string(log)
		}
		conn.Close()
		return true, ""
	})
}

// kill ends the server as kill -9 does.
func (s *natsServer) kill() {
	s.t.Helper()
	if err := s.process.Process.Kill(); err != nil {
		s.t.Errorf("kill %s: %v", s.name, err)
	}
	_ = s.process.Wait() // killed: that is no clean end
	s.process = nil
}

// outage kills the server after a while, and starts it again after another. The
// function that it returns waits until it is over.
func (s *natsServer) outage(after, away time.Duration) (over func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		time.Sleep(after)
		s.kill()
		time.Sleep(away)
		s.launch()
	}()
	return func() { <-done }
}

// dialNATS connects to JetStream and stays, whatever happens in between.
func dialNATS(t *testing.T, url string) jetstream.JetStream {
	t.Helper()
	conn, err := nats.Connect(url, nats.UserInfo("watch", watchPassword), nats.MaxReconnects(-1),
		nats.ReconnectWait(50*time.Millisecond), nats.RetryOnFailedConnect(true), nats.ReconnectBufSize(-1),
		nats.PingInterval(2*time.Second), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	return js
}
