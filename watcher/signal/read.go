package signal

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// maxPayload is the largest payload that is read, bytes.
const maxPayload = 64 << 10

// misfit is why a message does not fit the row that is meant for it.
type misfit struct {
	kind string // one of event.RejectKinds
	error
}

func bad(kind, format string, args ...any) error {
	return &misfit{kind, fmt.Errorf(format, args...)}
}

// payload is what a message says: JSON, or a bare word.
type payload struct{ jsontext.Value }

// readPayload takes what is no JSON for a text, because a button that says on means
// "on". What begins as an object or a list and is none was meant for one.
func readPayload(data []byte) (payload, error) {
	if len(data) > maxPayload {
		return payload{}, bad("too-large", "want a payload of at most %d bytes, got %d", maxPayload, len(data))
	}
	if !utf8.Valid(data) {
		return payload{}, bad("malformed", "want a payload of UTF-8 text")
	}
	data = bytes.TrimSpace(data)
	if v := jsontext.Value(data); v.IsValid() {
		return payload{v}, nil
	}
	if len(data) > 0 && (data[0] == '{' || data[0] == '[') {
		return payload{}, bad("malformed", "want a payload of JSON: %w", json.Unmarshal(data, new(any)))
	}
	text, err := jsontext.AppendQuote(nil, data)
	return payload{text}, err
}

// find follows a JSON pointer (RFC 6901, section 4).
func (p payload) find(pointer string) (jsontext.Value, error) {
	v := p.Value
	for token := range jsontext.Pointer(pointer).Tokens() {
		next, ok, err := step(v, token)
		if err != nil {
			return nil, bad("malformed", "want a payload of JSON: %w", err)
		}
		if !ok {
			return nil, bad("missing-field", "want a payload of JSON with %s, got %s", pointer, p.what())
		}
		v = next
	}
	return v, nil
}

// what is what a payload is that has not what was looked for.
func (p payload) what() string {
	switch kind := p.Kind(); {
	case kind == '{':
		return "an object without it"
	case kind == '[':
		return "a list without it"
	case string(p.Value) == `""`:
		return "an empty one"
	case kind == '"':
		return "a text"
	case kind == '0':
		return "a number"
	}
	return string(p.Value)
}

func step(v jsontext.Value, token string) (jsontext.Value, bool, error) {
	switch v.Kind() {
	case '{':
		var members map[string]jsontext.Value
		err := json.Unmarshal(v, &members)
		next, ok := members[token]
		return next, ok, err
	case '[':
		var items []jsontext.Value
		err := json.Unmarshal(v, &items)
		i, e := strconv.Atoi(token)
		if e != nil || i < 0 || i >= len(items) || strconv.Itoa(i) != token { // no leading zeros
			return nil, false, err
		}
		return items[i], true, err
	}
	return nil, false, nil
}

// text is a single value as people write it.
func (p payload) text(pointer string) (string, error) {
	v, err := p.find(pointer)
	if err != nil {
		return "", err
	}
	where := pointer
	if where == "" {
		where = "the payload"
	}
	switch v.Kind() {
	case '"':
		text, err := jsontext.AppendUnquote(nil, v)
		return string(text), err
	case '0', 't', 'f':
		return string(v), nil
	case 'n':
		return "", bad("missing-field", "%s is null", where)
	}
	return "", bad("bad-value", "%s: want a text, a number or true or false, got an object or a list", where)
}

func (p payload) number(pointer string) (float64, error) {
	text, err := p.text(pointer)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || v-v != 0 { // neither infinite nor not a number
		where := pointer
		if where == "" {
			where = "the payload"
		}
		return 0, bad("bad-value", "%s: want a number, got %q", where, clip(text))
	}
	return v, nil
}

// value is the text of a field, in the field's own unit.
func (f Field) value(p payload, unit string) (string, error) {
	if f.Value != nil {
		return *f.Value, nil
	}
	if f.Unit == "" && f.Scale == 0 {
		return p.text(*f.Pointer)
	}
	v, err := p.number(*f.Pointer)
	if err != nil {
		return "", err
	}
	if f.Scale != 0 {
		v *= f.Scale
	}
	text := strconv.FormatFloat(v, 'f', -1, 64)
	if f.Unit != "" {
		v, ok := units.Parse(text+" "+f.Unit, unit)
		if !ok {
			return "", bad("bad-value", "want a number in %s, got %s", f.Unit, text)
		}
		text = strconv.FormatFloat(v, 'f', -1, 64)
	}
	return text, nil
}

// holds reports whether a payload says what a condition wants.
func (c Condition) holds(p payload) (bool, error) {
	if c.Equals != nil {
		text, err := p.text(c.Pointer)
		return text == *c.Equals, err
	}
	v, err := p.number(c.Pointer)
	return err == nil && (c.Above != nil && v > *c.Above || c.Below != nil && v < *c.Below), err
}

// data makes the payload of the row's event; nil when the message means nothing.
func (r *Row) data(kind event.Kind, message []byte) (event.Payload, error) {
	p, err := readPayload(message)
	if err != nil {
		return nil, err
	}
	for i, c := range r.When {
		holds, err := c.holds(p)
		if err != nil {
			return nil, fmt.Errorf("when[%d]: %w", i, err)
		}
		if !holds {
			return nil, nil
		}
	}
	set := map[string]string{}
	for _, field := range event.Fields(kind) {
		f, ok := r.Fields[field.Name]
		if !ok {
			continue
		}
		if set[field.Name], err = f.value(p, field.Unit); err != nil {
			return nil, fmt.Errorf("%s: %w", field.Name, err)
		}
	}
	data, err := event.Set(kind, set)
	if f, ok := errors.AsType[*event.Fault](err); ok {
		if f.Got == "" {
			return nil, &misfit{"missing-field", f}
		}
		return nil, &misfit{"bad-value", f}
	}
	return data, err
}

// clip shows the beginning of a text in a message.
func clip(text string) string {
	const most = 200
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}
