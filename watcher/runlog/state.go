package runlog

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
)

// File is a state in a file of that path.
type File string

// Load implements State.
func (f File) Load() ([]byte, error) { return os.ReadFile(string(f)) }

// Save implements State. A crash or a power cut leaves the old file or the new one.
func (f File) Save(data []byte) error {
	dir, next := filepath.Dir(string(f)), string(f)+".tmp"
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := writeSynced(next, data); err != nil {
		return err
	}
	if err := os.Rename(next, string(f)); err != nil {
		return err
	}
	return syncDir(dir)
}

func writeSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// syncDir makes a rename last. Windows offers no such call and keeps its folders in a
// journal of its own.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
