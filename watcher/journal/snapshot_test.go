package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/rs/zerolog"
)

// snapshots returns a store in a fresh folder and what it logs.
func snapshots(t *testing.T) (Snapshots, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	return Snapshots{Dir: filepath.Join(t.TempDir(), "snapshots"), Log: zerolog.New(&log)}, &log
}

func save(t *testing.T, s Snapshots, seq uint64, state string) {
	t.Helper()
	if err := s.Save(seq, []byte(state)); err != nil {
		t.Fatalf("save %d: %v", seq, err)
	}
}

func wantLoad(t *testing.T, s Snapshots, seq uint64, state string) {
	t.Helper()
	gotSeq, got, err := s.Load()
	if err != nil || gotSeq != seq || string(got) != state {
		t.Fatalf("load = %d %q %v, want %d %q", gotSeq, got, err, seq, state)
	}
}

func (s Snapshots) path(seq uint64) string { return filepath.Join(s.Dir, snapshotName(seq)) }

func TestSnapshotNoneYet(t *testing.T) {
	s, log := snapshots(t)
	wantLoad(t, s, 0, "")
	if log.Len() > 0 {
		t.Errorf("logged %s", log)
	}
	if err := s.Save(0, nil); err == nil {
		t.Error("a snapshot of nothing was saved")
	}
}

func TestSnapshotNewestWins(t *testing.T) {
	s, log := snapshots(t)
	for seq := uint64(8); seq <= 12; seq++ { // 9 and 10 would sort wrongly without the zeros
		save(t, s, seq, strings.Repeat("s", int(seq)))
	}
	wantLoad(t, s, 12, strings.Repeat("s", 12))
	names, err := s.list()
	if err != nil || len(names) != snapshotsKept || names[0] != snapshotName(10) {
		t.Errorf("kept %v, %v; want the newest %d", names, err, snapshotsKept)
	}
	save(t, s, 13, "") // an empty state is a state
	wantLoad(t, s, 13, "")
	save(t, s, 13, "again") // and may be written again
	wantLoad(t, s, 13, "again")
	if log.Len() > 0 {
		t.Errorf("logged %s", log)
	}
}

// A crash can end a file anywhere.
func TestSnapshotTornAtEveryByte(t *testing.T) {
	s, log := snapshots(t)
	save(t, s, 1, "older state")
	save(t, s, 2, "newer state")
	whole, err := os.ReadFile(s.path(2))
	if err != nil {
		t.Fatal(err)
	}
	for n := range whole {
		write(t, s.path(2), whole[:n])
		log.Reset()
		wantLoad(t, s, 1, "older state")
		if !strings.Contains(log.String(), snapshotName(2)) {
			t.Fatalf("torn at %d: the log does not say so: %s", n, log)
		}
	}
	write(t, s.path(2), append(whole, 0))
	wantLoad(t, s, 1, "older state")
	write(t, s.path(2), whole)
	wantLoad(t, s, 2, "newer state")
}

func TestSnapshotDamagedAtEveryByte(t *testing.T) {
	s, _ := snapshots(t)
	save(t, s, 1, "older state")
	save(t, s, 2, "newer state")
	whole, err := os.ReadFile(s.path(2))
	if err != nil {
		t.Fatal(err)
	}
	for i := range whole {
		for bit := range 8 {
			damaged := bytes.Clone(whole)
			damaged[i] ^= 1 << bit
			write(t, s.path(2), damaged)
			wantLoad(t, s, 1, "older state")
		}
	}
}

func TestSnapshotSaysWhatIsWrong(t *testing.T) {
	good := append(snapshotHeader(7, []byte("state")), "state"...)
	edit := func(change func([]byte)) []byte {
		b := bytes.Clone(good)
		change(b)
		return b
	}
	tests := []struct {
		name string
		file []byte
		want string
	}{
		{"empty", nil, "file of 0 bytes: want at least 60"},
		{"other file", bytes.Repeat([]byte("x"), 80), "not a snapshot file"},
		{"newer layout", edit(func(b []byte) { b[11] = 2 }), "layout version 2: want 1"},
		{"short", good[:len(good)-1], "state of 4 bytes: want 5"},
		{"wrong checksum", edit(func(b []byte) { b[sumOffset] ^= 1 }), "checksum does not match"},
		{"wrong sequence", edit(func(b []byte) { b[19] = 9 }), "checksum does not match"},
		{"renamed", append(snapshotHeader(6, nil), nil...), "file name does not match its sequence 6"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, log := snapshots(t)
			if err := os.MkdirAll(s.Dir, 0o750); err != nil {
				t.Fatal(err)
			}
			write(t, s.path(7), tt.file)
			wantLoad(t, s, 0, "")
			if !strings.Contains(log.String(), tt.want) {
				t.Errorf("log %s does not say %q", log, tt.want)
			}
		})
	}
}

// The layout is fixed: files outlive the program that wrote them. The checksum
// was computed apart from this code with coreutils:
//
//	printf 'RWSNAP\r\n\0\0\0\1\0\0\0\0\0\0\1\2\0\0\0\0\0\0\0\3abc' | sha256sum
func TestSnapshotLayout(t *testing.T) {
	s, _ := snapshots(t)
	save(t, s, 258, "abc")
	got, err := os.ReadFile(s.path(258))
	if err != nil {
		t.Fatal(err)
	}
	const sum = "bf7d7f72111a2983a6150054be7e0984ec4ed5ddb7e8475b9fbd36ebdc91fe4d"
	want := hex.EncodeToString([]byte("RWSNAP\r\n")) + "00000001" + "0000000000000102" + "0000000000000003" + sum + hex.EncodeToString([]byte("abc"))
	if hex.EncodeToString(got) != want {
		t.Errorf("file = %x\nwant   %s", got, want)
	}
	if filepath.Base(s.path(258)) != "00000000000000000258.snapshot" {
		t.Errorf("name = %s", s.path(258))
	}
	if len(got) != 60+3 || sha256.Size != 32 {
		t.Errorf("file of %d bytes, want 63", len(got))
	}
}

func TestSnapshotSurvivesLeftovers(t *testing.T) {
	s, log := snapshots(t)
	save(t, s, 1, "state")
	write(t, filepath.Join(s.Dir, snapshotTemp), []byte("half a snap"))
	write(t, filepath.Join(s.Dir, "notes.txt"), []byte("mine"))
	wantLoad(t, s, 1, "state")
	save(t, s, 2, "next")
	wantLoad(t, s, 2, "next")
	if _, err := os.Stat(filepath.Join(s.Dir, "notes.txt")); err != nil {
		t.Errorf("a foreign file is gone: %v", err)
	}
	if log.Len() > 0 {
		t.Errorf("logged %s", log)
	}
}

func TestSnapshotFolderThatCannotBe(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	write(t, file, nil)
	s := Snapshots{Dir: file}
	wantError(t, s.Save(1, nil), "save snapshot", file)
	if _, _, err := s.Load(); err == nil {
		t.Error("a file was read as a folder of snapshots")
	}
}

// A file that is accepted is one that Save writes.
func FuzzParseSnapshot(f *testing.F) {
	f.Add([]byte(nil))
	f.Add(append(snapshotHeader(7, []byte("state")), "state"...))
	f.Add(snapshotHeader(1, nil))
	f.Fuzz(func(t *testing.T, file []byte) {
		seq, state, err := parseSnapshot(file)
		if err == nil && !bytes.Equal(file, append(snapshotHeader(seq, state), state...)) {
			t.Errorf("accepted %x as %d %x", file, seq, state)
		}
	})
}

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestStatesAreForTheirUserAlone wants nobody else to read a folded state, which has
// everybody's names in it, nor the mark.
func TestStatesAreForTheirUserAlone(t *testing.T) {
	if runtime.GOOS == "windows" {
		return // which has no such modes
	}
	dir := filepath.Join(t.TempDir(), "data")
	s := Snapshots{Dir: filepath.Join(dir, "snapshots"), Log: zerolog.Nop()}
	if err := s.Save(7, []byte("state")); err != nil {
		t.Fatal(err)
	}
	mark := filepath.Join(dir, "journal.mark")
	if err := writeMark(mark, 7); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]fs.FileMode{
		s.Dir: 0o700, filepath.Join(s.Dir, snapshotName(7)): 0o600, mark: 0o600,
	} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: want %v, got %v, %v", path, want, info.Mode(), err)
		}
	}
}
