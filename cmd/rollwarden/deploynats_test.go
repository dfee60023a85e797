package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"rollwarden/watcher/journal"
)

// natsFloor is a copy of deploy/nats on loopback, in which heron has a key that
// the test knows.
type natsFloor struct {
	t     *testing.T
	dir   string
	heron nkeys.KeyPair
}

const (
	heronKey      = "UD3WHRYYZFDAFPIRE4XLZ6R4OR2TAZOR57OZ2ZFMP6ZWUA3V3IUNPYCL" // as in accounts.conf
	watchPassword = "kestrel-lane-watch"
)

func newNATSFloor(t *testing.T) *natsFloor {
	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	f := &natsFloor{t, t.TempDir(), pair}
	f.copy("accounts.conf", "accounts.conf", heronKey, public)
	t.Setenv("WATCH_PASSWORD", watchPassword)
	t.Setenv("ADMIN_PASSWORD", "kestrel-lane-admin")
	return f
}

// copy copies a file of deploy/nats with other texts in place of some.
func (f *natsFloor) copy(from, to string, pairs ...string) string {
	f.t.Helper()
	text := readFile(f.t, deployed("nats", from))
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			f.t.Fatalf("%s: want %q in it", from, pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	path := filepath.Join(f.dir, to)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		f.t.Fatal(err)
	}
	return path
}

// serve starts a server from a file, as the parser of the server reads it.
func (f *natsFloor) serve(file string) *server.Server {
	f.t.Helper()
	o, err := server.ProcessConfigFile(file)
	if err != nil {
		f.t.Fatal(err)
	}
	o.NoSigs, o.NoLog = true, true
	srv, err := server.NewServer(o)
	if err != nil {
		f.t.Fatal(err)
	}
	srv.Start()
	f.t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(patience) {
		f.t.Fatalf("the NATS server of %s is not ready after %s", file, patience)
	}
	return srv
}

// dial connects, and sends what the server refuses to refused.
func (f *natsFloor) dial(url string, refused chan<- error, options ...nats.Option) *nats.Conn {
	f.t.Helper()
	options = append(options, nats.Timeout(patience), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			select {
			case refused <- err:
			default: // nobody waits for more than one
			}
		}))
	conn, err := nats.Connect(url, options...)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(conn.Close)
	return conn
}

func (f *natsFloor) watch(url string) jetstream.JetStream {
	f.t.Helper()
	js, err := jetstream.New(f.dial(url, nil, nats.UserInfo("watch", watchPassword)))
	if err != nil {
		f.t.Fatal(err)
	}
	return js
}

func (f *natsFloor) machine(url string, refused chan<- error) *nats.Conn {
	f.t.Helper()
	public, err := f.heron.PublicKey()
	if err != nil {
		f.t.Fatal(err)
	}
	return f.dial(url, refused, nats.Nkey(public, f.heron.Sign), nats.CustomInboxPrefix("_INBOX_heron"))
}

// openJournal opens the journal as the watch does. In a cluster that begins,
// JetStream takes a moment to have a leader.
func (f *natsFloor) openJournal(ctx context.Context, js jetstream.JetStream, replicas int) *journal.Journal {
	f.t.Helper()
	for {
		attempt, cancel := context.WithTimeout(ctx, 5*time.Second)
		j, err := journal.Open(attempt, js, journal.Options{MaxBytes: 1 << 26, Replicas: replicas})
		cancel()
		if err == nil {
			return j
		}
		select {
		case <-ctx.Done():
			f.t.Fatalf("no journal: %v", err)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

const climate = `{"specversion":"1.0","id":"%s","source":"heron","type":"rollwarden.climate.read","time":"2026-03-02T08:00:00Z","datacontenttype":"application/json","data":{"rh_pct":50}}`

// TestNATSAccounts lets a machine say what it may, and tries what it may not.
func TestNATSAccounts(t *testing.T) {
	f := newNATSFloor(t)
	srv := f.serve(f.copy("nats.conf", "nats.conf", "0.0.0.0:4222", "127.0.0.1:-1", "/var/lib/nats", filepath.Join(f.dir, "store")))
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	kept := f.openJournal(ctx, f.watch(srv.ClientURL()), 1)

	refused := make(chan error, 1)
	conn := f.machine(srv.ClientURL(), refused)
	heron, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	// Acknowledged, so its own inbox is open to it.
	if _, err := heron.Publish(ctx, "floor.north.heron.climate.read", fmt.Appendf(nil, climate, "1")); err != nil {
		t.Errorf("heron may not publish about itself: %v", err)
	}
	for _, subject := range []string{
		"floor.north.wren.climate.read", "floor.quay.heron.climate.read", "floor.quay.plover.strike.recorded", // another's
		"floor.north.heron.alarm.changed", "floor.north.heron.page.sent", "floor.north.heron.operator.noted", "floor.north.heron.entry.undone", "floor.north.heron.advice.accepted", // not a machine's
		"$JS.API.STREAM.DELETE.FLOOR", "floor",
	} {
		if err := conn.Publish(subject, []byte("{}")); err != nil {
			t.Fatal(err)
		}
		wantRefused(t, refused, "Publish to \""+subject+"\"")
	}
	for _, subject := range []string{"floor.>", "_INBOX.>", "_INBOX_wren.>", ">"} {
		if _, err := conn.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		wantRefused(t, refused, "Subscription to \""+subject+"\"")
	}
	if last, err := kept.Last(ctx); err != nil || last != 1 {
		t.Errorf("want the one allowed event in the journal, got %d, %v", last, err)
	}
	if _, err := nats.Connect(srv.ClientURL(), nats.Timeout(patience)); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("want nobody let in without a login, got %v", err)
	}
}

// wantRefused waits until the server says what it refused.
func wantRefused(t *testing.T, refused <-chan error, what string) {
	t.Helper()
	select {
	case err := <-refused:
		if !errors.Is(err, nats.ErrPermissionViolation) || !strings.Contains(err.Error(), what) {
			t.Errorf("want %s refused, got %v", what, err)
		}
	case <-time.After(patience):
		t.Errorf("%s was not refused", what)
	}
}

// TestNATSCluster keeps a journal in three copies, and takes one server away.
func TestNATSCluster(t *testing.T) {
	f := newNATSFloor(t)
	var routes []string
	for range 3 {
		routes = append(routes, freePort(t))
	}
	var servers []*server.Server
	for i, route := range routes {
		name := fmt.Sprintf("nats-%d", i+1)
		t.Setenv("NODE", name)
		pairs := []string{"0.0.0.0:4222", "127.0.0.1:-1", "0.0.0.0:6222", route, "/var/lib/nats", filepath.Join(f.dir, name), "CHANGE-ME", "kestrel-lane-route"}
		for k, other := range routes {
			pairs = append(pairs, fmt.Sprintf("nats-%d.kestrel-lane.example:6222", k+1), other)
		}
		servers = append(servers, f.serve(f.copy("cluster.conf", name+".conf", pairs...)))
	}
	urls := servers[0].ClientURL() + "," + servers[1].ClientURL() + "," + servers[2].ClientURL()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	js := f.watch(urls)
	kept := f.openJournal(ctx, js, 3)
	heron, err := jetstream.New(f.machine(urls, nil))
	if err != nil {
		t.Fatal(err)
	}
	tell(ctx, t, heron, "1")
	stream, err := js.Stream(ctx, journal.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	leader := stream.CachedInfo().Cluster.Leader
	for _, srv := range servers {
		if srv.Name() == leader {
			srv.Shutdown()
			srv.WaitForShutdown()
		}
	}
	tell(ctx, t, heron, "2") // the gravest case: the leader is gone
	if last, err := kept.Last(ctx); err != nil || last < 2 {
		t.Errorf("want both events in the journal, got %d, %v", last, err)
	}
}

// tell publishes until it is acknowledged, as every sender should.
func tell(ctx context.Context, t *testing.T, js jetstream.JetStream, id string) {
	t.Helper()
	for {
		attempt, cancel := context.WithTimeout(ctx, 2*time.Second)
		_, err := js.Publish(attempt, "floor.north.heron.climate.read", fmt.Appendf(nil, climate, id))
		cancel()
		if err == nil {
			return
		}
		select {
		case <-ctx.Done():
			t.Fatalf("event %s was not acknowledged: %v", id, err)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// freePort finds a port that is free now: a cluster has to know its addresses
// before it begins.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
