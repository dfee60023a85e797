// Package event defines everything that can be written in the journal: the
// event types of the floor, their payloads in SI units, and the CloudEvents 1.0
// envelope that carries them.
//
// The package is pure. Decoding is strict (an unknown member, a wrong type or
// a value out of range is refused, naming the field and what was expected) and
// total (an unknown event type is kept with its raw data, never dropped).
//
// The contract is written down once: Kinds lists the event types, and the tags
// of their payload structs name, describe and limit every field. From these
// come the decoder and its checks, the fields that a command line offers (Set)
// and the published AsyncAPI document with its JSON Schemas.
package event

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Type names a kind of floor event, as in "edge.moved". The CloudEvents type
// attribute is the same word with the prefix "rollwarden.".
type Type string

// TypePrefix stands before every Type in the CloudEvents type attribute.
const TypePrefix = "rollwarden."

// SubjectRoot is the first token of every journal subject.
const SubjectRoot = "floor"

// AnyMachine is the reserved machine name for what concerns a whole site: the
// climate of the room, or a ticket that no machine was chosen for yet.
const AnyMachine = "any"

// AnySite is the reserved site name for an input that nobody can place: a site and a
// machine stand in the subject of every event.
const AnySite = AnyMachine

// Event is one fact about the floor.
type Event struct {
	ID      string    // unique within Source (CloudEvents 1.0, section 3.1.1)
	Source  string    // who says so, a URI reference
	Type    Type      // what happened
	Time    time.Time // when it happened, UTC
	Site    string    // from the subject
	Machine string    // from the subject; AnyMachine for the whole site
	Data    Payload   // nil exactly when the type is unknown
	Raw     []byte    // the data of an unknown type, kept as it came
	Stored  time.Time // when the journal took it, UTC; zero for one that is not from there
}

// Told is when the event was told, which may be long after it happened: a tablet
// that was offline sends what it kept. It is when the journal took it.
func (e Event) Told() time.Time {
	if e.Stored.IsZero() {
		return e.Time
	}
	return e.Stored
}

// Payload is the data of one event type.
type Payload interface {
	// Check reports the first value that is out of range as a *Fault.
	Check() error
}

// Fault says which field of an input is wrong and what was expected, so that
// a person can mend it.
type Fault struct {
	Field string // for example "data.length_mm"
	Want  string // what was expected, in words
	Got   string // what was there; empty when it was absent
}

// Error formats the fault as one lowercase sentence.
func (f *Fault) Error() string {
	if f.Got == "" {
		return fmt.Sprintf("%s is missing: want %s", f.Field, f.Want)
	}
	return fmt.Sprintf("%s: want %s, got %s", f.Field, f.Want, f.Got)
}

// Subject returns the journal subject floor.<site>.<machine>.<type>.
func (e Event) Subject() string { return Subject(e.Site, e.Machine, e.Type) }

// Subject builds floor.<site>.<machine>.<type>.
func Subject(site, machine string, t Type) string {
	return SubjectRoot + "." + site + "." + machine + "." + string(t)
}

// ParseSubject splits a journal subject into its site, machine and type. The
// type may be one that the contract does not know, but must be fit to be the
// end of a NATS subject: tokens with dots between them, no wildcard, no space.
func ParseSubject(subject string) (site, machine string, t Type, err error) {
	root, rest, _ := strings.Cut(subject, ".")
	site, rest, _ = strings.Cut(rest, ".")
	machine, typ, ok := strings.Cut(rest, ".")
	if root != SubjectRoot || !ok {
		return "", "", "", &Fault{Field: "subject", Want: "floor.<site>.<machine>.<type>", Got: quote(subject)}
	}
	if err := CheckName("subject site", site); err != nil {
		return "", "", "", err
	}
	if err := CheckName("subject machine", machine); err != nil {
		return "", "", "", err
	}
	if !isTypeName(typ) {
		return "", "", "", &Fault{Field: "subject type", Want: "an event type such as edge.moved", Got: quote(typ)}
	}
	return site, machine, Type(typ), nil
}

func isTypeName(s string) bool {
	last := '.'
	for _, r := range s {
		if r <= ' ' || r == '*' || r == '>' || r == 0x7f || r == utf8.RuneError || r == '.' && last == '.' {
			return false
		}
		last = r
	}
	return last != '.'
}

// MaxName is the longest site or machine name, in bytes.
const MaxName = 64

// CheckName refuses a site or machine name that could not be one subject
// token, one metric label and one folder name all at once.
func CheckName(field, name string) error {
	if name == "" {
		return &Fault{Field: field, Want: "a name of letters, digits, - and _"}
	}
	for _, r := range name {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_'
		if !letter {
			return &Fault{Field: field, Want: "a name of letters, digits, - and _", Got: quote(name)}
		}
	}
	if len(name) > MaxName {
		return &Fault{Field: field, Want: fmt.Sprintf("at most %d letters", MaxName), Got: fmt.Sprintf("%d", len(name))}
	}
	return nil
}

// Key identifies an event for ever, however far apart two copies of it are.
// CloudEvents 1.0.2 lets a consumer take the same source and id for the same
// event ("id": "Consumers MAY assume"). Here they must be about the same place and
// of the same type too: a machine may write under its own subjects only, and
// cannot use up the ids of another one or of the watch, which it could guess.
type Key [16]byte

// Key returns the first 128 bits of SHA-256 over source, id, site, machine and
// type. Two different events among a thousand million share a key with odds below
// 1 in 10^20.
func (e Event) Key() Key {
	var buf [256]byte
	b := append(buf[:0], e.Source...)
	for _, part := range [...]string{e.ID, e.Site, e.Machine, string(e.Type)} {
		b = append(b, 0)
		b = append(b, part...)
	}
	sum := sha256.Sum256(b)
	return Key(sum[:16])
}

// DerivedID builds an id from the facts that make an event unique, so that
// publishing it twice after a crash is still publishing it once.
func DerivedID(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s,", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// JobName is how people name a job part: the job, and its part if it has one.
func JobName(job, part string) string {
	if part == "" {
		return job
	}
	return job + "/" + part
}

// quote shows a text in a message: in quotes, and not at any length.
func quote(s string) string { return strconv.Quote(clip(s)) }

func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	end := most
	for end > 0 && !utf8.RuneStart(s[end]) {
		end--
	}
	return s[:end] + "…"
}
