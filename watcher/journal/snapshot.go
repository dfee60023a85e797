package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/rs/zerolog"
)

// Snapshots keeps states of the fold in files, so that a restart need not read
// the whole journal. They are a convenience: the journal stays the truth, and
// a file that is not whole is passed over.
//
// Their user alone may read them: a state has everybody's names in it. One goroutine
// at a time may use a folder.
type Snapshots struct {
	Dir string
	Log zerolog.Logger // says which files were passed over
}

// A snapshot file is a header and the state after it. Numbers are big-endian.
//
//	offset  size  content
//	     0     8  magic
//	     8     4  version of this layout
//	    12     8  sequence of the last entry in the state
//	    20     8  length of the state, bytes
//	    28    32  SHA-256 of the 28 bytes above and the state
//	    60        the state
const (
	snapshotMagic   = "RWSNAP\r\n" // a transfer as text would damage it visibly
	snapshotVersion = 1
	sumOffset       = 28
	stateOffset     = sumOffset + sha256.Size
)

const (
	snapshotSuffix = ".snapshot"
	snapshotTemp   = "next.tmp" // overwritten by the next Save after a crash
	snapshotsKept  = 3
)

// Save writes the state after the entry seq, durably, before it returns. It
// then removes all but the newest three snapshots.
func (s Snapshots) Save(seq uint64, state []byte) error {
	if seq == 0 {
		return errors.New("save snapshot: want the sequence of a journal entry, got 0")
	}
	if err := os.MkdirAll(s.Dir, 0o700); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	temp := filepath.Join(s.Dir, snapshotTemp)
	if err := writeSynced(temp, snapshotHeader(seq, state), state); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	if err := os.Rename(temp, filepath.Join(s.Dir, snapshotName(seq))); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	if err := syncDir(s.Dir); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	return s.prune(snapshotsKept)
}

// Load returns the newest whole snapshot. The sequence is 0 and the state nil
// when there is none; the fold then starts from the first entry. Files that are
// torn or damaged are logged and left where they are.
func (s Snapshots) Load() (seq uint64, state []byte, err error) {
	names, err := s.list()
	if err != nil {
		return 0, nil, fmt.Errorf("load snapshot: %w", err)
	}
	for _, name := range slices.Backward(names) {
		path := filepath.Join(s.Dir, name)
		seq, state, err := readSnapshot(path)
		if err == nil {
			return seq, state, nil
		}
		s.Log.Warn().Err(err).Str("file", path).Msg("snapshot cannot be used, falling back to an older one or to the whole journal")
	}
	return 0, nil, nil
}

// Remove removes every snapshot. The fold then starts from the first entry.
func (s Snapshots) Remove() error { return s.prune(0) }

// snapshotName sorts by sequence: 20 digits hold every uint64.
func snapshotName(seq uint64) string { return fmt.Sprintf("%020d%s", seq, snapshotSuffix) }

// snapshotHeader returns the header of a state.
func snapshotHeader(seq uint64, state []byte) []byte {
	h := make([]byte, 0, stateOffset)
	h = append(h, snapshotMagic...)
	h = binary.BigEndian.AppendUint32(h, snapshotVersion)
	h = binary.BigEndian.AppendUint64(h, seq)
	h = binary.BigEndian.AppendUint64(h, uint64(len(state)))
	return append(h, snapshotSum(h, state)...)
}

func snapshotSum(head, state []byte) []byte {
	sum := sha256.New()
	sum.Write(head)
	sum.Write(state)
	return sum.Sum(nil)
}

// readSnapshot reads a file and says what is wrong with it.
func readSnapshot(path string) (seq uint64, state []byte, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return 0, nil, err
	}
	seq, state, err = parseSnapshot(b)
	if want := snapshotName(seq); err == nil && filepath.Base(path) != want {
		err = fmt.Errorf("file name does not match its sequence %d: want %s", seq, want)
	}
	return seq, state, err
}

// parseSnapshot takes the content of a file apart. The state is part of b.
func parseSnapshot(b []byte) (seq uint64, state []byte, err error) {
	if len(b) < stateOffset {
		return 0, nil, fmt.Errorf("file of %d bytes: want at least %d", len(b), stateOffset)
	}
	head, sum, state := b[:sumOffset], b[sumOffset:stateOffset], b[stateOffset:]
	if string(head[:8]) != snapshotMagic {
		return 0, nil, errors.New("not a snapshot file")
	}
	if v := binary.BigEndian.Uint32(head[8:]); v != snapshotVersion {
		return 0, nil, fmt.Errorf("layout version %d: want %d", v, snapshotVersion)
	}
	seq = binary.BigEndian.Uint64(head[12:])
	if n := binary.BigEndian.Uint64(head[20:]); n != uint64(len(state)) {
		return 0, nil, fmt.Errorf("state of %d bytes: want %d", len(state), n)
	}
	if !bytes.Equal(sum, snapshotSum(head, state)) {
		return 0, nil, errors.New("checksum does not match")
	}
	return seq, state, nil
}

// list returns the names of the snapshots, oldest first. A folder that is not
// there holds none.
func (s Snapshots) list() ([]string, error) {
	files, err := os.ReadDir(s.Dir) // sorted by name
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var names []string
	for _, f := range files {
		digits, ok := strings.CutSuffix(f.Name(), snapshotSuffix)
		if ok && len(digits) == 20 && strings.Trim(digits, "0123456789") == "" {
			names = append(names, f.Name())
		}
	}
	return names, nil
}

// prune removes all but the newest snapshots.
func (s Snapshots) prune(kept int) error {
	names, err := s.list()
	if err != nil {
		return fmt.Errorf("remove old snapshots: %w", err)
	}
	for len(names) > kept {
		if err := os.Remove(filepath.Join(s.Dir, names[0])); err != nil {
			return fmt.Errorf("remove old snapshots: %w", err)
		}
		names = names[1:]
	}
	return nil
}

// writeSynced writes a file and has the disk take it before it returns.
func writeSynced(path string, parts ...[]byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	for _, p := range parts {
		if _, err := f.Write(p); err != nil {
			return errors.Join(err, f.Close())
		}
	}
	return errors.Join(f.Sync(), f.Close())
}

// syncDir makes a rename last. Windows offers no such call and keeps its
// folders in a journal of its own.
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
