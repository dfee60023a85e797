package config

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

// heronKey is a public key whose seed was thrown away.
const heronKey = "UDITFFNANVC6Y3WRAVYRVI6ROVJZNXOZUNEYMF3MUCDTOLQ5TYWO55FD"

func TestNATSServerProblems(t *testing.T) {
	const two = "machines: [{site: north, name: heron}, {site: north, name: wren}]\n"
	for name, tt := range map[string]struct{ text, want string }{
		"open, with users and without TLS": {
			two + "nats:\n  listen: 0.0.0.0:4222\n  users: [{name: heron, machine: north/heron, key: " + heronKey + "}]\n",
			`rollwarden.yaml:3:11: nats.listen: want a loopback address such as 127.0.0.1, or else TLS (nats.server_tls.cert_file and key_file), because who reaches the port can write in the journal, got "0.0.0.0:4222"`,
		},
		"MQTT open to everybody": {
			"nats: {mqtt: {listen: '0.0.0.0:8883'}}\n",
			`rollwarden.yaml:1:23: nats.mqtt.listen: want a loopback address such as 127.0.0.1, or else a login for each machine (nats.users) and TLS (nats.server_tls.cert_file and key_file), because who reaches the port can write in the journal, got "0.0.0.0:8883"`,
		},
		"one port for MQTT and NATS": {
			"nats: {mqtt: {listen: '127.0.0.1:4222'}}\n",
			`rollwarden.yaml:1:23: nats.mqtt.listen: want an address of its own, and nats.listen or http.listen is the same, got "127.0.0.1:4222"`,
		},
		"MQTT with keys only": {
			two + "nats: {mqtt: {listen: '127.0.0.1:1883'}, users: [{name: heron, machine: north/heron, key: " + heronKey + "}]}\n",
			`rollwarden.yaml:2:23: nats.mqtt.listen: want a user with a password beside it, because MQTT knows no keys, got "127.0.0.1:1883"`,
		},
		"no such machine": {
			two + "nats: {users: [{name: heron, machine: north/herron, key: " + heronKey + "}]}\n",
			`rollwarden.yaml:2:39: nats.users[0].machine: want one of north/heron, north/wren, got "north/herron": did you mean "north/heron"?`,
		},
		"a machine with a role": {
			two + "nats: {users: [{name: heron, machine: north/heron, role: watch, key: " + heronKey + "}]}\n",
			`rollwarden.yaml:2:16: nats.users[0]: want machine, such as north/heron, or role (reader or watch), and only one of them`,
		},
		"no way to log in": {
			"nats: {users: [{name: archive, role: reader}]}\n",
			`rollwarden.yaml:1:16: nats.users[0]: want key, password_hash_file or env, and only one of them`,
		},
		"a name twice, and a key": {
			"nats: {users: [{name: a, role: reader, key: " + heronKey + "}, {name: a, role: reader, key: " + heronKey + "}]}\n",
			`nats.users[1].name: want each name once, got "a"`,
		},
		"a name that is no token": {
			"nats: {users: [{name: a.>, role: reader, key: " + heronKey + "}]}\n",
			`nats.users[0].name: want a name of letters, digits, - and _, got "a.>"`,
		},
		"a seed for a key": {
			"nats: {users: [{name: a, role: reader, key: SUAGMJH5XLGZKQQWAWKRZJIGMOU4HPFUYLXJMXOO5NLFEO2OOQJ5LPRDPM}]}\n",
			`nats.users[0].key: want the public nkey of a user, 56 letters that begin with U, got something else (not shown)`,
		},
		"a password for a hash": {
			"nats: {users: [{name: a, role: reader, env: HASH}]}\n",
			`nats.users[0].env: want a bcrypt hash as rollwarden password --machine prints it, got something else (not shown)`,
		},
		"a variable that is not there": {
			"nats: {users: [{name: a, role: reader, env: NONE}]}\n",
			`nats.users[0].env: want a variable of the environment that holds the hash, got "NONE"`,
		},
		"a certificate without its key": {
			"nats: {server_tls: {cert_file: rollwarden.yaml}}\n",
			`nats.server_tls: want cert_file and key_file, got only one of them`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := tryLoad(t, tt.text, "HASH=a-password-and-no-hash")
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("want %s\ngot  %v", tt.want, err)
			}
			if err != nil && (strings.Contains(err.Error(), "a-password") || strings.Contains(err.Error(), "SUAGMJ")) {
				t.Errorf("a secret is shown: %v", err)
			}
		})
	}
}

// kestrelLogins are the users of a shop. The passwords are long enough to have
// been made by openssl rand -hex 16.
const kestrelLogins = `
machines: [{site: north, name: heron}, {site: north, name: wren}]
nats:
  listen: 127.0.0.1:0
  users:
    - {name: heron, machine: north/heron, key: HERON}
    - {name: archive, role: reader, env: ARCHIVE_HASH}
    - {name: commands, role: watch, env: COMMANDS_HASH}
`

const (
	archivePassword  = "0f1e2d3c4b5a69780f1e2d3c4b5a6978"
	commandsPassword = "aa1e2d3c4b5a69780f1e2d3c4b5a6978"
)

// natsFloor is the built-in server of that shop with its journal.
type natsFloor struct {
	t     *testing.T
	url   string
	heron nkeys.KeyPair
	kept  *journal.Journal
}

func openFloor(t *testing.T) *natsFloor {
	t.Helper()
	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	environ := []string{"ROLLWARDEN_DATA_FOLDER=" + t.TempDir()}
	for name, password := range map[string]string{"ARCHIVE_HASH": archivePassword, "COMMANDS_HASH": commandsPassword} {
		hash, err := bus.HashPassword(password)
		if err != nil {
			t.Fatal(err)
		}
		environ = append(environ, name+"="+hash)
	}
	c := load(t, strings.ReplaceAll(kestrelLogins, "HERON", public), environ...)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	b, err := bus.Open(ctx, c.BusOptions("config-test", zerolog.Nop()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close(context.Background()) })
	kept, err := journal.Open(ctx, b.JetStream(), c.JournalOptions(zerolog.Nop()))
	if err != nil {
		t.Fatal(err)
	}
	return &natsFloor{t, b.URL(), pair, kept}
}

// dial connects, and sends what the server refuses to refused.
func (f *natsFloor) dial(options ...nats.Option) (conn *nats.Conn, refused <-chan error) {
	f.t.Helper()
	errs := make(chan error, 1)
	conn, err := nats.Connect(f.url, append(options, nats.Timeout(10*time.Second), nats.NoReconnect(),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { errs <- err }))...)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(conn.Close)
	return conn, errs
}

// publish publishes with an acknowledgement.
func (f *natsFloor) publish(conn *nats.Conn, subject string) error {
	f.t.Helper()
	js, err := jetstream.New(conn)
	if err != nil {
		f.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(f.t.Context(), 10*time.Second)
	defer cancel()
	_, err = js.Publish(ctx, subject, []byte("{}"))
	return err
}

// wantStored wants the journal to hold so many entries.
func (f *natsFloor) wantStored(want uint64) {
	f.t.Helper()
	if last, err := f.kept.Last(f.t.Context()); err != nil || last != want {
		f.t.Errorf("want %d entries in the journal, got %d, %v", want, last, err)
	}
}

func wantRefused(t *testing.T, refused <-chan error, what string) {
	t.Helper()
	select {
	case err := <-refused:
		if !errors.Is(err, nats.ErrPermissionViolation) || !strings.Contains(err.Error(), what) {
			t.Errorf("want %s refused, got %v", what, err)
		}
	case <-time.After(10 * time.Second):
		t.Errorf("%s was not refused", what)
	}
}

// TestAMachineSpeaksForItself lets a machine say what it may, and tries what it
// may not. The subjects are those of deploy/nats/accounts.conf.
func TestAMachineSpeaksForItself(t *testing.T) {
	f := openFloor(t)
	public, err := f.heron.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	conn, refused := f.dial(nats.Nkey(public, f.heron.Sign), nats.CustomInboxPrefix("_INBOX_heron"))
	if err := f.publish(conn, "floor.north.heron.climate.read"); err != nil { // acknowledged, so its inbox is open to it
		t.Errorf("heron may not publish about itself: %v", err)
	}
	for _, subject := range []string{
		"floor.north.wren.climate.read", "floor.quay.heron.climate.read", "floor.north.any.climate.read", // another's
		"floor.north.heron.alarm.changed", "floor.north.heron.page.sent", "floor.north.heron.page.failed", // the watch's
		"floor.north.heron.operator.noted", "floor.north.heron.entry.undone", "floor.north.heron.advice.accepted", // a person's
		"$JS.API.STREAM.DELETE.FLOOR", "$JS.API.STREAM.MSG.GET.FLOOR", "_INBOX_commands.x", "floor",
	} {
		if err := conn.Publish(subject, []byte("{}")); err != nil {
			t.Fatal(err)
		}
		wantRefused(t, refused, "Publish to \""+subject+"\"")
	}
	for _, subject := range []string{"floor.>", "_INBOX.>", "_INBOX_wren.>", ">", "$MQTT.>"} {
		if _, err := conn.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		wantRefused(t, refused, "Subscription to \""+subject+"\"")
	}
	f.wantStored(1)
}

// TestNATSRoles lets a reader hear and not speak, and the watch's own do both.
func TestNATSRoles(t *testing.T) {
	f := openFloor(t)
	reader, refused := f.dial(nats.UserInfo("archive", archivePassword), nats.CustomInboxPrefix("_INBOX_archive"))
	heard, err := reader.SubscribeSync("floor.>")
	if err != nil {
		t.Fatal(err)
	}
	if err := reader.Flush(); err != nil {
		t.Fatal(err)
	}
	commands, _ := f.dial(nats.UserInfo("commands", commandsPassword))
	if err := f.publish(commands, "floor.north.wren.climate.read"); err != nil {
		t.Errorf("the commands may not publish: %v", err)
	}
	if _, err := heard.NextMsg(10 * time.Second); err != nil {
		t.Errorf("the reader hears nothing: %v", err)
	}
	for _, subject := range []string{"floor.north.wren.climate.read", "$JS.API.CONSUMER.CREATE.FLOOR.x", "$JS.API.DIRECT.GET.FLOOR", "$JS.API.STREAM.MSG.GET.FLOOR"} {
		if err := reader.Publish(subject, nil); err != nil {
			t.Fatal(err)
		}
		wantRefused(t, refused, "Publish to \""+subject+"\"")
	}
	f.wantStored(1)
	for name, login := range map[string][]nats.Option{
		"nobody": nil, "a wrong password": {nats.UserInfo("archive", commandsPassword)}, "a name for a key": {nats.UserInfo("heron", "")},
		"the hash for the password": {nats.UserInfo("archive", someBcrypt)},
	} {
		if conn, err := nats.Connect(f.url, login...); !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%s: want no login, got %v, %v", name, conn, err)
		}
	}
}

// TestAnswersGoNowhere: the acknowledgement goes to the subject that a machine
// names, which its permissions do not bound. It must do nothing there that the
// machine itself may not.
func TestAnswersGoNowhere(t *testing.T) {
	f := openFloor(t)
	public, err := f.heron.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	conn, refused := f.dial(nats.Nkey(public, f.heron.Sign), nats.CustomInboxPrefix("_INBOX_heron"))
	for _, reply := range []string{"$JS.API.STREAM.DELETE.FLOOR", "$JS.API.STREAM.PURGE.FLOOR", "$JS.API.STREAM.UPDATE.FLOOR", "floor.north.wren.alarm.changed"} {
		if err := conn.PublishRequest("floor.north.heron.climate.read", reply, []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.publish(conn, "floor.north.heron.climate.read"); err != nil {
		t.Errorf("the journal is gone: %v, %v", err, len(refused))
	}
	last, err := f.kept.Last(t.Context())
	if err != nil || last < 5 {
		t.Fatalf("want five entries at least, got %d, %v", last, err)
	}
	for seq := uint64(1); seq <= last; seq++ {
		entry, err := f.kept.Get(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := event.Decode(entry.Message); err == nil {
			t.Errorf("entry %d on %s is an event: %s", seq, entry.Subject, entry.Data)
		}
	}
}

// TestTheFilesForNATSDenyWhatTheBuiltInServerDenies compares what a machine may not
// say in the files for servers of one's own with what it may not say here.
func TestTheFilesForNATSDenyWhatTheBuiltInServerDenies(t *testing.T) {
	want := NATSUser{Machine: "north/heron"}.user().Never
	publish := regexp.MustCompile(`allow: \["floor[^\]]*\]\n( *deny: (\[[^\]]*\]))?`)
	for file, users := range map[string]int{"accounts.conf": 4, "leaf.conf": 1} {
		text, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", "nats", file))
		if err != nil {
			t.Fatal(err)
		}
		found := publish.FindAllSubmatch(text, -1)
		if len(found) != users {
			t.Errorf("%s: found %d users who publish on the floor, want %d", file, len(found), users)
		}
		for _, user := range found {
			var denied []string
			if err := json.Unmarshal(user[2], &denied); err != nil || !slices.Equal(denied, want) {
				t.Errorf("%s denies %s, %v: want %q", file, user[2], err, want)
			}
		}
	}
}
