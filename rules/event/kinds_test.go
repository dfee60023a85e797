package event_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// TestKindsAreComplete finds a kind or a field that was added in haste.
func TestKindsAreComplete(t *testing.T) {
	seen := map[event.Type]bool{}
	for _, kind := range event.Kinds {
		if seen[kind.Type] {
			t.Errorf("%s is there twice", kind.Type)
		}
		seen[kind.Type] = true
		if got, ok := event.KindOf(kind.Type); !ok || got.Type != kind.Type {
			t.Errorf("KindOf(%s) = %v, %v", kind.Type, got.Type, ok)
		}
		if !strings.HasSuffix(kind.Doc, ".") || kind.From == "" {
			t.Errorf("%s: want a sentence and an origin, got %q, %q", kind.Type, kind.Doc, kind.From)
		}
		if _, _, typ, err := event.ParseSubject(event.Subject("north", "heron", kind.Type)); err != nil || typ != kind.Type {
			t.Errorf("%s cannot end a subject: %v", kind.Type, err)
		}
		completeFields(t, string(kind.Type), event.Fields(kind))
	}
}

func completeFields(t *testing.T, where string, fields []event.Field) {
	t.Helper()
	names := map[string]bool{}
	for _, f := range fields {
		if f.Name == "" || f.Type == "" || f.Doc == "" || names[f.Name] {
			t.Errorf("%s: want a name once, a type and a doc: %+v", where, f)
		}
		names[f.Name] = true
		if f.Type == "number" && !(f.Min < f.Max) {
			t.Errorf("%s.%s: want limits in its tags, got %v to %v", where, f.Name, f.Min, f.Max)
		}
		if f.Unit != "" && !slices.Contains([]string{"mm", "m", "m²", "µm", "s", "°C", "percent"}, f.Unit) {
			t.Errorf("%s.%s: unknown unit %q", where, f.Name, f.Unit)
		}
		completeFields(t, where+"."+f.Name, f.Items)
	}
}

// TestSameWords holds the lists that other packages range over against the
// tags from which the checks are made.
func TestSameWords(t *testing.T) {
	words := func(typ event.Type, field string) []string {
		for _, f := range event.Fields(kindOf(t, typ)) {
			if f.Name == field {
				return f.Enum
			}
		}
		return nil
	}
	for _, tt := range []struct {
		typ   event.Type
		field string
		list  []string
	}{
		{"ticket.rejected", "kind", event.RejectKinds},
		{"film.wasted", "cause", event.WasteCauses},
		{"job.reprinted", "cause", event.WasteCauses},
		{"edge.moved", "cause", []string{event.CauseRewind, event.CauseAdvance, event.CauseFeed, event.CauseTrim}},
		{"operator.noted", "action", []string{event.ActAcknowledge, event.ActShelve, event.ActRelease, event.ActOutOfService, event.ActReturn, event.ActReset, event.ActNote}},
		{"entry.undone", "type", texts(event.Undoable)},
		{"roll.loaded", "film_class", []string{"monomeric", "polymeric", "cast", "paper", "polyester", "banner", "textile", "other", "unknown"}},
	} {
		if diff := cmp.Diff(tt.list, words(tt.typ, tt.field)); diff != "" {
			t.Errorf("%s %s (-list +tag):\n%s", tt.typ, tt.field, diff)
		}
	}
}

func texts(types []event.Type) []string {
	out := make([]string, len(types))
	for i, typ := range types {
		out[i] = string(typ)
	}
	return out
}

// TestEntriesSayWho wants every entry that can be taken back to be of the
// contract, told by an operator, and to have room for the operator's name.
func TestEntriesSayWho(t *testing.T) {
	for _, typ := range append(event.Undoable, "entry.undone") {
		kind := kindOf(t, typ)
		if kind.From != event.FromOperator {
			t.Errorf("%s comes from the %s", typ, kind.From)
		}
		if !slices.ContainsFunc(event.Fields(kind), func(f event.Field) bool { return f.Name == "by" && f.Type == "string" }) {
			t.Errorf("%s has no field for who entered it", typ)
		}
	}
}

// TestFieldsOfNoKind: whoever may write in the journal may make up a type.
func TestFieldsOfNoKind(t *testing.T) {
	kind, known := event.KindOf("not.known")
	if fields := event.Fields(kind); known || len(fields) != 0 {
		t.Errorf("want no fields of a type that is not known, got %v", fields)
	}
}

// TestFieldsFlatten checks that what is embedded is listed as if it were not.
func TestFieldsFlatten(t *testing.T) {
	started, ended := event.Fields(kindOf(t, "run.started")), event.Fields(kindOf(t, "run.finished"))
	if diff := cmp.Diff(started, ended); diff != "" || len(started) == 0 {
		t.Errorf("run.finished has other fields than run.started:\n%s", diff)
	}
	loaded, removed := event.Fields(kindOf(t, "roll.loaded")), event.Fields(kindOf(t, "roll.removed"))
	loaded = slices.DeleteFunc(loaded, func(f event.Field) bool { return f.Name == "edge_mm" })
	if diff := cmp.Diff(loaded, removed); diff != "" {
		t.Errorf("roll.removed has other fields than roll.loaded but for the edge:\n%s", diff)
	}
	want := event.Field{Name: "length_mm", Type: "number", Doc: "length of the leader ahead of the edge", Unit: "mm", Required: true, Min: 1, Max: 20000}
	if diff := cmp.Diff(want, event.Fields(kindOf(t, "leader.attached"))[0]); diff != "" {
		t.Errorf("length_mm (-want +got):\n%s", diff)
	}
}

func TestSamplesRoundTrip(t *testing.T) {
	for _, kind := range event.Kinds {
		t.Run(string(kind.Type), func(t *testing.T) {
			want := sample(t, kind)
			if err := want.Data.Check(); err != nil {
				t.Fatal(err)
			}
			m := message(t, want)
			got, err := event.Decode(m)
			if err != nil {
				t.Fatal(err)
			}
			if want.Stored = m.Stored; !want.Told().Equal(m.Stored) {
				t.Errorf("told at %v, and stored at %v", want.Told(), m.Stored)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-sent +read):\n%s", diff)
			}
		})
	}
}

// TestAnyPayloadRoundTrips sends payloads drawn from the whole range that the
// tags allow: whatever passes Check is read back unchanged.
func TestAnyPayloadRoundTrips(t *testing.T) {
	for _, kind := range event.Kinds {
		t.Run(string(kind.Type), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				want := sampleOf(kind, drawPayload(t, kind))
				if err := want.Data.Check(); err != nil {
					t.Fatalf("drawn from the tags and yet refused: %v", err)
				}
				data, err := event.Encode(want)
				if err != nil {
					t.Fatal(err)
				}
				got, err := event.Decode(event.Message{Subject: want.Subject(), Data: data})
				if err != nil {
					t.Fatalf("%v\n%s", err, data)
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Fatalf("(-sent +read):\n%s", diff)
				}
			})
		})
	}
}

func sampleOf(kind event.Kind, p event.Payload) event.Event {
	return event.Event{ID: "1", Source: "/test", Type: kind.Type, Time: eight, Site: "north", Machine: "heron", Data: p}
}

// drawPayload draws a payload that Check lets pass.
func drawPayload(t *rapid.T, kind event.Kind) event.Payload {
	p := kind.New()
	drawFields(t, reflect.ValueOf(p).Elem(), event.Fields(kind))
	switch p := p.(type) {
	case *event.EdgeMoved:
		if p.PositionMM != nil {
			p.ByMM = nil
		} else if p.ByMM == nil {
			p.ByMM = ptr(1.0)
		}
	case *event.ClimateRead:
		if p.TempC == nil && p.RHPct == nil {
			p.RHPct = ptr(50.0)
		}
	case *event.OperatorNoted:
		if p.Hazard == "" {
			p.Hazard = "bare-edge"
		}
		if p.Until == nil {
			p.Until = &nine
		}
	}
	return p
}

func drawFields(t *rapid.T, v reflect.Value, fields []event.Field) {
	for _, f := range fields {
		if !f.Required && rapid.Bool().Draw(t, f.Name+" absent") {
			continue
		}
		to := byName(v, f.Name)
		if to.Kind() == reflect.Pointer {
			to.Set(reflect.New(to.Type().Elem()))
			to = to.Elem()
		}
		draw(t, to, f)
	}
}

func draw(t *rapid.T, v reflect.Value, f event.Field) {
	switch {
	case f.Format == "date-time":
		v.Set(reflect.ValueOf(drawTime(t, f.Name)))
	case f.Enum != nil:
		v.SetString(rapid.SampledFrom(f.Enum).Draw(t, f.Name))
	case f.Type == "string":
		v.SetString(rapid.StringN(1, 40, -1).Draw(t, f.Name))
	case f.Type == "number":
		v.SetFloat(rapid.Float64Range(f.Min, f.Max).Draw(t, f.Name))
	case f.Type == "boolean":
		v.SetBool(rapid.Bool().Draw(t, f.Name))
	case f.Items == nil:
		v.Set(reflect.ValueOf(rapid.SliceOfN(rapid.String(), 0, 4).Draw(t, f.Name)))
	default:
		n := rapid.IntRange(0, 3).Draw(t, f.Name+" length")
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			drawFields(t, v.Index(i), f.Items)
		}
	}
}

// drawTime draws any time after the zero time that RFC 3339 can write, in any zone of whole minutes.
func drawTime(t *rapid.T, label string) time.Time {
	first, last := time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC), time.Date(9998, 12, 31, 0, 0, 0, 0, time.UTC)
	at := time.Unix(rapid.Int64Range(first.Unix(), last.Unix()).Draw(t, label), rapid.Int64Range(0, 999_999_999).Draw(t, label+" ns"))
	if minutes := rapid.IntRange(-14*60, 14*60).Draw(t, label+" zone"); minutes != 0 {
		return at.In(time.FixedZone("", minutes*60))
	}
	return at.UTC()
}

// byName finds a struct field by the name that it has in JSON.
func byName(v reflect.Value, name string) reflect.Value {
	for _, sf := range reflect.VisibleFields(v.Type()) {
		if tag, _, _ := strings.Cut(sf.Tag.Get("json"), ","); tag == name {
			return v.FieldByIndex(sf.Index)
		}
	}
	panic("no field " + name)
}
