package floor

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
)

// Seen remembers the key of every event of the journal, so that a copy is
// recognised at any distance. The zero value remembers nothing yet.
//
// It grows with the journal, so it is kept small: 16 bytes for the key and some 9
// to find it by, where a map beside a list would take about 45.
type Seen struct {
	blocks [][]event.Key // in journal order; all but the last are full
	n      int
	shards []shard // one for each first byte of a key, so that none is long to grow
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
func (s *Seen) grow(t *shard) { s.resize(t, max(16, 2*len(t.tags))) }

// resize gives a shard as many places, a power of two that leaves it a free one.
func (s *Seen) resize(t *shard, size int) {
	old := *t
	t.tags, t.places = make([]uint8, size), make([]uint32, size)
	for i, p := range old.places {
		if old.tags[i] != 0 {
			at, _ := s.find(t, s.blocks[p/seenBlock][p%seenBlock])
			t.tags[at], t.places[at] = old.tags[i], p
		}
	}
}

// index finds room for all keys anew, one shard after the other: each is small
// enough for the processor's own memory, which all of them together are not. It
// fails when a key stands there twice.
func (s *Seen) index() error {
	s.shards = make([]shard, seenShards)
	var of [seenShards][]uint32
	for b, keys := range s.blocks {
		for i, k := range keys {
			of[k[0]] = append(of[k[0]], uint32(b*seenBlock+i))
		}
	}
	for i, places := range of {
		t, size := &s.shards[i], 16
		for 3*size < 4*len(places) {
			size *= 2
		}
		s.resize(t, size)
		for _, p := range places {
			k := s.blocks[p/seenBlock][p%seenBlock]
			at, twice := s.find(t, k)
			if twice {
				return fmt.Errorf("seen events: want each key once, got %x twice", k)
			}
			t.tags[at], t.places[at] = tag(k), p
		}
		t.used = len(places)
	}
	return nil
}

// Len is how many different events were seen.
func (s *Seen) Len() int { return s.n }

// Freeze returns what was seen so far for writing down. It shares memory with
// s and stays as it is while s grows.
func (s *Seen) Freeze() Seen { return Seen{blocks: slices.Clone(s.blocks), n: s.n} }

// MarshalJSONTo writes the keys in journal order as one base64 text.
func (s Seen) MarshalJSONTo(e *jsontext.Encoder) error {
	const key = len(event.Key{})
	text := make([]byte, 1, base64.StdEncoding.EncodedLen(s.n*key)+2)
	text[0] = '"'
	flat := make([]byte, 0, 3*seenBlock*key) // whole groups of three bytes, so that the texts can be put together
	for i, b := range s.blocks {
		for _, k := range b[:min(seenBlock, s.n-i*seenBlock)] {
			flat = append(flat, k[:]...)
		}
		if len(flat) == cap(flat) || i == len(s.blocks)-1 {
			text, flat = base64.StdEncoding.AppendEncode(text, flat), flat[:0]
		}
	}
	return e.WriteValue(append(text, '"'))
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
	if len(flat)%len(event.Key{}) != 0 {
		return fmt.Errorf("seen events: want whole keys of %d bytes, got %d bytes", len(event.Key{}), len(flat))
	}
	*s = Seen{}
	for chunk := range slices.Chunk(flat, len(event.Key{})) {
		s.push(event.Key(chunk))
	}
	return s.index()
}
