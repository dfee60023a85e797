package floor

import (
	"fmt"
	"slices"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/event"
)

// Seen remembers the key of every event of the journal, so that a copy is
// recognised at any distance. The zero value remembers nothing yet.
type Seen struct {
	set   map[event.Key]struct{}
	order []event.Key // in journal order; only ever appended to
}

// Add notes a key and reports whether it was new.
func (s *Seen) Add(k event.Key) bool {
	if s.set == nil {
		s.set = map[event.Key]struct{}{}
	}
	before := len(s.set)
	s.set[k] = struct{}{}
	if len(s.set) == before {
		return false
	}
	s.order = append(s.order, k)
	return true
}

// Len is how many different events were seen.
func (s *Seen) Len() int { return len(s.order) }

// Freeze returns what was seen so far for writing down. It shares memory with
// s and stays as it is while s grows.
func (s *Seen) Freeze() Seen { return Seen{order: s.order[:len(s.order):len(s.order)]} }

// MarshalJSON writes the keys in journal order as one base64 text.
func (s Seen) MarshalJSON() ([]byte, error) {
	flat := make([]byte, 0, len(s.order)*len(event.Key{}))
	for _, k := range s.order {
		flat = append(flat, k[:]...)
	}
	return json.Marshal(flat)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Seen) UnmarshalJSON(data []byte) error {
	var flat []byte
	if err := json.Unmarshal(data, &flat); err != nil {
		return err
	}
	n := len(flat) / len(event.Key{})
	if n*len(event.Key{}) != len(flat) {
		return fmt.Errorf("seen events: want whole keys of %d bytes, got %d bytes", len(event.Key{}), len(flat))
	}
	*s = Seen{set: make(map[event.Key]struct{}, n), order: make([]event.Key, 0, n)}
	for chunk := range slices.Chunk(flat, len(event.Key{})) {
		s.Add(event.Key(chunk))
	}
	return nil
}
