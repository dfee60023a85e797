package folder

import (
	"fmt"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// disturbance is something that happens in the middle of one step of the
// disk. It returns what the step itself shall say, and what must have been
// delivered in the end, given the first content.
type disturbance struct {
	name string
	do   func(r *rig, first string) ([]string, error)
}

var disturbances = []disturbance{
	{"replaced", func(r *rig, _ string) ([]string, error) {
		r.swap("order.xjdf", good("second, longer than the first"))
		return []string{good("second, longer than the first")}, nil
	}},
	{"replaced by a file of the same size and time", func(r *rig, first string) ([]string, error) {
		second := first[:5] + "X" + first[6:]
		was, err := os.Stat(r.path("order.xjdf"))
		r.put(".twin.part", second)
		if err == nil {
			check(r.t, os.Chtimes(r.path(".twin.part"), was.ModTime(), was.ModTime()))
		}
		check(r.t, os.Rename(r.path(".twin.part"), r.path("order.xjdf")))
		return []string{second}, nil
	}},
	{"appended to", func(r *rig, first string) ([]string, error) {
		if r.add("order.xjdf", "more\nend\n") {
			first += "more\nend\n"
		}
		return []string{first}, nil
	}},
	{"removed", func(r *rig, first string) ([]string, error) {
		if os.Remove(r.path("order.xjdf")) == nil {
			return nil, nil
		}
		return []string{first}, nil
	}},
	{"renamed", func(r *rig, first string) ([]string, error) {
		_ = os.Rename(r.path("order.xjdf"), r.path("other.xjdf"))
		return []string{first}, nil
	}},
	{"dropped again", func(r *rig, first string) ([]string, error) {
		r.swap("order.xjdf", first)
		return []string{first}, nil
	}},
	{"a read error", func(_ *rig, first string) ([]string, error) {
		return []string{first}, syscall.EIO
	}},
	{"no permission", func(_ *rig, first string) ([]string, error) {
		return []string{first}, syscall.EACCES
	}},
	{"a full disk", func(_ *rig, first string) ([]string, error) {
		return []string{first}, syscall.ENOSPC
	}},
}

// TestDisturbedAtEveryStep repeats the taking of one file and lets each
// disturbance happen before each single step of the disk in turn.
func TestDisturbedAtEveryStep(t *testing.T) {
	for _, first := range []string{good("first"), bad("first")} {
		for _, apart := range []bool{false, true} {
			steps := sweep(t, first, apart, -1, disturbance{do: func(_ *rig, first string) ([]string, error) { return []string{first}, nil }})
			if steps < 20 {
				t.Fatalf("the sweep covers only %d steps", steps)
			}
			for _, d := range disturbances {
				for at := range steps {
					sweep(t, first, apart, at, d)
				}
			}
		}
	}
}

// sweep takes one file, disturbs step number at, and audits. It returns how
// many steps there were until the file was away.
func sweep(t *testing.T, first string, apart bool, at int, d disturbance) (steps int) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	check(t, err)
	defer os.RemoveAll(dir)
	synctest.Test(t, func(t *testing.T) {
		r := newRigIn(t, dir)
		r.disk.apart = apart
		must := []string{first}
		where := "nowhere"
		n := 0
		r.disk.set(func(op, name string) error {
			n++
			if n-1 != at {
				return nil
			}
			where = op + " " + name
			var err error
			must, err = d.do(r, first)
			return err
		})
		r.put("order.xjdf", first)
		r.start()
		rest(5 * time.Second)
		steps = r.disk.count()
		rest(10 * time.Minute)
		r.stop()
		audit(t, dir, r.book, must...)
		if alone := orphans(t, dir); alone != nil {
			t.Errorf("notes without a file: %q", alone)
		}
		if t.Failed() {
			t.Fatalf("%q, apart %v, %s at step %d (%s)", first, apart, d.name, at, where)
		}
	})
	return steps
}

// TestCrashAtEveryStep lets the machine go down before each step and starts
// the watch again, once alone and once with a new file of the same name there.
func TestCrashAtEveryStep(t *testing.T) {
	for _, first := range []string{good("first"), bad("first")} {
		for _, apart := range []bool{false, true} {
			for _, next := range []string{"", good("second")} {
				for at := 0; crash(t, first, next, apart, at); at++ {
				}
			}
		}
	}
}

// crash reports whether step number at was reached while the file was taken.
func crash(t *testing.T, first, next string, apart bool, at int) (reached bool) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	check(t, err)
	defer os.RemoveAll(dir)
	synctest.Test(t, func(t *testing.T) {
		r := newRigIn(t, dir)
		r.disk.apart = apart
		n := 0
		down := func() error {
			if n > at {
				return errCrash
			}
			return nil
		}
		where := ""
		r.disk.set(func(op, name string) error {
			if n++; n == at+1 {
				where = op + " " + name
			}
			return down()
		})
		r.book.fail(down, down)
		r.put("order.xjdf", first)
		r.start()
		rest(5 * time.Second)
		r.stop()
		reached = n > at

		r.disk.set(nil)
		r.book.fail(nil, nil)
		must := []string{first}
		if next != "" {
			// An overwritten file was its writer's to lose.
			if r.exists("order.xjdf") {
				must = nil
			}
			must = append(must, next)
			r.swap("order.xjdf", next)
		}
		r.start()
		rest(10 * time.Minute)
		r.stop()
		audit(t, dir, r.book, must...)
		if t.Failed() {
			t.Fatalf("%q, then %q, apart %v, down at step %d (%s)", first, next, apart, at, where)
		}
	})
	return reached
}

// TestStoredButReportedFailed is the case of a journal that keeps the events
// and loses its answer.
func TestStoredButReportedFailed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		failures := 3
		r.book.fail(nil, func() error {
			if failures--; failures >= 0 {
				return fmt.Errorf("no answer: %w", os.ErrDeadlineExceeded)
			}
			return nil
		})
		r.put("order.xjdf", good("first"))
		r.start()
		rest(time.Minute)
		r.stop()
		if n := len(r.book.events()); n != 4 {
			t.Fatalf("stored %d times, want 4", n)
		}
		audit(t, r.dir, r.book, good("first"))
	})
}

// TestRestartBetweenPublishAndMove loses the power in the very gap.
func TestRestartBetweenPublishAndMove(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.book.fail(nil, func() error {
			r.disk.set(func(string, string) error { return errCrash })
			return nil
		})
		r.put("order.xjdf", good("first"))
		r.start()
		rest(5 * time.Second)
		r.stop()
		if !r.exists("order.xjdf") || len(r.book.events()) != 1 {
			t.Fatal("want the file in the inbox and its event in the journal")
		}
		r.disk.set(nil)
		r.book.fail(nil, nil)
		r.start()
		rest(5 * time.Second)
		r.stop()
		events := r.book.events()
		if len(events) != 2 || events[0].Key() != events[1].Key() {
			t.Fatalf("want one event twice, got %v", events)
		}
		audit(t, r.dir, r.book, good("first"))
	})
}
