package app

import (
	"cmp"
	"context"
	"slices"
	"sync"

	"rollwarden/rules"
)

// holding are the shards that a daemon has at the moment, seen as one floor.
type holding struct {
	mu      sync.Mutex
	shards  []*shard      // by number; the list is replaced, never changed
	changed chan struct{} // closed with the next change

	parts  []*rules.View // that merged was made of
	merged *rules.View
}

func newHolding() *holding { return &holding{changed: make(chan struct{})} }

// put adds a shard.
func (h *holding) put(s *shard) {
	h.change(func(list []*shard) []*shard { return append(list, s) })
}

// drop takes a shard out again.
func (h *holding) drop(s *shard) {
	h.change(func(list []*shard) []*shard {
		return slices.DeleteFunc(list, func(o *shard) bool { return o == s })
	})
}

func (h *holding) change(edit func([]*shard) []*shard) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.shards = edit(slices.Clone(h.shards))
	slices.SortFunc(h.shards, func(a, b *shard) int { return cmp.Compare(a.number, b.number) })
	close(h.changed)
	h.changed = make(chan struct{})
}

// list returns the shards, by number.
func (h *holding) list() []*shard {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.shards
}

// any waits until there is a shard, and returns all there are.
func (h *holding) any(ctx context.Context) ([]*shard, error) {
	for {
		h.mu.Lock()
		list, changed := h.shards, h.changed
		h.mu.Unlock()
		if len(list) > 0 {
			return list, nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// each calls do for every shard until one fails. It waits for the first shard.
func (h *holding) each(ctx context.Context, do func(*shard) error) error {
	list, err := h.any(ctx)
	if err != nil {
		return err
	}
	for _, s := range list {
		if err := do(s); err != nil {
			return err
		}
	}
	return nil
}

// viewOf is one partition as readers see it; nil while it is not held, and until it
// has been read to its end.
func (h *holding) viewOf(partition int) *rules.View {
	for _, s := range h.list() {
		if s.number == partition {
			return s.pipe.view.Load()
		}
	}
	return nil
}

// view is the floor of all shards as readers see it; nil while there is none to
// see. It is made anew only when one of them changed.
func (h *holding) view() *rules.View {
	h.mu.Lock()
	defer h.mu.Unlock()
	parts := make([]*rules.View, 0, len(h.shards))
	for _, s := range h.shards {
		if v := s.pipe.view.Load(); v != nil {
			parts = append(parts, v)
		}
	}
	if !slices.Equal(parts, h.parts) {
		h.parts, h.merged = parts, rules.Merge(parts...)
	}
	return h.merged
}
