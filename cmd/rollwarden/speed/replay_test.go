package speed

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

// BenchmarkReplay makes a journal and then, in turn, fetches and decodes it with a
// bare JetStream consumer and starts a watch over it that has no snapshot, both
// from opening the server to the last event. Last it stops the watch and starts it
// again, from its snapshot. x-of-bare is what share of the bare rate the watch
// reaches, and x-of-bare-cpu the same by processor time, which neighbours change less.
func BenchmarkReplay(b *testing.B) {
	for _, machines := range []int{50, 1000, 10_000} {
		b.Run(fmt.Sprint("machines=", machines), func(b *testing.B) { replay(b, machines) })
	}
}

func replay(b *testing.B, machines int) {
	cfg := shopFor(b, machines)
	last := write(b, cfg, machines, events(b))
	var bare, whole, again, bareCPU, wholeCPU, againCPU time.Duration
	var snapshot int64
	for b.Loop() {
		began, spent := time.Now(), cpu(b)
		fetch(b, cfg, last)
		bare += time.Since(began)
		bareCPU += cpu(b) - spent
		if err := os.RemoveAll(filepath.Join(cfg.DataFolder(), "snapshots")); err != nil {
			b.Fatal(err)
		}
		took, used := follow(b, cfg, last)
		whole, wholeCPU = whole+took, wholeCPU+used
		took, used = follow(b, cfg, last)
		again, againCPU = again+took, againCPU+used
		snapshot = newestSnapshot(b, cfg)
	}
	n := float64(b.N)
	b.ReportMetric(bare.Seconds()/whole.Seconds(), "x-of-bare")
	b.ReportMetric(bareCPU.Seconds()/wholeCPU.Seconds(), "x-of-bare-cpu")
	b.ReportMetric(float64(wholeCPU.Microseconds())/n/float64(last), "cpu-us/event")
	b.ReportMetric(n*float64(last)/whole.Seconds(), "events/s")
	b.ReportMetric(n*float64(last)/bare.Seconds(), "bare-events/s")
	b.ReportMetric(again.Seconds()/n*1000, "restart-ms")
	b.ReportMetric(againCPU.Seconds()/n*1000, "restart-cpu-ms")
	b.ReportMetric(float64(snapshot)/(1<<20), "snapshot-MiB")
}

// events is how many events a long journal holds.
func events(b *testing.B) int {
	text := os.Getenv("SPEED_EVENTS")
	if text == "" {
		return 200_000
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		b.Fatalf("SPEED_EVENTS: want a number above 0, got %q", text)
	}
	return n
}

// write fills a journal with the openings of all machines and n reports.
func write(b *testing.B, cfg *config.Config, machines, n int) (last uint64) {
	withJournal(b, cfg, func(ctx context.Context, _ jetstream.JetStream, j *journal.Journal) {
		at := time.Now().Add(-time.Hour)
		var batch []event.Event
		put := func(machine string, typ event.Type, p event.Payload) {
			last++
			batch = append(batch, event.Event{ID: fmt.Sprint("e", last), Source: "/north/" + machine, Type: typ, Time: at, Site: "north", Machine: machine, Data: p})
			if len(batch) == 10_000 || n == 0 {
				if err := j.Publish(ctx, batch...); err != nil {
					b.Fatal(err)
				}
				batch = batch[:0]
			}
		}
		for m := range machines {
			for _, e := range opening(fmt.Sprint("m", m), 5) {
				put(e.Machine, e.Type, e.Data)
			}
		}
		for i := 0; n > 0; i++ {
			n--
			typ, p := report(i)
			put(fmt.Sprint("m", i%machines), typ, p)
		}
	})
	return last
}

// withJournal opens the server of a shop as a watch would, and closes it again.
func withJournal(b *testing.B, cfg *config.Config, do func(context.Context, jetstream.JetStream, *journal.Journal)) {
	b.Helper()
	ctx := context.Background()
	o := cfg.BusOptions("speed", zerolog.Nop())
	o.Listen = ""
	bu, err := bus.Open(ctx, o)
	if err != nil {
		b.Fatal(err)
	}
	j, err := journal.Open(ctx, bu.JetStream(), cfg.JournalOptions(zerolog.Nop()))
	if err != nil {
		b.Fatal(err)
	}
	do(ctx, bu.JetStream(), j)
	if err := bu.Close(ctx); err != nil {
		b.Fatal(err)
	}
}

// fetch reads and decodes every entry, and does nothing else.
func fetch(b *testing.B, cfg *config.Config, last uint64) {
	withJournal(b, cfg, func(ctx context.Context, js jetstream.JetStream, _ *journal.Journal) {
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
	})
}

// follow starts a watch, waits until it has read its journal, and stops it. What
// the stop takes does not count.
func follow(b *testing.B, cfg *config.Config, last uint64) (took, used time.Duration) {
	b.Helper()
	began, spent := time.Now(), cpu(b)
	a, err := app.Start(context.Background(), app.Options{Config: cfg, Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	for v := a.View(); v == nil || v.Seq < last; v = a.View() {
		time.Sleep(time.Millisecond)
	}
	took, used = time.Since(began), cpu(b)-spent
	if err := a.Stop(); err != nil {
		b.Fatal(err)
	}
	return took, used
}

func newestSnapshot(b *testing.B, cfg *config.Config) int64 {
	b.Helper()
	files, err := filepath.Glob(filepath.Join(cfg.DataFolder(), "snapshots", "*.snapshot"))
	if err != nil || len(files) == 0 {
		b.Fatalf("the watch left no snapshot: %v", err)
	}
	info, err := os.Stat(files[len(files)-1])
	if err != nil {
		b.Fatal(err)
	}
	return info.Size()
}
