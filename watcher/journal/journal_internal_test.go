package journal

import (
	"testing"

	"github.com/nats-io/nats.go/jetstream"
)

// TestCopiesAreKept takes nothing from a journal that somebody gave more copies.
func TestCopiesAreKept(t *testing.T) {
	for _, row := range []struct{ has, asked, want int }{{0, 0, 1}, {3, 0, 3}, {1, 3, 3}, {3, 1, 1}, {0, 3, 3}} {
		if got := shape(jetstream.StreamConfig{Replicas: row.has}, Options{Replicas: row.asked}).Replicas; got != row.want {
			t.Errorf("with %d copies and %d asked for: want %d, got %d", row.has, row.asked, row.want, got)
		}
	}
}
