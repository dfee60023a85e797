package folder

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// shop is a person who drops files, on a machine that fails. It remembers
// what it delivered and has not overwritten itself.
type shop struct {
	*rig
	rt     *rapid.T
	serial int
	due    map[string]bool // contents that must be found in the end

	mu      sync.Mutex     // guards what follows
	failing map[string]int // how many more steps of each kind fail
	crashIn int            // steps until the machine goes down; negative for never
}

var shopNames = []string{"a.xjdf", "b.json", "c.jmf"}

func (s *shop) name(label string) string { return rapid.SampledFrom(shopNames).Draw(s.rt, label) }

// fresh makes a content that no other file has.
func (s *shop) fresh(kind string) string {
	s.serial++
	return fmt.Sprintf("%s %d%s\n", kind, s.serial, strings.Repeat(".", s.serial%7))
}

// overwrite forgets what lies under a name: its writer is about to replace it.
func (s *shop) overwrite(name string) {
	if s.exists(name) {
		delete(s.due, s.content(name))
	}
}

// deliver puts a content under a name, in place or by renaming.
func (s *shop) deliver(name, content string) {
	s.overwrite(name)
	s.due[content] = true
	if rapid.Bool().Draw(s.rt, "in place") {
		s.put(name, content)
		return
	}
	s.swap(name, content)
}

// finish appends the missing end to a half file, if it still waits for it.
func (s *shop) finish(name string) {
	if !s.exists(name) {
		return
	}
	was := s.content(name)
	if strings.HasPrefix(was, "good") && !strings.HasSuffix(was, "end\n") {
		delete(s.due, was)
		s.due[was+"end\n"] = true
		s.add(name, "end\n")
	}
}

func (s *shop) rename(from, to string) {
	if from == to || !s.exists(from) {
		return
	}
	s.overwrite(to)
	check(s.t, os.Rename(s.path(from), s.path(to)))
}

// step is the disk's fault hook.
func (s *shop) step(op, _ string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.crashIn == 0 {
		return errCrash
	}
	if s.crashIn > 0 {
		s.crashIn--
	}
	if s.failing[op] > 0 {
		s.failing[op]--
		return map[string]error{"open": syscall.EACCES, "write": syscall.ENOSPC}[op]
	}
	return s.failed(op, syscall.EIO)
}

// failed draws on the faults that are counted under "eio <op>".
func (s *shop) failed(op string, err error) error {
	if s.failing["eio "+op] > 0 {
		s.failing["eio "+op]--
		return err
	}
	return nil
}

func (s *shop) before() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.crashIn == 0 {
		return errCrash
	}
	return s.failed("publish", errors.New("the journal is down"))
}

func (s *shop) after() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.crashIn == 0 {
		return errCrash
	}
	return s.failed("answer", errors.New("the journal's answer was lost"))
}

func (s *shop) restart() {
	s.stop()
	s.crashIn = -1
	s.start()
}

// act draws one thing that happens.
func (s *shop) act() {
	rt := s.rt
	switch rapid.SampledFrom([]string{"good", "good", "bad", "half", "finish", "part", "rename", "fault", "crash", "restart", "apart", "wait", "wait", "wait"}).Draw(rt, "act") {
	case "good":
		s.deliver(s.name("name"), s.fresh("good")+"end\n")
	case "bad":
		s.deliver(s.name("name"), s.fresh("bad")+"end\n")
	case "half":
		s.deliver(s.name("name"), s.fresh("good"))
	case "finish":
		s.finish(s.name("name"))
	case "part":
		name, content := s.name("name"), s.fresh("good")+"end\n"
		s.put(name+".part", content[:len(content)/2])
		s.wait()
		s.put(name+".part", content)
		s.overwrite(name)
		s.due[content] = true
		check(s.t, os.Rename(s.path(name+".part"), s.path(name)))
	case "rename":
		s.rename(s.name("from"), s.name("to"))
	case "fault":
		op := rapid.SampledFrom([]string{"open", "write", "eio root", "eio lstat", "eio open", "eio read", "eio readdir", "eio stat",
			"eio rename", "eio remove", "eio mkdir", "eio sync", "eio create", "eio publish", "eio answer"}).Draw(rt, "op")
		times := rapid.IntRange(1, 4).Draw(rt, "times")
		s.mu.Lock()
		s.failing[op] += times
		s.mu.Unlock()
	case "crash":
		steps := rapid.IntRange(0, 60).Draw(rt, "steps until the crash")
		s.mu.Lock()
		s.crashIn = steps
		s.mu.Unlock()
	case "restart":
		s.restart()
	case "apart":
		s.disk.do(func() { s.disk.apart = !s.disk.apart })
	case "wait":
		s.wait()
	}
}

// wait lets time pass until the watcher is at rest, so that what the shop
// sees in the folder is what it acts on.
func (s *shop) wait() {
	rest(time.Duration(rapid.SampledFrom([]int{50, 1_000, 2_100, 5_000, 40_000, 130_000}).Draw(s.rt, "ms")) * time.Millisecond)
}

// TestNothingIsLostOrDoubled plays random sequences of deliveries and faults,
// heals everything, and audits: each content that its writer did not overwrite
// lies in exactly one place once, good ones under one id, bad ones beside a
// reason.
func TestNothingIsLostOrDoubled(t *testing.T) {
	root := t.TempDir()
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(root, "")
		check(t, err)
		defer os.RemoveAll(dir)
		rapid.SyncTest(rt, func(rt *rapid.T) {
			s := &shop{rig: newRigIn(t, dir), rt: rt, due: map[string]bool{}, failing: map[string]int{}, crashIn: -1}
			s.disk.set(s.step)
			s.book.fail(s.before, s.after)
			s.start()
			for range rapid.IntRange(1, 25).Draw(rt, "length") {
				synctest.Wait()
				s.act()
			}
			synctest.Wait()
			s.stop()
			clear(s.failing)
			s.crashIn = -1
			s.start()
			rest(30 * time.Minute)
			s.stop()
			must := make([]string, 0, len(s.due))
			for content := range s.due {
				must = append(must, content)
			}
			verdict := &recorder{TB: t}
			audit(verdict, dir, s.book, must...)
			if len(verdict.faults) > 0 {
				rt.Fatalf("%s\nlog:\n%s", strings.Join(verdict.faults, "\n"), s.logged.String())
			}
		})
	})
}

// recorder collects the checker's findings, so that rapid can shrink on them.
type recorder struct {
	testing.TB
	faults []string
}

func (r *recorder) Helper() {}

func (r *recorder) Errorf(format string, args ...any) {
	r.faults = append(r.faults, fmt.Sprintf(format, args...))
}
