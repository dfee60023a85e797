package journal

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// benchEntries are read in one iteration.
const benchEntries = 50_000

// stored gives a benchmark a journal with benchEntries in it, on a server in
// this process.
func stored(b *testing.B) (*Journal, jetstream.JetStream) {
	b.Helper()
	j, js := start(b, Options{Inside: true, Log: noLog})
	publish(b, j, moves(1, benchEntries)...)
	return j, js
}

func decode(b *testing.B, m event.Message) {
	if _, err := event.Decode(m); err != nil {
		b.Fatal(err)
	}
}

// followAll reads and decodes the whole journal with Follow.
func followAll(b *testing.B, j *Journal) {
	whole := errors.New("all read")
	last := uint64(0)
	err := j.Follow(context.Background(), 0, func(batch []Entry) error {
		for _, e := range batch {
			decode(b, e.Message)
		}
		if last = batch[len(batch)-1].Seq; last == benchEntries {
			return whole
		}
		return nil
	})
	if err != whole {
		b.Fatalf("follow: %v after %d", err, last)
	}
}

// bareConsumer is what a program without this package would set up.
func bareConsumer(b *testing.B, js jetstream.JetStream) jetstream.Consumer {
	c, err := js.CreateConsumer(context.Background(), StreamName, jetstream.ConsumerConfig{
		AckPolicy: jetstream.AckNonePolicy, MemoryStorage: true, InactiveThreshold: time.Minute,
	})
	if err != nil {
		b.Fatal(err)
	}
	return c
}

func decodeMsg(b *testing.B, m jetstream.Msg) {
	meta, err := m.Metadata()
	if err != nil {
		b.Fatal(err)
	}
	decode(b, event.Message{Subject: m.Subject(), Header: m.Headers(), Data: m.Data(), Stored: meta.Timestamp})
}

// fetchAll reads and decodes the whole journal with bare fetches.
func fetchAll(b *testing.B, js jetstream.JetStream) {
	c := bareConsumer(b, js)
	for n := 0; n < benchEntries; {
		batch, err := c.Fetch(min(inside.entries, benchEntries-n))
		if err != nil {
			b.Fatal(err)
		}
		for m := range batch.Messages() {
			decodeMsg(b, m)
			n++
		}
		if batch.Error() != nil {
			b.Fatal(batch.Error())
		}
	}
}

// consumeAll reads and decodes the whole journal with a bare callback.
func consumeAll(b *testing.B, js jetstream.JetStream) {
	done := make(chan struct{})
	n := 0
	c, err := bareConsumer(b, js).Consume(func(m jetstream.Msg) {
		decodeMsg(b, m)
		if n++; n == benchEntries {
			close(done)
		}
	}, jetstream.PullMaxMessages(inside.entries))
	if err != nil {
		b.Fatal(err)
	}
	<-done
	c.Stop()
	<-c.Closed()
}

// BenchmarkFollow reports the rate of Follow with decoding.
func BenchmarkFollow(b *testing.B) {
	j, _ := stored(b)
	for b.Loop() {
		followAll(b, j)
	}
	reportRate(b, benchEntries)
}

// BenchmarkBare reports the rate of a bare JetStream consumer with decoding.
func BenchmarkBare(b *testing.B) {
	for name, read := range map[string]func(*testing.B, jetstream.JetStream){"fetch": fetchAll, "consume": consumeAll} {
		b.Run(name, func(b *testing.B) {
			_, js := stored(b)
			for b.Loop() {
				read(b, js)
			}
			reportRate(b, benchEntries)
		})
	}
}

// BenchmarkFollowOfBare runs Follow and both bare consumers in turn, so that
// all three meet the same neighbours, and reports the rate of Follow as a
// multiple of the bare rates. Above 1 Follow is the faster one.
func BenchmarkFollowOfBare(b *testing.B) {
	j, js := stored(b)
	var follow, fetch, consume time.Duration
	for b.Loop() {
		follow += timed(func() { followAll(b, j) })
		fetch += timed(func() { fetchAll(b, js) })
		consume += timed(func() { consumeAll(b, js) })
	}
	b.ReportMetric(fetch.Seconds()/follow.Seconds(), "x-of-bare-fetch")
	b.ReportMetric(consume.Seconds()/follow.Seconds(), "x-of-bare-consume")
	b.ReportMetric(float64(b.N)*benchEntries/follow.Seconds(), "entries/s")
}

func timed(f func()) time.Duration {
	began := time.Now()
	f()
	return time.Since(began)
}

func reportRate(b *testing.B, perLoop int) {
	b.ReportMetric(float64(b.N)*float64(perLoop)/b.Elapsed().Seconds(), "entries/s")
}

// BenchmarkPublish reports the rate of Publish with encoding, by the number of
// events in a call and by whether the server syncs before it acknowledges.
func BenchmarkPublish(b *testing.B) {
	for _, bb := range []struct {
		name   string
		sync   bool
		events int
	}{{"one", false, 1}, {"many", false, 2000}, {"one-synced", true, 1}, {"many-synced", true, 2000}} {
		b.Run(bb.name, func(b *testing.B) {
			j := journalOn(b, bb.sync)
			events := moves(1, bb.events)
			for b.Loop() {
				publish(b, j, events...)
			}
			reportRate(b, bb.events)
		})
	}
}

// BenchmarkSyncOfNone publishes to a server that syncs before it acknowledges and
// to one that does not, in turn and on the same disk, and reports what the promise
// against a power cut costs: how often the time of the other.
func BenchmarkSyncOfNone(b *testing.B) {
	for _, events := range []int{1, 2000} {
		b.Run(fmt.Sprint(events), func(b *testing.B) {
			synced, loose := journalOn(b, true), journalOn(b, false)
			batch := moves(1, events)
			var slow, fast time.Duration
			for b.Loop() {
				slow += timed(func() { publish(b, synced, batch...) })
				fast += timed(func() { publish(b, loose, batch...) })
			}
			b.ReportMetric(slow.Seconds()/fast.Seconds(), "x-of-no-sync")
			b.ReportMetric(float64(b.N)*float64(events)/slow.Seconds(), "synced-events/s")
		})
	}
}

// journalOn is a journal on a server of its own in this process.
func journalOn(b *testing.B, sync bool) *Journal {
	b.Helper()
	s, err := server.NewServer(&server.Options{
		DontListen: true, JetStream: true, StoreDir: b.TempDir(), SyncAlways: sync,
		JetStreamMaxStore: 4 << 30, NoSigs: true, NoLog: true,
	})
	if err != nil {
		b.Fatal(err)
	}
	s.Start()
	b.Cleanup(func() { stop(s) })
	return open(b, dial(b, "", nats.InProcessServer(s)), Options{MaxBytes: 2 << 30, Log: noLog})
}
