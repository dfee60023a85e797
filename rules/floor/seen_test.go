package floor_test

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"maps"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// TestSeenIsASet holds it against Go's own map, with keys that differ in two bytes
// only and so crowd into one shard, one place, one tag and one entry of a directory.
// Now and then it is written down and read.
func TestSeenIsASet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var seen floor.Seen
		set := map[event.Key]bool{}
		spread := rapid.SampledFrom([]int{1, 50, 3000}).Draw(t, "spread")
		at := rapid.IntRange(0, 14).Draw(t, "byte")
		restarts := rapid.SampledFrom([]int{0, 1, 10}).Draw(t, "restarts")
		adds := rapid.IntRange(0, 2000).Draw(t, "adds")
		for i := range adds {
			if i%(adds/(restarts+1)+1) == 0 {
				seen = read(t, written(t, seen.Freeze()))
			}
			var k event.Key
			binary.LittleEndian.PutUint16(k[at:], uint16(rapid.IntRange(0, spread).Draw(t, "key")))
			if seen.Has(k) != set[k] || seen.Add(k) == set[k] {
				t.Fatalf("%x: want it to be new only once", k)
			}
			set[k] = true
		}
		if seen.Len() != len(set) {
			t.Fatalf("holds %d of %d keys", seen.Len(), len(set))
		}
		if got, want := written(t, seen.Freeze()), base64.StdEncoding.EncodeToString(ascending(set)); got != want {
			t.Fatalf("writes %q, want the keys in ascending order, %q", got, want)
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
	again := read(t, text)
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
	zero, one := make([]byte, 16), append(make([]byte, 15), 1)
	for text, want := range map[string]string{
		`5`: "want a base64 text, got 5", `"AAAA"`: "want whole keys of 16 bytes, got 3 bytes", `"!"`: "illegal base64",
		quoted(zero, zero): "want keys in ascending order, each once, got 00000000000000000000000000000000 after 00000000000000000000000000000000",
		quoted(one, zero):  "got 00000000000000000000000000000000 after 00000000000000000000000000000001",
	} {
		var s floor.Seen
		if err := json.Unmarshal([]byte(text), &s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", text, err, want)
		}
	}
}

func quoted(keys ...[]byte) string {
	return `"` + base64.StdEncoding.EncodeToString(bytes.Join(keys, nil)) + `"`
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

func read(t rapid.TB, text string) (s floor.Seen) {
	if err := json.Unmarshal([]byte(`"`+text+`"`), &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// ascending keys of a set, one after the other.
func ascending(set map[event.Key]bool) []byte {
	keys := slices.SortedFunc(maps.Keys(set), func(a, b event.Key) int { return bytes.Compare(a[:], b[:]) })
	var flat []byte
	for _, k := range keys {
		flat = append(flat, k[:]...)
	}
	return flat
}

// BenchmarkSeenComesBack is what it takes to write a million keys down and to read
// them, beside base64 alone, which has to be passed both ways.
func BenchmarkSeenComesBack(b *testing.B) {
	const events = 1_000_000
	var seen floor.Seen
	for i := range events {
		seen.Add(keyOf(i))
	}
	text := written(b, seen.Freeze())
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			written(b, seen.Freeze())
		}
	})
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			read(b, text)
		}
	})
	b.Run("write-after-restart", func(b *testing.B) {
		again := read(b, text)
		for i := range events / 10 {
			again.Add(keyOf(events + i))
		}
		for b.Loop() {
			written(b, again.Freeze())
		}
	})
	b.Run("base64", func(b *testing.B) {
		flat := make([]byte, 16*events)
		for b.Loop() {
			if _, err := base64.StdEncoding.DecodeString(base64.StdEncoding.EncodeToString(flat)); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("look", func(b *testing.B) {
		again := read(b, text)
		for i := 0; b.Loop(); i++ {
			again.Has(keyOf(i))
		}
	})
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
