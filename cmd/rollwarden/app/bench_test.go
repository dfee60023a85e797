package app

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

// benchEvents is how many events one round of the ingest benchmark reads: enough for
// the start of a watch to weigh little.
const benchEvents = 200_000

// BenchmarkIngestOfBare folds and judges a journal as if it were live, and
// reads the same journal with a bare JetStream consumer that only decodes, in
// turn in one run, so that both meet the same neighbours. The metric
// x-of-bare is what share of the bare rate the whole watch reaches.
func BenchmarkIngestOfBare(b *testing.B) {
	cfg := shopOf(b, 50)
	site, err := cfg.Site()
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	o := cfg.BusOptions("bench", zerolog.Nop())
	o.Listen = ""
	bu, err := bus.Open(ctx, o)
	if err != nil {
		b.Fatal(err)
	}
	defer bu.Close(ctx)
	j, err := journal.Open(ctx, bu.JetStream(), cfg.JournalOptions(zerolog.Nop()))
	if err != nil {
		b.Fatal(err)
	}
	last := fill(b, j, benchEvents)
	var watch, bare time.Duration
	for b.Loop() {
		began := time.Now()
		ingest(b, site, j, last)
		watch += time.Since(began)
		began = time.Now()
		readBare(b, bu.JetStream(), last)
		bare += time.Since(began)
	}
	b.ReportMetric(bare.Seconds()/watch.Seconds(), "x-of-bare")
	b.ReportMetric(float64(b.N)*float64(last)/watch.Seconds(), "events/s")
	b.ReportMetric(float64(b.N)*float64(last)/bare.Seconds(), "bare-events/s")
}

// fill writes the day of a shop of 50 machines, each with a running job and
// five in its queue, and then n reports of progress and climate.
func fill(b *testing.B, j *journal.Journal, n int) uint64 {
	b.Helper()
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var events []event.Event
	for m := range 50 {
		name := fmt.Sprint("m", m)
		events = append(events, loaded(name, at, 400)...)
		for k := range 6 {
			events = append(events, say(name, at, "ticket.received", ticketFor(fmt.Sprint("J", k))))
		}
		events = append(events, say(name, at, "run.started", &event.RunStarted{Run: event.Run{Job: "J0"}}))
	}
	for i := range n {
		events = append(events, report(fmt.Sprint("m", i%50), at, i))
	}
	if err := j.Publish(context.Background(), events...); err != nil {
		b.Fatal(err)
	}
	return uint64(len(events))
}

func report(machine string, at time.Time, i int) event.Event {
	if i%3 == 0 {
		return say(machine, at, "climate.read", &event.ClimateRead{RHPct: f(45), TempC: f(21)})
	}
	return say(machine, at, "run.progress", &event.RunProgress{Run: event.Run{Job: "J0", Metres: f(float64(i) * 1e-6)}})
}

// ingest runs the real loop over the journal with the watch live from the
// first event, and returns once the last one is folded and judged.
func ingest(b *testing.B, site rules.Site, j *journal.Journal, last uint64) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	p := newPipeline(rules.New(site), NewManualClock(time.Date(2026, 3, 2, 8, 1, 0, 0, time.UTC)), zerolog.Nop())
	p.snapshots = newSnapshotter(func(uint64, []byte) error { return nil }, 0, zerolog.Nop())
	p.pages, p.latency = func([]alarm.Page, map[string][]alarm.Alarm) {}, func(time.Duration, string) {}
	go p.snapshots.run()
	ended := make(chan error, 1)
	go func() { ended <- p.loop(ctx) }()
	followed := make(chan error, 1)
	go func() {
		followed <- j.Follow(ctx, 0, func(batch []journal.Entry) error { return p.decode(ctx, batch) })
	}()
	for v := p.view.Load(); v == nil || v.Seq < last; v = p.view.Load() {
		time.Sleep(time.Millisecond)
	}
	cancel()
	<-followed
	<-ended
}

// readBare fetches and decodes every entry, and does nothing else.
func readBare(b *testing.B, js jetstream.JetStream, last uint64) {
	ctx := context.Background()
	c, err := js.OrderedConsumer(ctx, journal.StreamName, jetstream.OrderedConsumerConfig{})
	if err != nil {
		b.Fatal(err)
	}
	it, err := c.Messages(jetstream.PullMaxMessages(2000))
	if err != nil {
		b.Fatal(err)
	}
	defer it.Stop()
	for {
		m, err := it.Next()
		if err != nil {
			b.Fatal(err)
		}
		meta, err := m.Metadata()
		if err != nil {
			b.Fatal(err)
		}
		if _, err := event.Decode(event.Message{Subject: m.Subject(), Header: m.Headers(), Data: m.Data(), Stored: meta.Timestamp}); err != nil {
			b.Fatal(err)
		}
		if meta.Sequence.Stream >= last {
			return
		}
	}
}

// BenchmarkEventToAlarm measures, with so many events a second on 50 machines
// going through the whole daemon over TCP, how long it takes from publishing
// an event that makes a hazard to receiving its alarm over NATS. The metric
// background/s is the rate that was kept up.
func BenchmarkEventToAlarm(b *testing.B) {
	for _, rate := range []int{1000, 5000} {
		b.Run(fmt.Sprint("rate=", rate), func(b *testing.B) { eventToAlarm(b, rate) })
	}
}

func eventToAlarm(b *testing.B, rate int) {
	a := startApp(b, Options{Config: shopOf(b, 50)})
	nc, err := nats.Connect(a.NATS())
	if err != nil {
		b.Fatal(err)
	}
	defer nc.Close()
	alarms, err := nc.SubscribeSync("floor.north.m0.alarm.changed")
	if err != nil {
		b.Fatal(err)
	}
	publish(b, a, loaded("m0", time.Now(), 0)...)
	stop := make(chan struct{})
	ended := make(chan int)
	go background(b, nc, rate, stop, ended)
	var took []time.Duration
	start := time.Now()
	for i := 0; b.Loop(); i++ {
		time.Sleep(5 * time.Millisecond)
		job := fmt.Sprint("A", i)
		began := time.Now()
		send(b, nc, say("m0", began, "run.queued", &event.RunQueued{Job: job, Position: f(1)}))
		waitFor(b, alarms, job)
		took = append(took, time.Since(began))
		// The run leaves the queue again, and somebody has seen its alarm.
		send(b, nc, say("m0", time.Now(), "ticket.withdrawn", &event.TicketWithdrawn{Job: job}))
		send(b, nc, say("m0", time.Now(), "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: job, Action: "acknowledge", By: "bench"}))
	}
	close(stop)
	sent := <-ended
	b.ReportMetric(float64(sent)/time.Since(start).Seconds(), "background/s")
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
}

// background publishes so many events a second until stopped, and says how many
// there were.
func background(b *testing.B, nc *nats.Conn, rate int, stop chan struct{}, ended chan int) {
	n := 0
	defer func() { ended <- n }()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for began := time.Now(); ; {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		for due := int(time.Since(began).Seconds() * float64(rate)); n < due; n++ {
			e := event.Event{
				ID: fmt.Sprint("bg", n), Source: "bench", Type: "climate.read", Time: time.Now(), Site: "north",
				Machine: fmt.Sprint("m", 1+n%49), Data: &event.ClimateRead{RHPct: f(45)},
			}
			send(b, nc, e)
		}
	}
}

func send(b *testing.B, nc *nats.Conn, e event.Event) {
	data, err := event.Encode(e)
	if err == nil {
		err = nc.Publish(e.Subject(), data)
	}
	if err != nil {
		b.Error(err)
	}
}

// waitFor reads alarms until the job's bare edge is among them.
func waitFor(b *testing.B, alarms *nats.Subscription, job string) {
	for {
		m, err := alarms.NextMsg(10 * time.Second)
		if err != nil {
			b.Fatal(err)
		}
		e, err := event.Decode(event.Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Stored: time.Now()})
		if err != nil {
			b.Fatal(err)
		}
		if d := e.Data.(*event.AlarmChanged); d.Hazard == "bare-edge" && d.Job == job && d.Emit == alarm.Annunciate {
			return
		}
	}
}
