package archive_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rollwarden/cmd/rollwarden/archive"
	"rollwarden/rules/event"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// soon bounds a test. Nothing here should need a tenth of it.
func soon(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// store is a data folder with its built-in server open.
type store struct {
	t    *testing.T
	ctx  context.Context
	data string
	bus  *bus.Bus
	*journal.Journal
}

func open(t *testing.T, data string) *store {
	t.Helper()
	s := &store{t: t, ctx: soon(t), data: data}
	var err error
	if s.bus, err = bus.Open(s.ctx, bus.Options{StoreDir: filepath.Join(data, "nats"), MaxStore: 1 << 30, Name: "test", Log: zerolog.Nop()}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.close)
	if s.Journal, err = journal.Open(s.ctx, s.bus.JetStream(), journal.Options{MaxBytes: 1 << 28, Log: zerolog.Nop()}); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *store) close() {
	if err := s.bus.Close(context.Background()); err != nil {
		s.t.Error(err)
	}
}

// noon is a fixed clock.
func noon() time.Time { return time.Date(2026, 3, 5, 12, 0, 0, 0, time.UTC) }

func wasted(i int) event.Event {
	return event.Event{
		ID: fmt.Sprintf("w-%d", i), Source: "/test", Type: "film.wasted", Site: "north", Machine: "heron",
		Time: noon().Add(time.Duration(i) * time.Second), Data: &event.FilmWasted{LengthM: float64(i%7) + 0.5, Cause: "trim"},
	}
}

// fill publishes events, one message that nobody can read, and one with headers.
func (s *store) fill(n int) {
	s.t.Helper()
	for i := range n {
		if err := s.Publish(s.ctx, wasted(i)); err != nil {
			s.t.Fatal(err)
		}
	}
	for _, m := range []*nats.Msg{
		{Subject: "floor.north.heron.film.wasted", Data: []byte("{")},
		{Subject: "floor.north.heron.film.wasted", Data: []byte(`{"length_m": 1}`), Header: nats.Header{"ce-id": {"h-1"}, "X-Twice": {"a", "b"}}},
		{Subject: "floor.north.heron.run.started"}, // no data at all
	} {
		if _, err := s.bus.JetStream().PublishMsg(s.ctx, m); err != nil {
			s.t.Fatal(err)
		}
	}
}

// entries reads the whole journal.
func (s *store) entries() []journal.Entry {
	s.t.Helper()
	var all []journal.Entry
	err := s.Read(s.ctx, 1, 0, "", func(e journal.Entry) error {
		e.Data = bytes.Clone(e.Data)
		all = append(all, e)
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return all
}

func plenty(string) (int64, error) { return 1 << 40, nil }

func (s *store) options() archive.BackupOptions {
	return archive.BackupOptions{
		Conn: s.bus.Conn(), Data: s.data, Program: "rollwarden test", Now: noon, Free: plenty, Log: zerolog.Nop(),
		Configuration: map[string][]byte{"rollwarden.yaml": []byte("shop: {name: Kestrel Lane Decals}\n")},
	}
}

func (s *store) backup(file string) archive.Manifest {
	s.t.Helper()
	m, err := archive.Backup(s.ctx, file, s.options())
	if err != nil {
		s.t.Fatal(err)
	}
	return m
}

func restoreOptions(data string) archive.RestoreOptions {
	return archive.RestoreOptions{Data: data, Now: noon, Free: plenty, Log: zerolog.Nop()}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestBackupComesBack restores elsewhere and finds the same entries, sequences,
// times, headers and files, and a journal that goes on where it ended.
func TestBackupComesBack(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(300)
	write(t, filepath.Join(s.data, "snapshots", "00000000000000000007.snapshot"), "a state")
	write(t, filepath.Join(s.data, "snapshots", "next.tmp"), "half a state")
	write(t, filepath.Join(s.data, "months", "mailed-2026-02"), "")
	write(t, filepath.Join(s.data, "run-logs", "0.json"), "{}")
	write(t, filepath.Join(s.data, "elsewhere", "key.pem"), "a secret")
	file := filepath.Join(dir, "b.tar")
	var told [][2]int64
	o := s.options()
	o.Progress = func(done, total int64) { told = append(told, [2]int64{done, total}) }
	m, err := archive.Backup(s.ctx, file, o)
	if err != nil {
		t.Fatal(err)
	}
	if m.Journal.Entries != 303 || m.Journal.First != 1 || m.Journal.Last != 303 {
		t.Errorf("want 303 entries from 1 to 303, got %+v", m.Journal)
	}
	for i := 1; i < len(told); i++ {
		if told[i][0] < told[i-1][0] || told[i][0] > told[i][1] || told[i][1] != told[0][1] {
			t.Fatalf("progress goes back or beyond its end: %v, then %v", told[i-1], told[i])
		}
	}
	if last := told[len(told)-1]; last[0] != last[1] {
		t.Errorf("progress ends at %v", last)
	}

	fresh := filepath.Join(dir, "other", "data")
	done, err := archive.Restore(s.ctx, file, restoreOptions(fresh))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m, done.Manifest); diff != "" || done.Aside != "" {
		t.Errorf("aside %q, manifest (-backup +restore):\n%s", done.Aside, diff)
	}
	r := open(t, fresh)
	if diff := cmp.Diff(s.entries(), r.entries()); diff != "" {
		t.Errorf("the restored journal differs (-was +is):\n%s", diff)
	}
	if err := r.Publish(r.ctx, wasted(1000)); err != nil {
		t.Fatal(err)
	}
	if last, err := r.Last(r.ctx); err != nil || last != 304 {
		t.Errorf("want the next entry to be 304, got %d, %v", last, err)
	}
	for name, want := range map[string]bool{"snapshots/00000000000000000007.snapshot": true, "months/mailed-2026-02": true, "run-logs/0.json": true, "snapshots/next.tmp": false, "elsewhere": false} {
		if _, err := os.Stat(filepath.Join(fresh, name)); (err == nil) != want {
			t.Errorf("%s: there is %v, want %v", name, err == nil, want)
		}
	}
	left, _ := filepath.Glob(filepath.Join(dir, ".rollwarden-*"))
	more, _ := filepath.Glob(filepath.Join(dir, "other", ".rollwarden-*"))
	if len(left)+len(more) > 0 {
		t.Errorf("left behind: %v %v", left, more)
	}
}

// TestARestoredStreamIsAnother shows what the server does with the identity by
// which a running watch knows its journal: sequences and times survive, the
// moment of making does not, so that a watch that was following is told.
func TestARestoredStreamIsAnother(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(5)
	file := filepath.Join(dir, "b.tar")
	s.backup(file)
	ctx, stop := context.WithCancel(s.ctx)
	defer stop()
	read, followed := make(chan struct{}, 1), make(chan error, 1)
	go func() {
		followed <- s.Follow(ctx, 0, func(batch []journal.Entry) error {
			if batch[len(batch)-1].Seq == 8 {
				read <- struct{}{}
			}
			return nil
		})
	}()
	<-read
	if err := s.bus.JetStream().DeleteStream(s.ctx, journal.StreamName); err != nil {
		t.Fatal(err)
	}
	// The server of somebody else: the journal goes there, the rest into a folder.
	o := restoreOptions(filepath.Join(dir, "local"))
	o.Bus = s.bus
	if _, err := archive.Restore(s.ctx, file, o); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-followed:
		if !errors.Is(err, journal.ErrReplaced) {
			t.Errorf("want %v, got %v", journal.ErrReplaced, err)
		}
	case <-s.ctx.Done():
		t.Error("the reader of the old stream was told nothing")
	}
	again, err := journal.Open(s.ctx, s.bus.JetStream(), journal.Options{MaxBytes: 1 << 28, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	if first, last, err := again.Span(s.ctx); err != nil || first != 1 || last != 8 {
		t.Errorf("want entries 1 to 8, got %d to %d, %v", first, last, err)
	}
	// It is there now, and is not written over.
	o.Data = filepath.Join(dir, "third")
	if _, err := archive.Restore(s.ctx, file, o); err == nil || !strings.Contains(err.Error(), "already in use") && !strings.Contains(err.Error(), "exist") {
		t.Errorf("want a refusal because the stream exists, got %v", err)
	}
	if _, err := os.Stat(o.Data); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a data folder was made all the same: %v", err)
	}
}

// TestBackupUnderLoad takes backups while four publishers write, and finds a
// whole beginning of the journal in each.
func TestBackupUnderLoad(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(50)
	ctx, stop := context.WithCancel(s.ctx)
	var writers sync.WaitGroup
	for w := range 4 {
		writers.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				if err := s.Publish(s.ctx, wasted(1000*(w+1)+i)); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	var files []string
	for i := range 3 {
		file := filepath.Join(dir, fmt.Sprintf("b%d.tar", i))
		s.backup(file)
		files = append(files, file)
	}
	stop()
	writers.Wait()
	all := s.entries()
	last := 0
	for i, file := range files {
		data := filepath.Join(dir, fmt.Sprint("r", i))
		if _, err := archive.Restore(s.ctx, file, restoreOptions(data)); err != nil {
			t.Fatal(err)
		}
		got := open(t, data).entries()
		if len(got) <= last || len(got) > len(all) {
			t.Errorf("backup %d holds %d entries, the one before %d, the journal %d", i, len(got), last, len(all))
		}
		last = len(got)
		if diff := cmp.Diff(all[:min(len(got), len(all))], got); diff != "" {
			t.Errorf("backup %d is not the beginning of the journal:\n%s", i, diff)
		}
	}
}

// TestOldEntriesComeBack restores a journal that lets entries go by age, long
// after all of them have become too old.
func TestOldEntriesComeBack(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(10)
	stream, err := s.bus.JetStream().Stream(s.ctx, journal.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	c := stream.CachedInfo().Config
	c.MaxAge, c.Duplicates = time.Second, time.Second
	file := filepath.Join(dir, "b.tar")
	if _, err := s.bus.JetStream().UpdateStream(s.ctx, c); err != nil {
		t.Fatal(err)
	}
	m := s.backup(file)
	for len(s.entries()) > 0 {
		time.Sleep(50 * time.Millisecond)
	}
	data := filepath.Join(dir, "r")
	if _, err := archive.Restore(s.ctx, file, restoreOptions(data)); err != nil {
		t.Fatal(err)
	}
	if got := open(t, data).entries(); uint64(len(got)) != m.Journal.Entries || len(got) == 0 {
		t.Errorf("want the %d entries of the backup, got %d", m.Journal.Entries, len(got))
	}
	// A backup of a journal whose entries were all let go knows where it goes on.
	empty := filepath.Join(dir, "empty.tar")
	if m := s.backup(empty); m.Journal.Entries != 0 || m.Journal.First != 14 || m.Journal.Last != 13 {
		t.Errorf("want no entries and the next to be 14, got %+v", m.Journal)
	}
	if _, err := archive.Restore(s.ctx, empty, restoreOptions(filepath.Join(dir, "e"))); err != nil {
		t.Error(err)
	}
}

// TestDamageIsFound tears and alters an archive anywhere. What matters of it is
// then refused, and nothing is made; the rest is padding between its files.
func TestDamageIsFound(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(40)
	file := filepath.Join(dir, "b.tar")
	want := s.backup(file)
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	damagedFile := filepath.Join(dir, "damaged.tar")
	check := func(text []byte) (archive.Manifest, error) {
		if err := os.WriteFile(damagedFile, text, 0o600); err != nil {
			t.Fatal(err)
		}
		return archive.Check(s.ctx, damagedFile, restoreOptions(""))
	}
	if m, err := check(whole); err != nil || !cmp.Equal(m, want) {
		t.Fatalf("the whole archive is refused or another: %v\n%s", err, cmp.Diff(want, m))
	}
	end := bytes.LastIndex(whole, []byte("stream.arc.s2\n"))
	tries := 60
	if testing.Short() {
		tries = 15
	}
	for seed := range tries {
		rng := rand.New(rand.NewPCG(uint64(seed), 1))
		at := rng.IntN(end)
		if seed%3 == 0 {
			if _, err := check(whole[:at]); !errors.Is(err, archive.ErrDamaged) {
				t.Errorf("torn after %d bytes: want %v, got %v", at, archive.ErrDamaged, err)
			}
			continue
		}
		text := bytes.Clone(whole)
		text[at] ^= byte(1 + rng.IntN(255))
		if m, err := check(text); err == nil && !cmp.Equal(m, want) {
			t.Errorf("byte %d is altered and another manifest is believed:\n%s", at, cmp.Diff(want, m))
		}
	}
	for _, text := range [][]byte{nil, []byte("no tar"), bytes.Repeat([]byte{0}, 10240)} {
		if _, err := check(text); !errors.Is(err, archive.ErrDamaged) {
			t.Errorf("%.20q: want %v, got %v", text, archive.ErrDamaged, err)
		}
	}
	// A byte of the journal itself.
	text := bytes.Clone(whole)
	text[bytes.Index(text, []byte("journal/stream.arc.s2"))+1000] ^= 1
	if err := os.WriteFile(damagedFile, text, 0o600); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "r")
	_, err = archive.Restore(s.ctx, damagedFile, restoreOptions(data))
	if !errors.Is(err, archive.ErrDamaged) || !strings.Contains(err.Error(), "journal/stream.arc.s2") {
		t.Errorf("want a refusal that names journal/stream.arc.s2, got %v", err)
	}
	if _, err := os.Stat(data); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a data folder was made of a damaged archive")
	}
}

// TestNothingIsWrittenOver leaves an archive, a data folder and a running watch
// alone.
func TestNothingIsWrittenOver(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(3)
	file := filepath.Join(dir, "b.tar")
	s.backup(file)
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := archive.Backup(s.ctx, file, s.options()); !errors.Is(err, fs.ErrExist) {
		t.Errorf("want %v, got %v", fs.ErrExist, err)
	}
	if after, _ := os.ReadFile(file); !bytes.Equal(before, after) {
		t.Error("the backup was written over")
	}

	o := restoreOptions(s.data)
	if _, err := archive.Restore(s.ctx, file, o); !errors.Is(err, archive.ErrOccupied) {
		t.Errorf("want %v, got %v", archive.ErrOccupied, err)
	}
	o.Replace = true
	if _, err := archive.Restore(s.ctx, file, o); err == nil || !strings.Contains(err.Error(), "in use by another daemon") {
		t.Errorf("a journal in use was replaced: %v", err)
	}
	if got := len(s.entries()); got != 6 {
		t.Errorf("want the 6 entries of the running journal, got %d", got)
	}
	if err := s.Publish(s.ctx, wasted(77)); err != nil {
		t.Fatal(err)
	}
	s.close()
	done, err := archive.Restore(soon(t), file, o)
	if err != nil {
		t.Fatal(err)
	}
	if got := len(open(t, s.data).entries()); got != 6 {
		t.Errorf("want the 6 entries of the backup, got %d", got)
	}
	if got := len(open(t, done.Aside).entries()); got != 7 {
		t.Errorf("want the 7 entries of the data folder that was there, got %d", got)
	}
}

// TestRoomIsAskedFor wants a full disk to be told before anything is copied.
func TestRoomIsAskedFor(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(3)
	o := s.options()
	o.Free = func(string) (int64, error) { return 60 << 20, nil }
	if _, err := archive.Backup(s.ctx, filepath.Join(dir, "b.tar"), o); err == nil || !strings.Contains(err.Error(), "has 60 MiB left: want 64 MiB") {
		t.Errorf("want a complaint about room, got %v", err)
	}
	s.backup(filepath.Join(dir, "c.tar"))
	r := restoreOptions(filepath.Join(dir, "r"))
	r.Free = o.Free
	if _, err := archive.Restore(s.ctx, filepath.Join(dir, "c.tar"), r); err == nil || !strings.Contains(err.Error(), "has 60 MiB left") {
		t.Errorf("want a complaint about room, got %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".rollwarden-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestOtherProgramsReadIt has the archive opened by tar and checked by sha256sum
// (GNU tar and coreutils).
func TestOtherProgramsReadIt(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "data"))
	s.fill(20)
	write(t, filepath.Join(s.data, "reports", "2026-02", "report.csv"), "2026-02\n")
	file := filepath.Join(dir, "b.tar")
	s.backup(file)
	into := t.TempDir()
	for _, args := range [][]string{{"tar", "-xf", file, "-C", into}, {"sh", "-c", "cd " + into + " && sha256sum -c --strict SHA256SUMS"}} {
		out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
		if args[0] == "sh" && !strings.Contains(string(out), "reports/2026-02/report.csv: OK") {
			t.Errorf("sha256sum says\n%s", out)
		}
	}
	config, err := os.ReadFile(filepath.Join(into, "configuration", "rollwarden.yaml"))
	if err != nil || !strings.Contains(string(config), "Kestrel Lane Decals") {
		t.Errorf("%q, %v", config, err)
	}
}

// TestPrune removes only what has the name of a backup, the oldest first.
func TestPrune(t *testing.T) {
	dir := t.TempDir()
	var names []string
	for day := range 5 {
		name := archive.FileName(noon().AddDate(0, 0, day))
		names = append(names, filepath.Join(dir, name))
		write(t, names[day], "")
	}
	others := []string{"rollwarden-20200101.tar", "rollwarden-20200101T000000Z.tar.gz", "notes.tar", "rollwarden.yaml"}
	for _, name := range others {
		write(t, filepath.Join(dir, name), "")
	}
	removed, err := archive.Prune(dir, 2)
	if err != nil || !cmp.Equal(removed, names[:3]) {
		t.Errorf("removed %v, %v", removed, err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 2+len(others) {
		t.Errorf("left %v, %v", left, err)
	}
	if _, err := archive.Prune(dir, 0); err == nil {
		t.Error("all backups could be removed")
	}
}
