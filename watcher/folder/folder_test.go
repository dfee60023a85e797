package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// inBubble runs a test on a clock of its own.
func inBubble(t *testing.T, test func(t *testing.T, r *rig)) {
	t.Helper()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		test(t, newRigIn(t, dir))
	})
}

// rest lets time pass on the test's clock until the watcher is at rest again.
// A test that acted in the same instant as the watcher would race with it.
func rest(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func TestFileIsTakenOnceItIsQuiet(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.put("order.xjdf", "good one\n")
		r.start()
		defer func() { r.stop() }()
		rest(1900 * time.Millisecond)
		r.add("order.xjdf", "end\n")
		rest(1900 * time.Millisecond)
		if !r.exists("order.xjdf") {
			t.Fatal("taken 1.9 s after the last change, before the settle time of 2 s")
		}
		// One look after 2 s finds the change, the next finds it quiet.
		rest(2300 * time.Millisecond)
		if got := r.content(AcceptedDir, "order.xjdf"); got != "good one\nend\n" {
			t.Fatalf("accepted %q", got)
		}
	})
}

func TestGrowingFileIsReadAtMaxWait(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.put("order.xjdf", "good one\nend\n")
		r.start()
		defer func() { r.stop() }()
		began := time.Now()
		for r.add("order.xjdf", "more\nend\n") {
			rest(time.Second)
			if time.Since(began) > 3*time.Minute {
				t.Fatal("still waiting after 3 min, want 2 min at most")
			}
		}
		if waited := time.Since(began); waited < 2*time.Minute || waited > 2*time.Minute+2*time.Second {
			t.Fatalf("read after %s, want 2 min", waited)
		}
	})
}

func TestHalfFileWaitsForItsEnd(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.put("slow.xjdf", "good slow\n")
		r.put("dead.xjdf", "good dead\n")
		r.put("empty.json", "")
		r.start()
		defer func() { r.stop() }()
		rest(100 * time.Second)
		if n := len(r.book.attempts()); n != 0 {
			t.Fatalf("%d files were judged while they may still grow", n)
		}
		r.add("slow.xjdf", "end\n")
		rest(15 * time.Second)
		if !r.exists("dead.xjdf") || !r.exists("empty.json") {
			t.Fatal("given up before the maximum wait")
		}
		rest(10 * time.Second)
		want := map[string]string{"dead.xjdf": "good dead\n", "empty.json": ""}
		if diff := cmp.Diff(want, resting(t, r.dir, RejectedDir)); diff != "" {
			t.Error(diff)
		}
		want = map[string]string{"slow.xjdf": "good slow\nend\n"}
		rest(20 * time.Second)
		if diff := cmp.Diff(want, resting(t, r.dir, AcceptedDir)); diff != "" {
			t.Error(diff)
		}
		for _, e := range r.book.events() {
			if d, ok := e.Data.(*event.TicketRejected); ok && d.Kind != "incomplete" {
				t.Errorf("%s: kind %q, want incomplete", d.SourceFile, d.Kind)
			}
		}
	})
}

// An unreadable or unstored file that is mended after hours is a new delivery:
// it must get its own time to be written.
func TestChangeAfterLongWaitSettlesAgain(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.book.fail(func() error { return errors.New("journal is down") }, nil)
		r.put("order.xjdf", good("old"))
		r.start()
		defer func() { r.stop() }()
		rest(time.Hour)
		check(t, os.Truncate(r.path("order.xjdf"), 0))
		r.add("order.xjdf", "good new and half\n")
		r.book.fail(nil, nil)
		rest(100 * time.Second)
		r.add("order.xjdf", "end\n")
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, "good new and half\nend\n")
	})
}

func TestPublishIsRetriedForEver(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		reason := "journal is down"
		r.book.fail(func() error { return errors.New(reason) }, nil)
		r.put("a.xjdf", good("a"))
		r.put("b.xjdf", good("b"))
		r.start()
		defer func() { r.stop() }()
		rest(3 * time.Hour)
		if !r.exists("a.xjdf") || !r.exists("b.xjdf") {
			t.Fatal("a file went away before the journal had it")
		}
		tries := r.book.attempts()
		if n := len(tries); n < 200 || n > 1000 {
			t.Errorf("%d tries in 3 h for two files, want about one a minute each", n)
		}
		if n := strings.Count(r.logged.String(), "journal is down"); n != 1 {
			t.Errorf("logged %d times, want once", n)
		}
		r.book.fail(func() error { return errors.New("journal is full") }, nil)
		rest(10 * time.Minute)
		if n := strings.Count(r.logged.String(), "journal is full"); n != 1 {
			t.Errorf("new reason logged %d times, want once", n)
		}
		if diff := cmp.Diff([]Outcome{Retrying, Retrying}, r.outcomes("a.xjdf")); diff != "" {
			t.Error(diff)
		}
		r.book.fail(nil, nil)
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, good("a"), good("b"))
		if n := len(r.book.events()); n != 2 {
			t.Errorf("stored %d events, want 2", n)
		}
		if !strings.Contains(r.logged.String(), "the journal takes tickets again") {
			t.Error("the end of the trouble was not logged")
		}
	})
}

func TestUnreadableFileWaitsForItsRight(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.disk.set(func(op, name string) error {
			if op == "open" && name == "order.xjdf" {
				return syscall.EACCES
			}
			return nil
		})
		r.put("order.xjdf", good("one"))
		r.start()
		defer func() { r.stop() }()
		rest(time.Hour)
		res := r.lastResult()
		if res.Outcome != Unreadable || !strings.Contains(res.Reason, "user ") || !strings.Contains(res.Reason, "right to read") {
			t.Errorf("got %+v, want the user and the right that is missing", res)
		}
		if n := strings.Count(r.logged.String(), "permission denied"); n != 1 {
			t.Errorf("logged %d times, want once", n)
		}
		r.disk.set(nil)
		rest(30*time.Second + gather)
		audit(t, r.dir, r.book, good("one"))
	})
}

func TestFileThatCannotBeMovedIsNotPublishedAgain(t *testing.T) {
	for _, fault := range []error{syscall.EROFS, syscall.EACCES, syscall.ENOSPC, syscall.EIO} {
		for _, first := range []string{good("one"), bad("one")} {
			for _, step := range []string{"rename", "mkdir", "create"} {
				if step == "create" && strings.HasPrefix(first, "good") {
					continue // only a note is created
				}
				t.Run(fmt.Sprintf("%s %v %q", step, fault, first), func(t *testing.T) {
					inBubble(t, func(t *testing.T, r *rig) {
						r.disk.set(func(op, _ string) error {
							if op == step {
								return fault
							}
							return nil
						})
						r.put("order.xjdf", first)
						r.start()
						defer func() { r.stop() }()
						rest(time.Hour)
						if n := len(r.book.events()); n != 1 {
							t.Fatalf("published %d times, want once", n)
						}
						if diff := cmp.Diff([]Outcome{Stuck}, r.outcomes("order.xjdf")); diff != "" {
							t.Fatal(diff)
						}
						if res := r.lastResult(); !strings.Contains(res.Reason, "right to write in "+r.dir) || res.Events != 1 {
							t.Errorf("got %+v, want what to do", res)
						}
						r.disk.set(nil)
						rest(2 * time.Minute)
						audit(t, r.dir, r.book, first)
						if n := len(r.book.events()); n != 1 {
							t.Errorf("published %d times, want once", n)
						}
					})
				})
			}
		}
	}
}

func TestRejectedFileLiesBesideItsReason(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Now = func() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }
		r.put("order.xjdf", bad("one"))
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		want := `This file was not taken, and nothing in it counts.

File:     ` + r.path("order.xjdf") + `
When:     2026-03-02T08:00:00Z
Kind:     malformed
Field:    stock
Expected: a stock code
Found:    ""
Reason:   order.xjdf: stock: want a stock code, got ""

What to do next: correct what the reason names, and drop the file into ` + r.dir + ` again.
The file beside this note is the one that came; both may be deleted.
`
		if diff := cmp.Diff(want, r.content(RejectedDir, "order.xjdf.reason.txt")); diff != "" {
			t.Error(diff)
		}
		wantResult := Result{Inbox: r.o.Inboxes[0], Name: "order.xjdf", Path: "rejected/order.xjdf", Outcome: Rejected, Kind: "malformed", Events: 1,
			Reason: `order.xjdf: stock: want a stock code, got ""; correct what the reason names, and drop the file into ` + r.dir + " again."}
		if diff := cmp.Diff(wantResult, r.lastResult()); diff != "" {
			t.Error(diff)
		}
	})
}

type kindError struct{ kind string }

func (e kindError) Error() string      { return "an error of kind " + e.kind }
func (e kindError) RejectKind() string { return e.kind }

// Whatever name and error a file comes with, the event about it must be one
// that the contract's own codec takes.
func TestEveryRejectionIsAnEventOfTheContract(t *testing.T) {
	for _, tc := range []struct {
		file string
		err  error
		kind string
	}{
		{"a.xjdf", errors.New("plain"), "malformed"},
		{"a.xjdf", errors.New(""), "malformed"},
		{"a.xjdf", kindError{"forbidden"}, "forbidden"},
		{"a.xjdf", fmt.Errorf("wrapped: %w", kindError{"missing-field"}), "missing-field"},
		{"a.xjdf", kindError{"of my own invention"}, "malformed"},
		{"a.xjdf", errors.New(strings.Repeat("ä", 5000)), "malformed"},
		{"a.xjdf", errors.New("not \xff text"), "malformed"},
		{"not \xff text\n.json", errors.New("plain"), "malformed"},
		{strings.Repeat("long", 62) + ".jmf", errors.New("plain"), "malformed"},
	} {
		t.Run(tc.kind, func(t *testing.T) {
			inBubble(t, func(t *testing.T, r *rig) {
				r.o.Read = func(Inbox, string, []byte) (Reading, error) { return Reading{}, tc.err }
				r.put(tc.file, "x")
				r.start()
				defer func() { r.stop() }()
				rest(5 * time.Second)
				got := decoded(t, r.book.events())
				if len(got) != 1 || got[0].Data.(*event.TicketRejected).Kind != tc.kind {
					t.Fatalf("got %+v, want one rejection of kind %q", got, tc.kind)
				}
				if rest := resting(t, r.dir, RejectedDir); len(rest) != 1 && len(tc.file) < 200 {
					t.Errorf("rejected/ holds %v", rest)
				}
				notes, _ := filepath.Glob(r.path(RejectedDir, "*.reason.txt"))
				if len(notes) != 1 {
					t.Errorf("%d reasons, want 1", len(notes))
				}
			})
		})
	}
}

// decoded sends events through the CloudEvents codec and back.
func decoded(t *testing.T, events []event.Event) []event.Event {
	t.Helper()
	var out []event.Event
	for _, e := range events {
		data, err := event.Encode(e)
		check(t, err)
		back, err := event.Decode(event.Message{Subject: e.Subject(), Data: data})
		check(t, err)
		out = append(out, back)
	}
	return out
}

// The digest of "abc" is the example of FIPS 180-4 (NIST, "SHA-256 example,
// one-block message"): ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c
// b410ff61 f20015ad.
func TestRejectionCarriesTheDigest(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Read = func(Inbox, string, []byte) (Reading, error) { return Reading{}, errors.New("no ticket") }
		r.put("abc.json", "abc")
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
		if got := r.book.events()[0].Data.(*event.TicketRejected).SourceSHA256; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	})
}

func TestReaderThatPanicsRejectsTheFile(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Read = func(_ Inbox, _ string, data []byte) (Reading, error) {
			return Reading{}, fmt.Errorf("byte %d", data[len(data)])
		}
		r.put("order.xjdf", good("one"))
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		if res := r.lastResult(); res.Outcome != Rejected || !strings.Contains(res.Reason, "out of range") {
			t.Errorf("got %+v", res)
		}
	})
}

func TestEventsAreCompletedAndChecked(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.FixedZone("", 3600))
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Now = func() time.Time { return now }
		r.o.Inboxes[0].Machine = ""
		given := event.Event{ID: "x", Source: "/s", Type: "ticket.received", Time: now.Add(time.Hour), Site: "quay", Machine: "wren", Data: &event.TicketReceived{Job: "j"}}
		bare := event.Event{Type: "ticket.received", Data: &event.TicketReceived{Job: "j"}}
		r.o.Read = func(_ Inbox, name string, _ []byte) (Reading, error) {
			if name == "wrong.json" {
				return Reading{Events: []event.Event{{Type: "ticket.received", Data: &event.TicketReceived{}}}}, nil
			}
			if name == "silent.jmf" {
				return Reading{Note: "nothing new"}, nil
			}
			return Reading{Events: []event.Event{given, bare, bare}}, nil
		}
		r.put("order.json", "1")
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		got := r.book.events()
		if diff := cmp.Diff(given, got[0]); diff != "" {
			t.Error(diff)
		}
		bare.Source, bare.Time, bare.Site, bare.Machine = Source, now.UTC(), "north", event.AnyMachine
		for i, e := range got[1:] {
			if e.ID == "" || e.ID == got[i].ID {
				t.Errorf("event %d has id %q after %q", i+1, e.ID, got[i].ID)
			}
			e.ID = ""
			if diff := cmp.Diff(bare, e); diff != "" {
				t.Error(diff)
			}
		}
		decoded(t, got[1:])

		r.put("wrong.json", "2")
		r.put("silent.jmf", "3")
		rest(time.Minute)
		if diff := cmp.Diff([]Outcome{Accepted}, r.outcomes("silent.jmf")); diff != "" {
			t.Error(diff)
		}
		rejected := r.book.events()[3].Data.(*event.TicketRejected)
		if rejected.Kind != "bad-value" || !strings.Contains(rejected.Reason, "data.job is missing") {
			t.Errorf("got %+v", rejected)
		}
	})
}

func TestSizeLimit(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.MaxBytes = 100
		atLimit := "good " + strings.Repeat("x", 100-len("good \nend\n")) + "\nend\n"
		r.put("limit.json", atLimit)
		r.put("over.json", "x"+atLimit)
		opened := ""
		r.disk.set(func(op, name string) error {
			if op == "open" && strings.Contains(name, "over") {
				opened = name
			}
			return nil
		})
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		if opened != "" {
			t.Errorf("%s was opened although it is too large", opened)
		}
		if diff := cmp.Diff(map[string]string{"limit.json": atLimit}, resting(t, r.dir, AcceptedDir)); diff != "" {
			t.Error(diff)
		}
		if note := r.content(RejectedDir, "over.json.reason.txt"); !strings.Contains(note, "Expected: at most 100 bytes\nFound:    101 bytes\n") {
			t.Errorf("note %q", note)
		}
	})
}

// A file that grows past the limit between the look and the reading must not
// be read to its end.
func TestSizeLimitWhileReading(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.MaxBytes = 1000
		r.put("order.json", good("one"))
		grown, bytesRead := false, 0
		r.disk.set(func(op, name string) error {
			if op != "read" || name != "order.json" {
				return nil
			}
			if bytesRead++; !grown {
				grown = true
				r.add("order.json", strings.Repeat("x", 1<<20))
			}
			return nil
		})
		r.start()
		defer func() { r.stop() }()
		rest(3 * time.Second)
		if !grown || bytesRead > 5 {
			t.Errorf("grown %v, %d reads; want a few reads up to 1001 bytes", grown, bytesRead)
		}
		rest(5 * time.Minute)
		if res := r.lastResult(); res.Kind != "too-large" {
			t.Errorf("got %+v, want it rejected as too large", res)
		}
	})
}

// A file that the disk cannot even describe must not stop the others.
func TestOneBrokenFileDoesNotHoldUpTheRest(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.disk.set(func(op, name string) error {
			if op == "lstat" && name == "a broken.xjdf" {
				return syscall.EIO
			}
			return nil
		})
		r.put("a broken.xjdf", good("broken"))
		r.put("order.xjdf", good("one"))
		r.start()
		defer func() { r.stop() }()
		rest(time.Hour)
		if !r.exists(AcceptedDir, "order.xjdf") {
			t.Error("the whole file was not taken")
		}
		if n := strings.Count(r.logged.String(), "trouble with a ticket folder"); n != 1 {
			t.Errorf("logged %d times, want once", n)
		}
		r.disk.set(nil)
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, good("broken"), good("one"))
	})
}

func TestShortReadIsTriedAgain(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.disk.short = true
		r.put("order.json", good("one"))
		r.start()
		rest(10 * time.Minute)
		if res := r.lastResult(); res.Outcome != Unreadable || len(r.book.events()) != 0 {
			t.Errorf("got %+v, want it unreadable and nothing published", res)
		}
		r.stop()
		r.disk.short = false
		r.start()
		defer func() { r.stop() }()
		rest(10 * time.Second)
		audit(t, r.dir, r.book, good("one"))
	})
}

// A file that is rewritten while it is read gives a text that nobody wrote. It
// may look whole, but the journal must never see it.
func TestTornReadingIsNotPublished(t *testing.T) {
	line := func(c string) string { return "good " + strings.Repeat(c, 300_000) + "\nend\n" }
	inBubble(t, func(t *testing.T, r *rig) {
		r.put("order.json", line("a"))
		reads := 0
		r.disk.set(func(op, name string) error {
			if op == "read" && name == "order.json" {
				if reads++; reads == 2 {
					r.put("order.json", line("b"))
				}
			}
			return nil
		})
		r.o.Read = func(_ Inbox, _ string, data []byte) (Reading, error) {
			return Reading{Events: []event.Event{{Type: "ticket.received", Data: &event.TicketReceived{Job: "j", SourceSHA256: sha(string(data))}}}}, nil
		}
		// One step of the disk gives at most this much, as a slow share does.
		r.disk.chunk = 100_000
		r.start()
		defer func() { r.stop() }()
		rest(time.Minute)
		if reads < 4 {
			t.Fatalf("only %d reads, so nothing was torn", reads)
		}
		audit(t, r.dir, r.book, line("b"))
		for sum := range r.book.ids() {
			if sum != sha(line("a")) && sum != sha(line("b")) {
				t.Error("the journal holds a text that nobody wrote")
			}
		}
	})
}

// What a crash left in the taking folder, and cannot be put back yet, must not
// be overwritten by a new file of its name.
func TestHeldFileIsNotOverwritten(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		check(t, os.Mkdir(r.path(takingDir), 0o755))
		r.put(takingDir+"/order.xjdf", good("old"))
		r.put("order.xjdf", good("new"))
		r.disk.set(func(op, name string) error {
			if op == "rename" && strings.HasPrefix(name, takingDir) {
				return syscall.EIO
			}
			return nil
		})
		r.start()
		defer func() { r.stop() }()
		rest(10 * time.Minute)
		if len(r.book.events()) != 1 {
			t.Errorf("%d events, want the new file's while the old one is held", len(r.book.events()))
		}
		r.disk.set(nil)
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, good("old"), good("new"))
	})
}

func TestNames(t *testing.T) {
	for name, want := range map[string]bool{
		"a.xjdf": true, "a.jdf": true, "a.json": true, "a.xjmf": true, "a.jmf": true, "a.zip": true,
		"A.XJDF": true, "a b ü.Json": true, "a.tar.zip": true,
		".a.xjdf": false, "~$a.json": false, "a.xjdf~": false, "a.xjdf.tmp": false, "a.xjdf.part": false,
		"a.tmp": false, "a": false, "": false, "xjdf": false, "a.xml": false, "a.xjdf.reason.txt": false, ".xjdf": false,
	} {
		if got := isTicket(name); got != want {
			t.Errorf("isTicket(%q) = %v, want %v", name, got, want)
		}
	}
}

func TestUnfinishedNamesAndFoldersAreLeftAlone(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		names := []string{".a.xjdf", "~$a.json", "a.xjdf~", "a.xjdf.tmp", "a.xjdf.part", "notes.txt"}
		for _, name := range names {
			r.put(name, good(name))
		}
		check(t, os.MkdirAll(r.path("sub.xjdf"), 0o755))
		r.put("sub.xjdf/inner.xjdf", good("inner"))
		r.start()
		defer func() { r.stop() }()
		rest(10 * time.Minute)
		for _, name := range append(names, "sub.xjdf/inner.xjdf") {
			if !r.exists(name) {
				t.Errorf("%s was taken", name)
			}
		}
		check(t, os.Rename(r.path("a.xjdf.part"), r.path("a.xjdf")))
		rest(time.Minute)
		if !r.exists(AcceptedDir, "a.xjdf") {
			t.Error("not taken after its writer renamed it")
		}
	})
}

func TestLinksAreRefusedAndNeverFollowed(t *testing.T) {
	outside := t.TempDir()
	secret := filepath.Join(outside, "secret.xjdf")
	check(t, os.WriteFile(secret, []byte(good("secret")), 0o644))
	inBubble(t, func(t *testing.T, r *rig) {
		check(t, os.Symlink(secret, r.path("away.xjdf")))
		check(t, os.Symlink("nowhere", r.path("dangling.json")))
		check(t, os.Symlink(outside, r.path("folder.zip")))
		check(t, syscall.Mkfifo(r.path("pipe.jmf"), 0o644))
		r.start()
		defer func() { r.stop() }()
		rest(10 * time.Second)
		for name, kind := range map[string]fs.FileMode{"away.xjdf": fs.ModeSymlink, "dangling.json": fs.ModeSymlink, "folder.zip": fs.ModeSymlink, "pipe.jmf": fs.ModeNamedPipe} {
			info, err := os.Lstat(r.path(RejectedDir, name))
			if err != nil || info.Mode().Type() != kind {
				t.Errorf("%s: %v, %v; want it moved as it was", name, info, err)
			}
			if note := r.content(RejectedDir, name+".reason.txt"); !strings.Contains(note, "Kind:     forbidden") || strings.Contains(note, "secret") {
				t.Errorf("note of %s: %q", name, note)
			}
		}
		for _, e := range r.book.events() {
			if d := e.Data.(*event.TicketRejected); d.Kind != "forbidden" || d.SourceSHA256 != "" {
				t.Errorf("got %+v", d)
			}
		}
		if got, err := os.ReadFile(secret); err != nil || string(got) != good("secret") {
			t.Error("the target of the link was touched")
		}
	})
}

func TestFileSwappedForALinkIsNotFollowed(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "secret.xjdf")
	check(t, os.WriteFile(outside, []byte(good("secret")), 0o644))
	for _, target := range []string{outside, "hidden.txt"} {
		inBubble(t, func(t *testing.T, r *rig) {
			r.put("hidden.txt", good("hidden"))
			r.put("order.xjdf", good("hidder"))
			r.disk.set(func(op, name string) error {
				if op == "open" && name == "order.xjdf" {
					r.disk.set(nil)
					check(t, os.Remove(r.path("order.xjdf")))
					check(t, os.Symlink(target, r.path("order.xjdf")))
				}
				return nil
			})
			r.start()
			defer func() { r.stop() }()
			rest(time.Minute)
			for _, e := range r.book.events() {
				if e.Type != "ticket.rejected" {
					t.Errorf("%+v was read through a link to %s", e.Data, target)
				}
			}
			// Not even a byte: behind the link might be a pipe that never ends.
			for _, step := range r.disk.steps() {
				if step == "read order.xjdf" {
					t.Errorf("something was read through a link to %s", target)
				}
			}
			if !r.exists(RejectedDir, "order.xjdf") {
				t.Error("the link was not refused")
			}
		})
	}
}

func TestAcceptedFolderThatLeadsOutIsRefused(t *testing.T) {
	outside := t.TempDir()
	inBubble(t, func(t *testing.T, r *rig) {
		check(t, os.Symlink(outside, r.path(AcceptedDir)))
		r.put("order.xjdf", good("one"))
		r.start()
		defer func() { r.stop() }()
		rest(time.Minute)
		if res := r.lastResult(); res.Outcome != Stuck || !strings.Contains(res.Reason, "accepted is not a folder") {
			t.Errorf("got %+v", res)
		}
		if entries, _ := os.ReadDir(outside); len(entries) != 0 {
			t.Errorf("%v was written outside the inbox", entries)
		}
		check(t, os.Remove(r.path(AcceptedDir)))
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, good("one"))
	})
}

func TestSameNameKeepsBothAndFoldsOne(t *testing.T) {
	long := strings.Repeat("ä", 124) + ".json" // 253 bytes, no room for a mark
	inBubble(t, func(t *testing.T, r *rig) {
		for i, content := range []string{good("one"), good("two"), good("one"), good("two"), bad("one"), bad("two"), bad("one")} {
			r.put("order.xjdf", content)
			r.put(long, content+"longer\nend\n")
			if i == 0 {
				r.start()
				defer func() { r.stop() }()
			}
			rest(time.Minute)
		}
		audit(t, r.dir, r.book, good("one"), good("two"), bad("one"), bad("two"))
		if got := r.content(AcceptedDir, "order~"+sha(good("two"))[:12]+".xjdf"); got != good("two") {
			t.Errorf("got %q", got)
		}
		if got := len(resting(t, r.dir, AcceptedDir)); got != 4 {
			t.Errorf("accepted/ holds %d files, want 4", got)
		}
	})
}

func TestMoveToAnotherFileSystem(t *testing.T) {
	for _, first := range []string{good("one"), bad("one")} {
		inBubble(t, func(t *testing.T, r *rig) {
			r.disk.apart = true
			full := true
			r.disk.set(func(op, name string) error {
				if full && op == "write" {
					return syscall.ENOSPC
				}
				return nil
			})
			r.put("order.xjdf", first)
			check(t, os.Chmod(r.path("order.xjdf"), 0o640))
			was, err := os.Stat(r.path("order.xjdf"))
			check(t, err)
			r.start()
			defer func() { r.stop() }()
			rest(time.Hour)
			if res := r.lastResult(); res.Outcome != Stuck || !strings.Contains(res.Reason, "no space left on device") {
				t.Errorf("got %+v", res)
			}
			if !r.exists("order.xjdf") || len(resting(t, r.dir, AcceptedDir))+len(resting(t, r.dir, RejectedDir)) != 0 {
				t.Fatal("want the file in the inbox and no part of it elsewhere")
			}
			r.disk.do(func() { full = false })
			rest(2 * time.Minute)
			audit(t, r.dir, r.book, first)
			is, err := os.Stat(r.path(r.lastResult().Path))
			check(t, err)
			if is.Mode() != was.Mode() || !is.ModTime().Equal(was.ModTime()) {
				t.Errorf("the copy has %v %v, want %v %v", is.Mode(), is.ModTime(), was.Mode(), was.ModTime())
			}
		})
	}
}

func TestShortCopyIsNoCopy(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.disk.apart = true
		r.disk.set(func(op, name string) error {
			r.disk.short = op == "read" && strings.HasPrefix(name, takingDir)
			return nil
		})
		r.put("order.xjdf", good("one"))
		r.start()
		defer func() { r.stop() }()
		rest(10 * time.Minute)
		if res := r.lastResult(); res.Outcome != Stuck || r.exists(AcceptedDir, "order.xjdf") {
			t.Errorf("got %+v, want it stuck in the inbox", res)
		}
		r.disk.set(func(string, string) error { r.disk.short = false; return nil })
		rest(2 * time.Minute)
		audit(t, r.dir, r.book, good("one"))
	})
}

// The copy must be on the disk before the original goes: rename(2) and
// fsync(2) of the Linux manual leave the order to the caller.
func TestCopyIsFlushedBeforeTheOriginalGoes(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.disk.apart = true
		r.put("order.xjdf", good("one"))
		r.start()
		rest(10 * time.Second)
		r.stop()
		order := []string{"write accepted/.incoming", "sync accepted/.incoming", "rename accepted/.incoming accepted/order.xjdf", "sync accepted", "remove .taking/order.xjdf", "sync accepted", "sync ."}
		for _, line := range r.disk.steps() {
			if len(order) > 0 && line == order[0] {
				order = order[1:]
			}
		}
		if len(order) > 0 {
			t.Errorf("steps missing or out of order from %q in\n%s", order[0], strings.Join(r.disk.steps(), "\n"))
		}
	})
}

func TestFolderThatIsMissing(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		check(t, os.Remove(r.dir))
		r.start()
		defer func() { r.stop() }()
		rest(time.Hour)
		if n := strings.Count(r.logged.String(), "make the folder"); n != 1 {
			t.Errorf("logged %d times, want once", n)
		}
		check(t, os.Mkdir(r.dir, 0o755))
		r.put("order.xjdf", good("one"))
		rest(time.Minute)
		audit(t, r.dir, r.book, good("one"))
		if !strings.Contains(r.logged.String(), "in order again") {
			t.Error("the end of the trouble was not logged")
		}
	})
}

// fakeNotifier is a notifier whose channels the test holds.
func fakeNotifier(add func(string) error) (*notifier, chan fsnotify.Event, chan error) {
	events, faults := make(chan fsnotify.Event), make(chan error)
	return &notifier{events: events, errors: faults, add: add, close: func() error {
		close(events)
		close(faults)
		return nil
	}}, events, faults
}

// TestTroubleAndItsEnd: whoever shows why tickets wait is told once for each reason, and
// that none waits any more, also when somebody takes the file away.
func TestTroubleAndItsEnd(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		var told []string
		r.o.Trouble = func(in Inbox, why string) { told = append(told, in.Machine+": "+why) }
		r.disk.set(func(op, name string) error {
			if op == "read" && name == "two.xjdf" || op == "rename" {
				return syscall.EROFS
			}
			return nil
		})
		r.put("one.xjdf", good("one"))
		r.put("two.xjdf", good("two"))
		r.start()
		rest(time.Hour)
		check(t, os.Remove(filepath.Join(r.dir, "one.xjdf")))
		rest(time.Hour)
		r.disk.set(nil)
		rest(time.Hour)
		check(t, os.RemoveAll(r.dir))
		rest(time.Hour)
		check(t, os.MkdirAll(r.dir, 0o755))
		rest(time.Hour)
		r.stop()
		want := []string{"heron: one.xjdf: stuck", "heron: two.xjdf: unreadable", "heron: ", "heron: cannot open", "heron: "}
		if len(told) != len(want) {
			t.Fatalf("got %q", told)
		}
		for i := range want {
			if !strings.HasPrefix(told[i], want[i]) || (told[i] == "heron: ") != (want[i] == "heron: ") {
				t.Errorf("want %q, got %q", want[i], told[i])
			}
		}
	})
}

func TestHintsLeadToScans(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Poll = time.Hour
		n, events, faults := fakeNotifier(func(string) error { return nil })
		r.notify = func() (*notifier, error) { return n, nil }
		r.start()
		defer func() { r.stop() }()
		rest(time.Minute)

		r.put("a.xjdf", good("a"))
		rest(time.Minute)
		if !r.exists("a.xjdf") {
			t.Fatal("taken without any hint and before the poll")
		}
		events <- fsnotify.Event{Name: r.path("a.xjdf"), Op: fsnotify.Create}
		rest(2*time.Second + 2*gather)
		if !r.exists(AcceptedDir, "a.xjdf") {
			t.Error("not taken after a notification")
		}

		r.put("b.xjdf", good("b"))
		// More errors than any buffer would hold: they must all be read.
		for range 100 {
			faults <- fsnotify.ErrEventOverflow
		}
		rest(2*time.Second + 2*gather)
		if !r.exists(AcceptedDir, "b.xjdf") {
			t.Error("not taken after an overflow")
		}

		r.disk.set(func(op, name string) error {
			if op == "open" && name == "locked.xjdf" {
				return syscall.EACCES
			}
			return nil
		})
		r.put("locked.xjdf", good("locked"))
		events <- fsnotify.Event{Name: r.path("locked.xjdf"), Op: fsnotify.Create}
		rest(time.Minute)
		r.disk.set(nil)
		events <- fsnotify.Event{Name: r.path("locked.xjdf"), Op: fsnotify.Chmod}
		rest(2 * gather)
		if !r.exists(AcceptedDir, "locked.xjdf") {
			t.Error("not taken as soon as it was readable")
		}
		rest(time.Minute)

		before := r.disk.count()
		events <- fsnotify.Event{Name: r.path("c.xjdf.part"), Op: fsnotify.Write}
		rest(time.Minute)
		if r.disk.count() != before {
			t.Error("a half-written name led to a scan")
		}
		events <- fsnotify.Event{Name: r.dir + "/", Op: fsnotify.Remove}
		rest(time.Minute)
		if r.disk.count() == before {
			t.Error("the end of the folder led to no scan")
		}
	})
}

// A file that comes just before the folder is followed gives no notification,
// so the look at the folder has to come after.
func TestFileBeforeTheFirstNotificationIsSeen(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		r.o.Poll = time.Hour
		dropped := false
		n, _, _ := fakeNotifier(func(string) error {
			if !dropped {
				dropped = true
				r.put("order.xjdf", good("one"))
			}
			return nil
		})
		r.notify = func() (*notifier, error) { return n, nil }
		r.start()
		defer func() { r.stop() }()
		rest(5 * time.Second)
		audit(t, r.dir, r.book, good("one"))
	})
}

func TestMissingFolderIsAwaitedInItsParent(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		check(t, os.Remove(r.dir))
		r.o.Poll = time.Hour
		var followed sync.Map
		n, events, _ := fakeNotifier(func(dir string) error {
			followed.Store(dir, true)
			_, err := os.Stat(dir)
			return err
		})
		r.notify = func() (*notifier, error) { return n, nil }
		r.start()
		defer func() { r.stop() }()
		rest(100 * time.Millisecond)
		if _, ok := followed.Load(filepath.Dir(r.dir)); !ok {
			t.Error("the parent is not followed while the folder is missing")
		}
		// Until the waits between tries have grown to a minute.
		rest(30 * time.Minute)
		check(t, os.Mkdir(r.dir, 0o755))
		r.put("order.xjdf", good("one"))
		events <- fsnotify.Event{Name: r.dir, Op: fsnotify.Create}
		rest(2*time.Second + 2*gather)
		audit(t, r.dir, r.book, good("one"))
	})
}

// ENOSPC from inotify_add_watch means that fs.inotify.max_user_watches is
// reached, EMFILE from inotify_init1 that max_user_instances is (Linux manual,
// inotify(7)). The names are held against the running kernel.
func TestNotificationLimitsNameTheirSetting(t *testing.T) {
	for _, tc := range []struct {
		name     string
		setting  string
		init     error
		addWatch error
	}{
		{"watches", "max_user_watches", nil, syscall.ENOSPC},
		{"instances", "max_user_instances", syscall.EMFILE, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := os.Stat("/proc/sys/fs/inotify/" + tc.setting); err != nil {
				t.Errorf("the kernel has no such setting: %v", err)
			}
			inBubble(t, func(t *testing.T, r *rig) {
				var raised atomic.Bool
				until := func(err error) error {
					if raised.Load() {
						return nil
					}
					return err
				}
				n, _, _ := fakeNotifier(func(string) error { return until(tc.addWatch) })
				r.notify = func() (*notifier, error) { return n, until(tc.init) }
				r.put("order.xjdf", good("one"))
				r.start()
				defer func() { r.stop() }()
				rest(time.Hour)
				audit(t, r.dir, r.book, good("one"))
				if n := strings.Count(r.logged.String(), "sysctl fs.inotify."+tc.setting); n != 1 {
					t.Errorf("the setting is named %d times, want once", n)
				}
				raised.Store(true)
				rest(time.Minute)
				if !strings.Contains(r.logged.String(), "notifications work again") {
					t.Error("the end of the trouble was not logged")
				}
			})
		})
	}
}

func TestOptionsThatCannotWork(t *testing.T) {
	ok := func() Options { return newRig(t).o }
	for want, spoil := range map[string]func(*Options){
		"Read and Publish":          func(o *Options) { o.Read = nil },
		"Publish must be set":       func(o *Options) { o.Publish = nil },
		"Settle: want a positive":   func(o *Options) { o.Settle = -1 },
		"MaxWait: want a positive":  func(o *Options) { o.MaxWait = -1 },
		"Poll: want a positive":     func(o *Options) { o.Poll = -1 },
		"MaxBytes: want a positive": func(o *Options) { o.MaxBytes = -1 },
		"at least one folder":       func(o *Options) { o.Inboxes = nil },
		"has no path":               func(o *Options) { o.Inboxes[0].Dir = "" },
		"site of":                   func(o *Options) { o.Inboxes[0].Site = "" },
		"machine of":                func(o *Options) { o.Inboxes[0].Machine = "a.b" },
		"listed twice":              func(o *Options) { o.Inboxes = append(o.Inboxes, Inbox{Dir: o.Inboxes[0].Dir + "/", Site: "north"}) },
		"where": func(o *Options) {
			o.Inboxes = append(o.Inboxes, Inbox{Dir: o.Inboxes[0].Dir + "/accepted", Site: "north"})
		},
	} {
		o := ok()
		spoil(&o)
		if err := Watch(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want an error with %q", err, want)
		}
	}
}

// A flood of files in one folder holds up the ticket of another machine for a
// moment, and not until its end.
func TestAFloodHoldsUpNoOtherFolder(t *testing.T) {
	dir := t.TempDir()
	flooded, other := filepath.Join(dir, "flooded"), filepath.Join(dir, "other")
	for _, d := range []string{flooded, other} {
		check(t, os.Mkdir(d, 0o755))
	}
	for i := range 60 {
		check(t, os.WriteFile(filepath.Join(flooded, fmt.Sprintf("%02d.json", i)), []byte("{}"), 0o644))
	}
	check(t, os.WriteFile(filepath.Join(other, "urgent.json"), []byte("{}"), 0o644))
	synctest.Test(t, func(t *testing.T) {
		var stored []string
		ctx, stop := context.WithCancel(t.Context())
		o := Options{
			Inboxes: []Inbox{{Dir: flooded, Site: "north", Machine: "heron"}, {Dir: other, Site: "north", Machine: "wren"}},
			Log:     zerolog.Nop(),
			Read: func(_ Inbox, name string, _ []byte) (Reading, error) {
				return Reading{Events: []event.Event{{ID: name, Type: "ticket.withdrawn", Data: &event.TicketWithdrawn{Job: name}}}}, nil
			},
			Publish: func(_ context.Context, events ...event.Event) error {
				time.Sleep(100 * time.Millisecond)
				if stored = append(stored, events[0].ID); len(stored) == 61 {
					stop()
				}
				return nil
			},
		}
		w, err := newWatcher(o)
		check(t, err)
		w.hints.open = func() (*notifier, error) { return nil, errors.New("no notifications in this test") }
		w.run(ctx)
		if at := slices.Index(stored, "urgent.json"); at < 0 || at > 15 {
			t.Errorf("the other folder's file came %d files later", at)
		}
	})
}

// flood puts so many files there, which have waited for the watch to start.
func (r *rig) flood(files int) {
	r.t.Helper()
	for i := range files {
		r.put(fmt.Sprintf("%02d.json", i), good(strconv.Itoa(i)))
	}
	time.Sleep(time.Hour)
}

// A look at a flooded folder is long, so its files are taken through many turns
// between two looks, and what changed in the meantime is still taken as it is.
func TestAFloodIsLookedAtATenthOfTheTime(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		const files, look, store = 60, 10 * time.Millisecond, 500 * time.Millisecond
		r.flood(files)
		began := time.Now()
		var looks int
		r.disk.set(func(op, name string) error {
			if op == "readdir" && name == "." {
				looks++
				time.Sleep(files * look)
			}
			return nil
		})
		r.book.fail(func() error {
			if time.Sleep(store); len(r.book.stored) == files/2 {
				r.put("58.json", good("fifty-eight"))
				check(t, os.Remove(r.path("59.json")))
			}
			return nil
		}, nil)
		r.start()
		for r.exists("58.json") || r.exists("57.json") {
			rest(time.Second)
		}
		took := time.Since(began)
		r.stop()
		if most := 2 + int(took/(10*files*look)); looks > most {
			t.Errorf("%d looks of %s in %s: want at most %d", looks, files*look, took, most)
		}
		if got := r.content(AcceptedDir, "58.json"); got != good("fifty-eight") {
			t.Errorf("what changed while it waited was taken as %q", got)
		}
		if got := len(r.book.events()); got != files-1 {
			t.Errorf("%d files stored, want all but the one that went", got)
		}
	})
}

// A file that cannot be looked at is told of once, and its end once, also when a flood
// is taken through many turns between two looks.
func TestAFloodRepeatsNoTrouble(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		const files = 60
		r.flood(files)
		var told []string
		r.o.Trouble = func(_ Inbox, why string) { told = append(told, why) }
		r.disk.set(func(op, name string) error {
			if op == "readdir" && name == "." {
				time.Sleep(time.Second)
			}
			if op == "lstat" && name == "30.json" && len(r.book.stored) < files/2 {
				return syscall.EIO
			}
			return nil
		})
		r.book.fail(func() error { time.Sleep(500 * time.Millisecond); return nil }, nil)
		r.start()
		rest(time.Hour)
		r.stop()
		if len(told) != 2 || !strings.Contains(told[0], "30.json") || told[1] != "" {
			t.Errorf("told %q, want the trouble and its end", told)
		}
		if got := len(r.book.events()); got != files {
			t.Errorf("%d files stored, want %d", got, files)
		}
		if n := strings.Count(r.logged.String(), "trouble with a ticket folder"); n != 1 {
			t.Errorf("logged %d times, want once", n)
		}
	})
}

// A ticket that has waited for its turn in a flood for longer than MaxWait, and is then
// written anew in place, has its own time to be written.
func TestAFloodCostsNobodyTimeToWrite(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		const files = 60
		r.flood(files)
		r.disk.set(func(op, name string) error {
			if op == "readdir" && name == "." {
				time.Sleep(time.Second)
			}
			return nil
		})
		r.book.fail(func() error {
			if time.Sleep(5 * time.Second); len(r.book.stored) == 58 { // nearly 5 min in
				check(t, os.WriteFile(r.path("59.json"), []byte("good new and half\n"), 0o644))
			}
			return nil
		}, nil)
		r.start()
		for r.exists("58.json") {
			rest(time.Second)
		}
		rest(10 * time.Second)
		r.add("59.json", "end\n")
		rest(time.Minute)
		r.stop()
		if got := r.content(AcceptedDir, "59.json"); got != "good new and half\nend\n" {
			t.Errorf("accepted %q, rejected %q", got, resting(t, r.dir, RejectedDir))
		}
	})
}
