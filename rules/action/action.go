// Package action is what an operator does at a machine and tells the watch: the
// table from which the operator's page draws its forms, the HTTP edge reads
// entries, and the documentation is made.
//
// The package is pure. A row names an event type of the contract and the fields
// of its payload that are worth asking for; kinds, units, limits and choices come
// from the contract itself, so that none is written down twice.
package action

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
)

// Source is the CloudEvents source of what is entered at a machine.
const Source = "rollwarden/desk"

// Kind says how a value is asked for.
type Kind string

// The kinds of values.
const (
	LengthMM Kind = "length-mm"
	LengthM  Kind = "length-m"
	Number   Kind = "number"
	Choice   Kind = "choice"
	Text     Kind = "text"
	YesNo    Kind = "yes-no"
	Job      Kind = "job"   // a job of the machine's
	Stock    Kind = "stock" // a stock code of the shop's
)

// Field is one value that an action asks for. Its Name, Doc, Unit and limits are
// those of the payload's field, unless the action asks for less.
type Field struct {
	event.Field
	Kind    Kind
	Choices []string // of a Choice
	Default string   // what is taken when nothing is given; empty for nothing
}

// Action is one thing that an operator can do at a machine.
type Action struct {
	Code     string
	Title    string // in English, as on a button; the code is for other languages
	Type     event.Type
	Fields   []Field
	Cautions []string // codes of Cautions, the gravest first
	Undo     bool     // whether it can be taken back for a moment

	fixed  map[string]string // what the action says by itself
	negate string            // the field that is asked for upstream and counted downstream
}

// Entry is what an operator entered. Values are in the units of the contract, as
// texts by the name of the field; an empty one counts as absent.
type Entry struct {
	ID      string // becomes the event's, so that sending it twice is sending it once
	Site    string
	Machine string
	At      time.Time
	By      string
	Values  map[string]string
}

// ByCode returns a row of the table.
func ByCode(code string) (*Action, bool) {
	i := slices.IndexFunc(Actions, func(a Action) bool { return a.Code == code })
	if i < 0 {
		return nil, false
	}
	return &Actions[i], true
}

// Build makes the event of an entry. The error is an *event.Fault that names the
// field and says what was expected.
func (a *Action) Build(e Entry) (event.Event, error) {
	pairs, err := a.pairs(e.Values)
	if err != nil {
		return event.Event{}, err
	}
	for name, text := range a.fixed {
		pairs[name] = text
	}
	return build(e, a.Type, pairs)
}

// Undo makes the event that takes an earlier one back, given its id and type. The
// one value it knows is the reason. The error is an *event.Fault.
func Undo(e Entry, of string, typ event.Type) (event.Event, error) {
	pairs := map[string]string{}
	if err := known(e.Values, "undo", []string{"reason"}); err != nil {
		return event.Event{}, err
	}
	for name, text := range map[string]string{"event": of, "type": string(typ), "reason": strings.TrimSpace(e.Values["reason"])} {
		if text != "" {
			pairs[name] = text // the contract says what is missing
		}
	}
	return build(e, "entry.undone", pairs)
}

// pairs reads the values of an entry as far as the action goes beyond the
// contract: what it asks for, what it cannot do without, and its own limits.
func (a *Action) pairs(values map[string]string) (map[string]string, error) {
	if err := known(values, a.Code, a.names()); err != nil {
		return nil, err
	}
	pairs := map[string]string{}
	for _, f := range a.Fields {
		text := strings.TrimSpace(values[f.Name])
		if text == "" {
			text = f.Default
		}
		switch {
		case text == "" && f.Required:
			return nil, &event.Fault{Field: f.Name, Want: f.Want()}
		case text == "":
			continue
		case f.Type == "number":
			if v, err := strconv.ParseFloat(text, 64); err == nil { // what is no number, the contract refuses
				if !(v >= f.Min && v <= f.Max) {
					return nil, &event.Fault{Field: f.Name, Want: f.Want(), Got: strconv.Quote(text)}
				}
				if f.Name == a.negate && v != 0 {
					text = "-" + strings.TrimPrefix(text, "+")
				}
			}
		}
		pairs[f.Name] = text
	}
	return pairs, nil
}

func (a *Action) names() []string {
	names := make([]string, len(a.Fields))
	for i, f := range a.Fields {
		names[i] = f.Name
	}
	return names
}

// known refuses a value that an action does not ask for: it would be lost.
func known(values map[string]string, of string, names []string) error {
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if slices.Contains(names, name) {
			continue
		}
		want := "no values"
		if len(names) > 0 {
			want = "one of " + strings.Join(names, ", ") + hint.DidYouMean(name, names)
		}
		return &event.Fault{Field: name, Want: want, Got: "a value that " + of + " does not ask for"}
	}
	return nil
}

// build makes the event once all that is the action's own has been seen to.
func build(e Entry, typ event.Type, pairs map[string]string) (event.Event, error) {
	switch {
	case e.ID == "":
		return event.Event{}, &event.Fault{Field: "id", Want: "a text that no other entry has, so that sending it twice is sending it once"}
	case e.At.IsZero():
		return event.Event{}, &event.Fault{Field: "time", Want: "when it happened"}
	case e.Machine == event.AnyMachine:
		return event.Event{}, &event.Fault{Field: "machine", Want: "one machine", Got: "the whole site"}
	}
	if err := cmp.Or(event.CheckName("site", e.Site), event.CheckName("machine", e.Machine)); err != nil {
		return event.Event{}, err
	}
	if e.By != "" {
		pairs["by"] = e.By
	}
	kind, _ := event.KindOf(typ) // a test finds a row of no type
	payload, err := event.Set(kind, pairs)
	if err != nil {
		return event.Event{}, err
	}
	return event.Event{ID: e.ID, Source: Source, Type: typ, Time: e.At.UTC(), Site: e.Site, Machine: e.Machine, Data: payload}, nil
}
