package event_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// schemaOf compiles the schema of one payload out of the committed document
// with an independent validator. The Schema Object of AsyncAPI 3.0.0 is a
// superset of JSON Schema draft-07 (AsyncAPI 3.0.0, "Schema Object").
func schemaOf(t testing.TB, kind event.Kind) *jsonschema.Schema {
	t.Helper()
	text, err := os.ReadFile(asyncAPIFile)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft7)
	c.AssertFormat()
	if err := c.AddResource("mem:asyncapi.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:asyncapi.json#/components/schemas/" + camel(kind.Type))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func camel(typ event.Type) string {
	first, rest, _ := strings.Cut(string(typ), ".")
	return first + strings.ToUpper(rest[:1]) + rest[1:]
}

// verdict reads a payload both ways, fails the test where the schema and the
// decoder disagree, and returns the decoder's error.
func verdict(t testing.TB, kind event.Kind, s *jsonschema.Schema, data []byte) error {
	t.Helper()
	_, err := event.DecodeData(kind, data)
	doc, jsonErr := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if jsonErr != nil {
		t.Fatal(jsonErr)
	}
	if schemaErr := s.Validate(doc); (err == nil) != (schemaErr == nil) {
		t.Errorf("%s\n  Check says  %v\n  schema says %v", data, err, schemaErr)
	}
	return err
}

type object = map[string]any

// asObject is the sample payload of a kind, as its JSON object.
func asObject(t testing.TB, kind event.Kind) object {
	t.Helper()
	return toObject(t, samples()[kind.Type])
}

func toObject(t testing.TB, p event.Payload) object {
	t.Helper()
	text, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var o object
	if err := json.Unmarshal(text, &o); err != nil {
		t.Fatal(err)
	}
	return o
}

func toJSON(t testing.TB, v any) []byte {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func with(o object, name string, value any) object {
	o = maps.Clone(o)
	o[name] = value
	return o
}

func without(o object, names ...string) object {
	o = maps.Clone(o)
	for _, name := range names {
		delete(o, name)
	}
	return o
}

// exclusive lists the fields that must go before another may come.
var exclusive = map[string]string{"by_mm": "position_mm"}

// TestEveryLimit walks every field of every kind over its limits. What Check
// refuses the published schema refuses, and the other way round; and the
// fault names the field as the sender wrote it.
func TestEveryLimit(t *testing.T) {
	for _, kind := range event.Kinds {
		t.Run(string(kind.Type), func(t *testing.T) {
			s, whole := schemaOf(t, kind), asObject(t, kind)
			if err := verdict(t, kind, s, toJSON(t, whole)); err != nil {
				t.Fatalf("the sample is refused: %v", err)
			}
			for _, f := range event.Fields(kind) {
				good, bad := valuesFor(f)
				base := without(whole, exclusive[f.Name])
				for _, v := range good {
					if kind.Type == "operator.noted" && f.Name == "hazard" && v == "" {
						continue // only a note may do without; see TestRelatedFields
					}
					if err := verdict(t, kind, s, toJSON(t, with(base, f.Name, v))); err != nil {
						t.Errorf("%s = %.80v is refused: %v", f.Name, v, err)
					}
				}
				for _, v := range bad {
					wantFault(t, verdict(t, kind, s, toJSON(t, with(base, f.Name, v))), "data."+f.Name)
				}
				absent := verdict(t, kind, s, toJSON(t, without(base, f.Name)))
				if f.Required {
					wantFault(t, absent, "data."+f.Name)
					if want := fmt.Sprintf("data.%s is missing: want %s", f.Name, f.Want()); absent.Error() != want {
						t.Errorf("got %q, want %q", absent, want)
					}
				}
			}
		})
	}
}

// valuesFor returns what may stand in a field, edges included, and what may
// not: just outside the limits, or of another kind.
func valuesFor(f event.Field) (good, bad []any) {
	switch {
	case f.Type == "number":
		return []any{f.Min, f.Max, (f.Min + f.Max) / 2, json.RawMessage("1e0")},
			[]any{math.Nextafter(f.Min, math.Inf(-1)), math.Nextafter(f.Max, math.Inf(1)), "12", true, nil, []any{}, object{}}
	case f.Type == "boolean":
		return []any{true, false}, []any{"true", 0, 1, nil, object{}}
	case f.Format == "date-time":
		return []any{"2026-03-02T08:00:00Z", "2026-03-02T09:00:00.123456789+01:00"},
			[]any{"2026-03-02", "08:00", "2026-03-02T8:00:00Z", "2026-03-02T08:00:00,5Z", "2026-03-02T08:00:00+24:00", "2026-03-02T08:00:00+01:60", "2026-03-02T08:00:00", "2026-02-30T08:00:00Z", "", 1772438400, nil}
	case f.Enum != nil:
		for _, word := range f.Enum {
			good = append(good, word)
		}
		return good, []any{strings.ToUpper(f.Enum[0]), "no such word", 1, nil, []any{f.Enum[0]}}
	case f.Type == "string":
		good = []any{"x", strings.Repeat("µ", event.MaxText)}
		bad = []any{strings.Repeat("µ", event.MaxText+1), strings.Repeat("x", event.MaxText+1), 1, true, nil, []any{"x"}}
		if f.Required {
			return good, append(bad, "")
		}
		return append(good, ""), bad
	}
	return []any{[]any{}}, []any{"x", 1, nil, object{}}
}

// TestEveryLimitOfItems does the same for the objects in a list.
func TestEveryLimitOfItems(t *testing.T) {
	kind := kindOf(t, "alarm.changed")
	s, whole := schemaOf(t, kind), asObject(t, kind)
	for _, list := range event.Fields(kind) {
		for _, f := range list.Items {
			item := whole[list.Name].([]any)[0].(object)
			try := func(item object) error {
				return verdict(t, kind, s, toJSON(t, with(whole, list.Name, []any{item})))
			}
			good, bad := valuesFor(f)
			for _, v := range good {
				if err := try(with(item, f.Name, v)); err != nil {
					t.Errorf("%s.%s = %.80v is refused: %v", list.Name, f.Name, v, err)
				}
			}
			for _, v := range bad {
				wantFault(t, try(with(item, f.Name, v)), "data."+list.Name+".0."+f.Name)
			}
			if absent := try(without(item, f.Name)); (absent != nil) != f.Required {
				t.Errorf("%s without %s: %v", list.Name, f.Name, absent)
			}
		}
	}
}

// TestListItems covers lists of texts, and items after the first.
func TestListItems(t *testing.T) {
	tooLong := strings.Repeat("x", event.MaxText+1)
	for _, tt := range []struct {
		typ   event.Type
		field string
		list  any
		want  string // field at fault; empty when the list is good
	}{
		{"ticket.received", "flags", []any{"a", ""}, ""},
		{"ticket.received", "flags", []any{"a", 5}, "data.flags.1"},
		{"ticket.received", "flags", []any{"a", nil}, "data.flags.1"},
		{"ticket.received", "flags", []any{"a", tooLong}, "data.flags.1"},
		{"advice.accepted", "order", []any{object{}}, "data.order.0"},
		{"alarm.changed", "page", []any{"phone", true}, "data.page.1"},
		{"alarm.changed", "remedies", []any{object{"code": "leader", "text": "tape one"}}, ""},
		{"alarm.changed", "remedies", []any{"leader"}, "data.remedies.0"},
		{"alarm.changed", "remedies", []any{nil}, "data.remedies.0"},
		{"alarm.changed", "remedies", []any{object{"code": "leader"}}, "data.remedies.0.text"},
		{"alarm.changed", "remedies", []any{object{"code": "", "text": "tape one"}}, "data.remedies.0.code"},
		{"alarm.changed", "remedies", []any{object{"code": "a", "text": "b"}, object{"code": "a", "text": "b", "settles": "yes"}}, "data.remedies.1.settles"},
		{"alarm.changed", "remedies", []any{object{"code": "a", "text": "b", "why": "c"}}, "data.remedies.0.why"},
		{"alarm.changed", "remedies", []any{object{"code": "a", "text": tooLong}}, "data.remedies.0.text"},
		{"alarm.changed", "evidence", []any{object{"name": "edge", "value": "12 mm", "limit": "640 mm"}, object{"name": "leader"}}, ""},
		{"alarm.changed", "evidence", []any{object{"value": "12 mm"}}, "data.evidence.0.name"},
		{"alarm.changed", "evidence", []any{object{"name": "edge", "value": 12}}, "data.evidence.0.value"},
		{"alarm.changed", "evidence", []any{object{"name": "edge", "value": nil}}, "data.evidence.0.value"},
	} {
		kind := kindOf(t, tt.typ)
		err := verdict(t, kind, schemaOf(t, kind), toJSON(t, with(asObject(t, kind), tt.field, tt.list)))
		if tt.want == "" && err != nil {
			t.Errorf("%s %v is refused: %v", tt.field, tt.list, err)
		}
		if tt.want != "" {
			wantFault(t, err, tt.want)
		}
	}
}

// TestRelatedFields covers what no single field can say.
func TestRelatedFields(t *testing.T) {
	until := "2026-03-02T09:00:00Z"
	for _, tt := range []struct {
		typ  event.Type
		data object
		want string // the whole message; empty when the payload is good
	}{
		{"edge.moved", object{"by_mm": -40, "cause": "rewind"}, ""},
		{"edge.moved", object{"position_mm": 0, "cause": "rewind"}, ""},
		{"edge.moved", object{"cause": "rewind"}, "data.position_mm is missing: want either position_mm or by_mm"},
		{"edge.moved", object{"position_mm": 0, "by_mm": 0, "cause": "rewind"}, "data.by_mm: want either position_mm or by_mm, got both"},
		{"climate.read", object{"temp_c": 21}, ""},
		{"climate.read", object{"rh_pct": 40}, ""},
		{"climate.read", object{}, "data.rh_pct is missing: want rh_pct, temp_c or both"},
		{"operator.noted", object{"action": "note", "by": "ann"}, ""},
		{"operator.noted", object{"action": "note", "by": "ann", "hazard": ""}, ""},
		{"operator.noted", object{"action": "reset", "by": "ann", "hazard": "bare-edge"}, ""},
		{"operator.noted", object{"action": "acknowledge", "by": "ann"}, "data.hazard is missing: want the code of the hazard to acknowledge"},
		{"operator.noted", object{"action": "acknowledge", "by": "ann", "hazard": ""}, "data.hazard is missing: want the code of the hazard to acknowledge"},
		{"operator.noted", object{"action": "shelve", "by": "ann", "hazard": "bare-edge", "until": until}, ""},
		{"operator.noted", object{"action": "shelve", "by": "ann", "hazard": "bare-edge"}, "data.until is missing: want the time when shelving ends, such as 2026-03-02T08:00:00Z; an alarm is never shelved for ever"},
		{"strike.recorded", object{}, ""},
		{"roll.loaded", object{}, ""},
	} {
		kind := kindOf(t, tt.typ)
		got := ""
		if err := verdict(t, kind, schemaOf(t, kind), toJSON(t, tt.data)); err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("%s %v\n got %s\nwant %s", tt.typ, tt.data, got, tt.want)
		}
	}
}

// TestSchemaAgreesOnAnything takes good payloads, breaks some of them in a
// drawn place, and wants one verdict from the schema and from Check.
func TestSchemaAgreesOnAnything(t *testing.T) {
	refused := 0
	for _, kind := range event.Kinds {
		s := schemaOf(t, kind)
		rapid.Check(t, func(rt *rapid.T) {
			o := toObject(t, drawPayload(rt, kind))
			fields := event.Fields(kind)
			f := rapid.SampledFrom(fields).Draw(rt, "field")
			o[f.Name] = rapid.SampledFrom([]any{0, -1, 1.5, 1e9, "", "x", true, nil, []any{}, object{}, "2026-03-02T08:00:00Z"}).Draw(rt, "value")
			if rapid.Bool().Draw(rt, "drop") {
				delete(o, rapid.SampledFrom(fields).Draw(rt, "dropped").Name)
			}
			if verdict(t, kind, s, toJSON(t, o)) != nil {
				refused++
			}
		})
	}
	if refused == 0 {
		t.Error("nothing was broken: the test compares nothing")
	}
}

// TestCheckOfBuiltPayloads covers what JSON cannot express but a program can
// build: none of it may reach the journal.
func TestCheckOfBuiltPayloads(t *testing.T) {
	late := eight.AddDate(9000, 0, 0)
	for _, tt := range []struct {
		data event.Payload
		want string
	}{
		{&event.LeaderAttached{LengthMM: math.NaN()}, "data.length_mm is missing: want a number from 1 to 20000 mm"},
		{&event.LeaderAttached{LengthMM: math.Inf(1)}, "data.length_mm: want a number from 1 to 20000 mm, got +Inf"},
		{&event.ClimateRead{RHPct: ptr(math.NaN())}, "data.rh_pct: want a number from 0 to 100 percent, got NaN"},
		{&event.ClimateRead{TempC: ptr(math.Inf(-1))}, "data.temp_c: want a number from -60 to 100 °C, got -Inf"},
		{&event.EdgeShaped{Shape: "round\xff"}, `data.shape: want UTF-8 text, got "round\xff"`},
		{&event.ChangeMarked{Label: "x", Since: &late}, "data.since: want a time such as 2026-03-02T08:00:00Z, got the year 11026"},
		{&event.ChangeMarked{Label: "x", Since: new(time.Time)}, "data.since: want a time such as 2026-03-02T08:00:00Z, got the zero time"},
		{&event.CutFinished{}, "data.rewound is missing: want true or false"},
		{&event.HeadChecked{NozzlesOK: ptr(true)}, "data.obstruction_clear is missing: want true or false"},
		{&event.RunStarted{}, "data.job is missing: want a text that is not empty"},
		{&event.RollRemoved{FilmClass: "vinyl"}, `data.film_class: want one of monomeric, polymeric, cast, paper, polyester, banner, textile, other, unknown, got "vinyl"`},
	} {
		got := "nothing"
		if err := tt.data.Check(); err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("%T\n got %s\nwant %s", tt.data, got, tt.want)
		}
	}
}

func wantFault(t testing.TB, err error, field string) {
	t.Helper()
	f, ok := errors.AsType[*event.Fault](err)
	if !ok {
		t.Errorf("got %v, want a fault of %s", err, field)
		return
	}
	if f.Field != field || f.Want == "" {
		t.Errorf("got %q, want it to name %s and say what it wants", f, field)
	}
}
