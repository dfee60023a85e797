package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/watcher/pager"
)

// reloaded is a watch that can be given other configurations.
type reloaded struct {
	*testing.T
	stop    func()
	r       *Reloader
	hangups chan os.Signal
	ended   chan error

	mu   sync.Mutex
	next *config.Config // what load finds
	err  error
	app  *App

	begin func() // what happens when a watch is about to start
}

// runReloaded starts a watch under a reloader, which ends with the test.
func runReloaded(t *testing.T, cfg *config.Config, channels ...pager.Channel) *reloaded {
	w := &reloaded{T: t, hangups: make(chan os.Signal, 1), ended: make(chan error, 1), next: cfg}
	started := make(chan string, 100)
	w.r = NewReloader(
		func() (*config.Config, error) { w.mu.Lock(); defer w.mu.Unlock(); return w.next, w.err },
		func(*config.Config) Options { w.starting(); return Options{Log: zerolog.Nop(), Channels: channels} })
	w.r.started = func(a *App) {
		w.mu.Lock()
		w.app = a
		w.mu.Unlock()
		started <- a.URL()
	}
	ctx, cancel := context.WithCancel(t.Context())
	w.stop = cancel
	go func() { w.ended <- w.r.Run(ctx, w.hangups) }()
	t.Cleanup(func() {
		cancel()
		if err := <-w.ended; err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	<-started
	w.settle()
	return w
}

func (w *reloaded) now() *App {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.app
}

func (w *reloaded) starting() {
	w.mu.Lock()
	begin := w.begin
	w.mu.Unlock()
	if begin != nil {
		begin()
	}
}

// set sets what the file says, and what happens when a watch is about to start.
func (w *reloaded) set(cfg *config.Config, begin func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.next, w.err, w.begin = cfg, nil, begin
}

func (w *reloaded) settle() {
	w.Helper()
	if err := w.now().Settle(deadline(w)); err != nil {
		w.Fatal(err)
	}
}

// change sets what the file says, and asks for it to be read.
func (w *reloaded) change(cfg *config.Config, err error) {
	w.Helper()
	w.mu.Lock()
	w.next, w.err = cfg, err
	w.mu.Unlock()
	before := w.r.Last()
	w.hangups <- syscall.SIGHUP
	eventually(w.T, "something comes of the hangup", func() bool { return w.r.Last() != before })
}

// TestReloadLosesNothing reloads again and again while a machine sends events and
// a browser reads pages, over one connection each that must never break. Nothing
// that was sent may be missing, and no answer may fail.
func TestReloadLosesNothing(t *testing.T) {
	cfg := shopOf(t, 3)
	w := runReloaded(t, cfg)
	nc, err := nats.Connect(w.now().NATS(), nats.NoReconnect())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var feeding sync.WaitGroup
	var sent int
	feeding.Go(func() {
		for ; !isClosed(stop); sent++ {
			e := event.Event{ID: fmt.Sprint("fed-", sent), Source: "test", Type: "climate.read", Time: time.Now(), Site: "north", Machine: "m0", Data: &event.ClimateRead{RHPct: f(45)}}
			data, err := event.Encode(e)
			if err == nil {
				_, err = js.Publish(t.Context(), e.Subject(), data)
			}
			if err != nil {
				t.Errorf("event %d: %v", sent, err)
				return
			}
		}
	})
	feeding.Go(func() {
		for url := w.now().URL(); !isClosed(stop); {
			answer, err := http.Get(url + "/healthz")
			if err != nil {
				t.Errorf("the board was away: %v", err)
				return
			}
			answer.Body.Close()
		}
	})
	first := w.now()
	for n := range 5 {
		next := *cfg
		next.Shop.Name = fmt.Sprint("Kestrel Lane Decals ", n)
		next.Machines = slices.Clone(cfg.Machines[:1+n%3])
		w.change(&next, nil)
		if last := w.r.Last(); last.Err != nil {
			t.Fatal(last.Err)
		}
	}
	close(stop)
	feeding.Wait()
	w.settle()
	if a := w.now(); a == first || a.cfg.Shop.Name != "Kestrel Lane Decals 4" || len(a.site.Machines) != 2 {
		t.Errorf("want the last configuration in use, got %q with %d machines", a.cfg.Shop.Name, len(a.site.Machines))
	}
	if got := w.now().View().Floor.Counts.Events["climate.read"]; got != uint64(sent) {
		t.Errorf("%d events were sent, and %d counted", sent, got)
	}
	t.Logf("%d events over 5 reloads", sent)
}

func isClosed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// TestReloadKeepsWhatWorks hands the watch a file that cannot be read, and one
// that turns out wrong only when it is used.
func TestReloadKeepsWhatWorks(t *testing.T) {
	cfg := shopOf(t, 1)
	cfg.File = "rollwarden.yaml"
	w := runReloaded(t, cfg)
	publish(t, w.now(), loaded("m0", time.Now(), 0)...)
	before := w.now()

	w.change(nil, errors.New("rollwarden.yaml:3: shop.temperature: want C or F, got \"K\""))
	if last := w.r.Last(); last.Err == nil || w.now() != before {
		t.Errorf("want the watch untouched, got %v", last.Err)
	}

	w.change(config.Default(), nil) // as when that file was moved away
	if last := w.r.Last(); last.Err == nil || !strings.Contains(last.Err.Error(), "rollwarden.yaml is not there any more") || w.now() != before {
		t.Errorf("want the watch untouched, got %v", last.Err)
	}

	taken := *cfg
	taken.HTTP.Listen = strings.TrimPrefix(before.URL(), "http://") // which the watch itself has, as another address
	taken.HTTP.TLS = config.Certificate{CertFile: "nowhere.pem", KeyFile: "nowhere.key"}
	w.change(&taken, nil)
	if last := w.r.Last(); last.Err == nil || !strings.Contains(last.Err.Error(), "nowhere.pem") {
		t.Errorf("want the certificate refused by its name, got %v", last.Err)
	}
	w.settle()
	if a := w.now(); a.cfg != cfg || a.View().Floor.Machine("north", "m0") == nil {
		t.Error("want the configuration before in use, and the floor as it was")
	}

	// What another watch reads, and what is not there: a watch that had begun with
	// either would end by itself.
	theirs := shopOf(t, 1)
	startApp(t, Options{Config: theirs})
	shared, unsigned := *cfg, *cfg
	shared.Tickets.Folder = theirs.Tickets.Folder
	unsigned.Sources.IPP = []config.IPP{{URL: "ipps://127.0.0.1:1/ipp/print", Machine: "north/m0", CAFile: "nowhere.pem"}}
	for want, next := range map[string]*config.Config{"is read by another watch": &shared, "sources.ipp[0].ca_file": &unsigned} {
		w.change(next, nil)
		if last := w.r.Last(); last.Err == nil || !strings.Contains(last.Err.Error(), want) {
			t.Errorf("want %q, got %v", want, last.Err)
		}
		w.settle()
	}

	moved := *cfg
	moved.NATS.MaxStore *= 2
	url := before.NATS()
	w.change(&moved, nil)
	w.settle()
	if w.r.Last().Err != nil || w.now().View().Floor.Machine("north", "m0") == nil || w.now().NATS() == "" {
		t.Errorf("want another bus over the same journal in place of %s, got %v", url, w.r.Last().Err)
	}
}

// TestAStopDuringAReload stops the watch when the old one has ended and the new one
// has not begun. That is no failure.
func TestAStopDuringAReload(t *testing.T) {
	cfg := shopOf(t, 1)
	w := runReloaded(t, cfg)
	w.set(cfg, w.stop)
	w.hangups <- syscall.SIGHUP
	err := <-w.ended
	w.ended <- err // for the end of the test, which takes no error either
	if err != nil {
		t.Errorf("stopped with %v", err)
	}
}

// TestAWatchIsStartedUntilItStarts has a watch that was stopped for its journal fail to
// start, as when the disk is full again. It is tried again until it starts or is told
// to stop, and the log says once why.
func TestAWatchIsStartedUntilItStarts(t *testing.T) {
	cfg := shopOf(t, 1)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var log growing
	tries, begin := 0, func() {}
	r := NewReloader(nil, func(*config.Config) Options { tries++; begin(); return Options{Log: zerolog.New(&log)} })
	ground := &Ground{}
	defer func() { fail(t, closeGround(ground)) }()
	a, err := r.start(ctx, ground, cfg)
	fail(t, err)
	publish(t, a, loaded("m0", time.Now(), 0)...)
	fail(t, a.Stop())

	tick := make(chan time.Time, 10)
	for range cap(tick) {
		tick <- time.Time{}
	}
	broken := config.Certificate{CertFile: "nowhere.pem", KeyFile: "nowhere.key"}
	cfg.HTTP.TLS = broken
	begin = func() {
		if tries == 4 {
			cfg.HTTP.TLS = config.Certificate{}
		}
	}
	again := r.startAgain(ctx, ground, a, tick)
	fail(t, again.Settle(deadline(t)))
	if tries != 4 || again.View().Floor.Machine("north", "m0") == nil {
		t.Errorf("started at the %d. try, want the 4th, with the floor as it was", tries)
	}
	if n := strings.Count(log.String(), "NOT WATCHING"); n != 1 || !strings.Contains(log.String(), "nowhere.pem") {
		t.Errorf("said %d times, want once:\n%s", n, log.String())
	}

	fail(t, again.Stop())
	cfg.HTTP.TLS = broken
	begin = func() {
		if tries == 6 {
			stop()
		}
	}
	if r.startAgain(ctx, ground, again, tick) != nil {
		t.Error("there is a watch after a stop")
	}
}

// TestTheNewestFileIsTakenUp changes the file once more after it was asked for and
// before it is read, as when somebody presses the button during a reload.
func TestTheNewestFileIsTakenUp(t *testing.T) {
	cfg := shopOf(t, 1)
	w := runReloaded(t, cfg)
	named := func(name string) *config.Config {
		next := *cfg
		next.Shop.Name = name
		return &next
	}
	under, goOn := make(chan struct{}), make(chan struct{})
	var once sync.Once
	w.set(named("first"), func() { once.Do(func() { close(under); <-goOn }) })
	before := w.now()
	w.hangups <- syscall.SIGHUP
	<-under
	w.set(named("second"), nil)
	fail(t, w.r.Ask(before, "ines"))
	w.set(named("third"), nil)
	fail(t, w.r.Ask(before, "tomas")) // one reading serves both
	close(goOn)
	eventually(t, "all that was asked for is taken up", func() bool { return w.r.Last() != nil && w.r.Last().By == "ines" })
	if got := w.now().cfg.Shop.Name; got != "third" {
		t.Errorf("%q is in use, and the file says third", got)
	}
}

// TestAReloadWaitsForNATS asks for another configuration while the NATS of
// somebody else is away. The watch could neither start with it nor go back, so it
// says why and goes on; afterwards it takes it up, on the same lease.
func TestAReloadWaitsForNATS(t *testing.T) {
	o := &server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true}
	nats := serveNATS(t, o)
	cfg := shopOf(t, 1)
	cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Lease = nats.ClientURL(), "", 2*time.Second
	w := runReloaded(t, cfg)
	publish(t, w.now(), loaded("m0", time.Now(), 0)...)
	before := w.now()
	o.Port = nats.Addr().(*net.TCPAddr).Port
	nats.Shutdown()
	nats.WaitForShutdown()
	eventually(t, "the outage is noticed", func() bool { return before.bus.Health() != nil })

	next := *cfg
	next.Shop.Name = "Kestrel Lane Decals II"
	w.change(&next, nil)
	if last := w.r.Last(); last.Err == nil || !strings.Contains(last.Err.Error(), "when NATS answers") || w.now() != before {
		t.Errorf("want the watch untouched, got %v", last.Err)
	}

	serveNATS(t, o)
	eventually(t, "the watch holds its lease again", before.ready)
	w.change(&next, nil)
	w.settle()
	if a := w.now(); w.r.Last().Err != nil || a.cfg != &next || a.View().Floor.Machine("north", "m0") == nil {
		t.Errorf("want the configuration in use and the floor as it was, got %v", w.r.Last().Err)
	}
}

// TestReloadBesideAStandby reloads the daemon that watches while another stands by.
// Whichever of them goes on, there is one alarm for each risky start, and it is
// paged; a page that was on its way may come twice, under one key.
func TestReloadBesideAStandby(t *testing.T) {
	url, ear := elsewhereNATS(t, 1), &heard{}
	cfg := shopOf(t, 4)
	cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Name, cfg.NATS.Lease = url, "", "heron", 2*time.Second
	cfg.Pager.Routes = config.Routes{High: []string{"ear"}}
	w := runReloaded(t, cfg, mouth{ear, "heron"})
	wren := join(t, url, "wren", 1, ear)
	watching := func() *App {
		for _, a := range []*App{w.now(), wren} {
			if a.ready() {
				return a
			}
		}
		return nil
	}
	for n := range 3 {
		eventually(t, "one of them watches", func() bool { return watching() != nil })
		bare(t, wren, "north", fmt.Sprint("m", n), fmt.Sprint("J", n))
		eventually(t, "it pages", func() bool { return len(ear.all()) > n })
		next := *cfg
		next.Shop.Name = fmt.Sprint("Kestrel Lane Decals ", n)
		w.change(&next, nil)
		if last := w.r.Last(); last.Err != nil {
			t.Fatal(last.Err)
		}
	}
	eventually(t, "one of them watches", func() bool { return watching() != nil })
	fail(t, watching().Settle(deadline(t)))
	keys := map[string]bool{}
	for _, page := range ear.all() {
		_, key, _ := strings.Cut(page, " ")
		keys[key] = true
	}
	if len(keys) != 3 {
		t.Errorf("three alarms were paged as %v", ear.all())
	}
}

// TestReloadFromTheBoard has a supervisor press the button, who stays logged in
// and is named, and an operator, who may not.
func TestReloadFromTheBoard(t *testing.T) {
	cfg := guarded(t, shopOf(t, 1))
	w := runReloaded(t, cfg)
	v := visit(t, w.now())
	ines, tomas := v.as("supervisor"), v.as("operator")
	before := w.now()
	tomas.ask("POST", "/upkeep", "").wants(t, http.StatusForbidden)

	w.mu.Lock()
	w.next, w.err = nil, errors.New("rollwarden.yaml:3: shop.clock: want 24h or 12h")
	w.mu.Unlock()
	ines.ask("POST", "/upkeep", "").wants(t, http.StatusSeeOther)
	ines.get("/upkeep").wants(t, 200).says(t, "rollwarden.yaml:3: shop.clock: want 24h or 12h")

	next := *cfg
	next.Shop.Name = "Kestrel Lane Decals II"
	w.mu.Lock()
	w.next, w.err = &next, nil
	w.mu.Unlock()
	ines.ask("POST", "/upkeep", "").wants(t, http.StatusSeeOther)
	eventually(t, "the file is taken up", func() bool { return w.r.Last().Err == nil && w.now() != before })
	w.settle()
	ines.get("/upkeep").wants(t, 200, "still logged in").says(t, "Kestrel Lane Decals II")
	if last := w.r.Last(); last.Err != nil || last.By != people[2].name {
		t.Errorf("want %s named, got %+v", people[2].name, last)
	}
}

// The log names the address that the shop's people have, and not one of all addresses
// that nobody can open.
func TestTheLogNamesTheBoardAsPeopleOpenIt(t *testing.T) {
	var a App
	a.cfg = config.Default()
	a.cfg.HTTP.PublicURL = "https://board.kestrel-lane.example:8477/"
	if got, want := a.shownURL(), "https://board.kestrel-lane.example:8477"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// TestARefusedConfigurationLogsNobodyOut has the supervisor's account gone in files
// that turn out wrong at one step of the start or another.
func TestARefusedConfigurationLogsNobodyOut(t *testing.T) {
	cfg := guarded(t, shopOf(t, 1))
	w := runReloaded(t, cfg)
	ines := visit(t, w.now()).as("supervisor")
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	theirs := shopOf(t, 1)
	startApp(t, Options{Config: theirs})
	for name, spoil := range map[string]func(c *config.Config){
		"a bad host": func(c *config.Config) { c.HTTP.Hosts = []string{"http://board/"} },
		"a certificate not there": func(c *config.Config) {
			c.HTTP.TLS = config.Certificate{CertFile: "nowhere.pem", KeyFile: "nowhere.key"}
		},
		"another's tickets": func(c *config.Config) { c.Tickets.Folder = theirs.Tickets.Folder },
		"a port in use":     func(c *config.Config) { c.HTTP.Listen = busy.Addr().String() },
	} {
		next := *cfg
		next.HTTP.Users, next.HTTP.LoginIdle = cfg.HTTP.Users[:2], time.Nanosecond
		spoil(&next)
		w.change(&next, nil)
		if w.r.Last().Err == nil {
			t.Fatalf("%s was taken up", name)
		}
		w.settle()
		ines.url = w.now().URL() // the port is another one when the socket was closed
		ines.get("/upkeep").wants(t, 200, name)
	}
}
