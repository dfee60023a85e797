package ticket_test

import (
	"bytes"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

const schemaFile = "../../deploy/ticket.schema.json"

func compileSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("ticket.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("ticket.schema.json") // checks it against the 2020-12 meta-schema
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// agreement lists JSON tickets with the verdict that both the published
// schema and the parser have to give.
var agreement = []struct {
	text string
	good bool
}{
	{`{"job":"J-1"}`, true},
	{`{"$schema":"./ticket.schema.json","job":"J-1"}`, true},
	{`{"$schema":7,"job":"J-1"}`, false},
	{`{}`, false},
	{`[]`, false},
	{`{"job":""}`, false},
	{`{"job":" \t"}`, false},
	{`{"job":null}`, false},
	{`{"job":17}`, false},
	{`{"job":"` + strings.Repeat("é", 200) + `"}`, true},
	{`{"job":"` + strings.Repeat("é", 201) + `"}`, false},
	{`{"job":"J-1","part":""}`, true},
	{`{"job":"J-1","part":"` + strings.Repeat("p", 201) + `"}`, false},
	{`{"job":"J-1","machine":"heron"}`, true},
	{`{"job":"J-1","machine":""}`, false},
	{`{"job":"J-1","machine":"heron 2"}`, false},
	{`{"job":"J-1","machine":"floor.heron"}`, false},
	{`{"job":"J-1","machine":"` + strings.Repeat("m", 64) + `"}`, true},
	{`{"job":"J-1","machine":"` + strings.Repeat("m", 65) + `"}`, false},
	{`{"job":"J-1","title":"` + strings.Repeat("t", 400) + `"}`, true},
	{`{"job":"J-1","title":"` + strings.Repeat("t", 401) + `"}`, false},
	{`{"job":"J-1","stock":"MONO-GLOSS-137"}`, true},
	{`{"job":"J-1","stock":"` + strings.Repeat("s", 201) + `"}`, false},
	{`{"job":"J-1","film_class":"monomeric"}`, true},
	{`{"job":"J-1","film_class":"unknown"}`, true},
	{`{"job":"J-1","film_class":"Monomeric"}`, false},
	{`{"job":"J-1","film_class":""}`, false},
	{`{"job":"J-1","film_class":null}`, false},
	{`{"job":"J-1","roll_width_mm":1}`, true},
	{`{"job":"J-1","roll_width_mm":0.999}`, false},
	{`{"job":"J-1","roll_width_mm":20000}`, true},
	{`{"job":"J-1","roll_width_mm":20000.1}`, false},
	{`{"job":"J-1","roll_width_mm":"1370"}`, false},
	{`{"job":"J-1","length_m":0}`, true},
	{`{"job":"J-1","length_m":-0.1}`, false},
	{`{"job":"J-1","length_m":100000}`, true},
	{`{"job":"J-1","length_m":100001}`, false},
	{`{"job":"J-1","length_m":1e400}`, false},
	{`{"job":"J-1","copies":500}`, true},
	{`{"job":"J-1","copies":500.0}`, true},
	{`{"job":"J-1","copies":5e2}`, true},
	{`{"job":"J-1","copies":500.5}`, false},
	{`{"job":"J-1","copies":-1}`, false},
	{`{"job":"J-1","copies":1000000001}`, false},
	{`{"job":"J-1","passes":1}`, true},
	{`{"job":"J-1","passes":0}`, false},
	{`{"job":"J-1","passes":64}`, true},
	{`{"job":"J-1","passes":65}`, false},
	{`{"job":"J-1","passes":7.5}`, false},
	{`{"job":"J-1","ink_density_pct":1000}`, true},
	{`{"job":"J-1","ink_density_pct":1000.5}`, false},
	{`{"job":"J-1","cure_c":0}`, true},
	{`{"job":"J-1","cure_c":300}`, true},
	{`{"job":"J-1","cure_c":301}`, false},
	{`{"job":"J-1","contour_cut":true,"laminate":false}`, true},
	{`{"job":"J-1","contour_cut":"yes"}`, false},
	{`{"job":"J-1","contour_cut":1}`, false},
	{`{"job":"J-1","laminate":null}`, false},
	{`{"job":"J-1","mark_spacing_mm":0}`, false},
	{`{"job":"J-1","mark_spacing_mm":100000}`, true},
	{`{"job":"J-1","mark_spacing_mm":100001}`, false},
	{`{"job":"J-1","rest_s":10000000}`, true},
	{`{"job":"J-1","rest_s":10000001}`, false},
	{`{"job":"J-1","rest_s":"PT24H"}`, false},
	{`{"job":"J-1","priority":100}`, true},
	{`{"job":"J-1","priority":100.5}`, false},
	{`{"job":"J-1","start_at":"2026-03-03T09:00:00+01:00"}`, true},
	{`{"job":"J-1","start_at":"2026-03-03T09:00:00.25Z"}`, true},
	{`{"job":"J-1","start_at":"2026-03-03T09:00:00"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03 09:00:00Z"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03t09:00:00z"}`, false},
	{`{"job":"J-1","start_at":"2026-02-30T09:00:00Z"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03T24:00:00Z"}`, false},
	{`{"job":"J-1","start_at":"2026-12-31T23:59:60Z"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03T9:00:00Z"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03T09:00:00,25Z"}`, false},
	{`{"job":"J-1","start_at":"2026-03-03T09:00:00+24:00"}`, false},
	{`{"job":"J-1","finish_at":"2026-03-04"}`, false},
	{`{"job":"J-1","finish_at":1772607600}`, false},
	{`{"job":"J-1","due":"2026-03-04T16:00:00Z"}`, true},
	{`{"job":"J-1","due":"soon"}`, false},
	{`{"job":"J-1","colour":"red"}`, false},
	{`{"job":"J-1","Machine":"heron"}`, false},
	{`{"job":"J-1","lot":"L7"}`, false},
}

// TestSchemaAgrees runs the published schema in an independent validator
// (santhosh-tekuri/jsonschema, draft 2020-12) and the parser over the same
// documents; both must give the verdict of the table.
func TestSchemaAgrees(t *testing.T) {
	schema := compileSchema(t)
	for _, c := range agreement {
		value, err := jsonschema.UnmarshalJSON(strings.NewReader(c.text))
		if err != nil {
			t.Fatalf("%s: %v", c.text, err)
		}
		if err := schema.Validate(value); (err == nil) != c.good {
			t.Errorf("schema on %.80s: want good %v, got %v", c.text, c.good, err)
		}
		if _, err := ticket.Parse("t.json", []byte(c.text), ticket.Options{}); (err == nil) != c.good {
			t.Errorf("parser on %.80s: want good %v, got %v", c.text, c.good, err)
		}
	}
}

// TestSchemaDocuments holds the schema to what a reader of it needs: a title,
// a description and an example for each member, examples that are accepted,
// and the film classes of the contract.
func TestSchemaDocuments(t *testing.T) {
	text, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	var s struct {
		Properties map[string]struct {
			Title       string        `json:"title"`
			Description string        `json:"description"`
			Examples    []any         `json:"examples"`
			Enum        []event.Class `json:"enum"`
			Minimum     float64       `json:"minimum"`
			Maximum     float64       `json:"maximum"`
		} `json:"properties"`
		Examples []map[string]any `json:"examples"`
	}
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	for name, p := range s.Properties {
		if p.Title == "" || p.Description == "" || len(p.Examples) == 0 {
			t.Errorf("%s lacks a title, a description or an example", name)
		}
		for _, example := range p.Examples {
			doc, err := json.Marshal(map[string]any{"job": "J-1", name: example})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := ticket.Parse("example", doc, ticket.Options{}); err != nil {
				t.Errorf("example %v of %s: %v", example, name, err)
			}
		}
	}
	if got := s.Properties["film_class"].Enum; !slices.Equal(got, event.Classes) {
		t.Errorf("film classes: got %v, want %v", got, event.Classes)
	}
	kind, _ := event.KindOf("ticket.received")
	for _, f := range event.Fields(kind) { // the limits of the contract are those of the ticket
		if p, ok := s.Properties[f.Name]; ok && f.Type == "number" && (p.Minimum != f.Min || p.Maximum != f.Max) {
			t.Errorf("%s: want %g to %g, got %g to %g", f.Name, f.Min, f.Max, p.Minimum, p.Maximum)
		}
	}
	full := s.Examples[len(s.Examples)-1]
	if len(full) != len(s.Properties)-1 { // all but $schema
		t.Errorf("the full example has %d members of %d", len(full), len(s.Properties)-1)
	}
}

func TestJSONTicketIsReadInFull(t *testing.T) {
	text := `{"job":"J-1042","part":"front","machine":"heron","title":"Spring decals","stock":"MONO-GLOSS-137",
		"film_class":"monomeric","roll_width_mm":1370,"length_m":12.5,"copies":500,"passes":8,"ink_density_pct":100,
		"cure_c":92,"contour_cut":true,"mark_spacing_mm":400,"laminate":true,"rest_s":86400,
		"start_at":"2026-03-03T09:00:00+01:00","finish_at":"2026-03-04T10:00:00+01:00","due":"2026-03-04T16:00:00+01:00","priority":60}`
	doc, err := ticket.Parse("job.json", []byte("\ufeff"+text), ticket.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d := doc.Tickets[0].Data
	if d.SourceFormat != "json" || d.SourceFile != "job.json" || !slices.Equal(doc.Tickets[0].DeviceIDs, []string{"heron"}) {
		t.Errorf("got %+v", doc.Tickets[0])
	}
	d.SourceFile, d.SourceSHA256, d.SourceFormat = "", "", ""
	back, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	var got, want map[string]any
	if err := errors.Join(json.Unmarshal(back, &got), json.Unmarshal([]byte(text), &want)); err != nil {
		t.Fatal(err)
	}
	want["start_at"], want["finish_at"], want["due"] = "2026-03-03T08:00:00Z", "2026-03-04T09:00:00Z", "2026-03-04T15:00:00Z"
	for name, w := range want {
		if got[name] != w {
			t.Errorf("%s: want %v, got %v", name, w, got[name])
		}
	}
	if len(got) != len(want) {
		t.Errorf("want %d members, got %d", len(want), len(got))
	}
}

func TestJSONErrorsHelp(t *testing.T) {
	for _, c := range []struct{ text, kind, says string }{
		{`{"job":"J-1","cure_temp":92}`, "unsupported", "did you mean cure_c?"},
		{`{"job":"J-1","width":1370}`, "unsupported", "did you mean roll_width_mm?"},
		{`{"job":"J-1","rolWidth_mm":1370}`, "unsupported", "did you mean roll_width_mm?"},
		{`{"job":"J-1","Passes":8}`, "unsupported", "did you mean passes?"},
		{`{"job":"J-1","zzzzzzzzzz":8}`, "unsupported", "one of job, part, machine"},
		{"{\"job\":\"J-1\",\n\"passes\":\"8\"}", "bad-value", "line 2: passes: want a number"},
		{`{"job":"J-1","passes":null}`, "bad-value", "leave the member out"},
		{`{"job":"J-1","cure_c":500}`, "bad-value", "0 to 300 °C, got 500"},
		{`{"job":"J-1","job":"J-2"}`, "malformed", "job: want each member once"},
		{`{"job":"J-1"} {"job":"J-2"}`, "malformed", "nothing after it"},
		{`{"job":"J-1"}}`, "malformed", "nothing after it"},
		{"{\"job\":\"J\xff\"}", "malformed", "UTF-8"},
		{`{"job":"J-1","due":"tomorrow"}`, "bad-value", "a time with its zone"},
		{`{"part":"P"}`, "missing-field", "job is missing"},
		{`["J-1"]`, "bad-value", `ticket: want one ticket in curly brackets, as {"job": "KL-1042"}, got a list, ["J-1"]`},
		{`{"job":"J-1","due":"25/11/2026 20:30"}`, "bad-value", `t.json: line 1: due: want a time with its zone such as 2026-03-04T16:00:00+01:00, got "25/11/2026 20:30"`},
		{`{"job":"J-1" , "due" : 5}`, "bad-value", "+01:00, got 5"},
		{`{"job":"J-1","length_m":"3,5 m"}`, "bad-value", `a number with a point and without quotation marks, such as 12.5, got "3,5 m"`},
		{`{"job":"J-1","contour_cut":"yes"}`, "bad-value", `true or false, got "yes"`},
		{`{"job":["a","b"]}`, "bad-value", `a text, got a list, ["a","b"]`},
		{`{"job":{"name":"J-1"}}`, "bad-value", `a text, got a ticket within the ticket, {"name":"J-1"}`},
		{`{"job":"J-1","due":"` + strings.Repeat("x", 100) + `"}`, "bad-value", strings.Repeat("x", 60) + "…"},
		{`{"job":"J-1","passes":8,}`, "malformed", `something else at ob":"J-1","passes":8,}`},
		{`{job:"J-1"}`, "malformed", "names and texts in quotation marks"},
		{`{"job":` + strings.Repeat("[", 5000), "too-large", "at most 64 deep"},
		{`{"job":[` + strings.Repeat("0,", 300000) + `0]}`, "too-large", "JSON tokens"},
	} {
		e := parseError(t, "t.json", []byte(c.text))
		if e.Kind != c.kind || !strings.Contains(e.Error(), c.says) || e.Incomplete {
			t.Errorf("%.60s: want %s about %q, got %s: %v", c.text, c.kind, c.says, e.Kind, e)
		}
	}
}

// TestJSONCutShort cuts a ticket after every byte: each piece is incomplete,
// never wrong in another way, so that a watcher waits for the rest.
func TestJSONCutShort(t *testing.T) {
	text := []byte(`{"job":"J-é1","passes":8,"contour_cut":true,"due":"2026-03-04T16:00:00Z"}`)
	for i := range text {
		if e := parseError(t, "t.json", text[:i]); !e.Incomplete || e.Kind != "incomplete" {
			t.Errorf("after %d bytes: %+v", i, *e)
		}
	}
}

func parseError(t *testing.T, name string, data []byte) *ticket.Error {
	t.Helper()
	_, err := ticket.Parse(name, data, ticket.Options{})
	var e *ticket.Error
	if !errors.As(err, &e) {
		t.Fatalf("%.80q: want an *Error, got %v", data, err)
	}
	if e.File != name || e.Field == "" || e.Want == "" || !slices.Contains(event.RejectKinds, e.Kind) {
		t.Errorf("%.80q: the error is not whole: %+v", data, *e)
	}
	return e
}
