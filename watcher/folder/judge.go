package folder

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// verdict is what was decided about a file. It holds all that is left to do,
// so that a retry neither reads nor decides again.
type verdict struct {
	events []event.Event
	sum    string // SHA-256 of the content, hexadecimal; empty when it was not read
	note   string
	fault  *fault // nil when the file is good
}

// dir is the folder that the file belongs in.
func (v *verdict) dir() string {
	if v.fault == nil {
		return AcceptedDir
	}
	return RejectedDir
}

// fault is why a file is rejected.
type fault struct {
	kind   string // one of event.RejectKinds
	field  string // empty when no single field is to blame
	want   string
	got    string
	reason string // the whole error
	at     time.Time
}

var errIncomplete = errors.New("the text is incomplete so far")

// judge reads a file and decides. The error is errIncomplete while a half
// file may still grow, errChanged when it changed under the reading, or the
// disk's own.
func (w *watcher) judge(t tree, in *inbox, name string, c *candidate, last bool) (*verdict, error) {
	if f := w.refuse(c.info); f != nil {
		return w.reject(in, name, c.info, "", f), nil
	}
	data, err := readWhole(t, name, c.info, w.o.MaxBytes)
	if err != nil {
		return nil, err
	}
	hash := sha256.Sum256(data)
	sum := hex.EncodeToString(hash[:])
	reading, err := w.read(in, name, data)
	if err == nil {
		reading.Events = w.complete(in, sum, reading.Events)
		err = checkEvents(reading.Events)
	}
	if err == nil {
		return &verdict{events: reading.Events, sum: sum, note: reading.Note}, nil
	}
	if isIncomplete(err) && !last {
		return nil, errIncomplete
	}
	return w.reject(in, name, c.info, sum, explain(err)), nil
}

// refuse decides what can be decided without opening the file.
func (w *watcher) refuse(info fs.FileInfo) *fault {
	if !info.Mode().IsRegular() {
		what := "a device, pipe or socket"
		if info.Mode()&fs.ModeSymlink != 0 {
			what = "a symbolic link"
		}
		return &fault{kind: "forbidden", want: "a plain file", got: what,
			reason: printable(info.Name()) + ": want a plain file, got " + what + ", which is never followed or opened"}
	}
	if info.Size() > w.o.MaxBytes {
		f := &fault{kind: "too-large", want: "at most " + size(w.o.MaxBytes), got: size(info.Size())}
		f.reason = printable(info.Name()) + ": size: want " + f.want + ", got " + f.got
		return f
	}
	return nil
}

// size is an amount of bytes as a person reads it, not less than there are.
func size(bytes int64) string {
	switch {
	case bytes < 1<<10:
		return fmt.Sprintf("%d bytes", bytes)
	case bytes < 1<<20:
		return fmt.Sprintf("%d KiB", (bytes+1<<10-1)>>10)
	}
	tenths := (bytes*10 + 1<<20 - 1) >> 20
	return strings.TrimSuffix(fmt.Sprintf("%d.%d", tenths/10, tenths%10), ".0") + " MiB"
}

// emptyError says that there is nothing to read yet: an empty file is how
// every copy begins.
type emptyError struct{}

func (emptyError) Error() string      { return "the file is empty: want a ticket or a signal" }
func (emptyError) Incomplete() bool   { return true }
func (emptyError) RejectKind() string { return "incomplete" }

// read calls the reader. A panic would come again at every start, for as long
// as the file lies there, so it counts against the file.
func (w *watcher) read(in *inbox, name string, data []byte) (r Reading, err error) {
	if len(data) == 0 {
		return Reading{}, emptyError{}
	}
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the reader failed on this file (%v); please report it with the file", p)
		}
	}()
	return w.o.Read(in.Inbox, name, data)
}

// complete fills in what the reader left open. The id is made of place,
// content and position, so that a second reading gives the same one.
func (w *watcher) complete(in *inbox, sum string, events []event.Event) []event.Event {
	out := slices.Clone(events)
	for i := range out {
		e := &out[i]
		if e.Site == "" {
			e.Site = in.Site
		}
		if e.Machine == "" {
			e.Machine = in.machine()
		}
		if e.Source == "" {
			e.Source = Source
		}
		if e.Time.IsZero() {
			e.Time = w.o.Now().UTC()
		}
		if e.ID == "" {
			e.ID = event.DerivedID("file", e.Site, e.Machine, sum, string(e.Type), strconv.Itoa(i))
		}
	}
	return out
}

// checkEvents refuses what the journal's readers would refuse later.
func checkEvents(events []event.Event) error {
	for _, e := range events {
		if e.Data == nil {
			continue
		}
		if err := e.Data.Check(); err != nil {
			return invalidError{fmt.Errorf("%s: %w", e.Type, err)}
		}
	}
	return nil
}

type invalidError struct{ error }

func (e invalidError) Unwrap() error    { return e.error }
func (invalidError) RejectKind() string { return "bad-value" }

// reject makes the verdict on a bad file. Its event says under which name the
// file came, so that the same bad content under two names is told twice.
func (w *watcher) reject(in *inbox, name string, info fs.FileInfo, sum string, f *fault) *verdict {
	f.at = w.o.Now().UTC()
	content := sum
	if content == "" {
		content = looks(name, info)
	}
	clean := strings.ToValidUTF8(name, "�")
	return &verdict{sum: sum, fault: f, events: []event.Event{{
		ID:     event.DerivedID("rejected", in.Site, in.machine(), name, content),
		Source: Source, Type: "ticket.rejected", Time: f.at, Site: in.Site, Machine: in.machine(),
		Data: &event.TicketRejected{SourceFile: clean, SourceSHA256: sum, Kind: f.kind, Reason: event.Shorten(f.reason)},
	}}}
}

// looks stands in for the content of a file that is not read.
func looks(name string, info fs.FileInfo) string {
	return event.DerivedID(name, info.Mode().Type().String(), strconv.FormatInt(info.Size(), 10), info.ModTime().UTC().Format(time.RFC3339Nano))
}

func isIncomplete(err error) bool {
	var inc IncompleteError
	return errors.As(err, &inc) && inc.Incomplete()
}

// explain turns a reader's error into a fault.
func explain(err error) *fault {
	f := &fault{kind: "malformed", reason: err.Error()}
	if f.reason == "" {
		f.reason = "the reader gave no reason"
	}
	if isIncomplete(err) {
		f.kind = "incomplete"
	}
	var kind KindError
	if errors.As(err, &kind) && slices.Contains(event.RejectKinds, kind.RejectKind()) {
		f.kind = kind.RejectKind()
	}
	var where *event.Fault
	if errors.As(err, &where) {
		f.field, f.want, f.got = where.Field, where.Want, where.Got
	}
	return f
}

// text is the note that lies beside a rejected file.
func (f *fault) text(in Inbox, name string) []byte {
	var b strings.Builder
	line := func(label, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%-10s%s\n", label+":", strings.ToValidUTF8(value, "�"))
		}
	}
	b.WriteString("This file was not taken, and nothing in it counts.\n\n")
	line("File", printable(filepath.Join(in.Dir, name)))
	line("When", f.at.Format(time.RFC3339))
	line("Kind", f.kind)
	line("Field", f.field)
	line("Expected", f.want)
	line("Found", f.found())
	line("Reason", f.reason)
	b.WriteString("\nWhat to do next: " + f.nextStep(in) + "\n")
	b.WriteString("The file beside this note is the one that came; both may be deleted.\n")
	return []byte(b.String())
}

func (f *fault) found() string {
	if f.got == "" && f.field != "" {
		return "nothing"
	}
	return f.got
}

func (f *fault) nextStep(in Inbox) string {
	dir := printable(in.Dir)
	switch f.kind {
	case "incomplete":
		return "write the whole file under a name that ends in .part, rename it when it is done, and drop it into " + dir + " again."
	case "too-large":
		return "make the file smaller, for example by leaving out previews and artwork, and drop it into " + dir + " again."
	case "forbidden":
		return "drop a plain file without links, document types and outside references into " + dir + "."
	case "unsupported":
		return "correct what the reason names, or export the ticket in a form that is read (XJDF, JDF, JSON, XJMF, JMF or a ZIP package of them), and drop it into " + dir + " again."
	}
	return "correct what the reason names, and drop the file into " + dir + " again."
}

// printable keeps a name with control characters from breaking up a text.
func printable(name string) string {
	if strings.IndexFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f || r == '�' }) < 0 {
		return name
	}
	return strconv.Quote(name)
}
