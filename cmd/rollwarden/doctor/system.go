package doctor

import (
	"errors"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/fsnotify/fsnotify"
)

// System is what the checks ask this computer. An answer that it cannot give is
// errors.ErrUnsupported.
type System interface {
	Now() time.Time
	// Disk returns the room on the disk of a path.
	Disk(path string) (Disk, error)
	// FileSystem names the file system of a path, and says whether it lies on
	// another computer.
	FileSystem(path string) (name string, network bool, err error)
	// Device tells file systems apart: a rename works within one.
	Device(path string) (uint64, error)
	// Writable reports why this user cannot write in a folder, or nil.
	Writable(folder string) error
	// Touch makes a file in a folder, and removes it; the time is that of the
	// file system. Its name begins with a dot, which no watch looks at.
	Touch(folder string) (time.Time, error)
	// Watch asks to be told of changes in folders, and gives that up again.
	Watch(folders []string) error
	// Number reads a file with one number, as those in /proc/sys.
	Number(file string) (uint64, error)
	// Files is how many files a process may have open; 0 is this process.
	Files(pid int) (uint64, error)
	// Synchronised reports whether the clock is kept right by somebody.
	Synchronised() (bool, error)
	// Listen takes an address and gives it back.
	Listen(address string) error
}

// Disk is the room on a disk. Inodes are 0 where a file system has no fixed
// number of them.
type Disk struct {
	FreeBytes, Bytes   int64
	FreeInodes, Inodes uint64
}

// Local is this computer.
type Local struct{}

// Now implements System.
func (Local) Now() time.Time { return time.Now() }

// Touch implements System.
func (Local) Touch(folder string) (at time.Time, err error) {
	f, err := os.CreateTemp(folder, ".rollwarden-doctor-")
	if err != nil {
		return at, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	if _, err := io.WriteString(f, "the time of this file system\n"); err != nil {
		return at, err
	}
	info, err := f.Stat()
	if err != nil {
		return at, err
	}
	return info.ModTime(), nil
}

// Watch implements System.
func (Local) Watch(folders []string) (err error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	for _, folder := range folders {
		if err := w.Add(folder); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// Listen implements System.
func (Local) Listen(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	return l.Close()
}

// Free is the room that this user has on the disk of a folder, in bytes.
func Free(folder string) (int64, error) {
	d, err := Local{}.Disk(folder)
	return d.FreeBytes, err
}

// existing is the nearest folder above a path that is there.
func existing(path string) string {
	for {
		if _, err := os.Stat(path); err == nil || filepath.Dir(path) == path {
			return path
		}
		path = filepath.Dir(path)
	}
}
