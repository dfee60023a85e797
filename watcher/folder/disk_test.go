package folder

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

var errCrash = errors.New("the machine went down")

// flaky is the real disk behind a door at which a test may fail a step, change
// the folder in the middle of one, or pull the plug.
//
// A hook runs in the watcher's goroutine and may change the fields freely. The
// test itself changes them, and what its hooks share with it, in do.
type flaky struct {
	hook   sync.Mutex                  // held while a step begins
	mu     sync.Mutex                  // guards before, ops and log
	before func(op, name string) error // called before each step; nil for a healthy disk
	apart  bool                        // accepted/ and rejected/ are another file system
	short  bool                        // a file ends one byte early
	chunk  int                         // most bytes of one read; any when zero
	ops    int
	log    []string
}

// do changes the disk between two steps.
func (d *flaky) do(change func()) {
	d.hook.Lock()
	defer d.hook.Unlock()
	change()
}

// look reads a field that the test may change.
func look[T any](d *flaky, field *T) T {
	d.hook.Lock()
	defer d.hook.Unlock()
	return *field
}

func (d *flaky) count() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.ops
}

func (d *flaky) steps() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.log)
}

func (d *flaky) step(op, name string) error {
	d.hook.Lock()
	defer d.hook.Unlock()
	d.mu.Lock()
	d.ops++
	d.log = append(d.log, op+" "+name)
	before := d.before
	d.mu.Unlock()
	if before == nil {
		return nil
	}
	return before(op, name)
}

func (d *flaky) set(before func(op, name string) error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.before = before
}

func (d *flaky) open(dir string) (tree, error) {
	if err := d.step("root", dir); err != nil {
		return nil, &fs.PathError{Op: "open", Path: dir, Err: err}
	}
	t, err := openTree(dir)
	if err != nil {
		return nil, err
	}
	return &flakyTree{t, d}, nil
}

type flakyTree struct {
	tree
	d *flaky
}

func (t *flakyTree) fault(op, name string) error {
	if err := t.d.step(op, name); err != nil {
		return &fs.PathError{Op: op, Path: name, Err: err}
	}
	return nil
}

func (t *flakyTree) Lstat(name string) (fs.FileInfo, error) {
	if err := t.fault("lstat", name); err != nil {
		return nil, err
	}
	return t.tree.Lstat(name)
}

func (t *flakyTree) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	op := "open"
	if flag&os.O_CREATE != 0 {
		op = "create"
	}
	if err := t.fault(op, name); err != nil {
		return nil, err
	}
	f, err := t.tree.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return &flakyFile{f, t, name}, nil
}

func (t *flakyTree) Writable() error {
	if err := t.fault("access", "."); err != nil {
		return err
	}
	return t.tree.Writable()
}

func (t *flakyTree) Mkdir(name string, perm fs.FileMode) error {
	if err := t.fault("mkdir", name); err != nil {
		return err
	}
	return t.tree.Mkdir(name, perm)
}

func (t *flakyTree) Rename(from, to string) error {
	if err := t.fault("rename", from+" "+to); err != nil {
		return err
	}
	if look(t.d, &t.d.apart) && side(from) != side(to) {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EXDEV}
	}
	return t.tree.Rename(from, to)
}

// side names the file system on which a path lies when the disk is apart.
func side(name string) string {
	dir, _, _ := strings.Cut(name, "/")
	if dir == AcceptedDir || dir == RejectedDir {
		return dir
	}
	return ""
}

func (t *flakyTree) Remove(name string) error {
	if err := t.fault("remove", name); err != nil {
		return err
	}
	return t.tree.Remove(name)
}

func (t *flakyTree) Chtimes(name string, a, m time.Time) error {
	if err := t.fault("chtimes", name); err != nil {
		return err
	}
	return t.tree.Chtimes(name, a, m)
}

type flakyFile struct {
	file
	t    *flakyTree
	name string
}

func (f *flakyFile) Read(p []byte) (int, error) {
	if err := f.t.fault("read", f.name); err != nil {
		return 0, err
	}
	if most := look(f.t.d, &f.t.d.chunk); most > 0 && len(p) > most {
		p = p[:most]
	}
	n, err := f.file.Read(p)
	if look(f.t.d, &f.t.d.short) && n > 0 {
		return n - 1, io.EOF
	}
	return n, err
}

func (f *flakyFile) Write(p []byte) (int, error) {
	if err := f.t.fault("write", f.name); err != nil {
		return 0, err
	}
	return f.file.Write(p)
}

func (f *flakyFile) Stat() (fs.FileInfo, error) {
	if err := f.t.fault("stat", f.name); err != nil {
		return nil, err
	}
	return f.file.Stat()
}

func (f *flakyFile) Readdirnames(n int) ([]string, error) {
	if err := f.t.fault("readdir", f.name); err != nil {
		return nil, err
	}
	return f.file.Readdirnames(n)
}

func (f *flakyFile) Sync() error {
	if err := f.t.fault("sync", f.name); err != nil {
		return err
	}
	return f.file.Sync()
}

// book is a journal that can fail before it stores, or after it.
type book struct {
	mu     sync.Mutex
	before func() error
	after  func() error
	stored []event.Event
	tries  []time.Time
}

func (b *book) publish(_ context.Context, events ...event.Event) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tries = append(b.tries, time.Now())
	if b.before != nil {
		if err := b.before(); err != nil {
			return err
		}
	}
	b.stored = append(b.stored, events...)
	if b.after != nil {
		return b.after()
	}
	return nil
}

func (b *book) fail(before, after func() error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.before, b.after = before, after
}

func (b *book) events() []event.Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.stored)
}

func (b *book) attempts() []time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.tries)
}

// ids maps the SHA-256 of each content to the distinct event keys stored for it.
func (b *book) ids() map[string]map[event.Key]bool {
	out := map[string]map[event.Key]bool{}
	for _, e := range b.events() {
		var sum string
		switch d := e.Data.(type) {
		case *event.TicketReceived:
			sum = d.SourceSHA256
		case *event.TicketRejected:
			sum = d.SourceSHA256
		}
		if out[sum] == nil {
			out[sum] = map[event.Key]bool{}
		}
		out[sum][e.Key()] = true
	}
	return out
}

func sha(content string) string {
	sum := sha256.Sum256([]byte(content))
	return hex.EncodeToString(sum[:])
}

// cutShort is how the tests' reader says that a text ends too early.
type cutShort struct{}

func (cutShort) Error() string    { return "the text ends before its last line" }
func (cutShort) Incomplete() bool { return true }

// readTicket is a tiny ticket format: the first line says what it is, and the
// last line is "end".
func readTicket(_ Inbox, name string, data []byte) (Reading, error) {
	text := string(data)
	if strings.HasPrefix(text, "bad") {
		return Reading{}, fmt.Errorf("%s: %w", name, &event.Fault{Field: "stock", Want: "a stock code", Got: `""`})
	}
	if !strings.HasSuffix(text, "end\n") {
		return Reading{}, cutShort{}
	}
	job, _, _ := strings.Cut(text, "\n")
	return Reading{Note: "read " + job, Events: []event.Event{{Type: "ticket.received",
		Data: &event.TicketReceived{Job: job, SourceFile: name, SourceSHA256: sha(text)}}}}, nil
}

func good(job string) string { return "good " + job + "\nend\n" }
func bad(job string) string  { return "bad " + job + "\nend\n" }

// rig is one watcher over one inbox on a disk that can fail.
type rig struct {
	t       testing.TB
	dir     string
	disk    *flaky
	book    *book
	o       Options
	notify  func() (*notifier, error) // nil for the poll alone
	mu      sync.Mutex
	results []Result
	logged  lockedBuffer
	stop    func()
}

type lockedBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newRig(t testing.TB) *rig { return newRigIn(t, t.TempDir()) }

func newRigIn(t testing.TB, dir string) *rig {
	r := &rig{t: t, dir: dir, disk: &flaky{}, book: &book{}}
	r.o = Options{
		Inboxes: []Inbox{{Dir: dir, Site: "north", Machine: "heron"}},
		Read:    readTicket, Publish: r.book.publish,
		Log: zerolog.New(&r.logged).Level(zerolog.InfoLevel),
		Report: func(res Result) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.results = append(r.results, res)
		},
	}
	return r
}

// start runs the watch until the returned function is called, which waits for
// its end.
func (r *rig) start() {
	w, err := newWatcher(r.o)
	if err != nil {
		r.t.Fatal(err)
	}
	w.open = r.disk.open
	w.hints.open = r.notify
	if r.notify == nil {
		w.hints.open = func() (*notifier, error) { return nil, errors.New("no notifications in this test") }
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.run(ctx)
	}()
	r.stop = func() {
		cancel()
		<-done
	}
}

func (r *rig) path(parts ...string) string {
	return filepath.Join(append([]string{r.dir}, parts...)...)
}

// put writes a file in one go. Its change time is the test's clock, because a
// bubble's seconds pass in no time on the disk.
func (r *rig) put(name, content string) {
	r.t.Helper()
	check(r.t, os.WriteFile(r.path(name), []byte(content), 0o644))
	check(r.t, os.Chtimes(r.path(name), time.Now(), time.Now()))
}

// swap puts a whole file under a name by renaming, as a careful writer does.
func (r *rig) swap(name, content string) {
	r.t.Helper()
	r.put(".swap.part", content)
	check(r.t, os.Rename(r.path(".swap.part"), r.path(name)))
}

// add appends to a file that is there, and reports whether it was.
func (r *rig) add(name, more string) bool {
	r.t.Helper()
	f, err := os.OpenFile(r.path(name), os.O_WRONLY|os.O_APPEND, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return false
	}
	check(r.t, err)
	_, err = f.WriteString(more)
	check(r.t, errors.Join(err, f.Close()))
	return true
}

func (r *rig) exists(parts ...string) bool {
	_, err := os.Lstat(r.path(parts...))
	return err == nil
}

func (r *rig) content(parts ...string) string {
	r.t.Helper()
	data, err := os.ReadFile(r.path(parts...))
	check(r.t, err)
	return string(data)
}

func (r *rig) outcomes(name string) []Outcome {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []Outcome
	for _, res := range r.results {
		if res.Name == name {
			out = append(out, res.Outcome)
		}
	}
	return out
}

func (r *rig) lastResult() Result {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.results) == 0 {
		r.t.Fatal("nothing was reported")
	}
	return r.results[len(r.results)-1]
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// resting reads what lies in a folder of the inbox: contents by name, without
// the notes, which are checked to be there.
func resting(t testing.TB, dir, sub string) map[string]string {
	t.Helper()
	out := map[string]string{}
	entries, err := os.ReadDir(filepath.Join(dir, sub))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	notes := map[string]int{}
	for _, e := range entries {
		switch {
		case strings.HasSuffix(e.Name(), ".reason.txt"):
			notes[noteKey(strings.TrimSuffix(e.Name(), ".reason.txt"))]++
		case e.IsDir():
		default:
			data, err := os.ReadFile(filepath.Join(dir, sub, e.Name()))
			check(t, err)
			out[e.Name()] = string(data)
		}
	}
	if sub == RejectedDir {
		for name := range out {
			if notes[noteKey(name)]--; notes[noteKey(name)] < 0 {
				t.Errorf("%s lies in %s without a reason", name, sub)
			}
		}
	}
	return out
}

// noteKey is what a file and its note have in common: the whole name, or its
// beginning when the name leaves no room for the note's ending.
func noteKey(name string) string { return name[:min(len(name), 200)] }

// orphans lists the notes in rejected/ whose file is not there. A crash may
// leave one; anything less must not.
func orphans(t testing.TB, dir string) (names []string) {
	t.Helper()
	notes, err := filepath.Glob(filepath.Join(dir, RejectedDir, "*.reason.txt"))
	check(t, err)
	for _, note := range notes {
		if _, err := os.Lstat(strings.TrimSuffix(note, ".reason.txt")); err != nil {
			names = append(names, filepath.Base(note))
		}
	}
	return names
}

// audit is the checker. It knows nothing of the watcher: it reads the folder
// and the journal and holds them against the contents that were delivered.
// Every one of must has to lie in exactly one place once; others may have been
// overwritten by their writer, but what lies there must be in the journal.
func audit(t testing.TB, dir string, b *book, must ...string) {
	t.Helper()
	for name := range resting(t, dir, ".") {
		t.Errorf("%s is still in the inbox", name)
	}
	for name := range resting(t, dir, takingDir) {
		t.Errorf("%s is still being taken", name)
	}
	ids := b.ids()
	count := map[string]int{}
	for _, sub := range []string{AcceptedDir, RejectedDir} {
		for name, content := range resting(t, dir, sub) {
			count[content]++
			whole := strings.HasPrefix(content, "good") && strings.HasSuffix(content, "end\n")
			if whole != (sub == AcceptedDir) {
				t.Errorf("%s lies in %s with content %q", name, sub, content)
			}
			if len(ids[sha(content)]) == 0 {
				t.Errorf("%s lies in %s but the journal does not hold %q", name, sub, content)
			}
			if whole && len(ids[sha(content)]) > 1 {
				t.Errorf("%q was published under %d ids", content, len(ids[sha(content)]))
			}
		}
	}
	for _, content := range must {
		if count[content] != 1 {
			t.Errorf("%q lies in %d places, want 1", content, count[content])
		}
	}
	for content, n := range count {
		if n > 1 {
			t.Errorf("%q lies in %d places, want 1", content, n)
		}
	}
}

// A folder that cannot be written is told of before the first ticket has to be moved
// out of it, and so is that it can be again.
func TestAFolderThatCannotBeWrittenIsToldOf(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		var told []string
		r.o.Trouble = func(_ Inbox, why string) { told = append(told, why) }
		r.disk.set(func(op, name string) error {
			if op == "access" {
				return &fs.PathError{Op: "write in", Path: r.dir, Err: syscall.EACCES}
			}
			return nil
		})
		r.start()
		rest(time.Minute)
		r.disk.set(nil)
		rest(5 * time.Minute)
		r.stop()
		if want := "write in " + r.dir + ": permission denied"; len(told) != 2 || !strings.HasSuffix(told[0], want) || told[1] != "" {
			t.Errorf("told %q, want %q and its end", told, want)
		}
		if !strings.Contains(r.logged.String(), "the right to read and write the folder") {
			t.Errorf("no next step in the log:\n%s", r.logged.String())
		}
	})
}

// The system is asked as access(2) says; whoever may do everything is not refused, so
// only a folder that is gone can be tried by any user.
func TestTheRightToWriteIsAsked(t *testing.T) {
	dir := t.TempDir()
	if err := access(dir); err != nil {
		t.Errorf("a folder of one's own: %v", err)
	}
	if err := access(filepath.Join(dir, "gone")); runtime.GOOS == "linux" && !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a folder that is gone: %v", err)
	}
}

// What the disk refuses is said without the names of system calls, and is still the
// same error.
func TestTheDiskSpeaksInWords(t *testing.T) {
	dir := t.TempDir()
	tree, err := openTree(dir)
	check(t, err)
	defer tree.Close()
	check(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o644))
	_, look := tree.Lstat("gone")
	_, open := tree.OpenFile("gone", os.O_RDONLY, 0)
	for _, c := range []struct {
		err  error
		want string
		is   error
	}{
		{look, "cannot look at gone: no such file or directory", fs.ErrNotExist},
		{open, "cannot open gone: no such file or directory", fs.ErrNotExist},
		{tree.Mkdir("file", 0o755), "cannot make the folder file: file exists", fs.ErrExist},
		{tree.Rename("gone", "there"), "cannot move gone to there: no such file or directory", fs.ErrNotExist},
		{tree.Remove("gone"), "cannot remove gone: no such file or directory", fs.ErrNotExist},
	} {
		if c.err == nil || c.err.Error() != c.want || !errors.Is(c.err, c.is) {
			t.Errorf("got %v, want %s", c.err, c.want)
		}
	}
	if _, err := openTree(filepath.Join(dir, "gone")); !errors.Is(err, fs.ErrNotExist) || !strings.HasPrefix(err.Error(), "cannot open ") {
		t.Errorf("a folder that is gone: %v", err)
	}
}

// Sizes are rounded up, so that what is too large never seems to fit.
func TestSizes(t *testing.T) {
	for bytes, want := range map[int64]string{500: "500 bytes", 1 << 10: "1 KiB", 1<<10 + 1: "2 KiB", 16 << 20: "16 MiB", 16<<20 + 1: "16.1 MiB"} {
		if got := size(bytes); got != want {
			t.Errorf("%d: got %s, want %s", bytes, got, want)
		}
	}
}
