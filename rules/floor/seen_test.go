package floor_test

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"runtime"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// TestSeenIsASet holds it against Go's own map, with keys that differ in one byte
// only and so crowd into one shard, one place and one tag.
func TestSeenIsASet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var seen floor.Seen
		set, order := map[event.Key]bool{}, []byte{}
		spread := rapid.SampledFrom([]int{1, 50, 3000}).Draw(t, "spread")
		at := rapid.IntRange(0, 14).Draw(t, "byte")
		for range rapid.IntRange(0, 2000).Draw(t, "adds") {
			var k event.Key
			binary.LittleEndian.PutUint16(k[at:], uint16(rapid.IntRange(0, spread).Draw(t, "key")))
			if seen.Add(k) == set[k] {
				t.Fatalf("%x: want it to be new only once", k)
			}
			if !set[k] {
				order = append(order, k[:]...)
			}
			set[k] = true
		}
		if seen.Len() != len(set) {
			t.Fatalf("holds %d of %d keys", seen.Len(), len(set))
		}
		if got, want := written(t, seen.Freeze()), base64.StdEncoding.EncodeToString(order); got != want {
			t.Fatalf("writes %q, want the keys in the order of the journal, %q", got, want)
		}
	})
}

// TestSeenLongJournal goes over many blocks and growths, and through a snapshot.
func TestSeenLongJournal(t *testing.T) {
	const events = 100_000
	var seen floor.Seen
	for i := range events {
		if !seen.Add(keyOf(i)) {
			t.Fatalf("event %d is taken for an older one", i)
		}
	}
	frozen := seen.Freeze()
	seen.Add(keyOf(events))
	text := written(t, frozen)
	var again floor.Seen
	if err := json.Unmarshal([]byte(`"`+text+`"`), &again); err != nil {
		t.Fatal(err)
	}
	if again.Len() != events || written(t, again.Freeze()) != text {
		t.Fatal("what was written is read as something else")
	}
	for i := range events {
		if again.Add(keyOf(i)) || seen.Add(keyOf(i)) {
			t.Fatalf("a copy of event %d is taken for a new one", i)
		}
	}
	if !again.Add(keyOf(events)) {
		t.Fatal("a frozen set took part in what came after")
	}
}

func TestSeenRefuses(t *testing.T) {
	for text, want := range map[string]string{
		`5`: "want a base64 text, got 5", `"AAAA"`: "want whole keys of 16 bytes, got 3 bytes", `"!"`: "illegal base64",
		`"` + strings.Repeat("AAAA", 32/3) + `AAA="`: "want each key once, got 00000000000000000000000000000000 twice",
	} {
		var s floor.Seen
		if err := json.Unmarshal([]byte(text), &s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", text, err, want)
		}
	}
}

func keyOf(i int) event.Key {
	return event.Event{ID: string(binary.AppendUvarint(nil, uint64(i))), Source: "test"}.Key()
}

func written(t rapid.TB, s floor.Seen) string {
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(bytes.Trim(b, `"`))
}

// BenchmarkSeen is what it costs to remember a million events and to find that each
// is new, beside a map and a list.
func BenchmarkSeen(b *testing.B) {
	const events = 1_000_000
	keys := make([]event.Key, events)
	for i := range keys {
		keys[i] = keyOf(i)
	}
	b.Run("seen", func(b *testing.B) {
		remember(b, keys, func() func(event.Key) {
			var s floor.Seen
			return func(k event.Key) { s.Add(k) }
		})
	})
	b.Run("map", func(b *testing.B) {
		remember(b, keys, func() func(event.Key) {
			set, list := map[event.Key]struct{}{}, []event.Key(nil)
			return func(k event.Key) {
				if _, known := set[k]; !known {
					set[k] = struct{}{}
					list = append(list, k)
				}
			}
		})
	})
}

func remember(b *testing.B, keys []event.Key, fresh func() func(event.Key)) {
	var before, after runtime.MemStats
	for b.Loop() {
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&before)
		b.StartTimer()
		add := fresh()
		for _, k := range keys {
			add(k)
		}
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&after)
		runtime.KeepAlive(add)
		b.StartTimer()
	}
	n := float64(len(keys))
	b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/n, "B/event")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/event")
}
