package floor

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"

	"rollwarden/rules/event"
)

const keySize = len(event.Key{})

// sortedKeys are keys in ascending order, one after the other, each once. They are
// never written to. Keys are spread evenly, so that the first bits of one say where
// it must stand: to find it takes a look at a few neighbours, and to make the
// directory of them one walk.
type sortedKeys struct {
	flat []byte
	bits int      // so many first bits are in the directory
	ends []uint32 // where the keys end that begin with these bits or lower ones
}

// So many keys begin with the same bits, about: of a directory, which is kept, and
// of what is laid out to be sorted, which is cheaper the fewer they are.
const (
	toFind = 64
	toSort = 16
)

// firstBits of a key, as a number.
func firstBits(k []byte, n int) uint64 { return binary.BigEndian.Uint64(k) >> (64 - n) }

// newSortedKeys takes over keys that stand one after the other. It fails when they
// are not in ascending order.
func newSortedKeys(flat []byte) (sortedKeys, error) {
	if len(flat)%keySize != 0 {
		return sortedKeys{}, fmt.Errorf("want whole keys of %d bytes, got %d bytes", keySize, len(flat))
	}
	if len(flat) == 0 {
		return sortedKeys{}, nil
	}
	s := sortedKeys{flat: flat}
	s.bits = bits.Len(uint(s.len() / toFind))
	s.ends = make([]uint32, 1<<s.bits)
	for i := range s.len() {
		k := s.at(i)
		if i > 0 && bytes.Compare(s.at(i-1), k) >= 0 {
			return sortedKeys{}, fmt.Errorf("want keys in ascending order, each once, got %x after %x", k, s.at(i-1))
		}
		s.ends[firstBits(k, s.bits)] = uint32(i + 1)
	}
	for i := 1; i < len(s.ends); i++ {
		s.ends[i] = max(s.ends[i], s.ends[i-1]) // no key begins with these bits
	}
	return s, nil
}

func (s *sortedKeys) len() int { return len(s.flat) / keySize }

func (s *sortedKeys) at(i int) []byte { return s.flat[i*keySize:][:keySize] }

func (s *sortedKeys) has(k event.Key) bool {
	if len(s.flat) == 0 {
		return false
	}
	first, low := firstBits(k[:], s.bits), 0
	if first > 0 {
		low = int(s.ends[first-1])
	}
	for high := int(s.ends[first]); low < high; {
		switch middle := (low + high) / 2; bytes.Compare(s.at(middle), k[:]) {
		case 0:
			return true
		case -1:
			low = middle + 1
		default:
			high = middle
		}
	}
	return false
}

// sortKeys returns the n keys of the blocks in ascending order. They are laid out by
// their first bits, after which a few neighbours at a time are left to sort.
func sortKeys(blocks [][]event.Key, n int) []event.Key {
	first := bits.Len(uint(n / toSort))
	ends := make([]int, 1<<first)
	for k := range keysOf(blocks, n) {
		ends[firstBits(k[:], first)]++
	}
	for i := 1; i < len(ends); i++ {
		ends[i] += ends[i-1]
	}
	sorted := make([]event.Key, n)
	at := slices.Clone(ends)
	for k := range keysOf(blocks, n) {
		i := firstBits(k[:], first)
		at[i]--
		sorted[at[i]] = k
	}
	for i, end := range ends {
		slices.SortFunc(sorted[at[i]:end], func(a, b event.Key) int { return bytes.Compare(a[:], b[:]) })
	}
	return sorted
}

// merged returns the keys and more of them, none of which is among them, in
// ascending order.
func (s *sortedKeys) merged(more []event.Key) []byte {
	all := make([]byte, 0, len(s.flat)+len(more)*keySize)
	rest := s.flat
	for i := range more {
		k := more[i][:]
		n := 0
		for n < len(rest) && bytes.Compare(rest[n:n+keySize], k) < 0 {
			n += keySize
		}
		all = append(append(all, rest[:n]...), k...)
		rest = rest[n:]
	}
	return append(all, rest...)
}
