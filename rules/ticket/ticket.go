// Package ticket reads job tickets and device signals: XJDF 2.x and XJMF,
// JDF 1.x and JMF, ZIP packages of them, and Rollwarden's own JSON ticket.
//
// The package is pure: it gets bytes and gives back a [Document], which turns
// into floor events once it is known where the file was dropped. It opens
// nothing, extracts nothing and follows no reference out of the input. What
// it cannot be sure of becomes a flag on the ticket, never a guess.
//
// # What becomes of a returned ticket
//
// Audits in a ticket are actuals. A ticket whose audits tell of a run on its
// printing device is a report, not a plan: it yields signals with the audits'
// own times and no ticket.received, so that it can neither queue a job again
// nor replace the full ticket by a bare one. Audits of other devices (prepress,
// a cutter) leave the ticket a plan.
//
// # Identity of signals
//
// A machine repeats its status, and audits repeat what signals said. Where a
// message says when the phase began or ended, that time with the machine, job
// and part is the identity of the event, so each fact counts once however
// often it is told. Waste is known by its total, lot and place in the
// breakdown: an audit that repeats a total adds nothing to the breakdown
// already reported. What carries no such facts is known by the SHA-256 of its
// file and its place in it.
package ticket

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// The limits of an input. They bound the memory that a hostile or broken file
// can take, and lie far above any real ticket.
const (
	MaxBytes  = 16 << 20 // of a file, before decoding
	MaxDepth  = 64       // of nested elements or JSON values
	MaxTokens = 200_000  // elements, attributes, texts and JSON tokens
)

// The values of Document.Format.
const (
	FormatXJDF    = "xjdf"
	FormatJDF     = "jdf"
	FormatXJMF    = "xjmf"
	FormatJMF     = "jmf"
	FormatJSON    = "json"
	FormatPackage = "package"
)

// Options says how a shop writes its tickets. The zero value is usable.
type Options struct {
	// Keys says which foreign attribute or GeneralID carries what the open
	// standards have no attribute for.
	Keys KeyMap
	// Location is the zone of times that carry none; nil is UTC.
	Location *time.Location
	// Classes maps words of MediaTypeDetails, MediaQuality and Brand to film
	// classes. They go before the built-in words.
	Classes map[string]event.Class
}

// Document is what one file said.
type Document struct {
	Format  string
	Tickets []Ticket
	Signals []Signal
	Notes   []string // what was read and not used, for the log

	file string
	sha  string
}

// Ticket is one job part to print.
type Ticket struct {
	DeviceIDs []string // devices that the ticket names for its printing process
	Data      event.TicketReceived
}

// Signal is one thing that a device reported.
type Signal struct {
	DeviceID string
	Time     time.Time // UTC
	Type     event.Type
	Data     event.Payload

	facts    []string // what identifies it; nil means its place in the file
	position int      // from 1, in the order of the file
}

// Error says which field of which file is wrong and what was expected.
type Error struct {
	File       string
	Line       int    // from 1; 0 when there is none to name
	Field      string // such as "NodeInfo/@LastEnd" or "cure_c"
	Want, Got  string // Got is empty when the field is absent
	Kind       string // one of event.RejectKinds
	Incomplete bool   // the text ended early: the writer may still be writing
}

// The kinds of Error, as event.RejectKinds has them.
const (
	malformed    = "malformed"
	incomplete   = "incomplete"
	tooLarge     = "too-large"
	forbidden    = "forbidden"
	missingField = "missing-field"
	badValue     = "bad-value"
	unsupported  = "unsupported"
)

// Error formats the error as one sentence that begins with the file's name.
func (e *Error) Error() string {
	where := e.File
	if e.Line > 0 {
		where += fmt.Sprintf(": line %d", e.Line)
	}
	if e.Got == "" {
		return fmt.Sprintf("%s: %s is missing: want %s", where, e.Field, e.Want)
	}
	return fmt.Sprintf("%s: %s: want %s, got %s", where, e.Field, e.Want, e.Got)
}

// Parse reads one file. The content decides the format; name is only for
// messages. Every error is an *Error.
func Parse(name string, data []byte, o Options) (Document, error) {
	doc, err := parse(name, data, o)
	if err != nil {
		return Document{}, located(name, err)
	}
	return doc, nil
}

func parse(name string, data []byte, o Options) (Document, error) {
	if err := o.Keys.Check(); err != nil {
		return Document{}, err
	}
	if len(data) > MaxBytes {
		return Document{}, &Error{Field: "file", Kind: tooLarge, Want: "at most " + size(MaxBytes), Got: size(int64(len(data)))}
	}
	r := newReader(name, data, o)
	doc, err := r.document(data)
	doc.file, doc.sha = name, r.sha
	return doc, err
}

// reader holds what is the same for everything in one file.
type reader struct {
	file     string
	sha      string
	keys     KeyMap
	location *time.Location
	words    wordlist

	inPackage bool // the file is an entry of a ZIP package
}

func newReader(name string, data []byte, o Options) *reader {
	r := &reader{file: name, sha: sum(data), keys: o.Keys, location: o.Location, words: newWordlist(o.Classes)}
	if r.location == nil {
		r.location = time.UTC
	}
	return r
}

func (r *reader) document(data []byte) (Document, error) {
	if isZIP(data) {
		return r.archive(data)
	}
	return r.single(data)
}

// single reads one ticket or message that is no package.
func (r *reader) single(data []byte) (Document, error) {
	if body := bytes.TrimPrefix(data, []byte(utf8BOM)); startsWith(body, '{') || startsWith(body, '[') {
		return r.json(body)
	}
	text, err := toUTF8(data)
	if err != nil && strings.EqualFold(path.Ext(r.file), ".zip") {
		return Document{}, &Error{Field: "file", Kind: malformed, Want: "a ZIP package, as its name says", Got: "something else"}
	}
	if err != nil {
		return Document{}, err
	}
	if !startsWith(text, '<') {
		return Document{}, notATicket(text)
	}
	root, err := parseXML(text)
	if err != nil {
		return Document{}, err
	}
	return r.xml(root)
}

func startsWith(data []byte, first byte) bool {
	data = bytes.TrimLeft(data, " \t\r\n")
	return len(data) > 0 && data[0] == first
}

func notATicket(text []byte) error {
	e := &Error{Field: "file", Kind: unsupported, Want: "an XJDF or JDF ticket, an XJMF or JMF message, a ZIP package of them, or a JSON ticket in UTF-8", Got: "something else"}
	if text = bytes.TrimSpace(text); len(text) == 0 || bytes.HasPrefix([]byte(zipMagic), text) {
		e.Kind, e.Incomplete, e.Got = incomplete, true, "a file with nothing in it yet"
	}
	return e
}

// xml picks the format by the name and namespace of the root element.
func (r *reader) xml(root *node) (Document, error) {
	switch family := familyOf(root.space); {
	case family == xjdfFamily && root.local == "XJDF":
		return r.xjdf(root)
	case family == xjdfFamily && root.local == "XJMF":
		return r.xjmf(root)
	case family == jdfFamily && root.local == "JDF":
		return r.jdf(root)
	case family == jdfFamily && root.local == "JMF":
		return r.jmf(root)
	}
	return Document{}, &Error{
		Line: root.line, Field: "root element", Kind: unsupported,
		Want: "XJDF or XJMF in " + xjdfSpace + "_0, or JDF or JMF in " + jdfSpace + "_1",
		Got:  quote(root.local) + " in namespace " + quote(root.space),
	}
}

// located fills in the file of an error, and turns what is no *Error into one.
func located(file string, err error) error {
	var e *Error
	if !errors.As(err, &e) {
		e = &Error{Field: "file", Kind: malformed, Want: "a ticket that can be read", Got: err.Error()}
	}
	if e.File == "" {
		e.File = file
	}
	return e
}

func sum(data []byte) string {
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}

// quote shows a text of the input in a message, cut to a readable length.
func quote(s string) string { return fmt.Sprintf("%q", short(s)) }

// short cuts a text off where it would fill a screen.
func short(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// size is an amount of bytes as a person reads it, not less than there are.
func size(bytes int64) string {
	if bytes < 1<<20 {
		return fmt.Sprintf("%d KiB", (bytes+1<<10-1)>>10)
	}
	tenths := (bytes*10 + 1<<20 - 1) >> 20
	return strings.TrimSuffix(fmt.Sprintf("%d.%d", tenths/10, tenths%10), ".0") + " MiB"
}

// MaxNotes is how many notes a document keeps.
const MaxNotes = 100

func (d *Document) note(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(d.Notes) == MaxNotes {
		d.Notes = append(d.Notes, "there is more to note than is kept")
	}
	if len(d.Notes) < MaxNotes && !slices.Contains(d.Notes, text) {
		d.Notes = append(d.Notes, text)
	}
}

// blank reports whether a text holds nothing but white space.
func blank(s string) bool { return strings.TrimSpace(s) == "" }
