package command

import (
	"bytes"
	"context"
	"maps"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
	"golang.org/x/crypto/bcrypt"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

const ours, theirs = "Kestrel Lane Decals", "Kestrel Lane Decals, by the water"

// aWatch keeps the journal of a shop; empty for an earlier version, that does not say
// whose it is.
func aWatch(t *testing.T, shop string, users ...bus.User) *bus.Bus {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	b, err := bus.Open(ctx, bus.Options{Listen: "127.0.0.1:0", StoreDir: t.TempDir(), MaxStore: 1 << 30, Name: "test", Users: users, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close(context.Background()) })
	if _, err := journal.Open(ctx, b.JetStream(), journal.Options{Shop: shop, MaxBytes: 1 << 20, Log: zerolog.Nop()}); err != nil {
		t.Fatal(err)
	}
	return b
}

// shopAt is our configuration, with the port of a watch.
func shopAt(t *testing.T, b *bus.Bus) *config.Config {
	t.Helper()
	t.Chdir(t.TempDir())
	at, err := url.Parse(b.URL())
	if err != nil {
		t.Fatal(err)
	}
	text := "shop: {name: " + ours + ", time_zone: UTC}\nnats: {listen: '" + at.Host + "'}\nmachines: [{site: north, name: heron}]\n"
	if err := os.WriteFile(config.FileName, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load("", nil)
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// TestNoCommandReachesAnotherShop runs every command that can be given an address
// beside the watch of another shop.
func TestNoCommandReachesAnotherShop(t *testing.T) {
	commands := map[string][]string{
		"advise": {"advise"}, "queue": {"queue"}, "replay": {"replay"}, "report": {"report"}, "doctor": {"doctor"},
		"backup": {"backup", "out.tar"},
		"send":   {"send", "edge.moved", "heron", "by_mm=365", "cause=advance"},
	}
	parser, err := kong.New(&cli{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range parser.Model.Children {
		connects := slices.ContainsFunc(c.Flags, func(f *kong.Flag) bool { return f.Name == "nats" })
		if _, listed := commands[c.Name]; connects != listed {
			t.Errorf("%s: takes an address is %t, and it is tried here is %t", c.Name, connects, listed)
		}
	}
	b := aWatch(t, theirs)
	shopAt(t, b)
	for _, name := range slices.Sorted(maps.Keys(commands)) {
		for key, flags := range map[string][]string{"nats.listen or --nats": nil, "by --nats": {"--nats", b.URL()}} {
			var out bytes.Buffer
			if code := Main(append(commands[name], flags...), nil, &out, &out); code != exitFailed {
				t.Errorf("%s ends with %d, want %d", name, code, exitFailed)
			}
			for _, want := range []string{`"` + ours + `"`, `"` + theirs + `"`, b.URL(), config.FileName, key} {
				if !strings.Contains(out.String(), want) {
					t.Errorf("%s does not say %s:\n%s", name, want, &out)
				}
			}
		}
	}
	j, err := b.JetStream().Stream(t.Context(), journal.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if n := j.CachedInfo().State.Msgs; n != 0 {
		t.Errorf("the other shop's journal has got %d entries", n)
	}
	for _, made := range []string{"data", "out.tar"} {
		if _, err := os.Stat(made); err == nil {
			t.Errorf("%s was made", made)
		}
	}
}

// TestOurOwnShopIsReached reaches a journal that is ours, or may be.
func TestOurOwnShopIsReached(t *testing.T) {
	for _, shop := range []string{ours, ""} {
		b, err := connect(t.Context(), shopAt(t, aWatch(t, shop)), "")
		if err != nil {
			t.Errorf("a journal of %q: %v", shop, err)
			continue
		}
		closeBus(b)
	}
	// A NATS without a journal is for the command itself to speak of.
	cfg := shopAt(t, aWatch(t, ours))
	empty, err := bus.Open(t.Context(), bus.Options{Listen: "127.0.0.1:0", StoreDir: t.TempDir(), MaxStore: 1 << 20, Name: "test", Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer closeBus(empty)
	b, err := connect(t.Context(), cfg, empty.URL())
	if err != nil {
		t.Fatal(err)
	}
	closeBus(b)
}

// TestAMachineSendsForItself logs in as a user who may not look at the journal. It is
// not kept waiting for an answer that never comes.
func TestAMachineSendsForItself(t *testing.T) {
	hash, err := bcrypt.GenerateFromPassword([]byte("a password of a machine"), bcrypt.DefaultCost)
	if err != nil {
		t.Fatal(err)
	}
	b := aWatch(t, theirs, bus.User{Name: "heron", PasswordHash: string(hash), Publish: []string{"floor.north.heron.>"}, Subscribe: []string{"_INBOX_heron.>"}})
	cfg := shopAt(t, b)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	o := bus.Options{URL: b.URL(), Name: "test", Log: zerolog.Nop(), Login: []nats.Option{nats.UserInfo("heron", "a password of a machine"), nats.CustomInboxPrefix("_INBOX_heron")}}
	reached, err := reach(ctx, cfg, o, "nats.url")
	if err != nil {
		t.Fatal(err)
	}
	defer closeBus(reached)
	if _, err := reached.JetStream().Publish(ctx, "floor.north.heron.edge.moved", []byte("{}")); err != nil {
		t.Error(err)
	}
}
