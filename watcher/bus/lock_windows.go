package bus

import (
	"errors"
	"os"
	"syscall"
)

// sharingViolation is ERROR_SHARING_VIOLATION (Windows system error 32).
const sharingViolation syscall.Errno = 32

// openLocked opens the file so that others may read it but not write it, which
// no other openLocked can do at the same time.
func openLocked(name string) (*os.File, error) {
	path, err := syscall.UTF16PtrFromString(name)
	if err != nil {
		return nil, err
	}
	h, err := syscall.CreateFile(path, syscall.GENERIC_READ|syscall.GENERIC_WRITE, syscall.FILE_SHARE_READ,
		nil, syscall.OPEN_ALWAYS, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if errors.Is(err, sharingViolation) {
		return nil, errLocked
	}
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: name, Err: err}
	}
	return os.NewFile(uintptr(h), name), nil
}
