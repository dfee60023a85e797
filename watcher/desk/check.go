package desk

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
	"rollwarden/rules/units"
)

// mostFaults bounds an answer: who sends a hundred unknown names can mend the
// first of them first.
const mostFaults = 20

// check holds what was sent against the route's table, and returns everything
// that is wrong with it.
func (v values) check(route *route) faults {
	var all faults
	for _, f := range route.fields {
		if fault := v.checkField(f, f.Name); fault != nil {
			all = append(all, fault)
		}
	}
	for _, name := range sortedKeys(v) {
		if !route.takes(name) && len(all) < mostFaults {
			all = append(all, unknown(name, route.names()))
		}
	}
	return all
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

func unknown(name string, names []string) *event.Fault {
	return &event.Fault{Field: shortName(name), Want: "one of " + strings.Join(names, ", ") + meant(name, names), Got: "an unknown name"}
}

// shortName is a name that came from outside, as a message may repeat it.
func shortName(name string) string {
	if strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) || utf8.RuneCountInString(name) > 60 {
		return shown(name)
	}
	return name
}

// checkField holds what stands at a path against its row.
func (v values) checkField(f event.Field, path string) (fault *event.Fault) {
	one, sent := v[path]
	switch {
	case sent && (!fits(f, one.kind) || f.Type != "array" && len(one.texts) > 1):
		fault = &event.Fault{Want: want(f), Got: one.word()}
	case sent && !one.isEmpty():
		fault = one.check(f)
	case f.Required:
		fault = faultOf(f, "")
	}
	if fault != nil {
		fault.Field = path
	}
	return fault
}

// check holds a value that is there, and of a kind that fits, against its row.
func (v value) check(f event.Field) *event.Fault {
	text, ok := v.texts[0], true
	switch {
	case f.Type == "number":
		if fault := eitherNumber(text); fault != nil {
			return fault
		}
		var x float64
		x, ok = number(f, v)
		ok = ok && x >= f.Min && x <= f.Max
	case f.Type == "boolean":
		ok = slices.Contains([]string{"true", "false", "yes", "no"}, strings.ToLower(text))
	case f.Format == "date-time":
		_, err := time.Parse(time.RFC3339, text)
		ok = err == nil
	case f.Enum != nil:
		if !slices.Contains(f.Enum, text) {
			return unlisted(f.Name, text, f.Enum)
		}
	default:
		for _, text := range v.texts {
			if fault := checkText(f, text); fault != nil {
				return fault
			}
		}
	}
	if !ok {
		return faultOf(f, text)
	}
	return nil
}

// isEmpty reports whether there is nothing in a value, which counts as absent.
func (v value) isEmpty() bool {
	return len(v.texts) == 0 || len(v.texts) == 1 && strings.TrimSpace(v.texts[0]) == ""
}

// fits reports whether a kind of JSON can stand for a field. A number may come
// as a text, which may name its unit.
func fits(f event.Field, kind jsontext.Kind) bool {
	switch {
	case kind == typed:
		return f.Type != "object"
	case f.Type == "number":
		return kind == '0' || kind == '"'
	case f.Type == "boolean":
		return kind == 't' || kind == 'f'
	case f.Type == "array":
		return kind == '['
	case f.Type == "object":
		return false // one is read member by member
	}
	return kind == '"'
}

// word says what a value is that cannot stand where it does.
func (v value) word() string {
	switch v.kind {
	case 'n':
		return "null"
	case 't', 'f':
		return "true or false"
	case '"':
		return "a text"
	case '0':
		return "a number"
	case '{':
		return "an object"
	case '[', mixed:
		return "a list"
	}
	return fmt.Sprintf("%d values", len(v.texts))
}

// number reads a number in the unit of its field. People write a decimal with a
// comma too; a program writes it with a point.
func number(f event.Field, v value) (float64, bool) {
	switch v.kind {
	case '0':
		x, err := strconv.ParseFloat(v.texts[0], 64)
		return x, err == nil
	case typed:
		return units.Parse(point(v.texts[0]), f.Unit)
	}
	return units.Parse(v.texts[0], f.Unit)
}

// prose are the fields that may hold more than one line.
var prose = []string{"reason", "note"}

// The longest name of a person, and the longest other text, in characters. A
// reason or a note may be as long as the contract allows.
const (
	maxName = 64
	maxText = 256
)

// longest is the most characters of a text.
func longest(f event.Field) int {
	switch {
	case f.Name == byField.Name:
		return maxName
	case slices.Contains(prose, f.Name):
		return event.MaxText
	}
	return maxText
}

// checkText refuses what no person types: characters that end or hide a line.
func checkText(f event.Field, text string) *event.Fault {
	long := longest(f)
	if n := utf8.RuneCountInString(text); n > long {
		return &event.Fault{Field: f.Name, Want: fmt.Sprintf("at most %d characters", long), Got: strconv.Itoa(n)}
	}
	lines := slices.Contains(prose, f.Name)
	hidden := func(r rune) bool {
		return unicode.IsControl(r) && !(lines && (r == '\n' || r == '\t')) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029'
	}
	if strings.ContainsFunc(text, hidden) {
		return &event.Fault{Field: f.Name, Want: "text without control characters", Got: shown(text)}
	}
	return nil
}

// want says what may stand in a field, with the units that it may be given in.
func want(f event.Field) string {
	switch {
	case f.Name == byField.Name:
		return "the name of who did it"
	case f.Format == "uuid":
		return "a UUID such as 0198c0de-7a3b-7c1e-9f00-3a5b8c2d1e4f, a new one for each entry"
	case f.Type == "object":
		return "an object with the values of the action"
	case f.Type == "number" && len(units.Symbols(f.Unit)) > 1:
		return f.Want() + ", or with a unit behind it: " + strings.Join(units.Symbols(f.Unit), ", ")
	}
	return f.Want()
}

// meant is what a word was probably meant to be, as a piece of a sentence. A long
// one is no slip of the keyboard, and looking would take its time.
func meant(word string, options []string) string {
	const longest = 2*event.MaxName + 1
	if len(word) > longest {
		return ""
	}
	return hint.DidYouMean(word, options)
}

// unlisted is the fault of a word that is not one of a list.
func unlisted(field, word string, list []string) *event.Fault {
	return &event.Fault{Field: field, Want: "one of " + strings.Join(list, ", ") + meant(word, list), Got: shown(word)}
}
