package cluster

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
)

// BenchmarkStore stores events in all partitions of a cluster of three servers,
// with three copies of each, as one sender that waits for every acknowledgement
// and as one for each partition that sends a thousand ahead. All servers share
// this computer and its disk, and each writes to the disk itself before it
// acknowledges, so this is less than three computers do.
func BenchmarkStore(b *testing.B) {
	dir := b.TempDir()
	_, urls := startNATS(b, dir, build(b, dir, "github.com/nats-io/nats-server/v2"))
	js := dial(b, urls)
	p, err := journal.NewPartitions(partitionCount)
	must(b, err)
	var journals []*journal.Journal
	for n := range p.Len() {
		j, err := journal.Open(b.Context(), js, p.Options(journal.Options{MaxBytes: 1 << 28, Replicas: 3, Log: zerolog.Nop()}, n))
		must(b, err)
		journals = append(journals, j)
	}
	serial := 0
	report := func() event.Event {
		serial++
		return say(place{fmt.Sprint("site-", serial%1000), "m0"}, fmt.Sprint("e-", serial), "climate.read", &event.ClimateRead{RHPct: f(45), TempC: f(21)})
	}
	const one, many = 100, 1000
	var single, ahead time.Duration
	for b.Loop() {
		began := time.Now()
		for range one {
			must(b, journals[0].Publish(b.Context(), report()))
		}
		single += time.Since(began)
		began = time.Now()
		var senders sync.WaitGroup
		for n := range journals {
			events := make([]event.Event, 0, many)
			for len(events) < many {
				if e := report(); p.Of(e.Site) == n {
					events = append(events, e)
				}
			}
			senders.Go(func() {
				if err := journals[n].Publish(b.Context(), events...); err != nil {
					b.Error(err)
				}
			})
		}
		senders.Wait()
		ahead += time.Since(began)
	}
	b.ReportMetric(single.Seconds()*1000/float64(b.N*one), "ms-one")
	b.ReportMetric(float64(b.N*many*partitionCount)/ahead.Seconds(), "events/s-ahead")
	stored, size := uint64(0), uint64(0)
	for n := range journals {
		stream, err := js.Stream(b.Context(), p.Stream(n))
		must(b, err)
		stored, size = stored+stream.CachedInfo().State.Msgs, size+stream.CachedInfo().State.Bytes
	}
	b.ReportMetric(float64(size)/float64(stored), "B/event")
}
