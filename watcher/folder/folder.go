// Package folder watches ticket drop folders and hands every finished file to
// the journal exactly once.
//
// The folder itself is the queue: a file lies in its inbox until the journal
// has stored what it says, and only then moves to accepted/ or, with a note
// for a person beside it, to rejected/. A crash at any point leaves the file
// where the next start finds it. It is then published again under the ids it
// had before, which the journal's fold ignores, so nothing counts twice.
//
// The design is a scan. A notification from the kernel is only a hint to scan
// soon; a lost one costs at most one poll. Each scan compares size, change
// time and identity of every ticket with the scan before; a file that was
// quiet for Settle, or was seen first MaxWait ago, is taken.
//
// While it is taken a file passes through the hidden folder .taking of its
// inbox. There it is compared once more with what was read, where no writer
// can still swap it under its name; a scan puts back whatever a crash left
// there.
//
// What cannot be seen is a writer that keeps a file open, is quiet for Settle
// and goes on writing after the file was taken. Writers should therefore write
// under a dotfile or a .tmp or .part name and rename when they are done.
package folder

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// Source is the CloudEvents source of every event that names no other.
const Source = "/rollwarden/folder"

// The folders inside each inbox.
const (
	AcceptedDir = "accepted" // what the journal holds
	RejectedDir = "rejected" // what could not be read, each beside its reason
	takingDir   = ".taking"  // what is being moved this instant
)

// Inbox is one drop folder.
type Inbox struct {
	Dir     string // path of the folder; it need not exist yet
	Site    string // site of the subject
	Machine string // machine of the subject; empty for any machine of the site
}

// machine is the subject's token for the machine.
func (in Inbox) machine() string {
	if in.Machine == "" {
		return event.AnyMachine
	}
	return in.Machine
}

// Reading is what the journal should hold for a file. It may have no events,
// as for a signal that says nothing new; the file is then simply accepted.
//
// Site, Machine, Source, Time and ID are filled in where they are empty. An ID
// that is given must depend on the content alone, because a file is read again
// after a crash and must then say the same.
type Reading struct {
	Events []event.Event
	Note   string // a remark for the log and the Result
}

// IncompleteError is an error of Options.Read that can say that the text ends
// too early. Such a file is read again when it grows and rejected only when
// MaxWait is over.
type IncompleteError interface {
	error
	Incomplete() bool
}

// KindError is an error of Options.Read that knows its reject kind, one of
// event.RejectKinds. Any other error, and any other kind, is "malformed".
// The field, what was expected and what was found are taken from an
// *event.Fault anywhere in the error's chain.
type KindError interface {
	error
	RejectKind() string
}

// Options says what to watch and whom to tell.
type Options struct {
	Inboxes   []Inbox
	Elsewhere []string // folders that somebody else reads, or the same as in Inboxes

	Settle   time.Duration // quiet time before a file is read; 2 s when zero
	MaxWait  time.Duration // longest wait since first seen; 2 min when zero
	Poll     time.Duration // longest time between scans; 30 s when zero
	MaxBytes int64         // largest file, in bytes; 16 MiB when zero

	// Read turns a file into events. It is pure: the same input gives the
	// same events. A panic in it rejects the file instead of ending the watch.
	Read func(in Inbox, name string, data []byte) (Reading, error)

	// Publish returns nil only when the journal has stored all events. It
	// may be called again with events that it has stored already.
	Publish func(ctx context.Context, events ...event.Event) error

	Now    func() time.Time // clock for event times; time.Now when nil
	Log    zerolog.Logger
	Report func(Result) // told of every outcome, from the watching goroutine; may be nil

	// Trouble is told, from the watching goroutine, why tickets of an inbox wait, and
	// an empty text when none does any more; may be nil.
	Trouble func(in Inbox, why string)
}

// Outcome is what became of a file.
type Outcome string

// The outcomes. Accepted and Rejected are final and told once for each file;
// the others are told once for each new reason while the file waits.
const (
	Accepted   Outcome = "accepted"   // the journal holds it and it lies in accepted/
	Rejected   Outcome = "rejected"   // it lies in rejected/ beside its reason
	Retrying   Outcome = "retrying"   // the journal has not stored it yet
	Unreadable Outcome = "unreadable" // it could not be opened or read, or it keeps changing
	Stuck      Outcome = "stuck"      // the journal holds it but it could not be moved
)

// Outcomes lists every outcome, for metric labels.
var Outcomes = []Outcome{Accepted, Rejected, Retrying, Unreadable, Stuck}

// Result tells what became of one file.
type Result struct {
	Inbox   Inbox
	Name    string // file name inside the inbox
	Path    string // where it lies now, relative to the inbox
	Outcome Outcome
	Kind    string // reject kind of a bad file, else empty
	Reason  string // why, with the next step; empty for Accepted
	Note    string // the reader's remark
	Events  int    // how many events the journal holds for it
}

// Watch takes files from the inboxes until ctx ends, and then returns nil. The
// only errors are options that cannot work; everything that goes wrong later
// is logged, reported and tried again.
func Watch(ctx context.Context, o Options) error {
	w, err := newWatcher(o)
	if err != nil {
		return fmt.Errorf("watch ticket folders: %w", err)
	}
	w.run(ctx)
	return nil
}

// withDefaults fills in what was left out and refuses what cannot work.
func (o Options) withDefaults() (Options, error) {
	if o.Read == nil || o.Publish == nil {
		return o, errors.New("options: Read and Publish must be set")
	}
	for _, d := range []struct {
		name     string
		value    *time.Duration
		standard time.Duration
	}{
		{"Settle", &o.Settle, 2 * time.Second},
		{"MaxWait", &o.MaxWait, 2 * time.Minute},
		{"Poll", &o.Poll, 30 * time.Second},
	} {
		if *d.value < 0 {
			return o, fmt.Errorf("options: %s: want a positive time, got %s", d.name, *d.value)
		}
		if *d.value == 0 {
			*d.value = d.standard
		}
	}
	if o.MaxBytes < 0 {
		return o, fmt.Errorf("options: MaxBytes: want a positive number of bytes, got %d", o.MaxBytes)
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = 16 << 20
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Report == nil {
		o.Report = func(Result) {}
	}
	if o.Trouble == nil {
		o.Trouble = func(Inbox, string) {}
	}
	return o, checkInboxes(o.Inboxes)
}

// checkInboxes refuses folders that would take each other's files.
func checkInboxes(inboxes []Inbox) error {
	if len(inboxes) == 0 {
		return errors.New("options: Inboxes: want at least one folder")
	}
	seen := make(map[string]bool, len(inboxes))
	for _, in := range inboxes {
		if in.Dir == "" {
			return errors.New("options: Inboxes: a folder has no path; set Dir")
		}
		if err := event.CheckName("site of "+in.Dir, in.Site); err != nil {
			return err
		}
		if err := event.CheckName("machine of "+in.Dir, in.machine()); err != nil {
			return err
		}
		dir := filepath.Clean(in.Dir)
		if seen[dir] {
			return fmt.Errorf("options: Inboxes: %s is listed twice; list each folder once", dir)
		}
		seen[dir] = true
	}
	for dir := range seen {
		base := filepath.Base(dir)
		if (base == AcceptedDir || base == RejectedDir) && seen[filepath.Dir(dir)] {
			return fmt.Errorf("options: Inboxes: %s is where %s puts its files; choose another name than %s", dir, filepath.Dir(dir), base)
		}
	}
	return nil
}

// isTicket reports whether a name is one that the watcher takes: a known
// extension, and not a name under which programs keep unfinished work.
func isTicket(name string) bool {
	if strings.HasPrefix(name, ".") || strings.HasPrefix(name, "~") {
		return false
	}
	switch strings.ToLower(filepath.Ext(name)) {
	case ".xjdf", ".jdf", ".json", ".xjmf", ".jmf", ".zip":
		return true
	}
	return false
}
