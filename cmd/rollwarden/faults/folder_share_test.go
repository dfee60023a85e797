package faults

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A ticket folder that vanishes and comes back is waited for. What was dropped
// meanwhile counts once, and nothing that was there before counts again.
func TestATicketFolderVanishes(t *testing.T) {
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = hook.environ()
	s.start()
	m := s.play("north/heron", 1)

	inbox, away := s.inbox("north/heron"), s.path("away")
	s.must(os.Rename(inbox, away))
	s.logs("north-heron", "make the folder or mount its share")
	s.play("quay/wren", 1) // the other folders are read on
	text := ticket("KL-away")
	s.must(os.WriteFile(filepath.Join(away, "KL-away.json"), []byte(text), 0o644))
	s.files = append(s.files, dropped{inbox, "KL-away.json", sumOf([]byte(text))})
	if ok, instead := s.ready(); !ok {
		t.Errorf("a folder that is away is no reason to be unready: %s", instead)
	}
	s.must(os.Rename(away, inbox))
	m.must1(m.alarmed(soon(t), "KL-away", "queued"), "the alarm of a ticket that was away")
	s.logs("north-heron", "the ticket folder is in order again")
	s.prove(hook)
}

// flood is how many files come at once.
func flood() int {
	if long() {
		return 100_000
	}
	return 5000
}

// A flood of tickets, as from an export that runs wild, is read to its end, and
// an alarm of another machine does not wait for it.
func TestAFloodOfTickets(t *testing.T) {
	s := newShop(t, "")
	s.start()
	waiting := s.path("waiting")
	s.must(os.Mkdir(waiting, 0o755))
	for i := range flood() {
		job := fmt.Sprint("KL-flood-", i)
		text := ticket(job)
		s.must(os.WriteFile(filepath.Join(waiting, job+".json"), []byte(text), 0o644))
		s.files = append(s.files, dropped{s.inbox("north/heron"), job + ".json", sumOf([]byte(text))})
	}
	s.must(os.RemoveAll(s.inbox("north/heron")))
	began := time.Now()
	s.must(os.Rename(waiting, s.inbox("north/heron")))
	left := func() int {
		files, err := filepath.Glob(filepath.Join(s.inbox("north/heron"), "*.json"))
		s.must(err)
		return len(files)
	}
	other := func(machine string) time.Duration {
		began := time.Now()
		s.play(machine, 1)
		return time.Since(began)
	}
	first, last := other("quay/plover"), time.Duration(0)
	if left() == 0 {
		t.Error("the other machine waited for the end of the flood")
	}
	for before := -1; before != 0; time.Sleep(100 * time.Millisecond) {
		now := left()
		if now == before && !s.moves() {
			t.Fatalf("%d files are left, and none moves within %s", now, patience)
		}
		if last == 0 && now < flood()/2 {
			last = other("quay/wren")
		}
		before = now
	}
	took := time.Since(began)
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.now().process.Pid))
	s.must(err)
	t.Logf("%d files in %s, %s each; a job on another machine took %s at first and %s later; memory at most %s", flood(), took.Round(time.Millisecond),
		(took / time.Duration(flood())).Round(time.Microsecond), first.Round(time.Millisecond), last.Round(time.Millisecond),
		strings.Join(strings.Fields(firstLine(string(status), "VmHWM:"))[1:], " "))
	s.prove(nil)
}

// moves reports whether any file leaves the flooded folder before patience ends.
func (s *shop) moves() bool {
	count := func() int {
		left, _ := filepath.Glob(filepath.Join(s.inbox("north/heron"), "*.json"))
		return len(left)
	}
	before := count()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if count() != before {
			return true
		}
	}
	return false
}
