package event

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Field describes one member of a payload, as a sender writes it.
type Field struct {
	Name     string   // the member, as in "length_mm"
	Type     string   // JSON type: string, number, boolean or array
	Format   string   // "date-time" for a time (RFC 3339), else empty
	Doc      string   // what it means
	Unit     string   // unit of a number; empty for a count
	Required bool     // whether it must be there, and not be empty
	Enum     []string // the only values of a text; nil when any will do
	Min, Max float64  // limits of a number, both allowed
	Items    []Field  // members of an array's objects; nil for an array of texts
}

// Fields lists the members of a kind's payload, in the order of the contract. The
// zero Kind, which is that of a type outside the contract, has none.
func Fields(kind Kind) []Field {
	if kind.New == nil {
		return nil
	}
	return planOf(kind.New()).fields()
}

// sampleTime shows what a time looks like.
const sampleTime = "2026-03-02T08:00:00Z"

// Want says in plain words what may stand in the field.
func (f Field) Want() string {
	switch {
	case f.Enum != nil:
		return "one of " + strings.Join(f.Enum, ", ")
	case f.Type == "number":
		return strings.TrimSpace("a number from " + decimal(f.Min) + " to " + decimal(f.Max) + " " + f.Unit)
	case f.Type == "boolean":
		return "true or false"
	case f.Format == "date-time":
		return "a time such as " + sampleTime
	case f.Type == "array" && f.Items != nil:
		return "a list of objects"
	case f.Type == "array":
		return "a list of texts"
	case f.Required:
		return "a text that is not empty"
	}
	return "a text"
}

// MaxText is the longest text in a payload, in characters: Unicode code
// points, as JSON Schema counts them (draft-07 validation, section 6.3.1).
const MaxText = 4096

// Shorten makes a text that came from outside fit for a payload: valid UTF-8 of at
// most MaxText bytes. One that is longer ends in an ellipsis.
func Shorten(text string) string {
	const tail = " …"
	text = strings.ToValidUTF8(text, "�")
	if len(text) <= MaxText {
		return text
	}
	return strings.ToValidUTF8(text[:MaxText-len(tail)], "") + tail
}

// plan is what the tags of one payload struct say, read once.
type plan struct {
	members []member
	numbers [][]int // the required numbers, see blank
}

type member struct {
	Field
	index []int // for reflect.Value.FieldByIndex
}

// plans holds the plan of every payload by its pointer type, so that no tag is
// read per event: the payloads of Kinds, what is embedded in them, and what
// they list.
var plans = func() map[reflect.Type]*plan {
	m := make(map[reflect.Type]*plan)
	var add func(t reflect.Type)
	add = func(t reflect.Type) {
		m[reflect.PointerTo(t)] = compile(t)
		for i := range t.NumField() {
			sf := t.Field(i)
			if sf.Anonymous {
				add(sf.Type) // RunStarted is checked as the Run in it
			} else if isList(sf.Type) {
				add(sf.Type.Elem())
			}
		}
	}
	for _, kind := range Kinds {
		add(reflect.TypeOf(kind.New()).Elem())
	}
	return m
}()

// isList tells a list of objects from a list of texts.
func isList(t reflect.Type) bool {
	return t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct
}

func planOf(p any) *plan {
	if pl := plans[reflect.TypeOf(p)]; pl != nil {
		return pl
	}
	return compile(reflect.TypeOf(p).Elem()) // a payload from outside this package
}

// compile reads the tags of a struct and of the structs embedded in it.
func compile(t reflect.Type) *plan {
	pl := new(plan)
	for _, sf := range reflect.VisibleFields(t) {
		if sf.Anonymous {
			continue
		}
		m := member{Field: describe(sf), index: sf.Index}
		pl.members = append(pl.members, m)
		if m.Required && sf.Type.Kind() == reflect.Float64 {
			pl.numbers = append(pl.numbers, sf.Index)
		}
	}
	return pl
}

func describe(sf reflect.StructField) Field {
	name, options, _ := strings.Cut(sf.Tag.Get("json"), ",")
	f := Field{Name: name, Doc: sf.Tag.Get("doc"), Unit: sf.Tag.Get("unit"), Required: options == ""}
	f.Min, f.Max = limit(sf, "min"), limit(sf, "max")
	if words := sf.Tag.Get("enum"); words != "" {
		f.Enum = strings.Split(words, ",")
	}
	t := sf.Type
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case t == reflect.TypeFor[time.Time]():
		f.Type, f.Format = "string", "date-time"
	case t == reflect.TypeFor[Class]():
		f.Type, f.Enum = "string", classNames()
	case t.Kind() == reflect.String:
		f.Type = "string"
	case t.Kind() == reflect.Float64:
		f.Type = "number"
	case t.Kind() == reflect.Bool:
		f.Type = "boolean"
	case isList(t):
		f.Type, f.Items = "array", compile(t.Elem()).fields()
	case t.Kind() == reflect.Slice:
		f.Type = "array"
	}
	return f
}

func classNames() []string {
	names := make([]string, len(Classes))
	for i, c := range Classes {
		names[i] = string(c)
	}
	return names
}

// limit reads a min or max tag; a test sees to it that every number has both.
func limit(sf reflect.StructField, tag string) float64 {
	v, _ := strconv.ParseFloat(sf.Tag.Get(tag), 64)
	return v
}

func (pl *plan) fields() []Field {
	out := make([]Field, len(pl.members))
	for i, m := range pl.members {
		out[i] = m.Field
	}
	return out
}

// blank sets every required number to NaN before decoding. JSON has no NaN,
// so one that is still there afterwards was not in the text.
func (pl *plan) blank(p any) {
	for _, index := range pl.numbers {
		reflect.ValueOf(p).Elem().FieldByIndex(index).SetFloat(math.NaN())
	}
}

// check holds a payload's values, given in the order of its struct, against
// the limits in its tags. The error is the *Fault of the first that breaks
// one. Handing the values over costs each Check one line and saves reflection
// at every event.
func check(p Payload, values ...any) error {
	if f := planOf(p).check(values); f != nil {
		f.Field = "data." + f.Field
		return f
	}
	return nil
}

func (pl *plan) check(values []any) *Fault {
	for i, v := range values {
		if f := pl.members[i].check(v); f != nil {
			return f
		}
	}
	return nil
}

func (m *member) check(v any) *Fault {
	switch v := v.(type) {
	case string:
		return m.checkText(v)
	case Class:
		return m.checkText(string(v))
	case float64:
		return m.checkNumber(v)
	case *float64:
		if v == nil {
			return m.missing()
		}
		return m.checkNumber(*v)
	case *bool:
		if v == nil {
			return m.missing()
		}
	case *time.Time:
		if v == nil {
			return m.missing()
		}
		return m.checkTime(v)
	case []string:
		for i := range v {
			if f := m.checkText(v[i]); f != nil {
				return f.within(m.Name, i, "")
			}
		}
	case []Remedy:
		return checkItems(m, v, (*Remedy).check)
	case []Evidence:
		return checkItems(m, v, (*Evidence).check)
	}
	return nil
}

func checkItems[T any](m *member, items []T, check func(*T) *Fault) *Fault {
	for i := range items {
		if f := check(&items[i]); f != nil {
			return f.within(m.Name, i, "."+f.Field)
		}
	}
	return nil
}

// within names the place in a list where a fault is.
func (f *Fault) within(list string, i int, rest string) *Fault {
	f.Field = list + "." + strconv.Itoa(i) + rest
	return f
}

func (m *member) missing() *Fault {
	if !m.Required {
		return nil
	}
	return &Fault{Field: m.Name, Want: m.Want()}
}

func (m *member) checkNumber(v float64) *Fault {
	switch {
	case v >= m.Min && v <= m.Max:
		return nil
	case math.IsNaN(v) && m.Required:
		return m.missing()
	}
	return &Fault{Field: m.Name, Want: m.Want(), Got: decimal(v)}
}

func (m *member) checkText(v string) *Fault {
	switch {
	case v == "":
		return m.missing()
	case m.Enum != nil:
		return m.checkWord(v)
	case !utf8.ValidString(v):
		return &Fault{Field: m.Name, Want: "UTF-8 text", Got: quote(v)}
	case len(v) > MaxText && utf8.RuneCountInString(v) > MaxText:
		return &Fault{Field: m.Name, Want: fmt.Sprintf("at most %d characters", MaxText), Got: strconv.Itoa(utf8.RuneCountInString(v))}
	}
	return nil
}

func (m *member) checkWord(v string) *Fault {
	for _, word := range m.Enum {
		if v == word {
			return nil
		}
	}
	return &Fault{Field: m.Name, Want: m.Want(), Got: quote(v)}
}

// checkTime refuses a year that RFC 3339 cannot write, and the zero time,
// which stands for no time at all and would be left out of the JSON.
func (m *member) checkTime(t *time.Time) *Fault {
	switch y := t.Year(); {
	case t.IsZero():
		return &Fault{Field: m.Name, Want: m.Want(), Got: "the zero time"}
	case y < 0 || y > 9999:
		return &Fault{Field: m.Name, Want: m.Want(), Got: fmt.Sprintf("the year %d", y)}
	}
	return nil
}

// decimal writes a number as people do, without an exponent while it is short.
func decimal(v float64) string {
	if math.Abs(v) < 1e15 {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
