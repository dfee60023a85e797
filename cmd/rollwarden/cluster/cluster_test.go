package cluster

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
)

const (
	partitionCount = 8 // as in deploy/nats/partitions.conf
	siteCount      = 12
	watchCount     = 4
	trialCount     = 5 // one machine of each site is made risky in each
	leaseTTL       = 5 * time.Second
	noiseEvery     = 250 * time.Millisecond // of each site
)

// shop is the floor, everything that watches it, and what the test knows of it.
type shop struct {
	t          *testing.T
	js         jetstream.JetStream
	partitions journal.Partitions
	nodes      []*process
	watches    []*process
	boards     map[string]string // by name of the watch
	receiver   *receiver
	client     http.Client
	trials     int

	mu     sync.Mutex
	stored map[string]bool // ids of events that were acknowledged
}

// TestAClusterLosesWatchesAndServers is the whole proof.
func TestAClusterLosesWatchesAndServers(t *testing.T) {
	s := open(t)
	stop := s.noise()
	s.trial("nothing", func() []string { return nil })
	s.trial("a watch", func() []string { return s.killWatch() })
	s.trial("a server", func() []string { s.killNode(); return nil })
	s.mend()
	s.trial("a watch and a server", func() []string {
		orphans := s.killWatch()
		s.killNode()
		return orphans
	})
	s.mend()
	sleeper := s.watches[0]
	s.trial("a watch that sleeps", func() []string {
		of := s.held(sleeper.name)
		sleeper.signal(syscall.SIGSTOP)
		return of
	})
	sleeper.signal(syscall.SIGCONT)
	stop()
	s.awaitFair() // the sleeper has found out, and has its part again
	s.proveStored()
	s.proveAlarms()
	s.provePages()
	for at, keys := range s.receiver.keys {
		if at.machine == fmt.Sprint("m", s.trials-1) && len(keys) != 1 {
			t.Errorf("%v: a watch that woke up paged once more: %v", at, keys)
		}
	}
}

func open(t *testing.T) *shop {
	dir := t.TempDir()
	s := &shop{t: t, boards: map[string]string{}, receiver: newReceiver(t), stored: map[string]bool{}, client: http.Client{Timeout: 2 * time.Second}}
	server, program := build(t, dir, "github.com/nats-io/nats-server/v2"), build(t, dir, "rollwarden/cmd/rollwarden")
	var urls string
	var err error
	s.partitions, err = journal.NewPartitions(partitionCount)
	must(t, err)
	s.nodes, urls = startNATS(t, dir, server)
	s.js = dial(t, urls)
	for i := range watchCount {
		s.watches = append(s.watches, s.newWatch(dir, program, urls, fmt.Sprint("watch-", i+1)))
	}
	s.watches[0].start() // makes the streams
	until(t, "the first watch has all", func() (bool, string) { return len(s.held("watch-1")) > 0, s.watches[0].tail() })
	for _, w := range s.watches[1:] {
		w.start()
	}
	s.awaitFair()
	t.Cleanup(func() {
		if t.Failed() {
			for _, p := range append(s.watches, s.nodes...) {
				t.Logf("the end of what %s said:\n%s", p.name, p.tail())
			}
		}
	})
	return s
}

func site(i int) string { return fmt.Sprint("site-", i) }

// newWatch lays out the folder of a watch.
func (s *shop) newWatch(dir, program, urls, name string) *process {
	at := freePort(s.t)
	s.boards[name] = "http://" + at
	home := filepath.Join(dir, name)
	must(s.t, os.Mkdir(home, 0o755))
	must(s.t, os.WriteFile(filepath.Join(home, "password"), []byte(watchPassword), 0o600))
	var b strings.Builder
	fmt.Fprintf(&b, "shop: {name: Kestrel Lane Decals, time_zone: UTC}\nlog: {format: json}\n")
	fmt.Fprintf(&b, "nats: {url: %q, user: watch, password_file: password, replicas: 3, partitions: %d, lease: %s, name: %s, max_store: 256MiB}\n", urls, partitionCount, leaseTTL, name)
	fmt.Fprintf(&b, "http: {listen: %q, public_url: %q}\npager: {routes: {high: [webhook]}}\nmachines:\n", at, s.boards[name])
	for i := range siteCount {
		for k := range trialCount {
			fmt.Fprintf(&b, "  - {site: %s, name: m%d, path: {cure_entry_mm: 180, cure_exit_mm: 330, take_up_mm: 900, carriage_gap_um: 1500}, swath_mm: 54, stroke_s: 1.6, max_width_mm: 1370, folder: %s-m%d}\n", site(i), k, site(i), k)
		}
	}
	must(s.t, os.WriteFile(filepath.Join(home, "rollwarden.yaml"), []byte(b.String()), 0o644))
	w := &process{t: s.t, name: name, log: filepath.Join(home, "log"), make: func() *exec.Cmd {
		cmd := exec.Command(program, "run")
		cmd.Dir = home
		cmd.Env = append(os.Environ(), "ROLLWARDEN_PAGER_WEBHOOK_URL="+s.receiver.server.URL, "ROLLWARDEN_PAGER_WEBHOOK_SECRET=kestrel-lane-test-secret")
		return cmd
	}}
	s.t.Cleanup(w.kill)
	return w
}

// held are the sites that a watch has a lease of.
func (s *shop) held(name string) (sites []string) {
	owners := s.owners()
	for i := range siteCount {
		if owners[s.partitions.Of(site(i))] == name {
			sites = append(sites, site(i))
		}
	}
	return sites
}

// owners reads from the table of leases who has which partition.
func (s *shop) owners() map[int]string {
	ctx, cancel := context.WithTimeout(s.t.Context(), 2*time.Second)
	defer cancel()
	owners := map[int]string{}
	kv, err := s.js.KeyValue(ctx, "FLOOR-LEASES")
	if err != nil {
		return owners
	}
	for n := range partitionCount {
		row, err := kv.Get(ctx, fmt.Sprint("share.", n))
		if err != nil {
			continue
		}
		var who struct{ Name string }
		must(s.t, json.Unmarshal(row.Value(), &who))
		owners[n] = who.Name
	}
	return owners
}

// awaitFair waits until every partition is watched, about as many by each watch
// that runs, and all that they hold is read.
func (s *shop) awaitFair() {
	s.t.Helper()
	until(s.t, "the partitions are shared fairly", func() (bool, string) {
		owners, counts := s.owners(), map[string]int{}
		for _, name := range owners {
			counts[name]++
		}
		most := (partitionCount + len(s.watches) - 1) / len(s.watches)
		least := partitionCount - most*(len(s.watches)-1)
		for _, w := range s.watches {
			if counts[w.name] > most || counts[w.name] < least || s.status(w.name, "/readyz") != http.StatusOK {
				return false, fmt.Sprint(counts)
			}
		}
		return len(owners) == partitionCount, fmt.Sprint(counts)
	})
}

func (s *shop) status(watch, path string) int {
	res, err := s.client.Get(s.boards[watch] + path)
	if err != nil {
		return 0
	}
	res.Body.Close()
	return res.StatusCode
}

// killWatch kills the first watch and returns the sites that are left alone.
func (s *shop) killWatch() []string {
	sites := s.held(s.watches[0].name)
	s.watches[0].kill()
	s.watches = s.watches[1:]
	return sites
}

// killNode kills the server that leads the table of leases, which is the gravest.
func (s *shop) killNode() {
	stream, err := s.js.Stream(s.t.Context(), "KV_FLOOR-LEASES")
	must(s.t, err)
	leader := stream.CachedInfo().Cluster.Leader
	for _, n := range s.nodes {
		if n.name == leader {
			n.kill()
			return
		}
	}
	s.t.Fatalf("no server is called %q", leader)
}

// mend starts the servers again that were killed, and waits until each stream has
// its three copies.
func (s *shop) mend() {
	s.t.Helper()
	for _, n := range s.nodes {
		if n.cmd == nil {
			n.start()
		}
	}
	until(s.t, "all copies are whole", func() (bool, string) {
		ctx, cancel := context.WithTimeout(s.t.Context(), 5*time.Second)
		defer cancel()
		list := s.js.ListStreams(ctx)
		for info := range list.Info() {
			if info.Cluster == nil || info.Cluster.Leader == "" || len(info.Cluster.Replicas) != 2 {
				return false, info.Config.Name
			}
			for _, r := range info.Cluster.Replicas {
				if !r.Current || r.Offline {
					return false, info.Config.Name + " on " + r.Name
				}
			}
		}
		return list.Err() == nil, fmt.Sprint(list.Err())
	})
	s.awaitFair()
}

// tell publishes as every sender should: until it is acknowledged.
func (s *shop) tell(ctx context.Context, e event.Event) {
	data, err := event.Encode(e)
	if err != nil {
		s.t.Error(err)
		return
	}
	for ctx.Err() == nil {
		attempt, cancel := context.WithTimeout(ctx, time.Second)
		_, err := s.js.Publish(attempt, e.Subject(), data)
		cancel()
		if err == nil {
			s.mu.Lock()
			s.stored[e.ID] = true
			s.mu.Unlock()
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func say(at place, id string, typ event.Type, p event.Payload) event.Event {
	return event.Event{ID: id, Source: "/" + at.site, Type: typ, Time: time.Now().UTC(), Site: at.site, Machine: at.machine, Data: p}
}

func f(v float64) *float64 { return &v }

// risk makes the next start on a machine risky: cheap film at a bare edge before
// the cure zone, and a run in the queue. It ends in one high alarm.
func (s *shop) risk(ctx context.Context, at place) {
	id := at.site + "-" + at.machine
	for _, e := range []event.Event{
		say(at, id+"-roll", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: f(1370), LengthM: f(50), ThicknessUM: f(220)}),
		say(at, id+"-edge", "edge.moved", &event.EdgeMoved{PositionMM: f(0), Cause: event.CauseAdvance}),
		say(at, id+"-ticket", "ticket.received", &event.TicketReceived{
			Job: "KL-" + id, Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: f(1370), LengthM: f(3), Passes: f(12), InkDensityPct: f(100), CureC: f(93),
		}),
		say(at, id+"-run", "run.queued", &event.RunQueued{Job: "KL-" + id}),
	} {
		s.tell(ctx, e)
	}
}

// noise lets every site talk of its air until stop is called.
func (s *shop) noise() (stop func()) {
	ctx, cancel := context.WithCancel(s.t.Context())
	var talkers sync.WaitGroup
	for i := range siteCount {
		talkers.Go(func() {
			at := place{site(i), event.AnyMachine}
			for n := 0; ctx.Err() == nil; n++ {
				s.tell(s.t.Context(), say(at, fmt.Sprintf("%s-air-%d", at.site, n), "climate.read", &event.ClimateRead{RHPct: f(45), TempC: f(21)}))
				time.Sleep(noiseEvery)
			}
		})
	}
	stop = sync.OnceFunc(func() { cancel(); talkers.Wait() })
	s.t.Cleanup(stop)
	return stop
}

// trial takes something away, makes a start risky on every site right then, and
// waits until all are paged. It prints how long after the loss the pages came.
func (s *shop) trial(what string, hurt func() (orphans []string)) {
	s.t.Helper()
	machine := fmt.Sprint("m", s.trials)
	s.trials++
	began := time.Now()
	orphans := hurt()
	var senders sync.WaitGroup
	for i := range siteCount {
		senders.Go(func() { s.risk(s.t.Context(), place{site(i), machine}) })
	}
	senders.Wait()
	stored := time.Since(began)
	waits := map[bool][]time.Duration{}
	for i := range siteCount {
		at := place{site(i), machine}
		until(s.t, fmt.Sprint(at, " is paged"), func() (bool, string) {
			_, ok := s.receiver.paged(at)
			return ok, fmt.Sprint(s.owners())
		})
		when, _ := s.receiver.paged(at)
		orphan := slices.Contains(orphans, at.site)
		waits[orphan] = append(waits[orphan], when.Sub(began))
	}
	s.t.Logf("without %s: stored after %s; pages of %s; of the %s", what, stored.Round(time.Millisecond),
		spread("sites whose watch stayed", waits[false]), spread("sites that lost theirs", waits[true]))
}

func spread(of string, d []time.Duration) string {
	if len(d) == 0 {
		return "0 " + of
	}
	slices.Sort(d)
	return fmt.Sprintf("%d %s after p50 %s, max %s", len(d), of, d[len(d)/2].Round(10*time.Millisecond), d[len(d)-1].Round(10*time.Millisecond))
}

// entries are all messages of all partitions, decoded.
func (s *shop) entries() (all []event.Event) {
	for n := range partitionCount {
		j, err := journal.Look(s.t.Context(), s.js, s.partitions.Options(journal.Options{Log: zerolog.Nop()}, n))
		must(s.t, err)
		must(s.t, j.Read(s.t.Context(), 1, 0, "", func(m journal.Entry) error {
			e, err := event.Decode(m.Message)
			if err == nil && s.partitions.Of(e.Site) != n {
				err = fmt.Errorf("site %s is in partition %d", e.Site, n)
			}
			all = append(all, e)
			return err
		}))
	}
	return all
}

// proveStored finds every acknowledged event in the journal.
func (s *shop) proveStored() {
	there := map[string]int{}
	for _, e := range s.entries() {
		there[e.ID]++
	}
	copies := 0
	for id := range s.stored {
		if there[id] == 0 {
			s.t.Errorf("event %s was acknowledged and is lost", id)
		}
		copies += max(0, there[id]-1)
	}
	s.t.Logf("%d events acknowledged, all stored; %d sent twice, since their acknowledgement was lost", len(s.stored), copies)
}

// proveAlarms finds one alarm of each machine, in the journal and on one board.
func (s *shop) proveAlarms() {
	raised := map[place]map[string]bool{}
	for _, e := range s.entries() {
		d, ok := e.Data.(*event.AlarmChanged)
		if !ok || d.Emit != "annunciate" || d.Priority != "high" {
			continue
		}
		at := place{e.Site, e.Machine}
		if raised[at] == nil {
			raised[at] = map[string]bool{}
		}
		raised[at][e.ID] = true
	}
	if len(raised) != siteCount*trialCount {
		s.t.Errorf("%d machines have an alarm in the journal, want %d", len(raised), siteCount*trialCount)
	}
	for at, ids := range raised {
		if len(ids) != 1 {
			s.t.Errorf("%v was raised as %v, want one id", at, slices.Collect(maps.Keys(ids)))
		}
	}
	shown := map[place]int{}
	for _, w := range s.watches {
		res, err := s.client.Get(s.boards[w.name] + "/api/v1/alarms")
		must(s.t, err)
		var answer struct {
			Alarms []struct{ Site, Machine, Priority string }
		}
		err = json.NewDecoder(res.Body).Decode(&answer)
		res.Body.Close()
		must(s.t, err)
		for _, a := range answer.Alarms {
			if a.Priority == "high" {
				shown[place{a.Site, a.Machine}]++
			}
		}
	}
	for at := range raised {
		if shown[at] != 1 {
			s.t.Errorf("the alarm of %v is on %d boards, want 1", at, shown[at])
		}
	}
}

// provePages finds one page of each alarm, by idempotency key.
func (s *shop) provePages() {
	s.receiver.mu.Lock()
	defer s.receiver.mu.Unlock()
	doubles, all := 0, 0
	for at, keys := range s.receiver.keys {
		all += len(keys)
		slices.Sort(keys)
		once := slices.Compact(slices.Clone(keys))
		doubles += len(keys) - len(once)
		if len(once) != 1 {
			s.t.Errorf("%v was paged as %v, want one key", at, once)
		}
	}
	if len(s.receiver.keys) != siteCount*trialCount {
		s.t.Errorf("%d machines were paged, want %d", len(s.receiver.keys), siteCount*trialCount)
	}
	s.t.Logf("%d pages came, %d of them once more with a key that had come before", all, doubles)
}
