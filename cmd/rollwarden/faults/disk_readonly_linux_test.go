package faults

import (
	"os"
	"path/filepath"
	"testing"
)

// A ticket folder that can be read and not written: its tickets are judged all
// the same, their files wait, a person is told why, and they move as soon as
// they can.
func TestATicketFolderIsReadOnly(t *testing.T) {
	if !ownMounts(t) {
		return
	}
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = hook.environ()
	s.start()
	m := s.play("north/heron", 1)

	inbox, share := s.inbox("north/heron"), s.path("share")
	s.must(os.Mkdir(share, 0o755))
	s.mount(share, inbox, "", bind, "")
	s.mount("none", inbox, "", bind|remount|readonly, "")
	text := ticket("KL-stuck")
	s.must(os.WriteFile(filepath.Join(share, "KL-stuck.json"), []byte(text), 0o644))
	s.files = append(s.files, dropped{share, "KL-stuck.json", sumOf([]byte(text))})
	m.must1(m.alarmed(soon(t), "KL-stuck", "queued"), "the alarm of a ticket that cannot be moved")
	s.logs("KL-stuck.json", "stuck", "read-only file system", "the right to write in")

	s.kill() // and the next watch reads the file again
	s.start()
	s.logs("KL-stuck.json", "stuck")
	s.unmount(inbox)
	s.mount(share, inbox, "", bind, "")
	s.until("the file moves by itself", func() (bool, string) {
		_, err := os.Stat(filepath.Join(share, "accepted", "KL-stuck.json"))
		return err == nil, "it does not"
	})
	s.unmount(inbox) // the files of before lie below the mount
	s.prove(hook)
}

// A folder for snapshots that cannot be written costs time at the next start and
// nothing else.
func TestTheSnapshotFolderIsReadOnly(t *testing.T) {
	if !ownMounts(t) {
		return
	}
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = hook.environ()
	snapshots := s.path("data", "snapshots")
	s.must(os.MkdirAll(snapshots, 0o755))
	s.mount(snapshots, snapshots, "", bind, "")
	s.mount("none", snapshots, "", bind|remount|readonly, "")
	s.start()
	m := s.play("north/heron", 1)
	s.stop()
	s.logs("cannot save a snapshot", "read-only file system")
	if files := s.snapshots(); len(files) > 0 {
		t.Errorf("snapshots in a folder that cannot be written: %q", files)
	}

	s.unmount(snapshots)
	s.start()
	m.must1(m.job(soon(t)), "a job after a start without a snapshot")
	s.prove(hook)
	s.stop()
	if files := s.snapshots(); len(files) == 0 {
		t.Error("no snapshot, although the folder can be written again")
	}
}

// snapshots are the files of the newest states.
func (s *shop) snapshots() []string {
	s.tb.Helper()
	files, err := filepath.Glob(s.path("data", "snapshots", "*.snapshot"))
	s.must(err)
	return files
}

// newestSnapshot is the file that the next start would read.
func (s *shop) newestSnapshot() string {
	s.tb.Helper()
	files := s.snapshots() // sorted, and their names sort by sequence
	if len(files) == 0 {
		s.tb.Fatal("there is no snapshot")
	}
	return files[len(files)-1]
}
