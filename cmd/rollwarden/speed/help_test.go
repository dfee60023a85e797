package speed

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
)

// patience is how long a benchmark waits for something that must come.
const patience = 2 * time.Minute

// TestMain makes a watch of the test's own program when it is started as one: the
// room that a watch takes can only be measured from outside of it.
func TestMain(m *testing.M) {
	if folder := os.Getenv(watchIn); folder != "" {
		if err := watch(folder); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// The environment of a program that is to be a watch.
const (
	watchIn  = "SPEED_WATCH_IN"
	machines = "SPEED_WATCH_MACHINES"
)

// addresses is what a watch says when it is ready.
type addresses struct{ NATS, URL string }

// watch runs until its standard input ends.
func watch(folder string) error {
	n, err := strconv.Atoi(os.Getenv(machines))
	if err != nil {
		return err
	}
	cfg, err := shop(folder, n)
	if err != nil {
		return err
	}
	a, err := app.Start(context.Background(), app.Options{Config: cfg, Log: zerolog.New(os.Stderr).Level(zerolog.WarnLevel)})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := a.Settle(ctx); err != nil {
		return err
	}
	if err := json.NewEncoder(os.Stdout).Encode(addresses{a.NATS(), a.URL()}); err != nil {
		return err
	}
	bufio.NewScanner(os.Stdin).Scan()
	return a.Stop()
}

// process is a watch that is a program of its own.
type process struct {
	addresses
	pid int
}

// startProcess starts a watch over n machines that ends with the benchmark.
func startProcess(b *testing.B, folder string, n int) process {
	b.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), watchIn+"="+folder, machines+"="+strconv.Itoa(n))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		in.Close()
		if err := cmd.Wait(); err != nil {
			b.Errorf("the watch did not end well: %v", err)
		}
	})
	p := process{pid: cmd.Process.Pid}
	if err := json.NewDecoder(out).Decode(&p.addresses); err != nil {
		b.Fatalf("the watch did not start: %v", err)
	}
	return p
}

// shop has n measured machines m0, m1, … on site north, with everything on free
// loopback ports and in a folder.
func shop(folder string, n int) (*config.Config, error) {
	cfg := config.Default()
	cfg.Data.Folder, cfg.Tickets.Folder = folder+"/data", folder+"/tickets"
	cfg.Tickets.Settle, cfg.Tickets.Poll = 200*time.Millisecond, 5*time.Second
	cfg.NATS.Listen, cfg.NATS.SyncAlways, cfg.NATS.MaxStore = "127.0.0.1:0", false, 1<<40
	cfg.HTTP.Listen = "127.0.0.1:0"
	cfg.Pager.Routes = config.Routes{}
	cfg.Machines = nil
	for i := range n {
		cfg.Machines = append(cfg.Machines, config.Machine{
			Site: "north", Name: fmt.Sprint("m", i), SwathMM: f(54), StrokeS: f(1.6), MaxWidthMM: f(1370), ToleranceMM: f(0.3),
			Path: config.Path{CureEntryMM: f(180), CureExitMM: f(330), TakeUpMM: f(900), CarriageGapUM: f(1500)},
		})
	}
	for _, in := range cfg.Inboxes() {
		if err := os.MkdirAll(in.Dir, 0o755); err != nil {
			return nil, err
		}
	}
	return cfg, nil
}

// shopFor is a shop in the benchmark's own folder.
func shopFor(b *testing.B, n int) *config.Config {
	b.Helper()
	cfg, err := shop(b.TempDir(), n)
	if err != nil {
		b.Fatal(err)
	}
	return cfg
}

func f(v float64) *float64 { return &v }

// startApp starts a watch in this program that ends with the benchmark.
func startApp(b *testing.B, o app.Options) *app.App {
	b.Helper()
	o.Log = zerolog.Nop()
	a, err := app.Start(context.Background(), o)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := a.Stop(); err != nil {
			b.Errorf("stop: %v", err)
		}
	})
	if err := a.Settle(patient(b)); err != nil {
		b.Fatal(err)
	}
	return a
}

func patient(b *testing.B) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	b.Cleanup(cancel)
	return ctx
}

// speaker tells a watch things over NATS, as machines do.
type speaker struct {
	b      *testing.B
	nc     *nats.Conn
	js     jetstream.JetStream
	serial int
}

func speakTo(b *testing.B, url string) *speaker {
	b.Helper()
	nc, err := nats.Connect(url)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(nc.Close)
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(2000))
	if err != nil {
		b.Fatal(err)
	}
	return &speaker{b: b, nc: nc, js: js}
}

// say publishes an event and does not wait until it is stored; stored does.
func (s *speaker) say(machine string, typ event.Type, p event.Payload) {
	s.serial++
	e := event.Event{ID: fmt.Sprint("e", s.serial), Source: "speed", Type: typ, Time: time.Now(), Site: "north", Machine: machine, Data: p}
	data, err := event.Encode(e)
	if err == nil {
		_, err = s.js.PublishAsync(e.Subject(), data, jetstream.WithStallWait(patience))
	}
	if err != nil {
		s.b.Fatal(err)
	}
}

func (s *speaker) stored() {
	s.b.Helper()
	select {
	case <-s.js.PublishAsyncComplete():
	case <-time.After(patience):
		s.b.Fatal("the journal does not take what is published")
	}
}

// open tells of a machine with cheap film that lies well past the cure exit, one
// job that runs and some that wait.
func (s *speaker) open(machine string, queued int) {
	for _, e := range opening(machine, queued) {
		s.say(machine, e.Type, e.Data)
	}
}

func opening(machine string, queued int) []event.Event {
	events := []event.Event{
		{Type: "roll.loaded", Data: &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: f(1370), LengthM: f(1e4), ThicknessUM: f(220), EdgeMM: f(400)}},
		{Type: "climate.read", Data: &event.ClimateRead{RHPct: f(45), TempC: f(21)}},
	}
	for k := range queued + 1 {
		events = append(events, event.Event{Type: "ticket.received", Data: ticketOf(fmt.Sprint("J", k))})
	}
	events = append(events, event.Event{Type: "run.started", Data: &event.RunStarted{Run: event.Run{Job: "J0"}}})
	for i := range events {
		events[i].Machine = machine
	}
	return events
}

func ticketOf(job string) *event.TicketReceived {
	return &event.TicketReceived{
		Job: job, Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: f(1370), LengthM: f(60),
		Passes: f(12), InkDensityPct: f(100), CureC: f(93),
	}
}

// report is the i-th report of a machine at work: progress mostly, and the air.
func report(i int) (event.Type, event.Payload) {
	if i%3 == 0 {
		return "climate.read", &event.ClimateRead{RHPct: f(45), TempC: f(21)}
	}
	return "run.progress", &event.RunProgress{Run: event.Run{Job: "J0", Metres: f(float64(i) * 1e-6)}}
}

// quantile of durations, in ms.
func quantile(took []time.Duration, q float64) float64 {
	sorted := slices.Sorted(slices.Values(took))
	return float64(sorted[min(len(sorted)-1, int(q*float64(len(sorted))))].Microseconds()) / 1000
}

// memory reads a line of /proc/PID/status (proc(5)), in MiB.
func memory(b *testing.B, pid int, name string) float64 {
	b.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(data)) {
		if rest, ok := strings.CutPrefix(line, name+":"); ok {
			kib, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 64)
			if err != nil {
				b.Fatal(err)
			}
			return kib / 1024
		}
	}
	b.Fatalf("/proc/%d/status has no line %s", pid, name)
	return 0
}

// cpu is the processor time that this program has taken (proc_pid_stat(5): fields
// 14 and 15, in hundredths of a second). Unlike the time on the clock it tells
// nothing of neighbours.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	data, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		b.Fatal(err)
	}
	fields := strings.Fields(string(data[bytes.LastIndexByte(data, ')')+1:])) // begins with field 3
	var ticks int
	for _, field := range fields[11:13] {
		n, err := strconv.Atoi(field)
		if err != nil {
			b.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}
