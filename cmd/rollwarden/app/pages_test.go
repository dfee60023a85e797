package app

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// TestStopWithOpenPages stops a watch on which pages are open: their streams end
// with it, and nothing of them is left behind.
func TestStopWithOpenPages(t *testing.T) {
	before := runtime.NumGoroutine()
	cfg := shopOf(t, 3)
	cfg.HTTP.Streams, cfg.HTTP.StreamsPerClient = 100, 100
	a, err := Start(t.Context(), Options{Config: cfg})
	fail(t, err)
	fail(t, a.Settle(deadline(t)))
	busyFloor(t, a)
	list := screens(t, a, 100)
	readers := make([]*bufio.Reader, len(list))
	for i, c := range list {
		readers[i] = bufio.NewReader(c)
		readUntil(t, readers[i], "event: beat")
	}
	for _, c := range list[:50] {
		fail(t, c.Close())
	}
	fail(t, a.Stop())
	for _, r := range readers[50:] {
		if _, err := io.Copy(io.Discard, r); err != nil {
			t.Errorf("a stream ended badly: %v", err)
		}
	}
	leftBehind(t, before)
}

// TestStopWithoutTheJournal loses the journal while a page is open and an entry is
// on its way. The watch ends, nobody is told that the entry is stored, and nothing
// is left behind once the desk has given up.
func TestStopWithoutTheJournal(t *testing.T) {
	before := runtime.NumGoroutine()
	a, err := Start(t.Context(), Options{Config: shopOf(t, 1)})
	fail(t, err)
	fail(t, a.Settle(deadline(t)))
	readUntil(t, bufio.NewReader(screens(t, a, 1)[0]), "event: beat")
	fail(t, a.bus.Close(deadline(t)))
	body := `{"id": "` + uuid.NewString() + `", "action": "round-lip", "by": "Ada"}`
	response, err := http.Post(a.URL()+"/api/v1/machines/north/m0/entries", "application/json", strings.NewReader(body))
	if err == nil {
		response.Body.Close()
		if response.StatusCode != http.StatusServiceUnavailable {
			t.Errorf("an entry that cannot be stored is answered with %s", response.Status)
		}
	}
	if err := a.Stop(); err == nil || errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the stop says %v, want what was wrong with the journal", err)
	}
	leftBehind(t, before)
}

// leftBehind waits until no more goroutines run than before.
func leftBehind(t *testing.T, before int) {
	t.Helper()
	http.DefaultClient.CloseIdleConnections()
	for end := time.Now().Add(20 * time.Second); runtime.NumGoroutine() > before; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			stacks := make([]byte, 1<<20)
			t.Fatalf("%d goroutines are left, and %d were there before:\n%s", runtime.NumGoroutine(), before, stacks[:runtime.Stack(stacks, true)])
		}
	}
}
