package journal

import (
	"errors"
	"testing"

	"rollwarden/rules/event"
)

func TestRoomOf(t *testing.T) {
	for _, row := range []struct {
		used, limit int64
		want        room
	}{
		{0, 4 << 30, hasRoom},
		{4<<30 - 4<<30/10, 4 << 30, hasRoom},
		{4<<30 - 4<<30/10 + 1, 4 << 30, nearlyFull},
		{4<<30 - event.MaxData, 4 << 30, nearlyFull},
		{4<<30 - event.MaxData + 1, 4 << 30, isFull}, // the largest event does not fit
		{4 << 30, 4 << 30, isFull},
		{5 << 30, 4 << 30, isFull}, // a limit that was lowered
		{15 << 10, 16 << 10, nearlyFull},
		{15<<10 + 1, 16 << 10, isFull},
		{1 << 40, -1, hasRoom}, // NATS writes no limit as -1
	} {
		if got := roomOf(row.used, row.limit); got != row.want {
			t.Errorf("%d of %d: want %s, got %s", row.used, row.limit, row.want, got)
		}
	}
}

// A journal that is full is told whoever filled it, and only until there is room.
func TestHealthOfAFullJournal(t *testing.T) {
	j, js := start(t, Options{MaxBytes: 16 << 10, Log: noLog})
	j.lookForRoom(soon(t))
	if err := j.Health(); err != nil {
		t.Fatalf("empty: %v", err)
	}
	for err := error(nil); err == nil; {
		_, err = js.Publish(soon(t), "floor.north.heron.operator.noted", make([]byte, 512))
	}
	j.lookForRoom(soon(t))
	if err := j.Health(); !errors.Is(err, ErrFull) {
		t.Errorf("full: %v", err)
	}
	larger := open(t, js, Options{MaxBytes: 1 << 20, Log: noLog})
	larger.lookForRoom(soon(t))
	if err := larger.Health(); err != nil {
		t.Errorf("made larger: %v", err)
	}
}
