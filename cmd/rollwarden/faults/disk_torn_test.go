package faults

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// damage is what a disk can do to a file.
type damage struct {
	name string
	do   func(content []byte) []byte
}

var damages = []damage{
	{"cut short", func(b []byte) []byte { return b[:len(b)/2] }},
	{"cut by a byte", func(b []byte) []byte { return b[:len(b)-1] }},
	{"empty", func([]byte) []byte { return nil }},
	{"a bit flipped in the head", func(b []byte) []byte { b[15] ^= 4; return b }},
	{"a bit flipped in the state", func(b []byte) []byte { b[len(b)-20] ^= 4; return b }},
	{"rubbish after the end", func(b []byte) []byte { return append(b, 0, 1, 2, 3) }},
	{"zeros", func(b []byte) []byte { return make([]byte, len(b)) }},
}

func (s *shop) damage(path string, d damage) {
	s.tb.Helper()
	content, err := os.ReadFile(path)
	s.must(err)
	s.must(os.WriteFile(path, d.do(content), 0o644))
}

// A snapshot that is not whole is passed over, and told.
func TestASnapshotIsTorn(t *testing.T) {
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = hook.environ()
	s.start()
	m := s.play("north/heron", 1)
	for _, d := range damages {
		s.stop()
		file := s.newestSnapshot()
		s.damage(file, d)
		s.start()
		s.logs("snapshot cannot be used", filepath.Base(file))
		m.must1(m.job(soon(t)), "a job after a snapshot was torn: "+d.name)
		s.prove(hook)
	}
}

// block is the file that the end of the journal lies in.
func (s *shop) block() string {
	s.tb.Helper()
	files, err := filepath.Glob(s.path("data", "nats", "jetstream", "*", "streams", journalStream, "msgs", "*.blk"))
	s.must(err)
	if len(files) == 0 {
		s.tb.Fatal("the journal has no files")
	}
	return slices.MaxFunc(files, func(a, b string) int { return strings.Compare(fmt.Sprintf("%099s", a), fmt.Sprintf("%099s", b)) })
}

// hidden is damage that the server only sees when it reads the entry: after an
// orderly end it trusts its index.
const hidden = "a bit flipped in the middle"

// torn is what can become of the end of the journal's files, after an orderly end
// and after kill -9. The server repairs what it finds, by leaving out what it
// cannot read; nothing but that it is missing tells of it then.
var torn = []struct {
	damage
	loses bool
}{
	{damage{"rubbish after the end", func(b []byte) []byte { return append(b, 0, 1, 2, 3) }}, false},
	{damage{"a block of zeros after the end", func(b []byte) []byte { return append(b, make([]byte, 4096)...) }}, false},
	{damage{"cut by a thousand bytes", func(b []byte) []byte { return b[:len(b)-1000] }}, true},
	{damage{hidden, flip}, true},
	{damage{"empty", func([]byte) []byte { return nil }}, true},
}

func flip(b []byte) []byte { b[len(b)/2] ^= 4; return b }

// A journal that is torn is told of, the watch goes on, and what came before and
// comes after is neither lost nor counted twice.
func TestTheJournalIsTorn(t *testing.T) {
	for _, d := range torn {
		if d.name != hidden {
			t.Run(d.name+", after an orderly end", func(t *testing.T) { tear(t, d.damage, d.loses, syscall.SIGTERM) })
		}
		t.Run(d.name+", after kill -9", func(t *testing.T) { tear(t, d.damage, d.loses, syscall.SIGKILL) })
	}
}

func tear(t *testing.T, d damage, loses bool, sig syscall.Signal) {
	s := newShop(t, "")
	s.start()
	s.play("north/heron", 2)
	s.settle()
	before := s.journal()
	s.until("the watch has written down how far it has read", func() (bool, string) {
		mark, err := os.ReadFile(s.path("data", "journal.mark"))
		return strings.TrimSpace(string(mark)) == fmt.Sprint(len(before)), fmt.Sprintf("%q, %v", mark, err)
	})
	_ = s.end(sig)
	s.damage(s.block(), d)
	s.start()

	said := string(s.log()[s.now().begins:])
	told := strings.Contains(said, "the journal ends sooner than it did") || strings.Contains(said, "entries are missing in the journal")
	if told != loses {
		t.Errorf("entries were lost: %t; the watch says so: %t", loses, told)
	}
	s.acked = nil
	s.play("quay/wren", 1)
	metrics, journal := s.settle(), s.journal()
	var r report
	r.acked(distinct(journal), s.acked)
	if !loses {
		r.faults = check(journal, evidence{acked: s.acked, metrics: metrics, exits: cureExits()})
	}
	if sig == syscall.SIGKILL { // no snapshot knows what is lost
		r.counts(journal, distinct(journal), metrics)
	}
	complain(t, r.faults)
}

// A bit that flipped in an old entry is found when the entry is read, as a start
// without snapshots does. Until then what was counted of it is right.
func TestAnOldEntryIsDamaged(t *testing.T) {
	s := newShop(t, "")
	s.start()
	s.play("north/heron", 2)
	s.stop()
	s.damage(s.block(), damage{hidden, flip})
	s.must(os.RemoveAll(s.path("data", "snapshots")))
	s.start()
	s.logs("journal entries are missing", `"first":`, `"last":`)
	metrics, journal := s.settle(), s.journal()
	var r report
	r.counts(journal, distinct(journal), metrics)
	complain(t, r.faults)
	if r.sequence(journal); len(r.faults) == 0 {
		t.Error("no entry is missing")
	}
}
