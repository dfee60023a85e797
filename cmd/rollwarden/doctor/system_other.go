//go:build !linux

package doctor

import (
	"errors"
	"os"
)

// Disk implements System.
func (Local) Disk(string) (Disk, error) { return Disk{}, errors.ErrUnsupported }

// FileSystem implements System.
func (Local) FileSystem(string) (string, bool, error) { return "", false, errors.ErrUnsupported }

// Device implements System.
func (Local) Device(string) (uint64, error) { return 0, errors.ErrUnsupported }

// Writable implements System.
func (s Local) Writable(folder string) error {
	if _, err := os.Stat(folder); err != nil {
		return err
	}
	_, err := s.Touch(folder)
	return err
}

// Number implements System.
func (Local) Number(string) (uint64, error) { return 0, errors.ErrUnsupported }

// Files implements System.
func (Local) Files(int) (uint64, error) { return 0, errors.ErrUnsupported }

// Synchronised implements System.
func (Local) Synchronised() (bool, error) { return false, errors.ErrUnsupported }
