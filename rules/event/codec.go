package event

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"strconv"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Message is what stands in the journal: one NATS message, whatever is in it.
type Message struct {
	Subject string
	Header  map[string][]string // may be nil
	Data    []byte
	Stored  time.Time // when the journal took it; also the time of an event that has none
}

// MaxData is the largest message that is decoded, in bytes.
const MaxData = 1 << 20

// ContentType is the media type of the structured mode.
const ContentType = "application/cloudevents+json"

// Decode reads one journal message in structured or binary mode. The error is
// a *Fault that names the field to blame, and the event then holds what could
// be read before it. An unknown type is no error: the event comes back with
// Data nil and its data in Raw.
func Decode(m Message) (Event, error) {
	site, machine, typ, err := ParseSubject(m.Subject)
	if err != nil {
		return Event{}, err
	}
	e := Event{Type: typ, Site: site, Machine: machine}
	if len(m.Data) > MaxData {
		return e, &Fault{Field: "message", Want: fmt.Sprintf("at most %d bytes", MaxData), Got: strconv.Itoa(len(m.Data))}
	}
	binary := isBinary(m.Header)
	if !binary {
		if short, ok := decodeShort(e, m); ok {
			return short, nil
		}
	}
	var env envelope
	if binary {
		err = env.fromHeaders(m)
	} else {
		err = env.fromJSON(m.Data)
	}
	if err != nil {
		return e, err
	}
	err = env.fill(&e, m)
	return e, err
}

// fill checks the attributes and the data and puts them in the event, as far as
// the first fault.
func (env *envelope) fill(e *Event, m Message) error {
	e.ID, e.Source = string(env.id), string(env.source)
	err := env.check(e.Type)
	if err != nil {
		return err
	}
	if e.Time, err = env.when(m.Stored); err != nil {
		return err
	}
	e.Stored = m.Stored.UTC()
	content, err := env.content()
	if err != nil {
		return err
	}
	if kind, known := KindOf(e.Type); known {
		e.Data, err = env.payload(kind, content)
	} else if len(content) > 0 {
		e.Raw = bytes.Clone(content)
	}
	return err
}

func (env *envelope) payload(kind Kind, content []byte) (Payload, error) {
	if !env.isJSON() {
		return nil, &Fault{Field: "datacontenttype", Want: "application/json", Got: quote(string(env.contentType))}
	}
	if len(content) == 0 {
		return nil, &Fault{Field: "data", Want: "the payload of " + string(kind.Type)}
	}
	return DecodeData(kind, content)
}

// DecodeData reads and checks the payload of one event type. Every error is a
// *Fault that names the field as it stands in the JSON text, after "data.".
func DecodeData(kind Kind, data []byte) (Payload, error) {
	p := kind.New()
	pl := planOf(p)
	pl.blank(p)
	if err := json.Unmarshal(data, p, json.RejectUnknownMembers(true)); err != nil {
		return nil, explain("data", data, pl.fields(), err)
	}
	if f := findNull(data, pl.fields); f != nil {
		return nil, f
	}
	if err := p.Check(); err != nil {
		return nil, err
	}
	return p, nil
}

// Encode writes the event in structured mode. An event without a time gets
// the journal's. Raw is written as it is when it is JSON, else as base64.
func Encode(e Event) ([]byte, error) {
	b := append(make([]byte, 0, 512), `{"specversion":"1.0"`...)
	var err error
	for _, a := range [...]struct{ name, value string }{
		{"id", e.ID}, {"source", e.Source}, {"type", TypePrefix + string(e.Type)},
	} {
		b = append(append(append(b, `,"`...), a.name...), `":`...)
		if b, err = jsontext.AppendQuote(b, a.value); err != nil {
			return nil, fmt.Errorf("encode %s: %s: %w", e.Type, a.name, err)
		}
	}
	if !e.Time.IsZero() {
		b = append(b, `,"time":"`...)
		if b, err = e.Time.UTC().AppendText(b); err != nil {
			return nil, fmt.Errorf("encode %s: time: %w", e.Type, err)
		}
		b = append(b, '"')
	}
	if b, err = appendData(b, e); err != nil {
		return nil, fmt.Errorf("encode %s: data: %w", e.Type, err)
	}
	return append(b, '}'), nil
}

func appendData(b []byte, e Event) ([]byte, error) {
	raw := e.Raw
	if e.Data != nil {
		var err error
		if raw, err = json.Marshal(e.Data); err != nil {
			return nil, err
		}
	} else if len(raw) == 0 {
		return b, nil
	} else if !isBareJSON(raw) {
		b = append(b, `,"datacontenttype":"application/octet-stream","data_base64":"`...)
		return append(base64.StdEncoding.AppendEncode(b, raw), '"'), nil
	}
	b = append(b, `,"datacontenttype":"application/json","data":`...)
	return append(b, raw...), nil
}

// isBareJSON reports whether raw can stand as a JSON value and be read back
// byte for byte: space around it would be lost.
func isBareJSON(raw []byte) bool {
	return len(bytes.Trim(raw, " \t\r\n")) == len(raw) && jsontext.Value(raw).IsValid()
}
