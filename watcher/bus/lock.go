package bus

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// lock keeps a second daemon off a folder. The operating system holds it and
// drops it when the process ends, however it ends: a stale file is no lock.
type lock struct{ file *os.File }

// lockName is the file that is locked; it holds the owner's process id.
const lockName = "daemon.lock"

// errLocked is what the system-specific openLocked reports when another
// process holds the file.
var errLocked = errors.New("locked")

// InUse says that another process has a folder.
type InUse struct {
	Folder string
	PID    string // of that process; "unknown" when it does not say
}

func (e *InUse) Error() string {
	return fmt.Sprintf("journal folder %s is in use by another daemon (pid %s): stop that one or give this one its own folder", e.Folder, e.PID)
}

// lockFolder makes the folder if need be, for this user alone, and takes it.
func lockFolder(dir string) (*lock, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder: %w: let this user write there, or choose another folder", err)
	}
	name := filepath.Join(dir, lockName)
	f, err := openLocked(name)
	if errors.Is(err, errLocked) {
		return nil, &InUse{Folder: dir, PID: owner(name)}
	}
	if err != nil {
		return nil, fmt.Errorf("lock the folder: %w: let this user write there, or choose another folder", err)
	}
	l := &lock{file: f}
	if err := l.sign(); err != nil {
		return nil, errors.Join(fmt.Errorf("write in the folder: %w: let this user write there, or choose another folder", err), l.release())
	}
	return l, nil
}

// sign writes this process's id, for the message above.
func (l *lock) sign() error {
	if err := l.file.Truncate(0); err != nil {
		return err
	}
	_, err := l.file.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}

// release gives the folder back. The file stays: removing it could take it
// from under a daemon that has just opened it.
func (l *lock) release() error { return l.file.Close() }

// owner reads the process id of the holder.
func owner(name string) string {
	b, err := os.ReadFile(name)
	if pid := strings.TrimSpace(string(b)); err == nil && pid != "" {
		return pid
	}
	return "unknown"
}
