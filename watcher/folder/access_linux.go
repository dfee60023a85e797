package folder

import (
	"io/fs"
	"syscall"
)

// access reports why this user cannot enter a folder and write in it, or nil; see
// access(2).
func access(dir string) error {
	const writeEnter = 2 | 1
	if err := syscall.Access(dir, writeEnter); err != nil {
		return &fs.PathError{Op: "cannot write in", Path: dir, Err: err}
	}
	return nil
}
