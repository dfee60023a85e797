package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"github.com/rs/zerolog"

	"rollwarden/watcher/journal"
)

// serve starts a server in this process from a file, as its own parser reads it.
func serve(t *testing.T, file string) *server.Server {
	t.Helper()
	o, err := server.ProcessConfigFile(file)
	must(t, err)
	o.NoSigs, o.NoLog = true, true
	s, err := server.NewServer(o)
	must(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(patience) {
		t.Fatalf("the NATS server of %s is not ready", file)
	}
	return s
}

// leafKey is the key of the leaf in accounts.conf, whose seed was thrown away.
var leafKey = regexp.MustCompile(`site quay[\s\S]*?nkey: (\w+)`)

// TestALeafSpeaksForItsSite has a machine speak to the server at its site, and finds
// what it said in the partition at the hub; what another site's machine would say it
// may not. It runs the files that a shop is given.
func TestALeafSpeaksForItsSite(t *testing.T) {
	dir := t.TempDir()
	pair, err := nkeys.CreateUser()
	must(t, err)
	public, err := pair.PublicKey()
	must(t, err)
	seed, err := pair.Seed()
	must(t, err)
	place := func(name string, text []byte) string {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, text, 0o600))
		return path
	}
	accounts := deployed(t, "accounts.conf", "#include partitions.conf", "include partitions.conf")
	key := leafKey.FindSubmatch(accounts)
	if key == nil {
		t.Fatal("accounts.conf has no leaf of site quay")
	}
	place("accounts.conf", deployed(t, "accounts.conf", "#include partitions.conf", "include partitions.conf", string(key[1]), public))
	place("partitions.conf", deployed(t, "partitions.conf"))
	hubAt := freePort(t)
	place("hub.conf", deployed(t, "hub.conf", "0.0.0.0:7422", hubAt))
	t.Setenv("WATCH_PASSWORD", watchPassword)
	t.Setenv("ADMIN_PASSWORD", "kestrel-lane-admin")
	t.Setenv("LEAF_SEED", string(seed))
	t.Setenv("MACHINES_PASSWORD", "kestrel-lane-machines")
	hub := serve(t, place("nats.conf", append(deployed(t, "nats.conf", "0.0.0.0:4222", "127.0.0.1:-1", "/var/lib/nats", filepath.Join(dir, "store")), "\ninclude hub.conf\n"...)))
	leaf := serve(t, place("leaf.conf", deployed(t, "leaf.conf", "127.0.0.1:4222", "127.0.0.1:-1", // of three servers it finds the one that is there
		"nats-1.kestrel-lane.example:7422", hubAt, "nats-2.kestrel-lane.example:7422", freePort(t), "nats-3.kestrel-lane.example:7422", freePort(t))))

	p, err := journal.NewPartitions(partitionCount)
	must(t, err)
	js := dial(t, hub.ClientURL())
	var journals []*journal.Journal
	for n := range p.Len() {
		j, err := journal.Open(t.Context(), js, p.Options(journal.Options{MaxBytes: 1 << 20, Log: zerolog.Nop()}, n))
		must(t, err)
		journals = append(journals, j)
	}
	refused := make(chan error, 1)
	conn, err := nats.Connect(leaf.ClientURL(), nats.UserInfo("machines", "kestrel-lane-machines"), nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		select {
		case refused <- err:
		default:
		}
	}))
	must(t, err)
	defer conn.Close()
	plover, err := jetstream.New(conn)
	must(t, err)
	const climate = `{"specversion":"1.0","id":"1","source":"/plover","type":"rollwarden.climate.read","time":"2026-03-02T08:00:00Z","data":{"rh_pct":50}}`
	var ack *jetstream.PubAck
	until(t, "the hub acknowledges what a machine behind the leaf says", func() (bool, string) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		ack, err = plover.Publish(ctx, "floor.quay.plover.climate.read", []byte(climate))
		return err == nil, fmt.Sprint(err)
	})
	if want := p.Stream(p.Of("quay")); ack.Stream != want {
		t.Errorf("it is in stream %s, want %s", ack.Stream, want)
	}
	got, err := journals[p.Of("quay")].Get(t.Context(), ack.Sequence)
	if err != nil || got.Subject != "floor.quay.plover.climate.read" || string(got.Data) != climate {
		t.Errorf("the journal has %q %s, %v", got.Subject, got.Data, err)
	}
	for _, subject := range []string{"floor.north.heron.climate.read", "floor.quay.plover.alarm.changed", "part.0.floor.quay.plover.climate.read"} {
		must(t, conn.Publish(subject, []byte("{}")))
		select {
		case err := <-refused:
			if !errors.Is(err, nats.ErrPermissionViolation) {
				t.Errorf("%s: %v", subject, err)
			}
		case <-time.After(patience):
			t.Errorf("%s was not refused", subject)
		}
	}
}
