package journal

import (
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// soon bounds a test. Nothing here should need a tenth of it.
func soon(t testing.TB) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// serve runs a NATS server on the folder; port -1 takes any free one.
func serve(t testing.TB, dir string, port int) *server.Server {
	t.Helper()
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: dir,
		JetStreamMaxStore: 1 << 30, NoSigs: true, NoLog: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	return s
}

func stop(s *server.Server) {
	s.Shutdown()
	s.WaitForShutdown()
}

func portOf(s *server.Server) int { return s.Addr().(*net.TCPAddr).Port }

// dial connects and reconnects fast; opts come last.
func dial(t testing.TB, url string, opts ...nats.Option) jetstream.JetStream {
	t.Helper()
	opts = append([]nats.Option{nats.MaxReconnects(-1), nats.ReconnectWait(20 * time.Millisecond), nats.ReconnectBufSize(-1)}, opts...)
	c, err := nats.Connect(url, opts...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	js, err := jetstream.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// start gives a test its own server, connection and journal.
func start(t testing.TB, o Options) (*Journal, jetstream.JetStream) {
	t.Helper()
	s := serve(t, t.TempDir(), server.RANDOM_PORT)
	t.Cleanup(func() { stop(s) })
	js := dial(t, "", nats.InProcessServer(s))
	return open(t, js, o), js
}

func open(t testing.TB, js jetstream.JetStream, o Options) *Journal {
	t.Helper()
	if o.MaxBytes == 0 {
		o.MaxBytes = 256 << 20
	}
	j, err := Open(soon(t), js, o)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return j
}

var noLog = zerolog.Nop()

// moved is the i-th event of a test, on one of three machines.
func moved(i int) event.Event {
	position := float64(-400 - i%50)
	return event.Event{
		ID: fmt.Sprintf("e-%06d", i), Source: "/north/console", Type: "edge.moved",
		Time: time.Date(2026, 3, 2, 8, 0, 0, i*1000, time.UTC),
		Site: "north", Machine: []string{"heron", "wren", "plover"}[i%3],
		Data: &event.EdgeMoved{PositionMM: &position, Cause: "rewind"},
	}
}

// moves are the events from first to last, both included.
func moves(first, last int) []event.Event {
	var list []event.Event
	for i := first; i <= last; i++ {
		list = append(list, moved(i))
	}
	return list
}

func publish(t testing.TB, j *Journal, events ...event.Event) {
	t.Helper()
	if err := j.Publish(soon(t), events...); err != nil {
		t.Fatalf("publish: %v", err)
	}
}

// idOf decodes an entry and returns the id of its event.
func idOf(t testing.TB, e Entry) string {
	t.Helper()
	ev, err := event.Decode(e.Message)
	if err != nil {
		t.Fatalf("entry %d: %v", e.Seq, err)
	}
	return ev.ID
}

// wantError checks that an error is there and says all of parts.
func wantError(t testing.TB, err error, parts ...string) {
	t.Helper()
	if err == nil {
		t.Fatal("want an error, got none")
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("error %q does not mention %q", err, p)
		}
	}
}

func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited too long until %s", what)
}
