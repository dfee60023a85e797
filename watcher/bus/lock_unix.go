//go:build !windows

package bus

import (
	"errors"
	"os"
	"syscall"
)

// openLocked opens the file and takes an exclusive advisory lock on it.
func openLocked(name string) (*os.File, error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = errLocked
	}
	return nil, errors.Join(err, f.Close())
}
