// Package signal turns the small messages of buttons and sensors into events. They
// come by MQTT 3.1.1 to the built-in NATS server, which speaks it, or on plain NATS
// subjects: to NATS, the topic a/b is the subject a.b.
//
// A table says which topic means which event, and where in the payload its fields
// stand. A message that fits no row of the table is nobody's and is let go. One that
// a row was meant for and that does not fit becomes a ticket.rejected, with the
// reason and how the message began.
//
// Nothing that a server acknowledged is lost. Messages wait in a JetStream stream
// until the journal has their events. What is published by MQTT with QoS 1 or 2 is
// acknowledged once it is in the server's own stream of such messages, and so it is
// read from there; all else is read from a stream that listens to the topics. Ids
// are made of a message's place in its stream, so that one that is delivered again
// counts once. A sender that does not hear the acknowledgement sends a new message
// (MQTT 3.1.1, section 4.4), which debouncing lets go when it comes soon, whatever
// became of the watch in between.
package signal

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
	"rollwarden/rules/units"
)

// Source is the CloudEvents source of what signals told.
const Source = "/rollwarden/signal"

// Row says what the messages on a topic mean.
type Row struct {
	Topic    string // an MQTT topic filter, in which {site} and {machine} stand for a level each
	Site     string // where the topic does not say it
	Machine  string // where the topic does not say it; event.AnyMachine for a whole site
	Type     event.Type
	Fields   map[string]Field
	When     []Condition   // all must hold, or the message means nothing
	Debounce time.Duration // the same again on the same topic within this time is one message
}

// Field says where the value of one field of the event comes from: Value, or the
// place in the payload that Pointer names.
type Field struct {
	Value   *string
	Pointer *string // RFC 6901; the empty one is the whole payload
	Unit    string  // that the payload has it in, where it is not the field's own
	Scale   float64 // what the payload is multiplied with first; 1 when zero
}

// Condition is what a payload must say. One of Equals, Above and Below is set.
type Condition struct {
	Pointer      string
	Equals       *string
	Above, Below *float64
}

// Check refuses a row that could never give an event. The error is an
// *event.Fault whose Field is the key to mend, as in fields.by_mm.pointer.
func (r *Row) Check() error {
	if _, err := compile(r.Topic); err != nil {
		return err
	}
	kind, err := kindOf(r.Type)
	if err != nil {
		return err
	}
	sample := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(r.Fields)) {
		if sample[name], err = r.Fields[name].check(kind, "fields."+name, name); err != nil {
			return err
		}
	}
	if _, err := event.Set(kind, sample); err != nil {
		if f, ok := err.(*event.Fault); ok {
			f.Field = "fields." + f.Field
		}
		return err
	}
	for i, c := range r.When {
		if err := c.check(fmt.Sprintf("when[%d]", i)); err != nil {
			return err
		}
	}
	return nil
}

// kindOf finds the kind of an event that a machine may tell.
func kindOf(t event.Type) (event.Kind, error) {
	kind, known := event.KindOf(t)
	if known && kind.From == event.FromOperator {
		return kind, nil
	}
	var types []string
	for _, k := range event.Kinds {
		if k.From == event.FromOperator {
			types = append(types, string(k.Type))
		}
	}
	return kind, choice("event", string(t), types)
}

// choice is the fault of a word that is none of some.
func choice(field, got string, want []string) error {
	f := &event.Fault{Field: field, Want: "one of " + strings.Join(want, ", ")}
	if got != "" {
		f.Got = strconv.Quote(got) + hint.DidYouMean(got, want)
	}
	return f
}

// check returns a text that the field could come to.
func (f Field) check(kind event.Kind, key, name string) (string, error) {
	all := event.Fields(kind)
	i := slices.IndexFunc(all, func(o event.Field) bool { return o.Name == name })
	if i < 0 {
		var names []string
		for _, o := range all {
			names = append(names, o.Name)
		}
		return "", choice(key, name, names)
	}
	switch {
	case (f.Value == nil) == (f.Pointer == nil):
		return "", &event.Fault{Field: key, Want: "either value, or pointer to where it stands in the payload"}
	case f.Value != nil && (f.Unit != "" || f.Scale != 0):
		return "", &event.Fault{Field: key + ".value", Want: "the value in the field's own unit, without unit and scale", Got: strconv.Quote(*f.Value)}
	case f.Value != nil:
		return *f.Value, nil
	}
	if err := checkPointer(key+".pointer", *f.Pointer); err != nil {
		return "", err
	}
	if _, ok := units.Parse("1 "+f.Unit, all[i].Unit); f.Unit != "" && !ok {
		return "", choice(key+".unit", f.Unit, units.Symbols(all[i].Unit))
	}
	if f.Scale != 0 && all[i].Type != "number" || math.IsNaN(f.Scale) || math.IsInf(f.Scale, 0) {
		return "", &event.Fault{Field: key + ".scale", Want: "a number, for a field that is one", Got: fmt.Sprint(f.Scale)}
	}
	return likely(all[i]), nil
}

// likely is a text that a field takes.
func likely(f event.Field) string {
	switch {
	case f.Enum != nil:
		return f.Enum[0]
	case f.Type == "number":
		return strconv.FormatFloat(min(max(0, f.Min), f.Max), 'f', -1, 64)
	case f.Type == "boolean":
		return "true"
	case f.Format == "date-time":
		return "2026-03-02T08:00:00Z"
	}
	return "x"
}

// checkPointer wants a JSON pointer (RFC 6901, section 3).
func checkPointer(key, pointer string) error {
	if !jsontext.Pointer(pointer).IsValid() {
		return &event.Fault{Field: key, Want: `a JSON pointer such as /air/humidity, or "" for the whole payload`, Got: strconv.Quote(pointer)}
	}
	return nil
}

func (c Condition) check(key string) error {
	set := 0
	for _, is := range []bool{c.Equals != nil, c.Above != nil, c.Below != nil} {
		if is {
			set++
		}
	}
	if set != 1 {
		return &event.Fault{Field: key, Want: "one of equals, above and below"}
	}
	return checkPointer(key+".pointer", c.Pointer)
}
