package journal

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// What cannot be read is known, although the connection may be well: the board
// must not show an old floor as a new one.
func TestHealth(t *testing.T) {
	dir := t.TempDir()
	srv := serve(t, dir, server.RANDOM_PORT)
	port := portOf(srv)
	j := open(t, dial(t, srv.ClientURL()), Options{Log: noLog})
	publish(t, j, moved(1))
	f := follow(t, j, 0)
	until(t, "the entry is read", func() bool { return f.count() == 1 })
	if err := j.Health(); err != nil {
		t.Errorf("the journal is read: %v", err)
	}
	stop(srv)
	until(t, "the journal is known to be away", func() bool { return j.Health() != nil })
	wantError(t, j.Health(), "the journal cannot be read")
	srv = serve(t, dir, port)
	defer func() { stop(srv) }()
	until(t, "the journal is known to be back", func() bool { return j.Health() == nil })
	f.end(t)
}

// A cluster is not believed at once when it knows less than before; a server that
// has the only copy is.
func TestReplacedIsBelieved(t *testing.T) {
	behind := fmt.Errorf("%w: it ends at entry 3, but entry 5 was read before", ErrReplaced)
	long := time.Now().Add(-2 * settleTime)
	for _, row := range []struct {
		name    string
		copies  int
		doubted time.Time
		err     error
		want    bool
	}{
		{"one copy", 1, time.Time{}, behind, true},
		{"three copies, for the first time", 3, time.Time{}, behind, false},
		{"three copies, for a moment", 3, time.Now(), behind, false},
		{"three copies, for long", 3, long, behind, true},
		{"three copies, and then something else", 3, long, errDelivery, false},
		{"one copy, something else", 1, time.Time{}, errDelivery, false},
	} {
		r := &reader{j: &Journal{copies: row.copies}, doubted: row.doubted}
		if got := r.replaced(row.err); got != row.want {
			t.Errorf("%s: want %t, got %t", row.name, row.want, got)
		}
		if is := errors.Is(row.err, ErrReplaced); is == r.doubted.IsZero() {
			t.Errorf("%s: doubted since %s", row.name, r.doubted)
		}
	}
}

// Questions get longer while nobody answers, and short again after an answer.
func TestNextLook(t *testing.T) {
	look := firstLook
	for _, want := range []time.Duration{4, 8, 16, 16} {
		if look = nextLook(look, fmt.Errorf("look at the journal: %w", context.DeadlineExceeded)); look != want*time.Second {
			t.Errorf("want %ds, got %s", want, look)
		}
	}
	if look = nextLook(look, errDelivery); look != firstLook {
		t.Errorf("after an answer: want %s, got %s", firstLook, look)
	}
}
