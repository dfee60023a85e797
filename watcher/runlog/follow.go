package runlog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

const (
	chunk  = 1 << 20               // bytes that are read at once; more than maxRecord
	batch  = 200                   // rows of which the journal is told at once
	retry  = 5 * time.Second       // before something that failed is tried again
	gather = 50 * time.Millisecond // how long a hint waits for more of its kind
)

// follower is owned by one goroutine; only its hints run beside it.
type follower struct {
	Options
	open    func(path string) (*os.File, error) // os.Open, but in tests
	hints   *hints
	memory  *memory         // nil until it could be read
	unsaved bool            // what is new in it could not be written down
	told    []string        // the last complaint about each log
	quiet   map[string]rest // files with half a line at their end
}

// rest is a file whose last line has no end, as it was first seen so.
type rest struct {
	size  int64
	since time.Time
}

func newFollower(o Options) *follower {
	return &follower{Options: o, open: os.Open, hints: newHints(o.Log, o.Logs), told: make([]string, len(o.Logs)), quiet: map[string]rest{}}
}

// scan looks at every log once and returns when to look again at the latest.
func (f *follower) scan(ctx context.Context) time.Duration {
	f.hints.follow()
	next := f.Poll
	if f.memory == nil {
		var err error
		f.memory, err = load(f.State, f.Now())
		if err != nil {
			for i := range f.Logs {
				f.complain(i, err)
			}
			return min(next, retry)
		}
	}
	for i := range f.Logs {
		wait, err := f.look(ctx, &f.Logs[i])
		if ctx.Err() != nil {
			return 0
		}
		f.complain(i, err)
		if err != nil {
			wait = retry
		}
		if wait > 0 {
			next = min(next, wait)
		}
	}
	return next
}

// complain logs and tells trouble with a log once for each new reason, and its end.
func (f *follower) complain(i int, err error) {
	l, why := &f.Logs[i], ""
	if err != nil {
		why = err.Error()
	}
	switch {
	case f.told[i] == why:
		return
	case err == nil:
		f.Log.Info().Str("log", l.Files).Msg("the run log is in order again")
	default:
		f.Log.Warn().Str("log", l.Files).Err(err).Msg("trouble with a run log; it is tried again, and what is new in it waits there and is told then")
	}
	f.told[i] = why
	f.Trouble(l, why)
}

// look reads what is new in the files of one log. The time is when a half line
// will have been quiet for long enough.
func (f *follower) look(ctx context.Context, l *Log) (time.Duration, error) {
	marks := f.memory.of(l)
	paths, err := l.paths()
	if err != nil {
		return 0, err
	}
	v := &visit{follower: f, log: l, marks: marks, paths: paths, claimed: map[*mark]bool{}}
	err = errors.Join(v.begin(), v.tellLoss(ctx))
	var wait time.Duration
	for _, path := range paths {
		again, e := v.file(ctx, path)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("%s: %w", filepath.Base(path), e))
		}
		if again > 0 && (wait == 0 || again < wait) {
			wait = again
		}
	}
	err = errors.Join(err, v.rotated(ctx))
	if len(v.marks.Files) > mostMarks {
		v.marks.drop(func(m *mark) bool { return !slices.Contains(paths, m.Path) })
	}
	if f.unsaved && err == nil {
		err = f.save()
	}
	return wait, err
}

// save writes down how far the logs were read.
func (f *follower) save() error {
	err := f.memory.save(f.State)
	f.unsaved = err != nil
	return err
}

// visit is one look at one log.
type visit struct {
	*follower
	log     *Log
	marks   *marks
	paths   []string
	claimed map[*mark]bool // whose files were found
}

// begin notes at the first look at a log what stands in each of its files, which is
// history even where it cannot be read yet. What comes after that is told.
func (v *visit) begin() error {
	if v.marks.Seen {
		return nil
	}
	for _, path := range v.paths {
		info, err := os.Stat(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if m := v.marks.at(path); m.Offset == 0 && m.History == 0 && !v.log.History {
			m.History = info.Size()
		}
	}
	v.marks.Seen = true
	return v.save()
}

// tellLoss tells people that rows may be missing because a state was damaged.
func (v *visit) tellLoss(ctx context.Context) error {
	if v.marks.Lost == "" {
		return nil
	}
	if err := v.Publish(ctx, v.log.loss(v.marks.Lost, v.Now())); err != nil {
		return fmt.Errorf("tell the journal: %w", err)
	}
	v.marks.Lost = ""
	return v.save()
}

// paths lists the files of a log, the oldest first. The folder must be there: on a
// share that is not mounted nothing can be said of its files.
func (l *Log) paths() ([]string, error) {
	dir, pattern := filepath.Dir(l.Files), filepath.Base(l.Files)
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var paths []string
	written := map[string]time.Time{}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		if ours, err := filepath.Match(pattern, e.Name()); !ours {
			if err != nil {
				return nil, err
			}
			continue
		}
		if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
			paths, written[path] = append(paths, path), info.ModTime()
		}
	}
	slices.SortFunc(paths, func(a, b string) int { return cmp.Or(written[a].Compare(written[b]), cmp.Compare(a, b)) })
	return paths, nil
}

// file reads what is new in one file. One that cannot be read is waited for.
func (v *visit) file(ctx context.Context, path string) (time.Duration, error) {
	file, err := v.open(path)
	if err != nil {
		v.claim(path)
		if errors.Is(err, fs.ErrNotExist) {
			err = nil // it went away after it was listed
		}
		return 0, err
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		v.claim(path)
		return 0, err
	}
	m, err := v.markOf(path, file, info.Size())
	if err != nil {
		v.claim(path)
		return 0, err
	}
	v.claimed[m] = true
	if info.Size() < m.History {
		m.History = 0 // it was truncated or replaced
	}
	r := &reader{visit: v, file: file, name: filepath.Base(path), mark: m}
	return v.settle(path, info.Size(), func(quiet bool) error { return r.read(ctx, quiet) })
}

// claim takes the file of a path for the one that was there.
func (v *visit) claim(path string) {
	for _, m := range v.marks.Files {
		if m.Path == path {
			v.claimed[m] = true
		}
	}
}

// markOf finds how far a file was read: by its path, or else, when the file was
// renamed, by what is in it. A file that nobody knows was not read at all.
func (v *visit) markOf(path string, file io.ReaderAt, size int64) (*mark, error) {
	for _, m := range v.marks.Files {
		if m.Path != path || v.claimed[m] {
			continue
		}
		if ok, err := m.fits(file, size); ok || err != nil {
			return m, err
		}
	}
	for _, m := range v.marks.Files {
		if m.Offset == 0 || v.claimed[m] {
			continue
		}
		ok, err := m.fits(file, size)
		if err != nil {
			return nil, err
		}
		if ok && !m.stillThere() {
			m.Path = path
			return m, nil
		}
	}
	m := &mark{Path: path}
	v.marks.Files = append(v.marks.Files, m)
	return m, nil
}

// stillThere reports whether the file of a mark is where it was, or may be.
func (m *mark) stillThere() bool {
	file, err := os.Open(m.Path)
	if err != nil {
		return !errors.Is(err, fs.ErrNotExist)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return true
	}
	ok, err := m.fits(file, info.Size())
	return ok || err != nil
}

// rotated reads the end of files that went away under their name while something
// else took it: log rotation renames or copies a file within its folder. A file
// that is gone without a successor may be on a share that is, and is waited for.
func (v *visit) rotated(ctx context.Context) (err error) {
	for _, m := range slices.Clone(v.marks.Files) {
		if v.claimed[m] || !slices.Contains(v.paths, m.Path) {
			continue
		}
		if e := v.finish(ctx, m); e != nil {
			err = errors.Join(err, e)
			continue
		}
		v.marks.drop(func(o *mark) bool { return o == m })
		err = errors.Join(err, v.save())
	}
	return err
}

// finish looks for the file of a mark under another name and reads its end.
func (v *visit) finish(ctx context.Context, m *mark) error {
	entries, err := os.ReadDir(filepath.Dir(m.Path))
	if err != nil || m.Offset == 0 {
		return err
	}
	for _, e := range entries {
		path := filepath.Join(filepath.Dir(m.Path), e.Name())
		if !e.Type().IsRegular() || slices.Contains(v.paths, path) {
			continue
		}
		if done, err := v.finishAs(ctx, m, path); done || err != nil {
			return err
		}
	}
	v.Log.Warn().Str("log", m.Path).Int64("read", m.Offset).Msg("the run log was truncated or replaced, and is read from its start")
	return nil
}

// finishAs reads the end of a file if it is that of the mark.
func (v *visit) finishAs(ctx context.Context, m *mark, path string) (bool, error) {
	file, err := os.Open(path)
	if err != nil {
		return false, nil // not ours to read, so not ours
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return false, err
	}
	if ok, err := m.fits(file, info.Size()); !ok {
		return false, err
	}
	r := &reader{visit: v, file: file, name: filepath.Base(path), mark: m}
	return true, r.read(ctx, true)
}

// settle reads a file, and says when to look again at a half line that it ends
// with.
func (f *follower) settle(path string, size int64, read func(quiet bool) error) (time.Duration, error) {
	was, half := f.quiet[path]
	quiet := half && was.size == size && time.Since(was.since) >= f.Settle
	err := read(quiet)
	switch {
	case errors.Is(err, errHalf) && (!half || was.size != size):
		f.quiet[path] = rest{size, time.Now()}
		return f.Settle, nil
	case errors.Is(err, errHalf):
		return max(gather, f.Settle-time.Since(was.since)), nil
	}
	delete(f.quiet, path)
	return 0, err
}

// errHalf says that a file ends in the middle of a line.
var errHalf = errors.New("the last line has no end yet")
