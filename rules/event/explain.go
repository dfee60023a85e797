package event

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// explain turns a decoder's error about the JSON text into a Fault that names
// the field as the sender wrote it. Root is the path of the text itself,
// "data" or nothing; fields are what may stand in it, where that is known.
func explain(root string, text []byte, fields []Field, err error) *Fault {
	if sem, ok := errors.AsType[*json.SemanticError](err); ok {
		return explainValue(root, text, fields, sem)
	}
	if syn, ok := errors.AsType[*jsontext.SyntacticError](err); ok {
		return explainSyntax(root, syn)
	}
	return &Fault{Field: dotted(root, ""), Want: "a JSON object", Got: err.Error()}
}

func explainValue(root string, text []byte, fields []Field, sem *json.SemanticError) *Fault {
	field, siblings := lookup(fields, sem.JSONPointer)
	path := dotted(root, sem.JSONPointer)
	if errors.Is(sem.Err, json.ErrUnknownName) {
		name := sem.JSONPointer.LastToken()
		return &Fault{Field: path, Want: unknownWant(name, "a field of the contract", names(siblings)), Got: "an unknown field"}
	}
	f := &Fault{Field: path, Want: "a JSON object", Got: kindWord(sem.JSONKind)}
	if field != nil {
		f.Want = field.Want()
		if field.Type == "array" && sem.GoType.Kind() != reflect.Slice {
			f.Want = itemWant(*field)
		}
	}
	if v := valueAt(text, sem.ByteOffset); v != nil {
		f.Got = shown(v)
	}
	return f
}

func itemWant(f Field) string {
	if f.Items != nil {
		return "an object"
	}
	return "a text"
}

func explainSyntax(root string, syn *jsontext.SyntacticError) *Fault {
	path := dotted(root, syn.JSONPointer)
	if errors.Is(syn.Err, jsontext.ErrDuplicateName) {
		return &Fault{Field: path, Want: "each field once", Got: "it twice"}
	}
	return &Fault{Field: path, Want: "well-formed JSON in UTF-8", Got: fmt.Sprintf("%v at byte %d", syn.Err, syn.ByteOffset)}
}

// lookup follows a JSON pointer through the fields of a payload. It returns
// the field it points to, nil when there is none, and the fields beside it.
func lookup(fields []Field, p jsontext.Pointer) (field *Field, siblings []Field) {
	siblings = fields
	for token := range p.Tokens() {
		if _, err := strconv.Atoi(token); err == nil && field != nil {
			continue // a place in a list
		}
		if field != nil {
			siblings = field.Items
		}
		i := slices.IndexFunc(siblings, func(f Field) bool { return f.Name == token })
		if i < 0 {
			return nil, siblings
		}
		field = &siblings[i]
	}
	return field, siblings
}

func names(fields []Field) []string {
	out := make([]string, len(fields))
	for i, f := range fields {
		out[i] = f.Name
	}
	return out
}

// findNull refuses null, which the decoder takes for an absent member. Most
// payloads do not hold the word at all.
func findNull(text []byte, fields func() []Field) *Fault {
	if !bytes.Contains(text, []byte("null")) {
		return nil
	}
	d := jsontext.NewDecoder(bytes.NewReader(text))
	for {
		token, err := d.ReadToken()
		if err != nil {
			return nil // the end: the text was read once already
		}
		if token.Kind() != 'n' {
			continue
		}
		f := &Fault{Field: dotted("data", d.StackPointer()), Want: "a JSON object", Got: "null"}
		if field, _ := lookup(fields(), d.StackPointer()); field != nil {
			f.Want = field.Want() + ", or no such member"
		}
		return f
	}
}

// valueAt returns the JSON value that starts at an offset, nil if none does.
func valueAt(text []byte, offset int64) jsontext.Value {
	if offset < 0 || offset > int64(len(text)) {
		return nil
	}
	v, err := jsontext.NewDecoder(bytes.NewReader(text[offset:])).ReadValue()
	if err != nil {
		return nil
	}
	return v
}

// shown is a value as a message shows it: in full when it is short.
func shown(v jsontext.Value) string {
	if k := v.Kind(); k == '{' || k == '[' {
		return kindWord(k)
	}
	return clip(string(v))
}

func kindWord(k jsontext.Kind) string {
	switch k {
	case 'n':
		return "null"
	case 't':
		return "true"
	case 'f':
		return "false"
	case '"':
		return "a text"
	case '0':
		return "a number"
	case '{':
		return "an object"
	case '[':
		return "a list"
	}
	return "something else"
}

// dotted joins a root and a JSON pointer into data.remedies.0.code.
func dotted(root string, p jsontext.Pointer) string {
	var path []string
	if root != "" {
		path = append(path, root)
	}
	for token := range p.Tokens() {
		path = append(path, clip(token))
	}
	if len(path) == 0 {
		return "event"
	}
	return strings.Join(path, ".")
}
