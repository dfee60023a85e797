package runlog

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

const titles = "Job,State,Time,Fed\n"

// at is a row of a minute of the morning.
func at(job, state string, minute int) string {
	return fmt.Sprintf("%s,%s,2026-03-02 08:%02d:00,%d.5\n", job, state, minute, minute)
}

// What stood in the log before anybody followed it is history, and would be told
// as if it happened now.
func TestOldRowsAreNotTold(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.write("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.want("")
	r.add("runs.csv", at("KL-1", "done", 9))
	r.look()
	r.want("finished KL-1")
}

func TestOldRowsAreToldWhenWanted(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.o.Logs[0].History = true
	r.write("runs.csv", titles+at("KL-1", "printing", 1)+at("KL-1", "done", 9))
	r.look()
	r.want("started KL-1; finished KL-1")
}

// TestAFileThatCannotBeReadHoldsUpNoOther: what is new in the others is told, and of
// itself, once it can be read, what came after the first look.
func TestAFileThatCannotBeReadHoldsUpNoOther(t *testing.T) {
	for _, restart := range []bool{false, true} {
		t.Run(fmt.Sprintf("restart %t", restart), func(t *testing.T) {
			r := newRig(t, plain(), "runs*.csv")
			look := func() {
				if r.look(); restart {
					r.restart()
				}
			}
			foreign := strings.Replace(titles, "State", "Outcome", 1)
			r.write("runs-1.csv", foreign+at("KL-1", "printing", 1))
			r.write("runs-2.csv", titles+at("KL-2", "printing", 2))
			look()
			r.add("runs-1.csv", at("KL-1", "done", 3))
			r.add("runs-2.csv", at("KL-2", "done", 4))
			r.write("runs-3.csv", titles+at("KL-3", "printing", 5))
			look()
			r.want("finished KL-2; started KL-3")
			r.o.Logs[0].Format.Columns["state"] = "2"
			r.restart()
			look()
			r.want("finished KL-2; started KL-3; finished KL-1")
		})
	}
}

// TestAnUnreadableFileIsWaitedFor, at the first look and later: nothing in it is told
// as new that was read or passed over before.
func TestAnUnreadableFileIsWaitedFor(t *testing.T) {
	for what, fails := range map[string]func(path string) (*os.File, error){
		"it cannot be opened": func(path string) (*os.File, error) {
			return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrPermission}
		},
		"it goes away": func(path string) (*os.File, error) {
			return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrNotExist}
		},
		"its disk fails": func(path string) (*os.File, error) { return os.OpenFile(path, os.O_WRONLY, 0) }, // as if: reading gives an error
	} {
		for _, first := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, first %t", what, first), func(t *testing.T) {
				r := newRig(t, plain(), "runs*.csv")
				bad := func(path string) (*os.File, error) {
					if filepath.Base(path) == "runs-1.csv" {
						return fails(path)
					}
					return os.Open(path)
				}
				r.write("runs-1.csv", titles+at("KL-1", "printing", 1))
				r.write("runs-2.csv", titles)
				if !first {
					r.look()
				}
				r.open = bad
				r.look()
				r.add("runs-1.csv", at("KL-1", "done", 3))
				r.add("runs-2.csv", at("KL-2", "printing", 4))
				r.look()
				r.restart()
				r.look()
				r.want("started KL-2")
				r.open = nil
				r.look()
				r.want("started KL-2; finished KL-1")
			})
		}
	}
}

// A file that could not be read at first and was replaced since is another one.
func TestAReplacedFileIsNoHistory(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.write("runs.csv", strings.Repeat("not a log\n", 100))
	r.look()
	r.write("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.want("started KL-1")
}

func TestANewFileIsToldWhole(t *testing.T) {
	r := newRig(t, plain(), "runs-*.csv")
	r.look()
	r.write("runs-02.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.want("started KL-1")
	r.write("runs-03.csv", titles+at("KL-2", "printing", 2))
	r.add("runs-02.csv", at("KL-1", "done", 2))
	check(t, os.Chtimes(filepath.Join(r.dir, "runs-02.csv"), noon.Add(-time.Hour), noon.Add(-time.Hour)))
	r.look()
	r.want("started KL-1; finished KL-1; started KL-2")
}

func TestHalfALineWaitsForItsEnd(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.o.Settle = time.Hour
	r.look()
	for _, piece := range []string{"Job,Sta", "te,Time,Fed\n", "KL-1,printing,2026-03", "-02 08:00:00,0", ".0\nKL-1,fee", "ding,2026-03-02 08:01:00,1.5"} {
		r.add("runs.csv", piece)
		r.look()
		r.look()
	}
	r.want("started KL-1")
	r.add("runs.csv", "\n")
	r.look()
	r.want("started KL-1; progress KL-1")
}

// The last record may have no end of line (RFC 4180, rule 2).
func TestAQuietLastLineIsTakenForAWhole(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", titles+strings.TrimSuffix(at("KL-1", "printing", 1), "\n"))
	r.look()
	r.want("")
	r.look()
	r.want("started KL-1")
	r.add("runs.csv", "\n"+at("KL-1", "done", 2))
	r.look()
	r.want("started KL-1; finished KL-1")
}

func TestRotationLosesNoRow(t *testing.T) {
	for name, rotate := range map[string]func(*rig){
		"renamed": func(r *rig) { r.move("runs.csv", "runs.csv.1") },
		"copied and truncated": func(r *rig) {
			data, err := os.ReadFile(filepath.Join(r.dir, "runs.csv"))
			check(r, err)
			r.write("runs.csv.1", string(data))
			check(r, os.Truncate(filepath.Join(r.dir, "runs.csv"), 0))
		},
	} {
		for _, files := range []string{"runs.csv", "runs.csv*"} {
			for _, restart := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s, %s, restart %t", name, files, restart), func(t *testing.T) {
					r := newRig(t, plain(), files)
					r.look()
					r.write("runs.csv", titles+at("KL-1", "printing", 1))
					r.look()
					r.add("runs.csv", at("KL-1", "done", 9)) // not read before the rotation
					rotate(r)
					r.add("runs.csv", titles+at("KL-2", "printing", 11))
					if restart {
						r.restart()
					}
					r.look()
					r.look()
					if got := r.said(); got != "started KL-1; finished KL-1; started KL-2" && got != "started KL-1; started KL-2; finished KL-1" {
						t.Error(got)
					}
				})
			}
		}
	}
}

func TestATruncatedLogIsReadFromItsStart(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", titles+at("KL-1", "printing", 1)+at("KL-1", "done", 2))
	r.look()
	r.write("runs.csv", titles+at("KL-2", "printing", 3))
	r.look()
	r.want("started KL-1; finished KL-1; started KL-2")
}

// A file that was replaced by a longer one is found out by what is in it.
func TestAReplacedLogIsReadFromItsStart(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.write("runs.csv", titles+at("KL-2", "printing", 2)+at("KL-2", "done", 3)+at("KL-3", "printing", 4))
	r.look()
	r.want("started KL-1; started KL-2; finished KL-2; started KL-3")
}

func TestARestartGoesOnWhereItStopped(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.restart()
	r.add("runs.csv", at("KL-1", "done", 9))
	published := 0
	r.o.Publish = func(ctx context.Context, events ...event.Event) error {
		published += len(events)
		return r.publish(ctx, events...)
	}
	r.look()
	r.want("started KL-1; finished KL-1")
	if published != 1 {
		t.Errorf("%d events were published again", published-1)
	}
}

// Without its memory a watch passes over what is there; with an older one it tells
// again what it told, under the ids of before.
func TestReadingAgainCountsOnce(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	old, err := r.o.State.Load()
	check(t, err)
	r.write("runs.csv", titles+at("KL-1", "printing", 1)+"KL-1,feeding,2026-03-02 08:02:00,lots\n")
	r.look()
	r.restart()
	check(t, r.o.State.Save(old))
	r.look()
	r.want("started KL-1; ! runs.csv, line 3: column 4 (Fed): want a number with a decimal point and nothing between thousands, got \"lots\"; the row is passed over, and the rows after it count")
}

// TestATornState: it is told that rows may be missing, and the log goes on.
func TestATornState(t *testing.T) {
	for _, torn := range []string{"", `{"north/heron `, `null`, `{"north/heron x": null}`} {
		t.Run(torn, func(t *testing.T) {
			r := newRig(t, plain(), "runs.csv")
			r.write("runs.csv", titles)
			r.look()
			check(t, r.o.State.Save([]byte(torn)))
			r.restart()
			r.add("runs.csv", at("KL-1", "printing", 1)) // whether it was told nobody knows
			r.fail = errors.New("the journal is full")
			r.look()
			r.restart()
			r.fail = nil
			r.add("runs.csv", at("KL-1", "done", 2))
			r.look()
			r.restart()
			r.look()
			told, rest, _ := strings.Cut(r.said(), "; finished")
			if !strings.HasPrefix(told, "! runs.csv: nobody can tell any more how far this log was read") || rest != " KL-1" {
				t.Error(r.said())
			}
			for _, e := range r.byID {
				check(t, e.Data.Check())
			}
		})
	}
}

// TestAnotherWatchGoesOn from the same state with files of the same log, wherever it
// runs.
func TestAnotherWatchGoesOn(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	kept := &kept{}
	r.o.State = kept
	r.look()
	r.add("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.restart()
	r.add("runs.csv", at("KL-1", "done", 2))
	kept.fail = errors.New("NATS is away")
	r.look()
	r.want("started KL-1")
	kept.fail = nil
	r.look()
	r.want("started KL-1; finished KL-1")
}

// kept is a state that is no file.
type kept struct {
	data []byte
	fail error
}

func (k *kept) Load() ([]byte, error) {
	if k.fail == nil && k.data == nil {
		return nil, fs.ErrNotExist
	}
	return k.data, k.fail
}

func (k *kept) Save(data []byte) error {
	k.data = data
	return k.fail
}

func TestNothingIsLostWhileTheJournalIsAway(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.fail = errors.New("the journal is full")
	r.write("runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.add("runs.csv", at("KL-1", "done", 2))
	r.look()
	r.restart()
	r.look()
	r.want("")
	r.fail = nil
	r.look()
	r.want("started KL-1; finished KL-1")
}

// A share that is not mounted yet is not taken for one without a log: the log that
// turns up with it is history.
func TestAFolderThatIsNotThereYet(t *testing.T) {
	r := newRig(t, plain(), "share/runs.csv")
	r.look()
	check(t, os.Mkdir(filepath.Join(r.dir, "share"), 0o755))
	r.write("share/runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.move("share", "away")
	r.look()
	r.move("away", "share")
	r.add("share/runs.csv", at("KL-1", "done", 2))
	r.look()
	r.want("finished KL-1")
}

// A folder that cannot be listed is not taken for an empty one either.
func TestAFolderThatCannotBeListed(t *testing.T) {
	r := newRig(t, plain(), "share/runs.csv")
	r.write("share", "no folder")
	r.look()
	check(t, os.Remove(filepath.Join(r.dir, "share")))
	check(t, os.Mkdir(filepath.Join(r.dir, "share"), 0o755))
	r.write("share/runs.csv", titles+at("KL-1", "printing", 1))
	r.look()
	r.want("")
}

func TestAMissingColumnHoldsTheLog(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", "Job,Stat,Time,Fed\n"+at("KL-1", "printing", 1))
	r.look()
	if told := r.f.told[0]; !strings.Contains(told, `want a column "State", as columns.state says, got "Job,Stat,Time,Fed": did you mean "Stat"?`) {
		t.Error(told)
	}
	r.o.Logs[0].Format.Columns["state"] = "Stat"
	r.look()
	r.want("started KL-1")
}

func TestTroubleAndItsEnd(t *testing.T) {
	r := newRig(t, plain(), "share/runs.csv")
	kept := &kept{fail: errors.New("NATS is away")}
	r.o.State = kept
	r.o.Logs = append(r.o.Logs, Log{Files: filepath.Join(r.dir, "wren.csv"), Site: "north", Machine: "wren", Format: plain()})
	var told []string
	r.o.Trouble = func(l *Log, why string) { told = append(told, l.Machine+": "+why) }
	for _, step := range []struct {
		do   func()
		want []string // how each text goes on after the machine
	}{
		{func() {}, []string{"heron: read how far the run logs were read: NATS is away", "wren: read how"}},
		{func() { kept.fail = nil }, []string{"heron: open ", "wren: "}},
		{func() { check(t, os.Mkdir(filepath.Join(r.dir, "share"), 0o755)) }, []string{"heron: "}},
		{func() { r.write("share/runs.csv", "Name,Size\n") }, []string{"heron: runs.csv: header: want a column"}},
		{func() { r.add("share/runs.csv", "KL-1,2\n") }, nil},
		{func() { r.write("share/runs.csv", titles) }, []string{"heron: "}},
		{func() { r.fail = errors.New("the journal is full"); r.add("share/runs.csv", at("KL-1", "printing", 1)) }, []string{"heron: runs.csv: tell the journal: the journal is full"}},
		{func() { r.fail = nil; kept.fail = errors.New("the disk is full") },
			[]string{"heron: runs.csv: remember how far the run logs were read: the disk is full", "wren: remember how far", "heron: remember how far"}},
		{func() { kept.fail = nil }, []string{"heron: ", "wren: "}},
	} {
		told = nil
		step.do()
		r.look()
		r.look()
		ok := len(told) == len(step.want)
		for i := 0; ok && i < len(told); i++ {
			over := strings.HasSuffix(step.want[i], ": ")
			ok = told[i] == step.want[i] || !over && strings.HasPrefix(told[i], step.want[i])
		}
		if !ok {
			t.Errorf("want %q, got %q", step.want, told)
		}
	}
	r.want("started KL-1")
}

// TestWhateverHappensToTheFile plays a machine that writes, stops in the middle of
// lines, and has its log rotated, while the watch looks, ends, starts and loses its
// journal in between. In the end every row counts, once and in its order.
func TestWhateverHappensToTheFile(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, plain(), "runs.csv")
		r.o.Settle = time.Hour
		r.look()
		defer r.restart() // gives its notifications back
		var rows []string
		open := "" // the rest of a line that was begun
		write := func(half bool) {
			if open == "" {
				job := fmt.Sprintf("KL-%d", len(rows)+1)
				rows = append(rows, "started "+job)
				open = at(job, "printing", len(rows)%60)
				if size, err := os.Stat(filepath.Join(r.dir, "runs.csv")); err != nil || size.Size() == 0 {
					open = titles + open
				}
			}
			n := len(open)
			if half {
				n = rapid.IntRange(1, len(open)).Draw(rt, "letters")
			}
			r.add("runs.csv", open[:n])
			open = open[n:]
		}
		turns := 0
		for range rapid.IntRange(1, 30).Draw(rt, "steps") {
			switch rapid.SampledFrom([]string{"row", "row", "half", "look", "restart", "away", "back", "rotate"}).Draw(rt, "step") {
			case "row":
				write(false)
			case "half":
				write(true)
			case "look":
				r.look()
			case "restart":
				r.restart()
			case "away":
				r.fail = errors.New("away")
			case "back":
				r.fail = nil
			case "rotate":
				// A log is rotated between lines, and once in a while: within one
				// look two files that nobody has seen could go by.
				if r.fail = nil; open == "" && len(rows) > 0 {
					r.look()
					write(false)
					turns++
					r.move("runs.csv", fmt.Sprintf("runs.%d.csv", turns))
					write(false)
					r.look()
				}
			}
		}
		if open != "" {
			write(false)
		}
		r.fail = nil
		r.look()
		if got, want := r.said(), strings.Join(rows, "; "); !sameSet(got, want) {
			rt.Fatalf("want\n  %s\ngot\n  %s", want, got)
		}
	})
}

// sameSet compares two lists whatever their order: the end of a rotated file is
// told after the file that came for it.
func sameSet(a, b string) bool {
	count := map[string]int{}
	for part := range strings.SplitSeq(a, "; ") {
		count[part]++
	}
	for part := range strings.SplitSeq(b, "; ") {
		count[part]--
	}
	for _, n := range count {
		if n != 0 {
			return false
		}
	}
	return true
}

// TestWatch runs the whole of it: a row that is written is told without a poll,
// and the watch ends with its context.
func TestWatch(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	ctx, cancel := context.WithCancel(t.Context())
	told := make(chan event.Event, 16)
	r.o.Publish = func(_ context.Context, events ...event.Event) error {
		for _, e := range events {
			told <- e
		}
		return nil
	}
	r.o.Poll = time.Hour
	r.write("runs.csv", titles)
	done := make(chan error, 1)
	go func() { done <- Watch(ctx, r.o) }()
	for len(told) == 0 && t.Context().Err() == nil { // until the first look was made, each row is history
		r.add("runs.csv", fmt.Sprintf("KL-1,feeding,%s,1\n", noon.Add(-time.Duration(time.Now().UnixNano()%1e9)).Format(time.RFC3339Nano)))
		time.Sleep(20 * time.Millisecond)
	}
	cancel()
	check(t, <-done)
	if e := <-told; e.Type != "run.progress" || e.Machine != "heron" {
		t.Errorf("%+v", e)
	}
}

func TestOptionsThatCannotWork(t *testing.T) {
	bad := plain()
	bad.Columns = nil
	for want, o := range map[string]Options{
		"Publish and State": {},
		"a pattern":         {State: File("s"), Publish: (&journal{}).publish, Logs: []Log{{Files: "a[", Format: plain()}}},
		"columns.job":       {State: File("s"), Publish: (&journal{}).publish, Logs: []Log{{Files: "a", Format: bad}}},
	} {
		if err := Watch(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
}
