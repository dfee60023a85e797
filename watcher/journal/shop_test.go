package journal

import (
	"bytes"
	"strings"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

func TestAJournalSaysWhoseItIs(t *testing.T) {
	const shop, renamed = "Kestrel Lane Decals", "Kestrel Lane Decals, by the water"
	one, err := NewPartitions(1)
	if err != nil {
		t.Fatal(err)
	}
	whose := func(js jetstream.JetStream, want string) {
		t.Helper()
		if got, err := Shop(soon(t), js, one); got != want || err != nil {
			t.Errorf("the journal is of %q, %v: want %q", got, err, want)
		}
	}
	s := serve(t, t.TempDir(), -1)
	defer stop(s)
	js := dial(t, s.ClientURL())
	whose(js, "")
	// An earlier version left it unsaid, and its operator put a word of his own there.
	config := shape(jetstream.StreamConfig{Name: StreamName, Metadata: map[string]string{"rack": "3"}}, Options{MaxBytes: 1 << 20})
	if _, err := js.CreateStream(soon(t), config); err != nil {
		t.Fatal(err)
	}
	whose(js, "")
	for _, name := range []string{shop, shop, renamed} {
		if _, err := Open(soon(t), js, Options{MaxBytes: 1 << 20, Shop: name, Log: noLog}); err != nil {
			t.Fatal(err)
		}
		whose(js, name)
	}
	// Who does not say it, changes nothing.
	j, err := Open(soon(t), js, Options{MaxBytes: 1 << 21, Log: noLog})
	if err != nil {
		t.Fatal(err)
	}
	whose(js, renamed)
	if got := j.stream.CachedInfo().Config.Metadata["rack"]; got != "3" {
		t.Errorf("the operator's own word is %q", got)
	}
}

// TestADividedJournalSaysWhoseItIs asks with another division than the floor has, as
// the configuration of another shop may.
func TestADividedJournalSaysWhoseItIs(t *testing.T) {
	const shop = "Kestrel Lane Decals"
	for _, c := range []struct{ kept, asked int }{{3, 3}, {3, 1}, {1, 3}, {1, 1}} {
		kept, err := NewPartitions(c.kept)
		if err != nil {
			t.Fatal(err)
		}
		asked, err := NewPartitions(c.asked)
		if err != nil {
			t.Fatal(err)
		}
		s := serve(t, t.TempDir(), -1)
		js := dial(t, s.ClientURL())
		for n := range c.kept {
			if _, err := Open(soon(t), js, kept.Options(Options{MaxBytes: 1 << 20, Shop: shop, Log: noLog}, n)); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := Shop(soon(t), js, asked); got != shop || err != nil {
			t.Errorf("a journal of %d parts, asked for as one of %d, is of %q, %v", c.kept, c.asked, got, err)
		}
		stop(s)
	}
}

// TestAJournalThatMayNotBeChanged is kept by a user who may use the stream and not
// update it.
func TestAJournalThatMayNotBeChanged(t *testing.T) {
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), JetStreamMaxStore: 1 << 30, NoSigs: true, NoLog: true,
		Users: []*server.User{
			{Username: "admin", Password: "a"},
			{Username: "watch", Password: "w", Permissions: &server.Permissions{Publish: &server.SubjectPermission{Deny: []string{"$JS.API.STREAM.UPDATE.>"}}}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	defer stop(s)
	if _, err := Open(soon(t), dial(t, s.ClientURL(), nats.UserInfo("admin", "a")), Options{MaxBytes: 1 << 20, Log: noLog}); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if _, err := Open(soon(t), dial(t, s.ClientURL(), nats.UserInfo("watch", "w")), Options{MaxBytes: 1 << 20, Shop: "Kestrel Lane Decals", Log: zerolog.New(&said)}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(said.String(), "let this user update the stream") {
		t.Errorf("nothing is said of it: %s", said.String())
	}
}
