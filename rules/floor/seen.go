package floor

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"iter"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
)

// Seen remembers the key of every event of the journal, so that a copy is
// recognised at any distance. The zero value remembers nothing yet.
//
// It grows with the journal, so it is kept small and soon read. What was written
// down before stands in order, as it was read: 16 bytes for a key and nothing to
// build. What has come since is in a table that takes some 9 bytes more, where a
// map beside a list would take about 45.
type Seen struct {
	old sortedKeys // what was read; no key of it is in the table

	blocks [][]event.Key // in journal order; all but the last are full
	n      int           // keys in the blocks
	shards []shard       // one for each first byte of a key, so that none is long to grow
}

const (
	seenBlock  = 1 << 12 // keys in a block: what is appended never moves what is there
	seenShards = 1 << 8
)

// shard is an open hash table with linear probing over the keys that begin with one
// byte. A place is free where its tag is 0; else the tag is a byte of the key, which
// spares nearly every look at a key that is another one.
type shard struct {
	tags   []uint8
	places []uint32 // in journal order, from 0
	used   int
}

// Add notes a key and reports whether it was new.
func (s *Seen) Add(k event.Key) bool {
	if s.old.has(k) {
		return false
	}
	if s.shards == nil {
		s.shards = make([]shard, seenShards)
	}
	t := &s.shards[k[0]]
	if 4*(t.used+1) > 3*len(t.tags) {
		s.grow(t)
	}
	i, found := s.find(t, k)
	if found {
		return false
	}
	t.tags[i], t.places[i] = tag(k), uint32(s.n)
	t.used++
	s.push(k)
	return true
}

// Has reports whether a key was noted.
func (s *Seen) Has(k event.Key) bool {
	if s.old.has(k) {
		return true
	}
	if s.n == 0 {
		return false
	}
	t := &s.shards[k[0]]
	if len(t.tags) == 0 {
		return false
	}
	_, found := s.find(t, k)
	return found
}

func (s *Seen) push(k event.Key) {
	if s.n%seenBlock == 0 {
		s.blocks = append(s.blocks, make([]event.Key, 0, seenBlock))
	}
	last := len(s.blocks) - 1
	s.blocks[last] = append(s.blocks[last], k)
	s.n++
}

// find returns where a key is in its shard, or else where it belongs.
func (s *Seen) find(t *shard, k event.Key) (i int, found bool) {
	mask := len(t.tags) - 1
	for i = int(binary.LittleEndian.Uint32(k[4:])) & mask; t.tags[i] != 0; i = (i + 1) & mask {
		if p := t.places[i]; t.tags[i] == tag(k) && s.blocks[p/seenBlock][p%seenBlock] == k {
			return i, true
		}
	}
	return i, false
}

func tag(k event.Key) uint8 { return k[1] | 1 }

// grow doubles a shard, which always leaves it a free place.
func (s *Seen) grow(t *shard) {
	old, size := *t, max(16, 2*len(t.tags))
	t.tags, t.places = make([]uint8, size), make([]uint32, size)
	for i, p := range old.places {
		if old.tags[i] != 0 {
			at, _ := s.find(t, s.blocks[p/seenBlock][p%seenBlock])
			t.tags[at], t.places[at] = old.tags[i], p
		}
	}
}

// Len is how many different events were seen.
func (s *Seen) Len() int { return s.old.len() + s.n }

// Freeze returns what was seen so far for writing down. It shares memory with
// s and stays as it is while s grows.
func (s *Seen) Freeze() Seen {
	return Seen{old: s.old, blocks: slices.Clone(s.blocks), n: s.n}
}

// keysOf yields the first n keys of blocks, of which the last may have grown since.
func keysOf(blocks [][]event.Key, n int) iter.Seq[event.Key] {
	return func(yield func(event.Key) bool) {
		for i, b := range blocks {
			for _, k := range b[:min(seenBlock, n-i*seenBlock)] {
				if !yield(k) {
					return
				}
			}
		}
	}
}

// MarshalJSONTo writes the keys in ascending order as one base64 text, so that it
// is the same wherever the journal was read from.
func (s Seen) MarshalJSONTo(e *jsontext.Encoder) error {
	flat := s.old.merged(sortKeys(s.blocks, s.n))
	text := make([]byte, 1, base64.StdEncoding.EncodedLen(len(flat))+2)
	text[0] = '"'
	return e.WriteValue(append(base64.StdEncoding.AppendEncode(text, flat), '"'))
}

// UnmarshalJSONFrom reads what MarshalJSONTo wrote.
func (s *Seen) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	text, err := d.ReadValue()
	if err != nil {
		return err
	}
	if text.Kind() != '"' {
		return fmt.Errorf("seen events: want a base64 text, got %.20s", text)
	}
	flat, err := base64.StdEncoding.AppendDecode(nil, text[1:len(text)-1])
	if err != nil {
		return fmt.Errorf("seen events: %w", err)
	}
	old, err := newSortedKeys(flat)
	if err != nil {
		return fmt.Errorf("seen events: %w", err)
	}
	*s = Seen{old: old}
	return nil
}
