package action_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

var eight = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func ptr[T any](v T) *T { return &v }

type values = map[string]string

func entry(v values) action.Entry {
	return action.Entry{ID: "e-1", Site: "north", Machine: "heron", At: eight, By: "ada", Values: v}
}

func byCode(t testing.TB, code string) *action.Action {
	t.Helper()
	a, ok := action.ByCode(code)
	if !ok {
		t.Fatalf("no action %s", code)
	}
	return a
}

// entered holds, for every action, what a person enters at least and at most,
// and the payloads that stand for it.
var entered = map[string]struct {
	least, most    values
	short, payload event.Payload
}{
	"load-roll": {values{}, values{"stock": "MONO-GLOSS-137", "film_class": "monomeric", "width_mm": "1370", "length_m": "50", "lot": "L7", "thickness_um": "220", "edge_mm": "12"},
		&event.RollLoaded{By: "ada"}, &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: ptr(1370.0), LengthM: ptr(50.0), Lot: "L7", ThicknessUM: ptr(220.0), EdgeMM: ptr(12.0), By: "ada"}},
	"remove-roll":     {values{}, values{"length_m": "12.5"}, &event.RollRemoved{By: "ada"}, &event.RollRemoved{LengthM: ptr(12.5), By: "ada"}},
	"tape-leader":     {values{"length_mm": "400"}, values{"length_mm": "400", "thickness_um": "120"}, &event.LeaderAttached{LengthMM: 400, By: "ada"}, &event.LeaderAttached{LengthMM: 400, ThicknessUM: ptr(120.0), By: "ada"}},
	"take-leader-off": {values{}, values{}, &event.LeaderRemoved{By: "ada"}, &event.LeaderRemoved{By: "ada"}},
	"advance":         {values{"by_mm": "365"}, values{"by_mm": "+365"}, &event.EdgeMoved{ByMM: ptr(365.0), Cause: event.CauseAdvance, By: "ada"}, &event.EdgeMoved{ByMM: ptr(365.0), Cause: event.CauseAdvance, By: "ada"}},
	"trim":            {values{}, values{"by_mm": "22.5"}, &event.EdgeMoved{ByMM: ptr(-10.0), Cause: event.CauseTrim, By: "ada"}, &event.EdgeMoved{ByMM: ptr(-22.5), Cause: event.CauseTrim, By: "ada"}},
	"round-lip":       {values{}, values{}, &event.EdgeShaped{Shape: "rounded", By: "ada"}, &event.EdgeShaped{Shape: "rounded", By: "ada"}},
	"start":           {values{"job": "KLD-1041"}, values{"job": "KLD-1041", "part": "2"}, &event.RunStarted{Run: event.Run{Job: "KLD-1041", By: "ada"}}, &event.RunStarted{Run: event.Run{Job: "KLD-1041", Part: "2", By: "ada"}}},
	"finish":          {values{"job": "KLD-1041"}, values{"job": "KLD-1041", "part": "2", "metres": "3.2"}, &event.RunFinished{Run: event.Run{Job: "KLD-1041", By: "ada"}}, &event.RunFinished{Run: event.Run{Job: "KLD-1041", Part: "2", Metres: ptr(3.2), By: "ada"}}},
	"stop":            {values{"job": "KLD-1041"}, values{"job": "KLD-1041", "part": "2", "metres": "1", "reason": "banding"}, &event.RunStopped{Run: event.Run{Job: "KLD-1041", By: "ada"}}, &event.RunStopped{Run: event.Run{Job: "KLD-1041", Part: "2", Metres: ptr(1.0), Reason: "banding", By: "ada"}}},
	"cut":             {values{"rewound": "yes"}, values{"rewound": "no", "job": "KLD-1041", "part": "2", "at_mm": "250"}, &event.CutFinished{Rewound: ptr(true), By: "ada"}, &event.CutFinished{Job: "KLD-1041", Part: "2", Rewound: ptr(false), AtMM: ptr(250.0), By: "ada"}},
	"strike": {values{}, values{"job": "KLD-1041", "part": "2", "nozzles_lost": "14", "downtime_s": "2700", "note": "left corner"},
		&event.StrikeRecorded{By: "ada"}, &event.StrikeRecorded{Job: "KLD-1041", Part: "2", NozzlesLost: ptr(14.0), DowntimeS: ptr(2700.0), Note: "left corner", By: "ada"}},
	"head-check": {values{"nozzles_ok": "yes", "obstruction_clear": "no"}, values{"nozzles_ok": "true", "obstruction_clear": "false"},
		&event.HeadChecked{NozzlesOK: ptr(true), ObstructionClear: ptr(false), By: "ada"}, &event.HeadChecked{NozzlesOK: ptr(true), ObstructionClear: ptr(false), By: "ada"}},
	"waste":   {values{"length_m": "1.2", "cause": "cure"}, values{"length_m": "1.2", "cause": "cure", "width_mm": "1000"}, &event.FilmWasted{LengthM: 1.2, Cause: "cure", By: "ada"}, &event.FilmWasted{LengthM: 1.2, Cause: "cure", WidthMM: ptr(1000.0), By: "ada"}},
	"reprint": {values{"job": "KLD-1041", "cause": "misprint"}, values{"job": "KLD-1041", "cause": "misprint", "part": "2", "copies": "4"}, &event.JobReprinted{Job: "KLD-1041", Cause: "misprint", By: "ada"}, &event.JobReprinted{Job: "KLD-1041", Part: "2", Cause: "misprint", Copies: ptr(4.0), By: "ada"}},
	"strip": {values{"axis": "feed", "nominal_mm": "1000", "measured_mm": "998.7", "cure_c": "93"}, values{"axis": "cross", "nominal_mm": "1000", "measured_mm": "998.7", "cure_c": "93", "passes": "12", "stock": "MONO-GLOSS-137"},
		&event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93, By: "ada"}, &event.StripMeasured{Axis: "cross", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93, Passes: ptr(12.0), Stock: "MONO-GLOSS-137", By: "ada"}},
	"note": {values{"reason": "tape is out"}, values{"reason": "tape is out"}, &event.OperatorNoted{Action: event.ActNote, By: "ada", Reason: "tape is out"}, &event.OperatorNoted{Action: event.ActNote, By: "ada", Reason: "tape is out"}},
}

func TestEveryActionBuildsItsEvent(t *testing.T) {
	schemas := schemasOf(t)
	for i := range action.Actions {
		a := &action.Actions[i]
		tt, ok := entered[a.Code]
		if !ok {
			t.Errorf("nothing is entered for %s: add a row to entered", a.Code)
			continue
		}
		for _, c := range []struct {
			values values
			want   event.Payload
		}{{tt.least, tt.short}, {tt.most, tt.payload}} {
			got, err := a.Build(entry(c.values))
			want := event.Event{ID: "e-1", Source: "rollwarden/desk", Type: a.Type, Time: eight, Site: "north", Machine: "heron", Data: c.want}
			if diff := cmp.Diff(want, got); err != nil || diff != "" {
				t.Errorf("%s %v: %v (-want +got):\n%s", a.Code, c.values, err, diff)
				continue
			}
			schemas.accept(t, got)
		}
		for _, f := range a.Fields {
			if _, given := tt.most[f.Name]; !given {
				t.Errorf("%s: entered leaves %s out", a.Code, f.Name)
			}
		}
	}
	if len(entered) != len(action.Actions) {
		t.Errorf("%d actions are entered of %d", len(entered), len(action.Actions))
	}
}

// schemas are those of the published contract, read by an independent validator
// of JSON Schema draft-07 (AsyncAPI 3.0.0, "Schema Object").
type schemas struct{ *jsonschema.Compiler }

func schemasOf(t testing.TB) schemas {
	t.Helper()
	text, err := os.ReadFile("../../deploy/asyncapi.json")
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
	return schemas{c}
}

// accept holds a whole message against the contract, and reads it back.
func (s schemas) accept(t testing.TB, e event.Event) {
	t.Helper()
	first, rest, _ := strings.Cut(string(e.Type), ".")
	schema, err := s.Compile("mem:asyncapi.json#/components/messages/" + first + strings.ToUpper(rest[:1]) + rest[1:] + "/payload")
	if err != nil {
		t.Fatal(err)
	}
	text, err := event.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(doc); err != nil {
		t.Errorf("the contract refuses %s: %v", text, err)
	}
	if got, err := event.Decode(event.Message{Subject: e.Subject(), Data: text}); err != nil || !cmp.Equal(got, e) {
		t.Errorf("%s is read back as %+v, %v", text, got, err)
	}
}

// TestTheTableFitsTheContract finds a row that was written in haste.
func TestTheTableFitsTheContract(t *testing.T) {
	seen := map[string]bool{}
	used := map[string]bool{}
	for _, a := range action.Actions {
		if seen[a.Code] || a.Code == "" || a.Title == "" {
			t.Errorf("%q: want a code of its own and a title, got %q", a.Code, a.Title)
		}
		seen[a.Code] = true
		kind, ok := event.KindOf(a.Type)
		if !ok || kind.From != event.FromOperator {
			t.Errorf("%s: %s is no event of an operator", a.Code, a.Type)
			continue
		}
		if a.Undo != slices.Contains(event.Undoable, a.Type) {
			t.Errorf("%s: undo is %v", a.Code, a.Undo)
		}
		fits(t, a, event.Fields(kind))
		for _, c := range a.Cautions {
			if used[c] = true; action.CautionText(c) == "" {
				t.Errorf("%s: no caution %s", a.Code, c)
			}
		}
	}
	for _, c := range action.Cautions {
		if !used[c.Code] || !strings.Contains(c.Text, "manual") || !strings.HasSuffix(c.Text, ".") || strings.Count(c.Text, ".") != 1 {
			t.Errorf("%s: want a caution that some action needs, in one sentence that defers to the manual, got %q", c.Code, c.Text)
		}
	}
	if action.CautionText("no such") != "" {
		t.Error("a caution of no code has a text")
	}
	if _, ok := action.ByCode("no such"); ok {
		t.Error("an action of no code was found")
	}
}

// fits holds the fields of a row against those of its payload. The kinds are
// written out here, so that the table's reading of units is checked by hand.
func fits(t *testing.T, a action.Action, fields []event.Field) {
	t.Helper()
	kinds := map[string]action.Kind{
		"job": action.Job, "stock": action.Stock, "film_class": action.Choice, "cause": action.Choice, "axis": action.Choice,
		"rewound": action.YesNo, "nozzles_ok": action.YesNo, "obstruction_clear": action.YesNo,
		"width_mm": action.LengthMM, "edge_mm": action.LengthMM, "length_mm": action.LengthMM, "by_mm": action.LengthMM, "at_mm": action.LengthMM,
		"nominal_mm": action.LengthMM, "measured_mm": action.LengthMM, "length_m": action.LengthM, "metres": action.LengthM,
		"thickness_um": action.Number, "nozzles_lost": action.Number, "downtime_s": action.Number, "copies": action.Number, "cure_c": action.Number, "passes": action.Number,
		"lot": action.Text, "part": action.Text, "reason": action.Text, "note": action.Text,
	}
	for _, f := range a.Fields {
		i := slices.IndexFunc(fields, func(have event.Field) bool { return have.Name == f.Name })
		if i < 0 || f.Name == "by" {
			t.Errorf("%s: the payload has no %s to ask for", a.Code, f.Name)
			continue
		}
		if f.Kind != kinds[f.Name] || f.Unit != fields[i].Unit || !slices.Equal(f.Choices, fields[i].Enum) {
			t.Errorf("%s: %s is asked for as %s in %q, want %s in %q", a.Code, f.Name, f.Kind, f.Unit, kinds[f.Name], fields[i].Unit)
		}
		if f.Min < fields[i].Min || f.Max > fields[i].Max || fields[i].Required && !f.Required {
			t.Errorf("%s: %s may be what the contract refuses", a.Code, f.Name)
		}
	}
}

// TestFaults names the field and what was expected, each time in the same words.
func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		code   string
		values values
		want   string
	}{
		{"advance", values{}, "by_mm is missing: want a number from 0 to 1000000 mm"},
		{"advance", values{"by_mm": "  "}, "by_mm is missing: want a number from 0 to 1000000 mm"},
		{"advance", values{"by_mm": "-5"}, `by_mm: want a number from 0 to 1000000 mm, got "-5"`},
		{"advance", values{"by_mm": "NaN"}, `by_mm: want a number from 0 to 1000000 mm, got "NaN"`},
		{"advance", values{"by_mm": "36,5"}, `by_mm: want a number from -1000000 to 1000000 mm, without the unit and with a point, such as 12.5, got "36,5"`},
		{"advance", values{"by_mm": "0x20"}, `by_mm: want a number from -1000000 to 1000000 mm, without the unit and with a point, such as 12.5, got "0x20"`},
		{"advance", values{"bymm": "1"}, `bymm: want one of by_mm: did you mean "by_mm"?, got a value that advance does not ask for`},
		{"advance", values{"by_mm": "1", "cause": "feed"}, "cause: want one of by_mm, got a value that advance does not ask for"},
		{"trim", values{"by_mm": "-5"}, `by_mm: want a number from 0 to 1000000 mm, got "-5"`},
		{"trim", values{"by_mm": "0x10"}, `by_mm: want a number from -1000000 to 1000000 mm, without the unit and with a point, such as 12.5, got "0x10"`},
		{"round-lip", values{"shape": "square"}, "shape: want no values, got a value that round-lip does not ask for"},
		{"round-lip", values{"b": "1", "a": "1"}, "a: want no values, got a value that round-lip does not ask for"},
		{"cut", values{}, "rewound is missing: want true or false"},
		{"cut", values{"rewound": "maybe"}, `rewound: want true or false, yes or no, got "maybe"`},
		{"waste", values{"length_m": "1"}, "cause is missing: want one of head-strike, edge-advance, make-ready, register, cure, misprint, trim, roll-end, other"},
		{"waste", values{"length_m": "-1", "cause": "cure"}, `length_m: want a number from 0 to 100000 m, got "-1"`},
		{"waste", values{"length_m": "1", "cause": "rain"}, `cause: want one of head-strike, edge-advance, make-ready, register, cure, misprint, trim, roll-end, other, got "rain"`},
		{"start", values{}, "job is missing: want a text that is not empty"},
		{"note", values{}, "reason is missing: want a text that is not empty"},
		{"note", values{"reason": strings.Repeat("x", event.MaxText+1)}, "reason: want at most 4096 characters, got 4097"},
	} {
		_, err := byCode(t, tt.code).Build(entry(tt.values))
		wantFault(t, err, tt.want)
	}
	for _, tt := range []struct {
		spoil func(*action.Entry)
		want  string
	}{
		{func(e *action.Entry) { e.ID = "" }, "id is missing: want a text that no other entry has, so that sending it twice is sending it once"},
		{func(e *action.Entry) { e.At = time.Time{} }, "time is missing: want when it happened"},
		{func(e *action.Entry) { e.Site = "" }, "site is missing: want a name of letters, digits, - and _"},
		{func(e *action.Entry) { e.Machine = "her on" }, `machine: want a name of letters, digits, - and _, got "her on"`},
		{func(e *action.Entry) { e.Machine = event.AnyMachine }, "machine: want one machine, got the whole site"},
		{func(e *action.Entry) { e.By = "" }, "by is missing: want a text that is not empty"},
	} {
		e := entry(values{"reason": "x"})
		tt.spoil(&e)
		_, err := byCode(t, "note").Build(e)
		wantFault(t, err, tt.want)
	}
}

func wantFault(t testing.TB, err error, want string) {
	t.Helper()
	if _, ok := errors.AsType[*event.Fault](err); !ok || err.Error() != want {
		t.Errorf("\n got %v\nwant %s", err, want)
	}
}

func TestUndo(t *testing.T) {
	got, err := action.Undo(entry(values{"reason": " wrong machine "}), "7b1c", "film.wasted")
	want := event.Event{ID: "e-1", Source: action.Source, Type: "entry.undone", Time: eight, Site: "north", Machine: "heron",
		Data: &event.EntryUndone{Event: "7b1c", Type: "film.wasted", By: "ada", Reason: "wrong machine"}}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	schemasOf(t).accept(t, got)
	_, err = action.Undo(entry(nil), "", "film.wasted")
	wantFault(t, err, "event is missing: want a text that is not empty")
	_, err = action.Undo(entry(nil), "7b1c", "ticket.received")
	wantFault(t, err, `type: want one of roll.loaded, roll.removed, edge.moved, leader.attached, leader.removed, edge.shaped, run.started, run.finished, run.stopped, cut.finished, strike.recorded, head.checked, film.wasted, job.reprinted, strip.measured, operator.noted, got "ticket.received"`)
	_, err = action.Undo(entry(values{"why": "x"}), "7b1c", "film.wasted")
	wantFault(t, err, "why: want one of reason, got a value that undo does not ask for")
	anonymous := entry(nil)
	anonymous.By = ""
	_, err = action.Undo(anonymous, "7b1c", "film.wasted")
	wantFault(t, err, "by is missing: want a text that is not empty")
}

// TestTwiceIsOnce: what makes two copies of an entry one event is its key.
func TestTwiceIsOnce(t *testing.T) {
	first, err := byCode(t, "advance").Build(entry(values{"by_mm": "365"}))
	if err != nil {
		t.Fatal(err)
	}
	later := entry(values{"by_mm": "365"})
	later.At = eight.Add(time.Second)
	second, err := byCode(t, "advance").Build(later)
	if err != nil || first.Key() != second.Key() {
		t.Errorf("the entry that was sent again is another event: %v, %v", second, err)
	}
}

// TestAnyEntry enters anything into any form: the answer is a fault that names a
// field, or an event that the journal takes.
func TestAnyEntry(t *testing.T) {
	built := 0
	rapid.Check(t, func(rt *rapid.T) {
		a := &action.Actions[rapid.IntRange(0, len(action.Actions)-1).Draw(rt, "action")]
		v := maps.Clone(entered[a.Code].most)
		for _, f := range a.Fields {
			if rapid.Bool().Draw(rt, "change "+f.Name) {
				v[f.Name] = rapid.OneOf(rapid.SampledFrom([]string{"", "0", "-0", "+1", "1e3", "-1e-3", "1e400", "yes", "feed", "cure", "Inf", "0x1p4", " 5 "}), rapid.String()).Draw(rt, f.Name)
			}
		}
		e, err := a.Build(entry(v))
		if err != nil {
			f, ok := errors.AsType[*event.Fault](err)
			if !ok || f.Want == "" || !slices.ContainsFunc(a.Fields, func(have action.Field) bool { return have.Name == f.Field }) {
				rt.Fatalf("%s %v: %v names no field of the form", a.Code, v, err)
			}
			return
		}
		built++
		text, err := event.Encode(e)
		if err != nil {
			rt.Fatal(err)
		}
		if _, err := event.Decode(event.Message{Subject: e.Subject(), Data: text}); err != nil {
			rt.Fatalf("%s %v was built, but cannot be read: %v", a.Code, v, err)
		}
	})
	if built == 0 {
		t.Error("nothing could be entered: the test tries nothing")
	}
}

func TestTableIsMarkdown(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(action.Table()), "\n")
	if len(lines) != len(action.Actions)+2 {
		t.Errorf("%d lines for %d actions", len(lines), len(action.Actions))
	}
	for _, line := range lines {
		if strings.Count(line, "|") != 6 {
			t.Errorf("want five columns in %s", line)
		}
	}
	if want := "| `waste` | Film thrown away | `film.wasted` | `length_m` `cause` (`width_mm`) | blade, static |"; !slices.Contains(lines, want) {
		t.Errorf("no line %s", want)
	}
}
