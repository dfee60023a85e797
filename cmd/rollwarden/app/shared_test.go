package app

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/pager"
)

// elsewhereNATS is a NATS server of somebody else, whose configuration divides
// the sites into n partitions, as its own parser reads it.
func elsewhereNATS(t *testing.T, n int) string {
	t.Helper()
	rule := ""
	if n > 1 {
		p, err := journal.NewPartitions(n)
		fail(t, err)
		from, to := p.Mapping()
		rule = fmt.Sprintf("mappings: { %q: %q }", from, to)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "nats.conf")
	fail(t, os.WriteFile(file, fmt.Appendf(nil, "listen: \"127.0.0.1:-1\"\njetstream: { store_dir: %q }\n%s\n", dir, rule), 0o600))
	o, err := server.ProcessConfigFile(file)
	fail(t, err)
	o.NoSigs, o.NoLog = true, true
	return serveNATS(t, o).ClientURL()
}

// serveNATS runs a server that ends with the test.
func serveNATS(t *testing.T, o *server.Options) *server.Server {
	t.Helper()
	s, err := server.NewServer(o)
	fail(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	return s
}

// heard is a channel that notes which pages came by which daemon.
type heard struct {
	mu   sync.Mutex
	came []string // daemon and idempotency key
}

type mouth struct {
	*heard
	daemon string
}

func (m mouth) Name() string { return "ear" }

func (m mouth) Send(_ context.Context, p pager.Page) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.came = append(m.came, m.daemon+" "+p.AlarmID)
	return nil
}

func (h *heard) all() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.came)
}

// join starts a daemon on a floor that others may watch too.
func join(t *testing.T, url, name string, partitions int, ear *heard, machines ...config.Machine) *App {
	t.Helper()
	cfg := shopOf(t, 2)
	cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Name = url, "", name
	cfg.NATS.Lease, cfg.NATS.Partitions = 2*time.Second, partitions
	cfg.HTTP.PublicURL = "http://" + name + ".kestrel-lane.example"
	cfg.HTTP.Hosts = []string{"127.0.0.1"}
	cfg.Pager.Routes = config.Routes{High: []string{"ear"}}
	if len(machines) > 0 {
		cfg.Machines = machines
	}
	a, err := Start(context.Background(), Options{Config: cfg, Channels: []pager.Channel{mouth{ear, name}}})
	fail(t, err)
	t.Cleanup(func() { _ = a.Stop() }) // most tests have stopped it
	return a
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited too long until %s", what)
}

// look fetches from a daemon's board, and does not go where it leads.
func look(t *testing.T, a *App, path string) (status int, body, location string) {
	t.Helper()
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Get(a.URL() + path)
	fail(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	fail(t, err)
	return res.StatusCode, string(text), res.Header.Get("Location")
}

// bare makes a start risky on a machine, so that there is a high alarm.
func bare(t *testing.T, a *App, site, machine, job string) {
	t.Helper()
	at := time.Now()
	events := append(loaded(machine, at, 0), say(machine, at, "ticket.received", ticketFor(job)), say(machine, at, "run.queued", &event.RunQueued{Job: job}))
	for i := range events {
		events[i].Site = site
	}
	fail(t, a.tell(deadline(t), events...))
}

// Two daemons were started on one floor by mistake: one watches and pages, the
// other says so and stands by, and goes on where the first one stops.
func TestTheSecondDaemonStandsBy(t *testing.T) {
	url, ear := elsewhereNATS(t, 1), &heard{}
	heron := join(t, url, "heron", 1, ear)
	fail(t, heron.Settle(deadline(t)))
	wren := join(t, url, "wren", 1, ear)
	eventually(t, "wren knows who watches", func() bool {
		there := wren.elsewhere()
		return len(there) == 1 && there[0].Holder == "heron"
	})
	if status, body, _ := look(t, wren, "/readyz"); status != 503 || body != "standby\n" {
		t.Errorf("readyz of a standby: %d %q", status, body)
	}
	saysOfItself(t, heron, "rollwarden_ready 1", "rollwarden_standby 0", `rollwarden_site_watched{site="north"} 1`)
	saysOfItself(t, wren, "rollwarden_ready 0", "rollwarden_standby 1", `rollwarden_site_watched{site="north"} 0`)
	status, body, _ := look(t, wren, "/")
	if status != 503 || !strings.Contains(body, "Site north is watched by heron.") || !strings.Contains(body, `href="http://heron.kestrel-lane.example/"`) {
		t.Errorf("board of a standby: %d\n%s", status, body)
	}
	status, _, location := look(t, wren, "/floor/m0?site=north")
	if status != 307 || location != "http://heron.kestrel-lane.example/floor/m0?site=north" {
		t.Errorf("a machine that another watches: %d to %q", status, location)
	}

	bare(t, wren, "north", "m0", "J1") // what comes in by a standby is stored all the same
	eventually(t, "heron pages", func() bool { return len(ear.all()) > 0 })
	fail(t, heron.Settle(deadline(t)))
	paged := ear.all()
	fail(t, heron.Stop())
	kept, err := wren.statesOf(t.Context(), wren.journals[0])
	fail(t, err)
	if seq, _, err := kept.Load(); seq == 0 || err != nil {
		t.Errorf("heron left state %d for wren to start from, %v", seq, err)
	}
	eventually(t, "wren watches", func() bool { return wren.ready() })
	saysOfItself(t, wren, "rollwarden_ready 1", "rollwarden_standby 0", `rollwarden_site_watched{site="north"} 1`)
	fail(t, wren.Settle(deadline(t)))
	if len(wren.View().Alarms.Alarms) == 0 {
		t.Error("the alarm is gone")
	}
	if got := ear.all(); !slices.Equal(got, paged) {
		t.Errorf("after the takeover the pages are %v, want %v: none repeated", got, paged)
	}
	bare(t, wren, "north", "m1", "J2")
	eventually(t, "wren pages", func() bool {
		return slices.ContainsFunc(ear.all(), func(p string) bool { return strings.HasPrefix(p, "wren ") })
	})
	if status, body, _ := look(t, wren, "/"); status != 200 || strings.Contains(body, "is watched by") {
		t.Errorf("board of wren, who watches all now: %d", status)
	}
}

// A daemon that lost its lease without noticing sends no page and judges nothing.
func TestAWatchThatIsNotHeldSaysNothing(t *testing.T) {
	url, ear := elsewhereNATS(t, 1), &heard{}
	heron := join(t, url, "heron", 1, ear)
	fail(t, heron.Settle(deadline(t)))
	lost := func() bool { return false }
	idle, err := heron.openShard(t.Context(), 0, lost)
	fail(t, err)
	idle.pipe.ready.Store(true)
	for _, e := range append(loaded("m0", time.Now(), 0), say("m0", time.Now(), "ticket.received", ticketFor("J1")), say("m0", time.Now(), "run.queued", &event.RunQueued{Job: "J1"})) {
		idle.pipe.engine.Apply(idle.pipe.engine.Seq()+1, e)
	}
	if next := idle.pipe.judge(time.Time{}); !next.IsZero() || len(idle.pipe.outbox.take()) != 0 {
		t.Error("it judges")
	}
	idle.pipe.held = always
	if idle.pipe.judge(time.Time{}); len(idle.pipe.outbox.take()) == 0 {
		t.Error("a watch that is held finds nothing, so the test shows nothing")
	}
}

// Several daemons share the sites of a floor; each shows its own, says who shows
// the others and leads there.
func TestDaemonsShareTheSites(t *testing.T) {
	const n = 4
	url, ear := elsewhereNATS(t, n), &heard{}
	var machines []config.Machine
	for i := range 6 {
		m := shopOf(t, 1).Machines[0]
		m.Site, m.Name = fmt.Sprint("site-", i), fmt.Sprint("m", i)
		machines = append(machines, m)
	}
	heron := join(t, url, "heron", n, ear, machines...)
	wren := join(t, url, "wren", n, ear, machines...)
	eventually(t, "each has two partitions", func() bool {
		return len(heron.held.list()) == 2 && len(wren.held.list()) == 2 && heron.ready() && wren.ready()
	})
	unknown := func(e web.Elsewhere) bool { return e.Holder == "" }
	eventually(t, "each knows of the other", func() bool {
		return !slices.ContainsFunc(heron.elsewhere(), unknown) && !slices.ContainsFunc(wren.elsewhere(), unknown)
	})
	for i, m := range machines {
		bare(t, heron, m.Site, m.Name, fmt.Sprint("J", i))
	}
	eventually(t, "there are six alarms", func() bool { return len(ear.all()) >= len(machines) })
	fail(t, heron.Settle(deadline(t)))
	fail(t, wren.Settle(deadline(t)))
	for _, m := range machines {
		own, other := heron, wren
		if !heron.here(m.Site) {
			own, other = wren, heron
		}
		name := own.cfg.NATS.Name
		if v := own.View(); v.Floor.Machine(m.Site, m.Name) == nil || len(v.Alarms.On(m.Site, m.Name)) == 0 {
			t.Errorf("%s does not show %s/%s", name, m.Site, m.Name)
		}
		if v := other.View(); v != nil && v.Floor.Machine(m.Site, m.Name) != nil {
			t.Errorf("%s/%s is on both boards", m.Site, m.Name)
		}
		page := "/floor/" + m.Name + "?site=" + m.Site
		if status, _, _ := look(t, own, page); status != 200 {
			t.Errorf("%s at %s: %d", page, name, status)
		}
		if status, _, location := look(t, other, page); status != 307 || location != "http://"+name+".kestrel-lane.example"+page {
			t.Errorf("%s leads to %d %q, want to %s", page, status, location, name)
		}
		if status, body, _ := look(t, other, "/"); status != 200 || !strings.Contains(body, "Site "+m.Site+" is watched by "+name+".") {
			t.Errorf("the other board does not say who watches %s: %d", m.Site, status)
		}
		series := fmt.Sprintf("{fact=\"edge_position\",machine=%q,partition=\"%d\",site=%q}", m.Name, own.partitions.Of(m.Site), m.Site)
		if _, body, _ := look(t, own, "/metrics"); !strings.Contains(body, series+" 0") {
			t.Errorf("metrics of %s have no %s", name, series)
		}
		if _, body, _ := look(t, other, "/metrics"); strings.Contains(body, series) {
			t.Errorf("the metrics of a watch that does not watch %s call it unknown", m.Site)
		}
		if status, body, _ := look(t, own, "/api/v1/machines/"+m.Site+"/"+m.Name+"/events"); status != 200 || !strings.Contains(body, `"run.queued"`) {
			t.Errorf("history of %s: %d\n%s", m.Site, status, body)
		}
	}
	for _, a := range []*App{heron, wren} {
		_, body, _ := look(t, a, "/upkeep")
		for n := range n {
			if shown := strings.Contains(body, a.partitions.Stream(n)+": It holds"); shown != a.holds(n) {
				t.Errorf("the page about %s shows journal %d: %t", a.cfg.NATS.Name, n, shown)
			}
		}
	}
	month := "/report/" + time.Now().Format("2006-01")
	if status, _, location := look(t, wren, month); status != 307 || location != month+"?site=site-0" {
		t.Errorf("a report of all sites: %d %q, want that of the first", status, location)
	}
	for _, m := range machines {
		if status, body, _ := look(t, wren, month+"?site="+m.Site); status != 200 || !strings.Contains(body, m.Site) {
			t.Errorf("report of %s, whoever watches it: %d", m.Site, status)
		}
	}
	if keys := ear.all(); len(keys) != len(machines) {
		t.Errorf("%d pages, want one of each machine: %v", len(keys), keys)
	}
}

// A floor whose NATS does not divide the sites is refused, with the line to add.
func TestNATSMustDivideTheSites(t *testing.T) {
	cfg := shopOf(t, 1)
	cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Partitions = elsewhereNATS(t, 1), "", 4
	_, err := Start(deadline(t), Options{Config: cfg})
	if err == nil || !strings.Contains(err.Error(), `"floor.*.>": "part.{{partition(4,1)}}.floor.{{wildcard(1)}}.>"`) {
		t.Errorf("got %v", err)
	}
}
