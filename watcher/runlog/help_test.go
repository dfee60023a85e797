package runlog

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is when the tests happen.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// plain is a log that says of each row what happened.
func plain() Format {
	return Format{
		Header:  true,
		Columns: map[string]string{"job": "Job", "state": "State", "time": "Time", "metres": "Fed"},
		States:  map[string]string{"printing": "started", "feeding": "progress", "done": "finished", "aborted": "stopped", "idle": "ignored"},
	}
}

// journal keeps what was published, each id once, as the fold does.
type journal struct {
	order []string
	byID  map[string]event.Event
	fail  error
}

func (j *journal) publish(_ context.Context, events ...event.Event) error {
	if j.fail != nil {
		return j.fail
	}
	for _, e := range events {
		if _, twice := j.byID[e.ID]; !twice {
			j.byID[e.ID] = e
			j.order = append(j.order, e.ID)
		}
	}
	return nil
}

// said lists the jobs or reasons of what was told, in order.
func (j *journal) said() string {
	var all []string
	for _, id := range j.order {
		e := j.byID[id]
		text := strings.TrimPrefix(string(e.Type), "run.") + " "
		switch d := e.Data.(type) {
		case *event.RunStarted:
			text += d.Job
		case *event.RunProgress:
			text += d.Job
		case *event.RunFinished:
			text += d.Job
		case *event.RunStopped:
			text += d.Job
		case *event.TicketRejected:
			text = "! " + d.SourceFile + ": " + d.Reason
		}
		all = append(all, text)
	}
	return strings.Join(all, "; ")
}

// rig is a follower of one log in a folder of its own. Its looks are made one by
// one, so that no test waits for time to pass.
type rig struct {
	testing.TB
	*journal
	dir  string
	o    Options
	f    *follower
	open func(path string) (*os.File, error) // os.Open when nil
}

func newRig(t testing.TB, format Format, files string) *rig {
	t.Helper()
	dir := t.TempDir()
	r := &rig{TB: t, dir: dir, journal: &journal{byID: map[string]event.Event{}}}
	r.o = Options{
		Logs:  []Log{{Files: filepath.Join(dir, files), Site: "north", Machine: "heron", Format: format}},
		State: File(filepath.Join(dir, "state", "run-logs.json")), Settle: time.Nanosecond, Publish: r.publish,
		Now: func() time.Time { return noon }, Log: zerolog.New(zerolog.NewTestWriter(t)),
	}
	check(t, r.o.complete())
	t.Cleanup(r.restart)
	return r
}

// look is one look of a watch that has just been started, or goes on.
func (r *rig) look() {
	r.Helper()
	if r.f == nil {
		r.f = newFollower(r.o)
	}
	if r.f.open = os.Open; r.open != nil {
		r.f.open = r.open
	}
	r.f.scan(r.Context())
}

// restart lets the next look be that of a new watch.
func (r *rig) restart() {
	if r.f != nil {
		r.f.hints.close()
	}
	r.f = nil
}

func (r *rig) write(name, text string) {
	r.Helper()
	check(r, os.WriteFile(filepath.Join(r.dir, name), []byte(text), 0o644))
}

func (r *rig) add(name, text string) {
	r.Helper()
	f, err := os.OpenFile(filepath.Join(r.dir, name), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	check(r, err)
	_, err = f.WriteString(text)
	check(r, err)
	check(r, f.Close())
}

func (r *rig) move(from, to string) {
	r.Helper()
	check(r, os.Rename(filepath.Join(r.dir, from), filepath.Join(r.dir, to)))
}

func (r *rig) want(said string) {
	r.Helper()
	if got := r.said(); got != said {
		r.Errorf("want\n  %s\ngot\n  %s", said, got)
	}
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
