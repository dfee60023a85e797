package ticket

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
)

// jsonTicket is the JSON ticket. deploy/ticket.schema.json describes it to the
// outside; a test holds the two together.
type jsonTicket struct {
	Schema        member[string]      `json:"$schema"` // for editors; not used
	Job           member[string]      `json:"job"`
	Part          member[string]      `json:"part"`
	Machine       member[string]      `json:"machine"`
	Title         member[string]      `json:"title"`
	Stock         member[string]      `json:"stock"`
	FilmClass     member[event.Class] `json:"film_class"`
	RollWidthMM   member[float64]     `json:"roll_width_mm"`
	LengthM       member[float64]     `json:"length_m"`
	Copies        member[float64]     `json:"copies"`
	Passes        member[float64]     `json:"passes"`
	InkDensityPct member[float64]     `json:"ink_density_pct"`
	CureC         member[float64]     `json:"cure_c"`
	ContourCut    member[bool]        `json:"contour_cut"`
	MarkSpacingMM member[float64]     `json:"mark_spacing_mm"`
	Laminate      member[bool]        `json:"laminate"`
	RestS         member[float64]     `json:"rest_s"`
	StartAt       member[time.Time]   `json:"start_at"`
	FinishAt      member[time.Time]   `json:"finish_at"`
	Due           member[time.Time]   `json:"due"`
	Priority      member[float64]     `json:"priority"`
}

// member is a value that may be absent. It may not be null, which would leave
// open whether a value is unknown or was forgotten.
type member[T any] struct{ value *T }

// errNull is what a null member leads to.
var errNull = errors.New("null")

// UnmarshalJSONFrom reads a value that is not null.
func (m *member[T]) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	if dec.PeekKind() == jsontext.KindNull {
		return errNull
	}
	m.value = new(T)
	return json.UnmarshalDecode(dec, m.value)
}

// or returns the value, or the zero value when it is absent.
func (m member[T]) or() T {
	var zero T
	if m.value != nil {
		return *m.value
	}
	return zero
}

// utc returns a time in UTC.
func utc(m member[time.Time]) *time.Time {
	if m.value == nil {
		return nil
	}
	t := m.value.UTC()
	return &t
}

// json reads Rollwarden's own ticket.
func (r *reader) json(data []byte) (Document, error) {
	doc := Document{Format: FormatJSON}
	if err := scanJSON(data); err != nil {
		return doc, err
	}
	var in jsonTicket
	if err := json.Unmarshal(data, &in, json.RejectUnknownMembers(true)); err != nil {
		return doc, explainJSON(data, err)
	}
	if err := in.check(); err != nil {
		return doc, err
	}
	d := r.newDraft(FormatJSON)
	in.fill(d)
	var devices []string
	if d.Machine != "" {
		devices = []string{d.Machine}
	}
	ticket, err := d.finish(devices)
	doc.Tickets = []Ticket{ticket}
	return doc, err
}

// scanJSON checks the form of the text and its limits before anything is made
// of it. Duplicate names, bad UTF-8 and trailing data are errors.
func scanJSON(data []byte) error {
	dec := jsontext.NewDecoder(bytes.NewReader(data))
	for tokens := 0; ; tokens++ {
		_, err := dec.ReadToken()
		switch {
		case err == io.EOF && tokens > 0:
			return nil
		case err != nil:
			return syntaxJSON(data, err)
		case tokens > MaxTokens:
			return &Error{Field: "file", Kind: tooLarge, Want: fmt.Sprintf("at most %d JSON tokens", MaxTokens), Got: "more"}
		case dec.StackDepth() > MaxDepth:
			return &Error{Field: "file", Kind: tooLarge, Want: fmt.Sprintf("JSON nested at most %d deep", MaxDepth), Got: "deeper values"}
		}
		if dec.StackDepth() == 0 && tokens > 0 {
			return trailingJSON(data, dec.InputOffset())
		}
	}
}

// trailingJSON allows only white space after the ticket.
func trailingJSON(data []byte, from int64) error {
	rest := bytes.TrimLeft(data[from:], " \t\r\n")
	if len(rest) == 0 {
		return nil
	}
	return &Error{Line: lineAt(data, int64(len(data)-len(rest))), Field: "file", Kind: malformed, Want: "one JSON object and nothing after it", Got: quote(string(rest[:min(len(rest), 60)]))}
}

func syntaxJSON(data []byte, err error) error {
	e := &Error{Line: lineAt(data, int64(len(data))), Field: "JSON", Kind: malformed, Want: "well-formed JSON in UTF-8, with names and texts in quotation marks and one comma between two of them", Got: err.Error()}
	var syn *jsontext.SyntacticError
	if errors.As(err, &syn) {
		e.Line, e.Got = lineAt(data, syn.ByteOffset), "something else at "+around(data, syn.ByteOffset)
		if errors.Is(err, jsontext.ErrDuplicateName) {
			e.Field, e.Want, e.Got = pointerName(syn.JSONPointer), "each member once", "it twice"
		}
	}
	if errors.Is(err, io.ErrUnexpectedEOF) || err == io.EOF {
		e.Kind, e.Incomplete, e.Got = incomplete, true, "the end of the file"
	}
	return e
}

// around shows a place in a text with a little of what is before it and behind.
func around(data []byte, at int64) string {
	const before, behind = 20, 20 // bytes
	at = min(max(at, 0), int64(len(data)))
	return oneLine(string(data[max(0, at-before):min(int64(len(data)), at+behind)]))
}

// oneLine shows a piece of a text as it stands there, without what a screen would not
// show.
func oneLine(text string) string {
	printable := func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '�'
	}
	return short(strings.Map(printable, strings.Join(strings.Fields(text), " ")))
}

func lineAt(data []byte, offset int64) int {
	return 1 + bytes.Count(data[:min(max(offset, 0), int64(len(data)))], []byte("\n"))
}

// pointerName writes a JSON pointer as the name of a member.
func pointerName(p jsontext.Pointer) string {
	name := strings.Trim(string(p), "/")
	if name == "" {
		return "ticket"
	}
	return strings.ReplaceAll(name, "/", ".")
}

// explainJSON says in the user's words what a decoder objects to.
func explainJSON(data []byte, err error) error {
	var sem *json.SemanticError
	if !errors.As(err, &sem) {
		return syntaxJSON(data, err)
	}
	e := &Error{Line: lineAt(data, sem.ByteOffset), Field: pointerName(sem.JSONPointer), Kind: badValue, Want: "one ticket in curly brackets, as {\"job\": \"KL-1042\"}", Got: found(data, sem)}
	switch {
	case errors.Is(err, json.ErrUnknownName):
		e.Kind, e.Want, e.Got = unsupported, suggest(e.Field), "a name that tickets do not have"
	case errors.Is(err, errNull):
		e.Want, e.Got = wantedKind(e.Field)+"; leave the member out when it is not known", "null"
	case e.Field != "ticket":
		e.Want = wantedKind(e.Field)
	}
	return e
}

// found shows the value that a decoder objects to as it stands in the text. Its error
// holds the value only sometimes, and begins ahead of the signs before it.
func found(data []byte, sem *json.SemanticError) string {
	value := sem.JSONValue
	if len(value) == 0 {
		rest := bytes.TrimLeft(data[min(max(sem.ByteOffset, 0), int64(len(data))):], " \t\r\n:,")
		value, _ = jsontext.NewDecoder(bytes.NewReader(rest)).ReadValue() // the text was found to be well-formed
	}
	if len(value) == 0 {
		return "something else"
	}
	switch value.Kind() {
	case jsontext.KindString:
		text, _ := jsontext.AppendUnquote(nil, value)
		return quote(string(text))
	case jsontext.KindBeginArray:
		return "a list, " + oneLine(string(value))
	case jsontext.KindBeginObject:
		return "a ticket within the ticket, " + oneLine(string(value))
	}
	return oneLine(string(value))
}

// wantedKind says what kind of value a member holds.
func wantedKind(name string) string {
	switch name {
	case "contour_cut", "laminate":
		return "true or false"
	case "start_at", "finish_at", "due":
		return "a time with its zone such as 2026-03-04T16:00:00+01:00"
	case "$schema", "job", "part", "machine", "title", "stock", "film_class":
		return "a text"
	}
	return "a number with a point and without quotation marks, such as 12.5"
}

// The longest texts of a JSON ticket, in letters.
const (
	maxName  = 200
	maxTitle = 400
)

// check holds what the JSON ticket asks for beyond the contract of the event.
func (in *jsonTicket) check() error {
	if in.Job.value == nil {
		return &Error{Field: "job", Kind: missingField, Want: "the id of the job"}
	}
	if strings.Trim(*in.Job.value, " \t\r\n\f\v") == "" {
		return &Error{Field: "job", Kind: badValue, Want: "the id of the job", Got: quote(*in.Job.value)}
	}
	for _, t := range []struct {
		name string
		m    member[string]
		most int
	}{{"job", in.Job, maxName}, {"part", in.Part, maxName}, {"stock", in.Stock, maxName}, {"title", in.Title, maxTitle}} {
		if n := utf8.RuneCountInString(t.m.or()); n > t.most {
			return &Error{Field: t.name, Kind: badValue, Want: fmt.Sprintf("at most %d letters", t.most), Got: fmt.Sprintf("%d", n)}
		}
	}
	return in.checkValues()
}

func (in *jsonTicket) checkValues() error {
	if in.Machine.value != nil {
		if err := event.CheckName("machine", *in.Machine.value); err != nil {
			return blame(err, nil)
		}
	}
	if in.FilmClass.value != nil && *in.FilmClass.value == "" {
		return &Error{Field: "film_class", Kind: badValue, Want: "a film class; leave the member out when it is not known", Got: `""`}
	}
	for _, n := range []struct {
		name string
		m    member[float64]
	}{{"copies", in.Copies}, {"passes", in.Passes}} {
		if v := n.m.or(); v != math.Trunc(v) {
			return &Error{Field: n.name, Kind: badValue, Want: "a whole number", Got: plain(v)}
		}
	}
	return nil
}

// fill copies the members into the payload.
func (in *jsonTicket) fill(d *draft) {
	d.Job, d.Part, d.Machine, d.Title = in.Job.or(), in.Part.or(), in.Machine.or(), in.Title.or()
	d.Stock, d.FilmClass = in.Stock.or(), in.FilmClass.or()
	d.RollWidthMM, d.LengthM, d.Copies, d.Passes = in.RollWidthMM.value, in.LengthM.value, in.Copies.value, in.Passes.value
	d.InkDensityPct, d.CureC = in.InkDensityPct.value, in.CureC.value
	d.MarkSpacingMM, d.RestS, d.Priority = in.MarkSpacingMM.value, in.RestS.value, in.Priority.value
	d.ContourCut, d.Laminate = in.ContourCut.or(), in.Laminate.or()
	d.StartAt, d.FinishAt, d.Due = utc(in.StartAt), utc(in.FinishAt), utc(in.Due)
}
