package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go/jetstream"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// loose gives a test a stream whose messages can be deleted and purged, which
// leaves it as damage and age leave a journal.
func loose(t testing.TB, js jetstream.JetStream, name string) (*Journal, jetstream.Stream) {
	t.Helper()
	s, err := js.CreateStream(soon(t), jetstream.StreamConfig{
		Name: name, Subjects: []string{event.SubjectRoot + ".>"}, Storage: jetstream.MemoryStorage, AllowDirect: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	j, err := Look(soon(t), js, Options{Stream: name, Log: noLog})
	if err != nil {
		t.Fatal(err)
	}
	return j, s
}

// newestByReading is Newest the plain way: it reads the whole journal.
func newestByReading(t testing.TB, j *Journal, q Query) (entries []Entry, more bool) {
	t.Helper()
	err := j.Read(soon(t), 1, 0, "", func(e Entry) error {
		site, machine, typ, err := event.ParseSubject(e.Subject)
		if err != nil {
			return err
		}
		if site == q.Site && machine == q.Machine && (len(q.Types) == 0 || slices.Contains(q.Types, typ)) && (q.Before == 0 || e.Seq < q.Before) {
			entries = append(entries, e)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(entries)
	return entries[:min(len(entries), q.N)], len(entries) > q.N
}

// noConsumers wants every consumer to be gone again.
func noConsumers(t testing.TB, j *Journal) {
	t.Helper()
	for name := range j.stream.ConsumerNames(soon(t)).Name() {
		t.Errorf("consumer %s was left behind", name)
	}
}

// TestNewestEqualsReading compares Newest with a full read over journals with
// busy and silent stretches, holes and a beginning that was let go.
func TestNewestEqualsReading(t *testing.T) {
	s := serve(t, t.TempDir(), -1)
	t.Cleanup(func() { stop(s) })
	js := dial(t, s.ClientURL())
	machines, types := []string{"heron", "wren"}, []event.Type{"edge.moved", "run.progress", "climate.read"}
	round := 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		name := fmt.Sprintf("LOOSE-%d", round)
		j, stream := loose(t, js, name)
		defer js.DeleteStream(context.Background(), name)
		last := 0
		for range rapid.IntRange(0, 6).Draw(rt, "stretches") {
			subject := event.Subject("north", rapid.SampledFrom(machines).Draw(rt, "machine"), rapid.SampledFrom(types).Draw(rt, "type"))
			for range rapid.IntRange(1, 150).Draw(rt, "entries") {
				last++
				if _, err := js.PublishAsync(subject, fmt.Appendf(nil, "%d", last)); err != nil {
					rt.Fatal(err)
				}
			}
		}
		<-js.PublishAsyncComplete()
		for range rapid.IntRange(0, min(last, 5)).Draw(rt, "holes") {
			_ = stream.DeleteMsg(soon(t), uint64(rapid.IntRange(1, last).Draw(rt, "hole"))) // may be one already
		}
		if first := rapid.IntRange(0, last+1).Draw(rt, "first"); first > 1 {
			if err := stream.Purge(soon(t), jetstream.WithPurgeSequence(uint64(first))); err != nil {
				rt.Fatal(err)
			}
		}
		for range 4 {
			q := Query{
				Site: "north", Machine: rapid.SampledFrom(machines).Draw(rt, "of"), N: rapid.IntRange(1, MaxHistory).Draw(rt, "n"),
				Types:  rapid.SliceOfN(rapid.SampledFrom(types), 0, 4).Draw(rt, "types"),
				Before: uint64(rapid.IntRange(0, last+2).Draw(rt, "before")),
			}
			got, more, err := j.Newest(soon(t), q)
			if err != nil {
				rt.Fatalf("%+v: %v", q, err)
			}
			want, wantMore := newestByReading(t, j, q)
			if d := cmp.Diff(want, got); d != "" || more != wantMore {
				rt.Fatalf("%+v: more is %v, want %v; entries (-want +got):\n%s", q, more, wantMore, d)
			}
		}
		noConsumers(t, j)
	})
}

func TestNewestOfAnEmptyJournal(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	for _, before := range []uint64{0, 1, 7} {
		entries, more, err := j.Newest(soon(t), Query{Site: "north", Machine: "heron", Before: before, N: 10})
		if len(entries) > 0 || more || err != nil {
			t.Errorf("before %d: %v, %v, %v", before, entries, more, err)
		}
	}
	noConsumers(t, j)
}

// TestNewestByAge lets the older entries of a journal go.
func TestNewestByAge(t *testing.T) {
	s := serve(t, t.TempDir(), -1)
	t.Cleanup(func() { stop(s) })
	js := dial(t, s.ClientURL())
	_, stream := loose(t, js, "AGED")
	j, err := Look(soon(t), js, Options{Stream: "AGED", Log: noLog})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, j, moves(1, 90)...)
	config := stream.CachedInfo().Config
	config.MaxAge, config.Duplicates = 100*time.Millisecond, 100*time.Millisecond
	if _, err := js.UpdateStream(soon(t), config); err != nil {
		t.Fatal(err)
	}
	until(t, "all entries are let go", func() bool {
		first, last, err := j.Span(soon(t))
		return err == nil && first > last
	})
	q := Query{Site: "north", Machine: "heron", N: 5}
	if entries, more, err := j.Newest(soon(t), q); len(entries) > 0 || more || err != nil {
		t.Errorf("of a journal whose entries are gone: %v, %v, %v", entries, more, err)
	}
	config.MaxAge = 0
	if _, err := js.UpdateStream(soon(t), config); err != nil {
		t.Fatal(err)
	}
	publish(t, j, moves(91, 99)...)
	entries, more, err := j.Newest(soon(t), q)
	if err != nil || more || len(entries) != 3 || entries[0].Seq != 99 || entries[2].Seq != 93 {
		t.Errorf("got %v, %v, %v; want heron's entries 99, 96 and 93", entries, more, err)
	}
}

// TestNewestPages walks the whole history of a machine page by page.
func TestNewestPages(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 1000)...)
	q := Query{Site: "north", Machine: "wren", N: 60}
	var ids []string
	for more := true; more; {
		var page []Entry
		var err error
		if page, more, err = j.Newest(soon(t), q); err != nil {
			t.Fatal(err)
		}
		for _, e := range page {
			ids = append(ids, idOf(t, e))
		}
		q.Before = page[len(page)-1].Seq
	}
	var want []string
	for i := 1000; i > 0; i-- {
		if e := moved(i); e.Machine == "wren" {
			want = append(want, e.ID)
		}
	}
	if d := cmp.Diff(want, ids); d != "" {
		t.Errorf("ids (-want +got):\n%s", d)
	}
}

// TestNewestWhileTheFloorIsBusy asks while entries pour in: an answer has no
// gaps and no repeats, whatever arrives in the middle of it.
func TestNewestWhileTheFloorIsBusy(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 300)...)
	ctx, enough := context.WithCancel(soon(t))
	var writer sync.WaitGroup
	writer.Go(func() {
		for i := 301; ctx.Err() == nil; i += 50 {
			_ = j.Publish(ctx, moves(i, i+49)...)
		}
	})
	for range 50 {
		entries, more, err := j.Newest(soon(t), Query{Site: "north", Machine: "heron", N: 40})
		if err != nil || !more || len(entries) != 40 {
			t.Fatalf("%d entries, more %v, %v", len(entries), more, err)
		}
		for i, e := range entries {
			if want := entries[0].Seq - 3*uint64(i); e.Seq != want {
				t.Fatalf("entry %d is %d, want %d", i, e.Seq, want)
			}
		}
	}
	enough()
	writer.Wait()
	noConsumers(t, j)
}

func TestNewestRefuses(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	good := Query{Site: "north", Machine: "heron", N: 1}
	for field, change := range map[string]func(*Query){
		"site":    func(q *Query) { q.Site = "north.>" },
		"machine": func(q *Query) { q.Machine = "*" },
		"type":    func(q *Query) { q.Types = []event.Type{"edge.>"} },
		"n":       func(q *Query) { q.N = MaxHistory + 1 },
	} {
		q := good
		change(&q)
		_, _, err := j.Newest(soon(t), q)
		if f, ok := errors.AsType[*event.Fault](err); !ok || f.Field != field {
			t.Errorf("%+v: got %v, want a fault of %s", q, err, field)
		}
	}
	ctx, cancel := context.WithCancel(soon(t))
	cancel()
	_, _, err := j.Newest(ctx, good)
	wantError(t, err, "north/heron", "context canceled")
}

// BenchmarkNewest reads the last 200 entries of one machine in a journal of
// 200 000: of one that goes on, and of one that fell silent long ago. Reading
// everything stands beside it.
func BenchmarkNewest(b *testing.B) {
	const all = 200_000
	j, _ := start(b, Options{Log: noLog})
	silent := moves(1, 1000)
	for i := range silent {
		silent[i].Machine = "snipe"
	}
	publish(b, j, silent...)
	publish(b, j, moves(1001, all)...)
	for _, machine := range []string{"heron", "snipe"} {
		b.Run(machine, func(b *testing.B) {
			for b.Loop() {
				entries, _, err := j.Newest(b.Context(), Query{Site: "north", Machine: machine, N: MaxHistory})
				if err != nil || len(entries) != MaxHistory {
					b.Fatal(len(entries), err)
				}
			}
		})
	}
	b.Run("everything", func(b *testing.B) {
		for b.Loop() {
			if err := j.Read(b.Context(), 1, 0, event.Subject("north", "heron", ">"), func(Entry) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
	})
}
