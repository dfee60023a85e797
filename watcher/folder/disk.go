package folder

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
	"time"
)

// tree is one open inbox. Names are relative to it, with forward slashes, and
// no name leads out of it. It is what *os.Root offers, and an interface so
// that a test can put a failing disk in its place.
type tree interface {
	Lstat(name string) (fs.FileInfo, error)
	OpenFile(name string, flag int, perm fs.FileMode) (file, error)
	Mkdir(name string, perm fs.FileMode) error
	Rename(from, to string) error
	Remove(name string) error
	Chtimes(name string, atime, mtime time.Time) error
	Writable() error // why files cannot be moved out of it by this user, or nil
	Close() error
}

// file is what the watcher needs of an *os.File.
type file interface {
	io.ReadWriteCloser
	Stat() (fs.FileInfo, error)
	Readdirnames(n int) ([]string, error)
	ReadDir(n int) ([]fs.DirEntry, error)
	Sync() error
}

// rootTree is the real disk. A path cannot leave the folder: os.Root refuses
// symbolic links and ".." that would.
type rootTree struct{ *os.Root }

func openTree(dir string) (tree, error) {
	r, err := os.OpenRoot(dir)
	if err != nil {
		return nil, inWords(err)
	}
	return rootTree{r}, nil
}

// words are what the system's calls do, for somebody in an office.
var words = map[string]string{
	"open": "open", "openat": "open", "statat": "look at", "lstatat": "look at", "lstat": "look at", "mkdirat": "make the folder",
	"renameat": "move", "removeat": "remove", "unlinkat": "remove", "chtimesat": "set the time of", "readdirent": "list", "getdents64": "list",
}

// inWords says what was tried in the words of people; it is the same error otherwise.
func inWords(err error) error {
	switch e := err.(type) { // as it comes from os.Root, which wraps nothing else
	case *fs.PathError:
		if word, known := words[e.Op]; known {
			return &fs.PathError{Op: "cannot " + word, Path: e.Path, Err: e.Err}
		}
	case *os.LinkError:
		return fmt.Errorf("cannot move %s to %s: %w", e.Old, e.New, e.Err)
	}
	return err
}

// Lstat is os.Root's, as are those below, with errors in words.
func (r rootTree) Lstat(name string) (fs.FileInfo, error) {
	info, err := r.Root.Lstat(name)
	return info, inWords(err)
}

func (r rootTree) Mkdir(name string, perm fs.FileMode) error {
	return inWords(r.Root.Mkdir(name, perm))
}

func (r rootTree) Rename(from, to string) error { return inWords(r.Root.Rename(from, to)) }

func (r rootTree) Remove(name string) error { return inWords(r.Root.Remove(name)) }

func (r rootTree) Chtimes(name string, atime, mtime time.Time) error {
	return inWords(r.Root.Chtimes(name, atime, mtime))
}

// Writable asks the system for the rights alone: a file made only to see whether it
// can be made would wake everybody who watches the folder.
func (r rootTree) Writable() error { return access(r.Name()) }

// OpenFile narrows os.Root's result to the interface.
func (r rootTree) OpenFile(name string, flag int, perm fs.FileMode) (file, error) {
	f, err := r.Root.OpenFile(name, flag, perm)
	if err != nil {
		return nil, inWords(err)
	}
	return f, nil
}

var (
	errChanged = errors.New("the file changed while it was being taken")
	errShort   = errors.New("the file gave fewer or more bytes than its size says")
)

// same reports whether two looks found the same file with the same content,
// as far as size, change time and identity can tell.
func same(a, b fs.FileInfo) bool {
	return a != nil && b != nil && a.Size() == b.Size() && a.ModTime().Equal(b.ModTime()) &&
		a.Mode().Type() == b.Mode().Type() && os.SameFile(a, b)
}

// openForReading never waits: a pipe that took the place of a file must not
// hold up the watch.
func openForReading(t tree, name string) (file, error) {
	return t.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
}

func list(t tree, dir string) ([]string, error) {
	f, err := t.OpenFile(dir, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.Readdirnames(-1)
}

// readWhole reads a file that must be the one that want describes before,
// during and after the reading. It never reads more than most+1 bytes.
func readWhole(t tree, name string, want fs.FileInfo, most int64) ([]byte, error) {
	f, err := openForReading(t, name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	opened, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !same(opened, want) {
		return nil, errChanged
	}
	var buf bytes.Buffer
	buf.Grow(int(min(want.Size(), most)) + bytes.MinRead)
	if _, err := buf.ReadFrom(io.LimitReader(f, most+1)); err != nil {
		return nil, err
	}
	if err := unchanged(t, f, name, want); err != nil {
		return nil, err
	}
	if int64(buf.Len()) != want.Size() {
		return nil, errShort
	}
	return buf.Bytes(), nil
}

// unchanged compares both the open file and the name with an earlier look:
// the one finds a writer, the other a replacement.
func unchanged(t tree, f file, name string, want fs.FileInfo) error {
	open, err := f.Stat()
	if err != nil {
		return err
	}
	named, err := t.Lstat(name)
	if err != nil {
		return err
	}
	if !same(open, want) || !same(named, want) {
		return errChanged
	}
	return nil
}

// sameContent compares two files byte by byte, without holding them.
func sameContent(t tree, a, b string) (bool, error) {
	fa, err := openForReading(t, a)
	if err != nil {
		return false, err
	}
	defer fa.Close()
	fb, err := openForReading(t, b)
	if err != nil {
		return false, err
	}
	defer fb.Close()
	bufA, bufB := make([]byte, 32<<10), make([]byte, 32<<10)
	for {
		na, errA := io.ReadFull(fa, bufA)
		nb, errB := io.ReadFull(fb, bufB)
		if !bytes.Equal(bufA[:na], bufB[:nb]) {
			return false, nil
		}
		if err := firstFault(errA, errB); err != nil {
			return false, err
		}
		if errA != nil || errB != nil {
			return errA != nil && errB != nil, nil
		}
	}
}

// firstFault returns the first error that is not merely the end of a file.
func firstFault(errs ...error) error {
	for _, err := range errs {
		if err != nil && err != io.EOF && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
	}
	return nil
}

// incoming is the name of a file that is being written in dir; there is never
// more than one.
func incoming(dir string) string { return dir + "/.incoming" }

// clearIncoming removes what a crash left half written.
func clearIncoming(t tree) error {
	var err error
	for _, dir := range []string{AcceptedDir, RejectedDir} {
		if e := t.Remove(incoming(dir)); !errors.Is(e, fs.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	return err
}

// body is what a new file shall hold.
type body struct {
	from  io.Reader
	size  int64 // bytes that from gives
	perm  fs.FileMode
	mtime time.Time // now when zero
}

// write puts a whole file in dir under its name, or nothing at all: it is
// written under another name, flushed to the disk and then renamed.
func write(t tree, dir, name string, b body) error {
	tmp := incoming(dir)
	if err := t.Remove(tmp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	err := fill(t, tmp, b)
	if err == nil && !b.mtime.IsZero() {
		err = t.Chtimes(tmp, b.mtime, b.mtime)
	}
	if err == nil {
		err = t.Rename(tmp, dir+"/"+name)
	}
	if err != nil {
		_ = t.Remove(tmp) // best effort; the next write removes it otherwise
	}
	return err
}

func fill(t tree, name string, b body) error {
	f, err := t.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, b.perm)
	if err != nil {
		return err
	}
	n, err := io.Copy(f, b.from)
	if err == nil && n != b.size {
		err = errShort
	}
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// syncDir makes renames in a directory survive a power cut. A file system
// that cannot do it is no fault.
func syncDir(t tree, dir string) error {
	f, err := t.OpenFile(dir, os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, syscall.EINVAL) {
		return err
	}
	return nil
}
