// Package runlog follows the plain text logs that a machine's own software keeps
// of its runs, and tells the journal of each run that it finds there.
//
// A log is one file that grows, or a new file each day. The package remembers how
// far it has read, and a fingerprint of what it has read, so that a restart goes
// on where it stopped, and a file that was truncated, replaced or renamed is known
// for what it is. The ids of events are made of the machine and what the row says,
// never of where it stood: a row that is read again, from whatever file, counts
// once.
//
// A row that cannot be understood becomes a ticket.rejected with the file, the
// line, the column and what was expected there. The rows around it count.
//
// The form of the files is that of RFC 4180, with another separator where the log
// has one, and with a line feed alone as the end of a line. A last line without an
// end may be half a line: it is read once the file was quiet for Settle.
package runlog

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// Source is the CloudEvents source of what a log told.
const Source = "/rollwarden/runlog"

// Log is the log of one machine.
type Log struct {
	Files   string // path of the file, or a pattern of path/filepath.Match for its name
	Site    string
	Machine string
	Format  Format
	History bool // tell also of what stood in the log when it was first seen
}

// State is kept over a restart. Where one watch may take over from another, both have
// the same one.
type State interface {
	// Load returns what was saved last; the error is fs.ErrNotExist when nothing was.
	Load() ([]byte, error)
	// Save returns nil when the state lasts, whatever happens to this computer.
	Save(data []byte) error
}

// Options say what to follow and whom to tell.
type Options struct {
	Logs  []Log
	State State // how far each log was read

	Poll   time.Duration // longest time between looks; 30 s when zero
	Settle time.Duration // quiet time before a last line without an end is read; 1 min when zero

	// Publish returns nil only when the journal has stored all events. It may be
	// called again with events that it has stored already.
	Publish func(ctx context.Context, events ...event.Event) error

	// Trouble is told, from the watching goroutine, why a log cannot be followed, and
	// with an empty text that it is again. It is not called for a log that always can.
	Trouble func(l *Log, why string)

	Now func() time.Time // clock for what is checked and told; time.Now when nil
	Log zerolog.Logger
}

// Watch follows the logs until ctx ends, and then returns nil. The only errors are
// options that cannot work; everything that goes wrong later is logged and tried
// again.
func Watch(ctx context.Context, o Options) error {
	if err := o.complete(); err != nil {
		return fmt.Errorf("follow run logs: %w", err)
	}
	f := newFollower(o)
	defer f.hints.close()
	for {
		next := f.scan(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-f.hints.c:
			if !pause(ctx, gather) {
				return nil
			}
		case <-time.After(next):
		}
	}
}

// pause waits, and reports whether ctx goes on.
func pause(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

func (o *Options) complete() error {
	if o.Publish == nil || o.State == nil {
		return errors.New("options: Publish and State must be set")
	}
	for _, l := range o.Logs {
		if _, err := filepath.Match(l.Files, ""); err != nil || l.Files == "" {
			return fmt.Errorf("options: Files: want a path or a pattern, got %q", l.Files)
		}
		if err := l.Format.Check(); err != nil {
			return fmt.Errorf("%s: %w", l.Files, err)
		}
	}
	if o.Poll == 0 {
		o.Poll = 30 * time.Second
	}
	if o.Settle == 0 {
		o.Settle = time.Minute
	}
	if o.Trouble == nil {
		o.Trouble = func(*Log, string) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return nil
}
