package doctor_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/pager"
)

// shop is a measured one, on ports that nobody else has.
const shop = `
shop: {name: Kestrel Lane Decals, time_zone: UTC}
nats: {listen: "127.0.0.1:0"}
http: {listen: "127.0.0.1:0"}
machines:
  - site: north
    name: heron
    path: {cure_entry_mm: 180, cure_exit_mm: 330, take_up_mm: 900, carriage_gap_um: 1500}
    swath_mm: 54
    stroke_s: 1.6
    max_width_mm: 1370
`

// fake is this computer, as far as nothing else is said.
type fake struct {
	doctor.Local
	now      func() time.Time
	disk     *doctor.Disk
	share    string // file system of every folder
	devices  map[string]uint64
	locked   string // folder that cannot be written
	touched  time.Duration
	watch    error
	numbers  map[string]uint64
	files    uint64
	unsynced bool
}

func (f fake) Now() time.Time {
	if f.now != nil {
		return f.now()
	}
	return time.Now()
}

func (f fake) Disk(path string) (doctor.Disk, error) {
	if f.disk != nil {
		return *f.disk, nil
	}
	return doctor.Disk{FreeBytes: 1 << 40, Bytes: 1 << 41}, nil
}

func (f fake) FileSystem(string) (string, bool, error) { return f.share, f.share != "", nil }

func (f fake) Device(path string) (uint64, error) {
	if n, ok := f.devices[filepath.Base(path)]; ok {
		return n, nil
	}
	return 1, nil
}

func (f fake) Writable(folder string) error {
	if f.locked != "" && filepath.Base(folder) == f.locked {
		return &os.PathError{Op: "access", Path: folder, Err: syscall.EACCES}
	}
	return nil
}

func (f fake) Touch(folder string) (time.Time, error) {
	at, err := f.Local.Touch(folder)
	return at.Add(f.touched), err
}

func (f fake) Watch([]string) error { return f.watch }

func (f fake) Number(file string) (uint64, error) {
	if n, ok := f.numbers[filepath.Base(file)]; ok {
		return n, nil
	}
	return 1 << 20, nil
}

func (f fake) Files(int) (uint64, error) {
	if f.files > 0 {
		return f.files, nil
	}
	return 1 << 20, nil
}

func (f fake) Synchronised() (bool, error) { return !f.unsynced, nil }

// place is a shop in a folder of its own.
type place struct {
	t      *testing.T
	ctx    context.Context
	config *config.Config
	system fake
	bus    *bus.Bus
	failed error // of opening the journal
	page   bool
}

// at describes a shop; more is laid over the text.
func at(t *testing.T, text string, environ ...string) *place {
	t.Helper()
	t.Chdir(t.TempDir())
	write(t, "rollwarden.yaml", text, 0o644)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	c, err := config.Load("rollwarden.yaml", environ)
	if err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"data", "tickets/heron"} {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return &place{t: t, ctx: ctx, config: c, failed: fs.ErrNotExist}
}

func write(t *testing.T, name, text string, mode os.FileMode) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

// journal opens the built-in server with some entries.
func (p *place) journal(entries int, o journal.Options) *journal.Journal {
	p.t.Helper()
	var err error
	if p.bus, err = bus.Open(p.ctx, bus.Options{StoreDir: filepath.Join("data", "nats"), MaxStore: 1 << 30, Name: "test", Log: zerolog.Nop()}); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { p.bus.Close(context.Background()) })
	p.failed = nil
	o.Log = zerolog.Nop()
	j, err := journal.Open(p.ctx, p.bus.JetStream(), o)
	if err != nil {
		p.t.Fatal(err)
	}
	p.publish(entries)
	return j
}

func (p *place) publish(entries int) {
	p.t.Helper()
	for range entries {
		if _, err := p.bus.JetStream().Publish(p.ctx, "floor.north.heron.film.wasted", []byte("{}")); err != nil {
			p.t.Fatal(err)
		}
	}
}

func (p *place) examine() doctor.Findings {
	return doctor.Examine(p.ctx, doctor.Patient{
		Config: p.config, System: p.system, Version: "test", Page: p.page,
		Open: func(context.Context) (*bus.Bus, bool, error) {
			if p.failed != nil {
				return nil, false, p.failed
			}
			b, err := bus.Open(p.ctx, bus.Options{StoreDir: filepath.Join("data", "nats"), MaxStore: 1 << 30, Name: "test", Log: zerolog.Nop()})
			return b, false, err
		},
	})
}

// close lets the doctor open the store.
func (p *place) close() {
	p.t.Helper()
	if err := p.bus.Close(context.Background()); err != nil {
		p.t.Fatal(err)
	}
}

// wants looks for a finding, and wants each that is not ok to say why and what
// to do.
func wants(t *testing.T, found doctor.Findings, check string, v doctor.Verdict, what string) {
	t.Helper()
	there := false
	for _, f := range found {
		there = there || f.Check == check && f.Verdict == v && strings.Contains(f.What, what)
		if f.Verdict != doctor.OK && f.Check != "configuration" && (f.Why == "" || f.Next == "") {
			t.Errorf("%s says not why or what to do: %s", f.Check, f.What)
		}
	}
	if !there {
		var b strings.Builder
		_ = found.Text(&b)
		t.Errorf("want %s: %s: ...%s..., got\n%s", v, check, what, b.String())
	}
}

const webhook = "pager: {routes: {high: [log, webhook]}, webhook: {secret_files: [secret]}}\n"

// withReceiver gives the shop a webhook that somebody answers.
func withReceiver(t *testing.T, handle http.HandlerFunc) *place {
	t.Helper()
	s := httptest.NewServer(handle)
	t.Cleanup(s.Close)
	t.Chdir(t.TempDir())
	write(t, "secret", "a key of sixteen bytes or more\n", 0o600)
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	return at(t, shop+strings.ReplaceAll(webhook, "[secret]", "["+filepath.Join(dir, "secret")+"]"), "ROLLWARDEN_PAGER_WEBHOOK_URL="+s.URL)
}

// TestAllIsWell finds nothing to look at in a shop that has all it needs, and
// leaves its journal and folders as they are.
func TestAllIsWell(t *testing.T) {
	p := withReceiver(t, func(w http.ResponseWriter, r *http.Request) { t.Error("a page was sent that nobody asked for") })
	p.config.NATS.MaxStore = 1 << 28
	p.journal(3, journal.Options{MaxBytes: 1 << 28})
	p.close()
	found := p.examine()
	if found.Worst() != doctor.OK {
		var b strings.Builder
		_ = found.Text(&b)
		t.Errorf("all is well, and this is found:\n%s", b.String())
	}
	wants(t, found, "journal", doctor.OK, "3 entries, 1 to 3")
	if left, _ := filepath.Glob("*/.rollwarden-*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	j := p.journal(0, journal.Options{MaxBytes: 1 << 28})
	if last, err := j.Last(p.ctx); err != nil || last != 3 {
		t.Errorf("the journal ends at %d, %v", last, err)
	}
}

// TestWhatIsWrongIsFound breaks one thing after another.
func TestWhatIsWrongIsFound(t *testing.T) {
	const watches = "max_user_watches"
	for name, c := range map[string]struct {
		system fake
		change func(*config.Config)
		check  string
		v      doctor.Verdict
		what   string
	}{
		"data folder of somebody else":    {fake{locked: "data"}, nil, "data folder", doctor.Broken, "cannot write in data"},
		"ticket folder of somebody else":  {fake{locked: "heron"}, nil, "ticket folders", doctor.Broken, "cannot write in tickets/heron"},
		"ticket folder is not mounted":    {fake{}, func(c *config.Config) { c.Tickets.Folder = "/nowhere/tickets" }, "ticket folders", doctor.Look, "/nowhere/tickets/heron is not there"},
		"data folder on a share":          {fake{share: "NFS"}, nil, "data folder", doctor.Look, "network file system (NFS)"},
		"tickets on a share":              {fake{share: "SMB"}, nil, "ticket folders", doctor.OK, "looks there every 30s"},
		"tickets on a share, seldom seen": {fake{share: "SMB"}, func(c *config.Config) { c.Tickets.Poll = time.Hour }, "ticket folders", doctor.Look, "looks there every 1h"},
		"accepted on another disk":        {fake{devices: map[string]uint64{"accepted": 2}}, nil, "ticket folders", doctor.Broken, "another file system"},
		"no more notices":                 {fake{watch: syscall.EMFILE}, nil, "file notices", doctor.Look, "too many open files"},
		"few notices":                     {fake{numbers: map[string]uint64{watches: 100}}, nil, "file notices", doctor.Look, "max_user_watches is 100"},
		"few files":                       {fake{files: 256}, nil, "open files", doctor.Look, "256 files"},
		"clock of nobody":                 {fake{unsynced: true}, nil, "clock", doctor.Look, "nobody keeps the clock"},
		"clock of the disk":               {fake{touched: time.Hour}, nil, "clock", doctor.Look, "differs by 1h0m0s"},
		"full disk":                       {fake{disk: &doctor.Disk{FreeBytes: 100 << 20, Bytes: 1 << 40}}, nil, "disk", doctor.Broken, "100 MiB left"},
		"disk smaller than the journal":   {fake{disk: &doctor.Disk{FreeBytes: 1 << 30, Bytes: 1 << 40}}, nil, "disk", doctor.Look, "may still grow by 4.0 GiB"},
		"no inodes":                       {fake{disk: &doctor.Disk{FreeBytes: 1 << 40, Bytes: 1 << 41, Inodes: 5000, FreeInodes: 10}}, nil, "disk", doctor.Broken, "room for 10 files"},
		"only the log":                    {fake{}, nil, "pager", doctor.Look, "nothing but the log"},
		"nobody there":                    {fake{}, func(c *config.Config) { c.Pager.Alertmanager.URL = "http://127.0.0.1:1" }, "pager", doctor.Broken, "alertmanager cannot be reached"},
	} {
		t.Run(name, func(t *testing.T) {
			p := at(t, shop)
			if err := os.MkdirAll("tickets/heron/accepted", 0o755); err != nil {
				t.Fatal(err)
			}
			p.system = c.system
			if c.change != nil {
				c.change(p.config)
			}
			wants(t, p.examine(), c.check, c.v, c.what)
		})
	}
}

// TestAFolderThatTheWatchMakes is missing below a folder of tickets that is there.
func TestAFolderThatTheWatchMakes(t *testing.T) {
	p := at(t, shop)
	p.config.Tickets.Folder = t.TempDir()
	wants(t, p.examine(), "ticket folders", doctor.OK, "heron is not there yet; the watch makes it")
}

// TestTicketsThatNobodyReads lie under a name that is no machine's, and in a folder
// that somebody made for himself.
func TestTicketsThatNobodyReads(t *testing.T) {
	p := at(t, shop)
	for _, dir := range []string{"tickets/plover", "tickets/heron/sub"} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		write(t, dir+"/p.json", "{}", 0o644)
	}
	found := p.examine()
	wants(t, found, "ticket folders", doctor.Look, "in tickets, folder plover belongs to no machine: 1 file waits")
	wants(t, found, "ticket folders", doctor.Look, "in tickets/heron, folder sub belongs to no machine: 1 file waits")
}

// TestTheJournalIsLookedInto finds what is wrong with a store.
func TestTheJournalIsLookedInto(t *testing.T) {
	p := at(t, shop)
	p.journal(5, journal.Options{MaxBytes: 1 << 28})
	p.close()
	wants(t, p.examine(), "NATS", doctor.Look, "may take 256 MiB and keeps entries for ever, by the configuration 4.0 GiB")
	p.config.NATS.MaxStore = 100
	wants(t, p.examine(), "NATS", doctor.Broken, "the journal takes 0 MiB of 0 MiB")
	p.config.NATS.Replicas = 3
	wants(t, p.examine(), "NATS", doctor.Look, "1 copies, the configuration asks for 3")
	p.system.now = func() time.Time { return time.Now().Add(-time.Hour) }
	wants(t, p.examine(), "journal", doctor.Broken, "was stored 1h0m0s from now")
	p.failed = errors.New("connection refused")
	wants(t, p.examine(), "NATS", doctor.Broken, "connection refused")
	p.config.NATS.Listen = ""
	wants(t, p.examine(), "NATS", doctor.Look, "connection refused")
}

// TestAGapIsFound removes an entry, which our own journal does not allow.
func TestAGapIsFound(t *testing.T) {
	p := at(t, shop)
	p.journal(0, journal.Options{MaxBytes: 1 << 28})
	js := p.bus.JetStream()
	if err := js.DeleteStream(p.ctx, journal.StreamName); err != nil {
		t.Fatal(err)
	}
	var s jetstream.Stream
	var err error
	for end := time.Now().Add(10 * time.Second); s == nil && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		// The server may still be clearing away the files of the one before.
		s, err = js.CreateStream(p.ctx, jetstream.StreamConfig{Name: journal.StreamName, Subjects: []string{"floor.>"}})
	}
	if err != nil {
		t.Fatal(err)
	}
	p.publish(5)
	if err := s.DeleteMsg(p.ctx, 3); err != nil {
		t.Fatal(err)
	}
	p.close()
	wants(t, p.examine(), "journal", doctor.Broken, "1 entries are missing between 1 and 5")
}

// TestSnapshotsAreLoaded tells those of another journal or version from good
// ones.
func TestSnapshotsAreLoaded(t *testing.T) {
	p := at(t, shop)
	s := journal.Snapshots{Dir: filepath.Join("data", "snapshots"), Log: zerolog.Nop()}
	if err := s.Save(9, []byte(`{"version": 1}`)); err != nil {
		t.Fatal(err)
	}
	wants(t, p.examine(), "snapshots", doctor.Look, "this program reads")
}

// errHeld is what opening the journal of a running watch says that has no port.
var errHeld = errors.New("in use by another daemon")

// TestTheBoardsAddress tells a free address from a watch and from others.
func TestTheBoardsAddress(t *testing.T) {
	for name, c := range map[string]struct {
		status int
		text   string
		failed error // of opening the journal
		v      doctor.Verdict
		what   string
	}{
		"a watch":            {http.StatusOK, "ready", errHeld, doctor.OK, "is ready"},
		"a watch that reads": {http.StatusServiceUnavailable, "still reading", errHeld, doctor.Look, "is not ready: still reading"},
		"one that stands by": {http.StatusServiceUnavailable, "standby", errHeld, doctor.OK, "stands by for another"},
		"another's watch":    {http.StatusOK, "ready", fs.ErrNotExist, doctor.Broken, "the watch of another data folder has"},
		"something else":     {http.StatusNotFound, "no page", errHeld, doctor.Broken, "is no watch: it answers 404"},
	} {
		t.Run(name, func(t *testing.T) {
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path != "/readyz" || r.Method != http.MethodGet {
					t.Errorf("asked for %s %s", r.Method, r.URL)
				}
				w.WriteHeader(c.status)
				fmt.Fprintln(w, c.text)
			}))
			defer s.Close()
			p := at(t, shop)
			p.config.HTTP.Listen, p.failed = s.Listener.Addr().String(), c.failed
			wants(t, p.examine(), "board", c.v, c.what)
		})
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	}()
	defer l.Close()
	p := at(t, shop)
	p.config.HTTP.Listen = l.Addr().String()
	wants(t, p.examine(), "board", doctor.Broken, "another program has")
}

// TestTakenPorts tells before the first start that another program has a port.
func TestTakenPorts(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p := at(t, shop)
	p.config.NATS.Listen = l.Addr().String()
	wants(t, p.examine(), "NATS", doctor.Broken, "nats.listen: ")
	p = at(t, shop)
	p.config.NATS.MQTT.Listen = l.Addr().String()
	wants(t, p.examine(), "NATS", doctor.Broken, "nats.mqtt.listen: ")
}

// certify makes a certificate for a name.
func certify(t *testing.T, name string, from, until time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name}, NotBefore: from, NotAfter: until}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, "cert.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), 0o644)
	write(t, "key.pem", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8})), 0o600)
}

// TestCertificates looks at the dates and the names, and at who can read the key.
func TestCertificates(t *testing.T) {
	p := at(t, shop)
	p.config.HTTP.TLS = config.Certificate{CertFile: "cert.pem", KeyFile: "key.pem"}
	p.config.HTTP.PublicURL = "https://board.kestrel-lane.example"
	now := time.Now()
	wants(t, p.examine(), "certificate", doctor.Broken, "cert.pem")
	certify(t, "board.kestrel-lane.example", now.Add(-time.Hour), now.Add(90*24*time.Hour))
	wants(t, p.examine(), "certificate", doctor.OK, "valid until")
	wants(t, p.examine(), "secrets", doctor.OK, "1 files")
	p.system.now = func() time.Time { return now.Add(80 * 24 * time.Hour) }
	wants(t, p.examine(), "certificate", doctor.Look, "it expires on")
	p.system.now = func() time.Time { return now.Add(91 * 24 * time.Hour) }
	wants(t, p.examine(), "certificate", doctor.Broken, "it has expired on")
	p.system.now = func() time.Time { return now.Add(-2 * time.Hour) }
	wants(t, p.examine(), "certificate", doctor.Broken, "it is valid from")
	p.system.now = nil
	p.config.HTTP.Hosts = []string{"board"}
	wants(t, p.examine(), "certificate", doctor.Look, "not board")
	if err := os.Chmod("key.pem", 0o644); err != nil {
		t.Fatal(err)
	}
	wants(t, p.examine(), "secrets", doctor.Look, "mode 0644")
}

// TestATestPage sends one only when asked, signed as every page is, and told from
// an alarm by everything that it says.
func TestATestPage(t *testing.T) {
	var body []byte
	var header http.Header
	status := http.StatusOK
	p := withReceiver(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		header = r.Header
		w.WriteHeader(status)
	})
	p.page = true
	wants(t, p.examine(), "pager", doctor.OK, "webhook took a test page")
	for _, want := range []string{`"hazard":"test-page"`, `"job":"TEST"`, `"priority":"low"`, "this is no alarm"} {
		if !bytes.Contains(body, []byte(want)) {
			t.Errorf("the page says nothing of %s: %s", want, body)
		}
	}
	key := pager.NewSecret("a key of sixteen bytes or more")
	if err := pager.VerifySignature(header.Get("Rollwarden-Signature"), body, []pager.Secret{key}, time.Now(), time.Minute); err != nil {
		t.Error(err)
	}
	status = http.StatusForbidden
	wants(t, p.examine(), "pager", doctor.Broken, "webhook did not take the test page")
}

// TestThisComputer asks the real one what every system can tell.
func TestThisComputer(t *testing.T) {
	var s doctor.Local
	dir := t.TempDir()
	if at, err := s.Touch(dir); err != nil || time.Since(at).Abs() > time.Minute {
		t.Errorf("%v, %v", at, err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if err := s.Watch([]string{dir, filepath.Join(dir, "not there")}); err != nil {
		t.Error(err)
	}
	if err := s.Writable(dir); err != nil {
		t.Error(err)
	}
	if err := s.Writable(filepath.Join(dir, "not there")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("want %v, got %v", fs.ErrNotExist, err)
	}
}
