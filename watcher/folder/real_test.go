package folder

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
)

// realRig watches a real folder with real notifications on the real clock,
// through the package's front door. The poll is far off, so that only
// notifications can be what wakes it.
func realRig(t *testing.T) *rig {
	r := newRig(t)
	r.o.Settle = 50 * time.Millisecond
	r.o.Poll = time.Hour
	return r
}

func (r *rig) watch(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan error)
	go func() { done <- Watch(ctx, r.o) }()
	return func() {
		r.t.Helper()
		cancel()
		check(r.t, <-done)
	}
}

// eventually waits for something that must happen, up to a generous limit.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("waited a minute for %s", what)
		}
	}
}

func (r *rig) eventuallyAccepted(name string) {
	r.t.Helper()
	eventually(r.t.(*testing.T), name+" in accepted/", func() bool { return r.exists(AcceptedDir, name) })
}

func TestRealDrop(t *testing.T) {
	r := realRig(t)
	r.put("before.xjdf", good("before"))
	stop := r.watch(t.Context())
	r.eventuallyAccepted("before.xjdf")
	r.put("after.json", good("after"))
	r.eventuallyAccepted("after.json")
	r.put("wrong.zip", bad("wrong"))
	eventually(t, "the reason", func() bool { return r.exists(RejectedDir, "wrong.zip") })
	stop()
	audit(t, r.dir, r.book, good("before"), good("after"), bad("wrong"))
}

func TestRealHalfWrittenInChunks(t *testing.T) {
	r := realRig(t)
	stop := r.watch(t.Context())
	whole := "good chunks\n" + strings.Repeat("a line of the ticket\n", 20) + "end\n"
	r.put("order.xjdf", "")
	for rest := whole; rest != ""; {
		n := min(40, len(rest))
		if !r.add("order.xjdf", rest[:n]) {
			t.Fatal("taken before it was whole")
		}
		rest = rest[n:]
		time.Sleep(15 * time.Millisecond)
	}
	r.eventuallyAccepted("order.xjdf")
	stop()
	audit(t, r.dir, r.book, whole)
}

func TestRealRenameIntoPlace(t *testing.T) {
	r := realRig(t)
	stop := r.watch(t.Context())
	for i := range 20 {
		r.swap("order.xjdf", good(fmt.Sprint(i)))
		time.Sleep(10 * time.Millisecond)
	}
	r.swap("last.xjdf", good("last"))
	r.eventuallyAccepted("last.xjdf")
	eventually(t, "an empty inbox", func() bool { return !r.exists("order.xjdf") })
	stop()
	audit(t, r.dir, r.book, good("19"), good("last"))
}

func TestRealDuplicates(t *testing.T) {
	r := realRig(t)
	stop := r.watch(t.Context())
	for range 3 {
		r.put("order.xjdf", good("one"))
		r.put("copy of order.xjdf", good("one"))
		eventually(t, "an empty inbox", func() bool { return !r.exists("order.xjdf") && !r.exists("copy of order.xjdf") })
	}
	r.eventuallyAccepted("order.xjdf")
	r.eventuallyAccepted("copy of order.xjdf")
	stop()
	if got := resting(t, r.dir, AcceptedDir); len(got) != 2 {
		t.Errorf("accepted/ holds %v, want one file for each name", got)
	}
	if ids := r.book.ids()[sha(good("one"))]; len(ids) != 1 {
		t.Errorf("published under %d ids, want 1", len(ids))
	}
}

func TestRealFolderComesBack(t *testing.T) {
	for what, vanish := range map[string]func(r *rig) error{
		"deleted": func(r *rig) error { return os.RemoveAll(r.dir) },
		"renamed": func(r *rig) error { return os.Rename(r.dir, r.dir+".old") },
	} {
		for _, gap := range []time.Duration{0, 300 * time.Millisecond} {
			t.Run(fmt.Sprint(what, gap), func(t *testing.T) {
				r := realRig(t)
				stop := r.watch(t.Context())
				r.put("first.xjdf", good("first"))
				r.eventuallyAccepted("first.xjdf")
				check(t, vanish(r))
				time.Sleep(gap)
				check(t, os.Mkdir(r.dir, 0o755))
				r.put("second.xjdf", good("second"))
				r.eventuallyAccepted("second.xjdf")
				// The third shows that the new folder is followed by itself.
				r.put("third.xjdf", good("third"))
				r.eventuallyAccepted("third.xjdf")
				stop()
				audit(t, r.dir, r.book, good("second"), good("third"))
			})
		}
	}
}

func TestRealManyAtOnce(t *testing.T) {
	r := realRig(t)
	stop := r.watch(t.Context())
	var must []string
	for i := range 2000 {
		must = append(must, good(fmt.Sprint(i)))
		r.put(fmt.Sprintf("order-%d.xjdf", i), must[i])
	}
	eventually(t, "2000 files", func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return len(r.results) >= 2000
	})
	stop()
	audit(t, r.dir, r.book, must...)
	if n := len(r.book.events()); n != 2000 {
		t.Errorf("%d events, want 2000", n)
	}
}

func TestRealPollAlone(t *testing.T) {
	r := newRig(t)
	r.o.Settle, r.o.Poll = 50*time.Millisecond, 100*time.Millisecond
	r.start()
	time.Sleep(200 * time.Millisecond)
	r.put("order.xjdf", good("one"))
	r.eventuallyAccepted("order.xjdf")
	r.stop()
	audit(t, r.dir, r.book, good("one"))
}

func TestRealRestartBetweenPublishAndMove(t *testing.T) {
	r := realRig(t)
	ctx, cancel := context.WithCancel(t.Context())
	stored := make(chan struct{})
	r.book.fail(nil, func() error {
		cancel()
		close(stored)
		return errors.New("the answer came after the end")
	})
	r.put("order.xjdf", good("one"))
	stop := r.watch(ctx)
	<-stored
	stop()
	if !r.exists("order.xjdf") {
		t.Fatal("moved although the journal's answer was an error")
	}
	r.book.fail(nil, nil)
	stop = r.watch(t.Context())
	r.eventuallyAccepted("order.xjdf")
	stop()
	audit(t, r.dir, r.book, good("one"))
	if n := len(r.book.events()); n != 2 {
		t.Errorf("published %d times, want 2", n)
	}
}

// BenchmarkScanIdle is one scan of 10 000 tickets that wait and have not
// changed, as in a folder whose files nobody may read.
func BenchmarkScanIdle(b *testing.B) {
	r := newRig(b)
	for i := range 10_000 {
		check(b, os.WriteFile(r.path(fmt.Sprintf("order-%05d.xjdf", i)), []byte(good(fmt.Sprint(i))), 0o644))
	}
	r.o.Settle = time.Hour
	r.o.MaxWait = time.Hour
	w, err := newWatcher(r.o)
	check(b, err)
	w.scan(b.Context())
	for b.Loop() {
		w.scan(b.Context())
	}
	if n := len(w.inboxes[0].files); n != 10_000 {
		b.Fatalf("%d files are known, want 10 000", n)
	}
}
