package event

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// envelope holds the attributes and the data of a CloudEvent before any of
// them is believed (CloudEvents 1.0.2, "Context Attributes"). An attribute
// that was not set is nil. Every slice points into the message.
type envelope struct {
	message []byte // the JSON text of the structured mode; nil in binary mode

	specVersion, id, source, typ, time   []byte
	subject, contentType, schema, base64 []byte

	data []byte // JSON text in structured mode, any bytes in binary mode
}

// coreAttributes are the attribute names of the standard, plus the two
// members of its JSON format that are none; for messages.
var coreAttributes = []string{"specversion", "id", "source", "type", "time", "subject", "datacontenttype", "dataschema", "data", "data_base64"}

// slot returns where a core attribute is kept, or nil for an extension.
func (env *envelope) slot(name []byte) *[]byte {
	switch string(name) {
	case "specversion":
		return &env.specVersion
	case "id":
		return &env.id
	case "source":
		return &env.source
	case "type":
		return &env.typ
	case "time":
		return &env.time
	case "subject":
		return &env.subject
	case "datacontenttype":
		return &env.contentType
	case "dataschema":
		return &env.schema
	}
	return nil
}

// fromJSON reads the structured mode (JSON Event Format 1.0.2, section 3).
func (env *envelope) fromJSON(data []byte) error {
	env.message = data
	err := json.Unmarshal(data, env)
	if f, ok := errors.AsType[*Fault](err); ok {
		return f
	}
	if err != nil {
		return explain("", data, nil, err)
	}
	return nil
}

// UnmarshalJSONFrom implements json.UnmarshalerFrom. It keeps each value as a
// part of the message, so that an event is read with few allocations.
func (env *envelope) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	if kind := d.PeekKind(); kind != '{' && kind != jsontext.KindInvalid {
		return &Fault{Field: "event", Want: "a JSON object with the attributes of a CloudEvent", Got: kindWord(kind)}
	}
	if _, err := d.ReadToken(); err != nil {
		return err
	}
	for d.PeekKind() != '}' {
		name, err := env.read(d)
		if err != nil {
			return err
		}
		value, err := env.read(d)
		if err != nil {
			return err
		}
		if f := env.member(unquoted(name), value); f != nil {
			return f
		}
	}
	_, err := d.ReadToken()
	return err
}

// read returns the next value as a part of the message: what the decoder
// returns is good only until its next step.
func (env *envelope) read(d *jsontext.Decoder) (jsontext.Value, error) {
	v, err := d.ReadValue()
	if err != nil {
		return nil, err
	}
	end := d.InputOffset()
	return env.message[end-int64(len(v)) : end], nil
}

// unquoted returns the text of a JSON string that is known to be well formed.
func unquoted(v jsontext.Value) []byte {
	if bytes.IndexByte(v, '\\') < 0 {
		return v[1 : len(v)-1]
	}
	text, _ := jsontext.AppendUnquote(nil, v)
	return text
}

// member takes in one member of the JSON object. A null attribute counts as
// unset (JSON Event Format, section 2.2); null data is data (section 3.1.1).
func (env *envelope) member(name []byte, v jsontext.Value) *Fault {
	if string(name) == "data" {
		env.data = v
		return nil
	}
	slot := env.slot(name)
	if string(name) == "data_base64" {
		slot = &env.base64
	}
	switch {
	case slot == nil:
		return checkExtension(string(name), v)
	case v.Kind() == 'n':
		return nil
	case v.Kind() != '"':
		return &Fault{Field: string(name), Want: wantAttribute(string(name)), Got: shown(v)}
	}
	*slot = unquoted(v)
	return nil
}

// checkExtension lets any extension attribute pass that the standard allows
// (CloudEvents 1.0.2, "Naming Conventions" and "Type System"). Rollwarden has
// none of its own, so the name of anything else is a slip.
func checkExtension(name string, v jsontext.Value) *Fault {
	if f := checkExtensionName(name); f != nil {
		return f
	}
	switch v.Kind() {
	case '{', '[':
		return &Fault{Field: name, Want: "an extension attribute: a text, a whole number, true or false", Got: kindWord(v.Kind())}
	case '0':
		if _, err := strconv.ParseInt(string(v), 10, 32); err != nil {
			return &Fault{Field: name, Want: "an extension attribute: a whole number of at most 32 bits", Got: shown(v)}
		}
	}
	return nil
}

func checkExtensionName(name string) *Fault {
	if name != "" && strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789") == "" {
		return nil
	}
	want := "a CloudEvents attribute, or an extension named with a-z and 0-9"
	if near := nearest(name, coreAttributes); len(near) > 0 {
		want += "; did you mean " + near[0] + "?"
	}
	return &Fault{Field: clip(name), Want: want, Got: "an unknown member"}
}

// fromHeaders reads the binary mode: one header for each attribute, data in
// the body (CloudEvents NATS binding 1.0.3-wip, section 3.1).
func (env *envelope) fromHeaders(m Message) error {
	names := make([]string, 0, len(m.Header))
	for name := range m.Header {
		names = append(names, name)
	}
	slices.Sort(names) // so that the same message always has the same fault
	for _, name := range names {
		attr, ok := strings.CutPrefix(strings.ToLower(name), "ce-")
		if !ok {
			continue
		}
		if f := env.header(name, attr, m.Header[name]); f != nil {
			return f
		}
	}
	if media := header(m.Header, "content-type"); env.contentType == nil && media != "" {
		env.contentType = []byte(media)
	}
	env.data = m.Data
	return nil
}

func (env *envelope) header(name, attr string, values []string) *Fault {
	slot := env.slot([]byte(attr))
	if slot == nil {
		return checkExtensionName(attr)
	}
	if len(values) != 1 || *slot != nil {
		return &Fault{Field: name, Want: "one header for each attribute", Got: "more than one, or none"}
	}
	value, err := url.PathUnescape(unquoteHeader(values[0]))
	if err != nil || !utf8.ValidString(value) {
		return &Fault{Field: name, Want: "percent-encoded UTF-8 text", Got: quote(values[0])}
	}
	*slot = []byte(value)
	return nil
}

// unquoteHeader undoes the double quotes that older senders put around a
// header value (RFC 7230, section 3.2.6, by NATS binding section 3.1.3.2).
func unquoteHeader(s string) string {
	if len(s) < 2 || s[0] != '"' || s[len(s)-1] != '"' {
		return s
	}
	var b strings.Builder
	for s = s[1 : len(s)-1]; s != ""; s = s[1:] {
		if s[0] == '\\' && len(s) > 1 {
			s = s[1:]
		}
		b.WriteByte(s[0])
	}
	return b.String()
}

// header returns the first value of a header, whatever the case of its name.
func header(h map[string][]string, want string) string {
	for name, values := range h {
		if strings.EqualFold(name, want) && len(values) > 0 {
			return values[0]
		}
	}
	return ""
}

// isBinary tells the modes apart as the NATS binding does (section 3), with
// the rule of version 1.0.2 beside it: no attribute in a header, no binary.
func isBinary(h map[string][]string) bool {
	if len(h) == 0 || strings.HasPrefix(strings.ToLower(header(h, "content-type")), "application/cloudevents") {
		return false
	}
	for _, attr := range []string{"ce-specversion", "ce-id", "ce-source", "ce-type"} {
		if header(h, attr) != "" {
			return true
		}
	}
	return false
}

// check holds the attributes against the standard and the subject's type.
func (env *envelope) check(subjectType Type) error {
	if string(env.specVersion) != "1.0" {
		return attribute("specversion", env.specVersion)
	}
	for _, a := range [...]struct {
		name     string
		value    []byte
		required bool
	}{
		{"id", env.id, true}, {"source", env.source, true}, {"type", env.typ, true},
		{"subject", env.subject, false}, {"datacontenttype", env.contentType, false}, {"dataschema", env.schema, false},
	} {
		switch {
		case a.value == nil && !a.required:
		case len(a.value) == 0 || !isPlain(a.value):
			return attribute(a.name, a.value)
		case len(a.value) > MaxText:
			return &Fault{Field: a.name, Want: fmt.Sprintf("at most %d bytes", MaxText), Got: strconv.Itoa(len(a.value))}
		}
	}
	if _, known := KindOf(subjectType); known && !isType(env.typ, subjectType) {
		return &Fault{Field: "type", Want: TypePrefix + string(subjectType) + " as in the subject", Got: quote(string(env.typ))}
	}
	return env.checkForms()
}

func isType(attr []byte, t Type) bool {
	rest, ok := bytes.CutPrefix(attr, []byte(TypePrefix))
	return ok && string(rest) == string(t)
}

// checkForms wants a URI reference as the source and, where they are there, an
// absolute URI as the schema and a media type as the content type. The common
// form of a source, a plain path, needs no parser.
func (env *envelope) checkForms() error {
	if !isPath(env.source) {
		if _, err := url.Parse(string(env.source)); err != nil {
			return attribute("source", env.source)
		}
	}
	if env.schema != nil {
		if u, err := url.Parse(string(env.schema)); err != nil || !u.IsAbs() {
			return attribute("dataschema", env.schema)
		}
	}
	if env.contentType != nil && string(env.contentType) != "application/json" && !isMediaType(string(env.contentType)) {
		return attribute("datacontenttype", env.contentType)
	}
	return nil
}

// isMediaType reports whether s has the form of RFC 2046: type/subtype, and
// perhaps parameters after a semicolon.
func isMediaType(s string) bool {
	media, _, _ := strings.Cut(s, ";")
	kind, sub, _ := strings.Cut(strings.TrimSpace(media), "/")
	return kind != "" && sub != "" && !strings.ContainsAny(kind+sub, " \t,")
}

// isPath reports whether b is a rooted path of letters, digits and -._/ only.
func isPath(b []byte) bool {
	for _, c := range b {
		plain := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c >= '-' && c <= '/' || c == '_'
		if !plain {
			return false
		}
	}
	return b[0] == '/'
}

// isPlain reports whether a text has none of the characters that CloudEvents
// keeps out of attributes: controls and what Unicode calls noncharacters
// (CloudEvents 1.0.2, "Type System", String).
func isPlain(b []byte) bool {
	for _, c := range b {
		if c < 0x20 || c == 0x7f {
			return false
		}
		if c >= utf8.RuneSelf {
			return !bytes.ContainsFunc(b, isBarred)
		}
	}
	return true
}

func isBarred(r rune) bool {
	control := r < 0x20 || r >= 0x7f && r <= 0x9f
	return control || r >= 0xfdd0 && r <= 0xfdef || r&0xfffe == 0xfffe
}

func attribute(name string, got []byte) *Fault {
	f := &Fault{Field: name, Want: wantAttribute(name)}
	if got != nil {
		f.Got = quote(string(got))
	}
	return f
}

func wantAttribute(name string) string {
	switch name {
	case "specversion":
		return `"1.0"`
	case "id":
		return "an id that is unique within the source"
	case "source":
		return "a URI reference that says who publishes, such as /north/heron"
	case "type":
		return TypePrefix + "<type>"
	case "time":
		return "a time such as " + sampleTime
	case "datacontenttype":
		return "a media type such as application/json"
	case "dataschema":
		return "an absolute URI"
	case "data_base64":
		return "base64 text"
	}
	return "a text that is not empty"
}

// MaxAhead is how far an event may lie ahead of the journal's own clock. A
// later one comes from a wrong clock and is refused rather than believed.
const MaxAhead = 24 * time.Hour

// MaxSkew is how far ahead an event may lie and keep its time. One that lies
// further ahead happened when the journal took it: were its time believed, the
// machine would count as heard until then, whatever its silence.
const MaxSkew = time.Minute

func (env *envelope) when(stored time.Time) (time.Time, error) {
	if env.time == nil {
		if stored.IsZero() {
			return time.Time{}, attribute("time", nil)
		}
		return stored.UTC(), nil
	}
	t, ok := parseTime(env.time)
	if !ok {
		return time.Time{}, attribute("time", env.time)
	}
	ahead := t.Sub(stored)
	switch {
	case stored.IsZero():
	case ahead > MaxAhead:
		return time.Time{}, &Fault{Field: "time", Want: "a time at most 24 h ahead of the journal's clock; set the sender's clock", Got: quote(string(env.time))}
	case ahead > MaxSkew:
		return stored.UTC(), nil
	}
	return t.UTC(), nil
}

// parseTime reads an RFC 3339 time. The time package lets an hour of one digit
// pass, a comma before the fraction and an offset of days; RFC 3339 does not.
func parseTime(b []byte) (t time.Time, ok bool) {
	const shortest = len("2006-01-02T15:04:05Z")
	if len(b) < shortest || b[len("2006-01-02T15")] != ':' || bytes.IndexByte(b, ',') >= 0 {
		return t, false
	}
	if zone := b[len(b)-len("+07:00"):]; b[len(b)-1] != 'Z' && (string(zone[1:3]) > "23" || string(zone[4:]) > "59") {
		return t, false
	}
	ok = t.UnmarshalText(b) == nil
	return t, ok
}

// isJSON reports whether the data is JSON: its content type says so, or is
// absent (JSON Event Format, section 3.1.1).
func (env *envelope) isJSON() bool {
	if env.contentType == nil || string(env.contentType) == "application/json" {
		return true // spare the usual case the rest
	}
	media, _, _ := strings.Cut(strings.ToLower(string(env.contentType)), ";")
	_, sub, _ := strings.Cut(strings.TrimSpace(media), "/")
	return sub == "json" || strings.HasSuffix(sub, "+json")
}

// content returns the bytes of the data whichever way they were carried, nil
// when there are none (JSON Event Format, section 3.1.2).
func (env *envelope) content() ([]byte, error) {
	switch {
	case env.base64 != nil && env.data != nil:
		return nil, &Fault{Field: "data_base64", Want: "either data or data_base64", Got: "both"}
	case env.base64 != nil:
		b, err := base64.StdEncoding.AppendDecode(nil, env.base64)
		if err != nil {
			return nil, attribute("data_base64", env.base64)
		}
		return b, nil
	case env.message != nil && !env.isJSON() && jsontext.Value(env.data).Kind() == '"':
		return unquoted(env.data), nil
	}
	return env.data, nil
}
