package journal

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

func TestLookReadsAndChangesNothing(t *testing.T) {
	j, js := start(t, Options{MaxBytes: 1 << 20, Log: noLog})
	publish(t, j, moves(1, 3)...)
	seen, err := Look(soon(t), js, Options{MaxBytes: 100, MaxAge: time.Hour, Log: noLog})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	if err := seen.Read(soon(t), 1, 0, "", func(Entry) error { n++; return nil }); err != nil || n != 3 {
		t.Errorf("read %d entries, %v: want 3", n, err)
	}
	info, err := seen.stream.Info(soon(t))
	if err != nil {
		t.Fatal(err)
	}
	if c := info.Config; c.MaxBytes != 1<<20 || c.MaxAge != 0 {
		t.Errorf("a look changed the stream: %+v", c)
	}
}

func TestLookMakesNoStream(t *testing.T) {
	_, js := start(t, Options{Log: noLog})
	_, err := Look(soon(t), js, Options{Stream: "ELSEWHERE", Log: noLog})
	wantError(t, err, "ELSEWHERE", "no watch has kept its journal there yet")
	if _, err := js.Stream(soon(t), "ELSEWHERE"); err != jetstream.ErrStreamNotFound {
		t.Errorf("after a look at no stream: %v", err)
	}
}
