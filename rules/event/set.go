package event

import (
	"errors"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Set builds the payload of a kind from name=value texts, as a command line
// gives them, and checks it. A number takes a point and no unit, a boolean
// true, false, yes or no, a time RFC 3339, and a list of texts commas between
// them. The error is a *Fault whose Field is the name as it was typed.
func Set(kind Kind, pairs map[string]string) (Payload, error) {
	p := kind.New()
	pl := planOf(p)
	pl.blank(p)
	v := reflect.ValueOf(p).Elem()
	for _, name := range sortedKeys(pairs) {
		m, ok := pl.find(name)
		if !ok {
			return nil, &Fault{Field: clip(name), Want: unknownWant(name, "a field of "+string(kind.Type), pl.names()), Got: "an unknown field"}
		}
		if f := m.set(v.FieldByIndex(m.index), pairs[name]); f != nil {
			return nil, f
		}
	}
	if err := p.Check(); err != nil {
		return nil, asTyped(err)
	}
	return p, nil
}

// asTyped drops the "data." that a fault carries when the sender wrote JSON.
func asTyped(err error) error {
	var f *Fault
	if errors.As(err, &f) {
		f.Field = strings.TrimPrefix(f.Field, "data.")
	}
	return err
}

func (pl *plan) find(name string) (*member, bool) {
	i := slices.IndexFunc(pl.members, func(m member) bool { return m.Name == name })
	if i < 0 {
		return nil, false
	}
	return &pl.members[i], true
}

func (pl *plan) names() []string {
	out := make([]string, len(pl.members))
	for i, m := range pl.members {
		out[i] = m.Name
	}
	return out
}

// set reads one text into the field v, making room for it when v is a pointer.
func (m *member) set(v reflect.Value, text string) *Fault {
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	ok := false
	switch {
	case m.Format == "date-time":
		var at time.Time
		at, ok = parseTime([]byte(text))
		v.Set(reflect.ValueOf(at))
	case m.Type == "number":
		var x float64
		x, ok = parseNumber(text)
		v.SetFloat(x)
	case m.Type == "boolean":
		var x bool
		x, ok = parseBool(text)
		v.SetBool(x)
	case m.Type == "string":
		v.SetString(text)
		ok = text != ""
	case m.Type == "array" && m.Items == nil:
		v.Set(reflect.ValueOf(strings.Split(text, ",")))
		ok = text != ""
	}
	if !ok {
		return &Fault{Field: m.Name, Want: m.typedWant(), Got: quote(text)}
	}
	return nil
}

// typedWant is Want for a person at a command line.
func (m *member) typedWant() string {
	switch {
	case m.Type == "number":
		return m.Want() + ", without the unit and with a point, such as 12.5"
	case m.Type == "boolean":
		return "true or false, yes or no"
	case m.Items != nil:
		return "nothing here: a list of objects can only be sent as JSON"
	case m.Type == "array":
		return "texts with commas between them"
	case m.Enum == nil && m.Format == "":
		return "a text that is not empty"
	}
	return m.Want()
}

// parseNumber reads what JSON calls a number, with a leading + allowed because
// people write one before a movement.
func parseNumber(text string) (float64, bool) {
	if strings.Trim(text, "+-.0123456789eE") != "" {
		return 0, false // neither NaN, nor infinity, nor hexadecimal
	}
	x, err := strconv.ParseFloat(text, 64)
	return x, err == nil
}

func parseBool(text string) (value, ok bool) {
	switch strings.ToLower(text) {
	case "true", "yes":
		return true, true
	case "false", "no":
		return false, true
	}
	return false, false
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// unknownWant says what a misspelt name was probably meant to be, or else
// what there is to choose from.
func unknownWant(name, what string, names []string) string {
	if near := nearest(name, names); len(near) > 0 {
		return what + "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return what + ": " + strings.Join(names, ", ")
}

// nearest returns the names that a slip could have turned into name, the
// likeliest first: wrong case, a letter or two, or a forgotten unit.
func nearest(name string, names []string) []string {
	const most, longest = 3, 64
	if len(name) > longest {
		return nil // no slip of a name, and the distance would take its time
	}
	typed := strings.ToLower(name)
	limit := 1 + len(typed)/4
	distance := func(n string) int {
		if strings.HasPrefix(n, typed+"_") || strings.HasPrefix(typed, n+"_") {
			return 1
		}
		return editDistance(typed, n)
	}
	var near []string
	for _, n := range names {
		if distance(n) <= limit {
			near = append(near, n)
		}
	}
	slices.SortStableFunc(near, func(a, b string) int { return distance(a) - distance(b) })
	return near[:min(len(near), most)]
}

// editDistance is the Levenshtein distance in bytes. Names are short, so the
// full table is cheap.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], cost
		}
	}
	return row[len(b)]
}
