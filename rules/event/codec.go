package event

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Message is what stands in the journal: one NATS message, whatever is in it.
type Message struct {
	Subject string
	Header  map[string][]string // may be nil
	Data    []byte
	Stored  time.Time // when the journal took it; used when the event has no time
}

// MaxData is the largest message that is decoded, in bytes.
const MaxData = 1 << 20

// ContentType is the media type of the structured mode.
const ContentType = "application/cloudevents+json"

// envelope is the JSON form of a CloudEvent (CloudEvents 1.0, JSON Event
// Format). Extension attributes are allowed by the standard and not used.
type envelope struct {
	SpecVersion string                    `json:"specversion"`
	ID          string                    `json:"id"`
	Source      string                    `json:"source"`
	Type        string                    `json:"type"`
	Time        string                    `json:"time,omitzero"`
	Subject     string                    `json:"subject,omitzero"`
	ContentType string                    `json:"datacontenttype,omitzero"`
	Schema      string                    `json:"dataschema,omitzero"`
	Data        jsontext.Value            `json:"data,omitzero"`
	DataBase64  *string                   `json:"data_base64,omitzero"`
	Extensions  map[string]jsontext.Value `json:",embed"`
}

// Decode reads one journal message in structured or binary mode. The error is
// a *Fault when a field is to blame. An unknown type is no error: the event
// comes back with Data nil and its data in Raw.
func Decode(m Message) (Event, error) {
	site, machine, typ, err := ParseSubject(m.Subject)
	if err != nil {
		return Event{}, err
	}
	if len(m.Data) > MaxData {
		return Event{}, &Fault{Field: "message", Want: fmt.Sprintf("at most %d bytes", MaxData), Got: fmt.Sprintf("%d", len(m.Data))}
	}
	var env envelope
	if mode := contentType(m.Header); hasBinary(m.Header) && !strings.HasPrefix(mode, "application/cloudevents") {
		err = env.fromHeaders(m)
	} else {
		err = env.fromJSON(m.Data)
	}
	if err != nil {
		return Event{}, err
	}
	e := Event{ID: env.ID, Source: env.Source, Type: typ, Site: site, Machine: machine}
	if err := env.check(typ); err != nil {
		return e, err
	}
	if e.Time, err = env.time(m.Stored); err != nil {
		return e, err
	}
	kind, known := KindOf(typ)
	if !known {
		e.Raw, err = env.raw()
		return e, err
	}
	e.Data, err = decodeData(kind, &env)
	return e, err
}

func (env *envelope) fromJSON(data []byte) error {
	if err := json.Unmarshal(data, env); err != nil {
		return explain("", err)
	}
	return nil
}

// fromHeaders reads the binary mode: attributes in headers that start with
// "ce-" and are percent-encoded (CloudEvents NATS binding), data in the body.
func (env *envelope) fromHeaders(m Message) error {
	for name, values := range m.Header {
		attr, ok := strings.CutPrefix(strings.ToLower(name), "ce-")
		if !ok || len(values) == 0 {
			continue
		}
		value, err := url.PathUnescape(values[0])
		if err != nil {
			return &Fault{Field: name, Want: "a percent-encoded value", Got: quote(values[0])}
		}
		switch attr {
		case "specversion":
			env.SpecVersion = value
		case "id":
			env.ID = value
		case "source":
			env.Source = value
		case "type":
			env.Type = value
		case "time":
			env.Time = value
		}
	}
	env.ContentType = contentType(m.Header)
	if len(m.Data) > 0 {
		env.Data = jsontext.Value(m.Data)
	}
	return nil
}

func contentType(h map[string][]string) string {
	for name, values := range h {
		if strings.EqualFold(name, "content-type") && len(values) > 0 {
			return strings.ToLower(values[0])
		}
	}
	return ""
}

func hasBinary(h map[string][]string) bool {
	for name := range h {
		if strings.EqualFold(name, "ce-specversion") || strings.EqualFold(name, "ce-id") {
			return true
		}
	}
	return false
}

func (env *envelope) check(subjectType Type) error {
	if env.SpecVersion != "1.0" {
		return attribute("specversion", `"1.0"`, env.SpecVersion)
	}
	if env.ID == "" {
		return attribute("id", "an id that is unique within the source", "")
	}
	if env.Source == "" {
		return attribute("source", "a URI reference that says who publishes", "")
	}
	if len(env.ID) > MaxText || len(env.Source) > MaxText {
		return attribute("id", fmt.Sprintf("id and source of at most %d bytes", MaxText), "a longer one")
	}
	if env.Type == "" {
		return attribute("type", "rollwarden.<type>", "")
	}
	if _, known := KindOf(subjectType); known && env.Type != TypePrefix+string(subjectType) {
		return attribute("type", TypePrefix+string(subjectType)+" as in the subject", env.Type)
	}
	for name := range env.Extensions {
		if strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789") != "" {
			return &Fault{Field: name, Want: "a CloudEvents attribute or an extension name of a-z and 0-9", Got: "an unknown member"}
		}
	}
	return nil
}

func attribute(name, want, got string) *Fault {
	if got != "" {
		got = quote(got)
	}
	return &Fault{Field: name, Want: want, Got: got}
}

// MaxAhead is how far an event may lie ahead of the journal's own clock. A
// later one comes from a wrong clock and is refused rather than believed.
const MaxAhead = 24 * time.Hour

func (env *envelope) time(stored time.Time) (time.Time, error) {
	if env.Time == "" {
		if stored.IsZero() {
			return time.Time{}, attribute("time", "an RFC 3339 time", "")
		}
		return stored.UTC(), nil
	}
	t, err := time.Parse(time.RFC3339Nano, env.Time)
	if err != nil {
		return time.Time{}, attribute("time", "an RFC 3339 time such as 2026-03-02T08:00:00Z", env.Time)
	}
	if !stored.IsZero() && t.Sub(stored) > MaxAhead {
		return time.Time{}, attribute("time", "a time at most 24 h ahead of the journal's clock; set the sender's clock", env.Time)
	}
	return t.UTC(), nil
}

// raw keeps the data of an unknown type as it came.
func (env *envelope) raw() ([]byte, error) {
	if env.DataBase64 != nil {
		b, err := base64.StdEncoding.DecodeString(*env.DataBase64)
		if err != nil {
			return nil, attribute("data_base64", "base64 text", "something else")
		}
		return b, nil
	}
	return bytes.Clone(env.Data), nil
}

func decodeData(kind Kind, env *envelope) (Payload, error) {
	media, _, _ := strings.Cut(strings.ToLower(env.ContentType), ";")
	if media = strings.TrimSpace(media); media != "" && media != "application/json" && !strings.HasSuffix(media, "+json") {
		return nil, attribute("datacontenttype", "application/json", env.ContentType)
	}
	if env.DataBase64 != nil {
		return nil, attribute("data_base64", "the payload as JSON in data", "base64")
	}
	if len(env.Data) == 0 {
		return nil, attribute("data", "the payload of "+string(kind.Type), "")
	}
	return DecodeData(kind, env.Data)
}

// DecodeData reads and checks the payload of one event type.
func DecodeData(kind Kind, data []byte) (Payload, error) {
	p := kind.New()
	if err := json.Unmarshal(data, p, json.RejectUnknownMembers(true)); err != nil {
		return nil, explain("data", err)
	}
	if err := p.Check(); err != nil {
		return nil, err
	}
	return p, nil
}

// explain turns a decoder's error into a Fault that names the field.
func explain(root string, err error) error {
	var sem *json.SemanticError
	if errors.As(err, &sem) {
		field := dotted(root, string(sem.JSONPointer))
		if errors.Is(err, json.ErrUnknownName) {
			return &Fault{Field: field, Want: "a field of the contract", Got: "an unknown one"}
		}
		want := "another kind of value"
		if sem.GoType != nil {
			want = "a " + kindWord(sem.GoType.Kind().String())
		}
		got := sem.JSONKind.String()
		if len(sem.JSONValue) > 0 {
			got = quote(string(sem.JSONValue))
		}
		return &Fault{Field: field, Want: want, Got: got}
	}
	var syn *jsontext.SyntacticError
	if errors.As(err, &syn) {
		return &Fault{Field: dotted(root, string(syn.JSONPointer)), Want: "well-formed JSON", Got: fmt.Sprintf("%v at byte %d", syn.Err, syn.ByteOffset)}
	}
	return &Fault{Field: dotted(root, ""), Want: "a JSON object", Got: err.Error()}
}

func kindWord(kind string) string {
	switch kind {
	case "float64":
		return "number"
	case "struct":
		return "time as RFC 3339 text, or an object"
	case "slice":
		return "list"
	case "bool":
		return "true or false"
	}
	return kind
}

func dotted(root, pointer string) string {
	path := strings.ReplaceAll(strings.Trim(pointer, "/"), "/", ".")
	switch {
	case root == "" && path == "":
		return "event"
	case root == "":
		return path
	case path == "":
		return root
	}
	return root + "." + path
}

// Encode writes the event in structured mode.
func Encode(e Event) ([]byte, error) {
	env := envelope{
		SpecVersion: "1.0", ID: e.ID, Source: e.Source, Type: TypePrefix + string(e.Type),
		Time: e.Time.UTC().Format(time.RFC3339Nano), ContentType: "application/json",
	}
	var err error
	if e.Data != nil {
		env.Data, err = json.Marshal(e.Data)
	} else {
		env.Data = jsontext.Value(e.Raw)
	}
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", e.Type, err)
	}
	return json.Marshal(&env)
}
