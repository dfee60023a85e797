package event_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
)

// leader is a good message on the subject of leader.attached; the tests below
// spoil one thing in it.
const leader = `{"specversion":"1.0","id":"a1","source":"/north/heron","type":"rollwarden.leader.attached",` +
	`"time":"2026-03-02T08:00:00Z","datacontenttype":"application/json","data":{"length_mm":900}}`

func leaderMessage(data string) event.Message {
	return event.Message{Subject: "floor.north.heron.leader.attached", Data: []byte(data), Stored: eight}
}

// TestStrict spoils a good message in one place at a time. The fault must name
// the field as the sender wrote it and say what was expected in plain words.
// Where a text ends with … the JSON library goes on in its own words.
func TestStrict(t *testing.T) {
	if _, err := event.Decode(leaderMessage(leader)); err != nil {
		t.Fatal(err)
	}
	data := func(payload string) string {
		return strings.Replace(leader, `{"length_mm":900}`, payload, 1)
	}
	const length = "want a number from 1 to 20000 mm"
	for _, tt := range []struct{ name, message, want string }{
		// The payload.
		{"misspelt field", data(`{"lenght_mm":900}`), "data.lenght_mm: want a field of the contract; did you mean length_mm?, got an unknown field"},
		{"wrong case", data(`{"Length_MM":900}`), "data.Length_MM: want a field of the contract; did you mean length_mm?, got an unknown field"},
		{"all capitals", data(`{"LENGTH_MM":900}`), "data.LENGTH_MM: want a field of the contract; did you mean length_mm?, got an unknown field"},
		{"forgotten unit", data(`{"length":900}`), "data.length: want a field of the contract; did you mean length_mm?, got an unknown field"},
		{"stray field", data(`{"length_mm":900,"colour":"red"}`), "data.colour: want a field of the contract: length_mm, thickness_um, by, got an unknown field"},
		{"field twice", data(`{"length_mm":900,"length_mm":901}`), "data.length_mm: want each field once, got it twice"},
		{"text for a number", data(`{"length_mm":"900"}`), `data.length_mm: ` + length + `, got "900"`},
		{"true for a number", data(`{"length_mm":true}`), "data.length_mm: " + length + ", got true"},
		{"list for a number", data(`{"length_mm":[900]}`), "data.length_mm: " + length + ", got a list"},
		{"object for a number", data(`{"length_mm":{"mm":900}}`), "data.length_mm: " + length + ", got an object"},
		{"null for a number", data(`{"length_mm":null}`), "data.length_mm: " + length + ", or no such member, got null"},
		{"null for an absent one", data(`{"length_mm":900,"thickness_um":null}`), "data.thickness_um: want a number from 0 to 20000 µm, or no such member, got null"},
		{"too small", data(`{"length_mm":0}`), "data.length_mm: " + length + ", got 0"},
		{"too large", data(`{"length_mm":20000.5}`), "data.length_mm: " + length + ", got 20000.5"},
		{"beyond any float", data(`{"length_mm":1e400}`), "data.length_mm: " + length + ", got 1e400"},
		{"required field missing", data(`{}`), "data.length_mm is missing: " + length},
		{"not a number", data(`{"length_mm":NaN}`), "data.length_mm: want well-formed JSON in UTF-8, got …"},
		{"infinity", data(`{"length_mm":Infinity}`), "data.length_mm: want well-formed JSON in UTF-8, got …"},
		{"leading zero", data(`{"length_mm":0900}`), "data: want well-formed JSON in UTF-8, got …"},
		{"bytes that are no UTF-8", data("{\"length_mm\xff\":900}"), "data: want well-formed JSON in UTF-8, got …"},
		{"half a surrogate pair", data(`{"\uDEAD":900}`), "data: want well-formed JSON in UTF-8, got …"},
		{"null data", data("null"), "data: want a JSON object, got null"},
		{"list data", data("[]"), "data: want a JSON object, got a list"},
		{"text data", data(`"{}"`), `data: want a JSON object, got "{}"`},
		{"no data", strings.Replace(leader, `,"data":{"length_mm":900}`, "", 1), "data is missing: want the payload of leader.attached"},
		{"other content", strings.Replace(leader, "application/json", "text/plain", 1), `datacontenttype: want application/json, got "text/plain"`},
		{"both kinds of data", data(`{},"data_base64":"e30="`), "data_base64: want either data or data_base64, got both"},
		// The envelope.
		{"empty", "", "event: want well-formed JSON in UTF-8, got …"},
		{"not JSON", "length=900", "event: want well-formed JSON in UTF-8, got …"},
		{"cut off", leader[:60], "event: want well-formed JSON in UTF-8, got …"},
		{"trailing data", leader + "{}", "event: want well-formed JSON in UTF-8, got …"},
		{"a list", "[" + leader + "]", "event: want a JSON object with the attributes of a CloudEvent, got a list"},
		{"a number", "5", "event: want a JSON object with the attributes of a CloudEvent, got a number"},
		{"attribute twice", strings.Replace(leader, `"id":"a1"`, `"id":"a1","id":"a2"`, 1), "id: want each field once, got it twice"},
		{"wrong case of an attribute", strings.Replace(leader, `"source"`, `"Source"`, 1), "Source: want a CloudEvents attribute, or an extension named with a-z and 0-9; did you mean source?, got an unknown member"},
		{"number as id", strings.Replace(leader, `"a1"`, "17", 1), "id: want an id that is unique within the source, got 17"},
		{"object as source", strings.Replace(leader, `"/north/heron"`, "{}", 1), "source: want a URI reference that says who publishes, such as /north/heron, got an object"},
		{"type of another subject", strings.Replace(leader, ".leader.attached", ".edge.moved", 1), `type: want rollwarden.leader.attached as in the subject, got "rollwarden.edge.moved"`},
		{"type without our prefix", strings.Replace(leader, "rollwarden.", "", 1), `type: want rollwarden.leader.attached as in the subject, got "leader.attached"`},
		{"local time", strings.Replace(leader, "08:00:00Z", "08:00:00", 1), `time: want a time such as 2026-03-02T08:00:00Z, got "2026-03-02T08:00:00"`},
		{"number as time", strings.Replace(leader, `"2026-03-02T08:00:00Z"`, "1772438400", 1), "time: want a time such as 2026-03-02T08:00:00Z, got 1772438400"},
		{"more than a day ahead", strings.Replace(leader, "03-02T08:00:00Z", "03-03T08:00:01Z", 1), `time: want a time at most 24 h ahead of the journal's clock; set the sender's clock, got "2026-03-03T08:00:01Z"`},
		{"a megabyte and a byte", leader + strings.Repeat(" ", event.MaxData+1-len(leader)), "message: want at most 1048576 bytes, got 1048577"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := event.Decode(leaderMessage(tt.message))
			if _, ok := errors.AsType[*event.Fault](err); !ok {
				t.Fatalf("got %v, want a fault", err)
			}
			got := err.Error()
			if start, cut := strings.CutSuffix(tt.want, "…"); got != tt.want && !(cut && strings.HasPrefix(got, start)) {
				t.Errorf("\n got %s\nwant %s", got, tt.want)
			}
		})
	}
}

// TestWrongTypes looks at what is expected of each kind of value.
func TestWrongTypes(t *testing.T) {
	for _, tt := range []struct {
		typ        event.Type
		data, want string
	}{
		{"cut.finished", `{"rewound":"no"}`, `data.rewound: want true or false, got "no"`},
		{"cut.finished", `{"rewound":0}`, "data.rewound: want true or false, got 0"},
		{"change.marked", `{"label":"x","since":"yesterday"}`, `data.since: want a time such as 2026-03-02T08:00:00Z, got "yesterday"`},
		{"change.marked", `{"label":"x","since":1772438400}`, "data.since: want a time such as 2026-03-02T08:00:00Z, got 1772438400"},
		{"change.marked", `{"label":7}`, "data.label: want a text that is not empty, got 7"},
		{"run.started", `{"job":"J","part":2}`, "data.part: want a text, got 2"},
		{"edge.moved", `{"by_mm":1,"cause":"pull"}`, `data.cause: want one of rewind, advance, feed, trim, got "pull"`},
		{"edge.moved", `{"by_mm":1,"cause":1}`, "data.cause: want one of rewind, advance, feed, trim, got 1"},
		{"advice.accepted", `{"by":"ann","order":"J/1"}`, `data.order: want a list of texts, got "J/1"`},
		{"advice.accepted", `{"by":"ann","order":[1]}`, "data.order.0: want a text, got 1"},
		{"alarm.changed", `{"remedies":{}}`, "data.remedies: want a list of objects, got an object"},
		{"alarm.changed", `{"remedies":[7]}`, "data.remedies.0: want an object, got 7"},
		{"alarm.changed", `{"remedies":[{"cod":"leader"}]}`, "data.remedies.0.cod: want a field of the contract; did you mean code?, got an unknown field"},
		{"alarm.changed", `{"remedies":[{"settles":"yes"}]}`, `data.remedies.0.settles: want true or false, got "yes"`},
		{"edge.shaped", `{"shape":"` + strings.Repeat("x", event.MaxText+1) + `"}`, "data.shape: want at most 4096 characters, got 4097"},
		{"edge.shaped", `{"shape":["` + strings.Repeat("x", 99) + `"]}`, "data.shape: want a text that is not empty, got a list"},
		{"cut.finished", `{"rewound":"` + strings.Repeat("é", 99) + `"}`, `data.rewound: want true or false, got "` + strings.Repeat("é", 29) + `…`},
	} {
		_, err := event.DecodeData(kindOf(t, tt.typ), []byte(tt.data))
		if err == nil || err.Error() != tt.want {
			t.Errorf("%s %.60s\n got %v\nwant %s", tt.typ, tt.data, err, tt.want)
		}
	}
}

// TestLongNames sends names as long as a message may be. They must not make
// the fault as long, nor take longer to look up than to read.
func TestLongNames(t *testing.T) {
	long := strings.Repeat("length_mm", event.MaxData/10)
	for _, data := range []string{
		strings.Replace(leader, "length_mm", long, 1),
		strings.Replace(leader, `"id"`, `"`+long+`":"","id"`, 1),
		strings.Replace(leader, `"id":"a1"`, `"id":"`+long+`"`, 1),
		strings.Replace(leader, "rollwarden.", long, 1),
		strings.Replace(leader, "900", `"`+long+`"`, 1),
	} {
		_, err := event.Decode(leaderMessage(data))
		if err == nil || len(err.Error()) > 400 {
			t.Errorf("want a short fault, got %.500v", err)
		}
	}
	if _, err := event.Set(kindOf(t, "leader.attached"), map[string]string{long: long}); err == nil || len(err.Error()) > 400 {
		t.Errorf("want a short fault, got %.500v", err)
	}
}

// TestDeepNesting sends more brackets than any payload has.
func TestDeepNesting(t *testing.T) {
	deep := strings.Repeat("[", 100_000)
	for _, data := range []string{deep, `{"length_mm":` + deep, `{"x":` + deep + strings.Repeat("]", 100_000) + "}"} {
		m := leaderMessage(strings.Replace(leader, `{"length_mm":900}`, data, 1))
		if _, err := event.Decode(m); err == nil {
			t.Error("nesting without end was let in")
		}
		m.Subject = "floor.north.heron.nothing.known"
		if _, err := event.Decode(m); err == nil {
			t.Error("nesting without end was let in under an unknown type")
		}
	}
}

// TestFaultKeepsWhatWasRead lets a quarantine say which event it holds.
func TestFaultKeepsWhatWasRead(t *testing.T) {
	e, err := event.Decode(leaderMessage(strings.Replace(leader, "900", "0", 1)))
	want := event.Event{ID: "a1", Source: "/north/heron", Type: "leader.attached", Time: eight, Site: "north", Machine: "heron", Stored: eight}
	if diff := cmp.Diff(want, e); err == nil || diff != "" {
		t.Errorf("error %v (-want +got):\n%s", err, diff)
	}
}

func TestTime(t *testing.T) {
	at := func(text string) event.Message {
		return leaderMessage(strings.Replace(leader, "2026-03-02T08:00:00Z", text, 1))
	}
	absent := leaderMessage(strings.Replace(leader, `"time":"2026-03-02T08:00:00Z",`, "", 1))
	null := leaderMessage(strings.Replace(leader, `"2026-03-02T08:00:00Z"`, "null", 1))
	for _, tt := range []struct {
		name string
		m    event.Message
		want time.Time
	}{
		{"absent", absent, eight},
		{"null", null, eight},
		// RFC 3339, section 5.8, the first two examples: one in UTC, one with
		// an offset, whose UTC is given there as 1996-12-20T00:39:57Z.
		{"fraction", at("1985-04-12T23:20:50.52Z"), time.Date(1985, 4, 12, 23, 20, 50, 520_000_000, time.UTC)},
		{"offset", at("1996-12-19T16:39:57-08:00"), time.Date(1996, 12, 20, 0, 39, 57, 0, time.UTC)},
		{"a minute ahead", at("2026-03-02T08:01:00Z"), eight.Add(event.MaxSkew)},
		{"more than a minute ahead", at("2026-03-02T08:01:01Z"), eight},
		{"a day ahead", at("2026-03-03T08:00:00Z"), eight},
	} {
		e, err := event.Decode(tt.m)
		if err != nil || !e.Time.Equal(tt.want) || e.Time.Location() != time.UTC {
			t.Errorf("%s: got %v, %v, want %v in UTC", tt.name, e.Time, err, tt.want)
		}
	}
	absent.Stored = time.Time{}
	if _, err := event.Decode(absent); err == nil || err.Error() != "time is missing: want a time such as 2026-03-02T08:00:00Z" {
		t.Errorf("no time at all: %v", err)
	}
	ahead := at("2099-01-01T00:00:00Z")
	ahead.Stored = time.Time{}
	if _, err := event.Decode(ahead); err != nil {
		t.Errorf("with no journal time to compare with: %v", err)
	}
}

// TestUnknownTypeIsKept reads types of the future in both modes: no data may
// be lost, and what is read can be written again.
func TestUnknownTypeIsKept(t *testing.T) {
	attributes := map[string][]string{"ce-specversion": {"1.0"}, "ce-id": {"a1"}, "ce-source": {"/north/heron"}, "ce-type": {"rollwarden.ink.changed"}}
	structured := func(rest string) event.Message {
		return event.Message{Data: []byte(`{"specversion":"1.0","id":"a1","source":"/north/heron","type":"rollwarden.ink.changed"` + rest + "}")}
	}
	binary := func(body string) event.Message {
		return event.Message{Header: attributes, Data: []byte(body)}
	}
	for _, tt := range []struct {
		name string
		m    event.Message
		raw  string
	}{
		{"object", structured(`,"data":{"ink" : "cyan"}`), `{"ink" : "cyan"}`},
		{"any JSON", structured(`,"data":[null, 1e400, "\u00e9"]`), `[null, 1e400, "\u00e9"]`},
		{"null", structured(`,"data":null`), "null"},
		{"a text of JSON", structured(`,"data":"x"`), `"x"`},
		{"a text of another kind", structured(`,"datacontenttype":"text/plain","data":"a \"b\""`), `a "b"`},
		{"base64", structured(`,"datacontenttype":"image/png","data_base64":"iVBORw0KGgo="`), "\x89PNG\r\n\x1a\n"},
		{"no data", structured(""), ""},
		{"binary, JSON", binary(`{"ink": "cyan"}`), `{"ink": "cyan"}`},
		{"binary, JSON with space around", binary(" {} \n"), " {} \n"},
		{"binary, anything", binary("\x00\xff"), "\x00\xff"},
		{"binary, no data", binary(""), ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.m.Subject, tt.m.Stored = "floor.north.heron.ink.changed", eight
			got, err := event.Decode(tt.m)
			if err != nil {
				t.Fatal(err)
			}
			want := event.Event{ID: "a1", Source: "/north/heron", Type: "ink.changed", Time: eight, Site: "north", Machine: "heron", Stored: eight}
			if tt.raw != "" {
				want.Raw = []byte(tt.raw)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			again, err := event.Decode(message(t, got))
			if err != nil {
				t.Fatal(err)
			}
			got.Stored = again.Stored // a second later
			if diff := cmp.Diff(got, again); diff != "" {
				t.Errorf("written and read again (-want +got):\n%s", diff)
			}
		})
	}
}

// TestRawIsOwned checks that an event does not change with its message.
func TestRawIsOwned(t *testing.T) {
	m := leaderMessage(leader)
	m.Subject = "floor.north.heron.leader.painted"
	e, err := event.Decode(m)
	if err != nil {
		t.Fatal(err)
	}
	clear(m.Data)
	if string(e.Raw) != `{"length_mm":900}` || e.ID != "a1" {
		t.Errorf("the event shares memory with its message: %q, %q", e.Raw, e.ID)
	}
}

func TestEncodeRefuses(t *testing.T) {
	good := sample(t, kindOf(t, "leader.attached"))
	for name, spoil := range map[string]func(*event.Event){
		"id that is no UTF-8":      func(e *event.Event) { e.ID = "\xff" },
		"year beyond RFC 3339":     func(e *event.Event) { e.Time = eight.AddDate(9000, 0, 0) },
		"number JSON has not":      func(e *event.Event) { e.Data = &event.LeaderAttached{LengthMM: nan()} },
		"payload that is no UTF-8": func(e *event.Event) { e.Data = &event.EdgeShaped{Shape: "\xff"} },
	} {
		e := good
		spoil(&e)
		if data, err := event.Encode(e); err == nil || !strings.HasPrefix(err.Error(), "encode leader.attached: ") {
			t.Errorf("%s: got %s, %v", name, data, err)
		}
	}
}

func nan() float64 { zero := 0.0; return zero / zero }

// TestEncodeBytes fixes what goes on the wire.
func TestEncodeBytes(t *testing.T) {
	e := event.Event{ID: "a1", Source: "/north/heron", Type: "leader.attached", Time: eight, Site: "north", Machine: "heron", Data: &event.LeaderAttached{LengthMM: 900}}
	if got := message(t, e).Data; string(got) != leader {
		t.Errorf("\n got %s\nwant %s", got, leader)
	}
	e.Time = time.Time{}
	if got := message(t, e).Data; bytes.Contains(got, []byte(`"time"`)) {
		t.Errorf("an event without a time has one: %s", got)
	}
}

func TestFaultWords(t *testing.T) {
	for _, tt := range []struct {
		f    event.Fault
		want string
	}{
		{event.Fault{Field: "data.job", Want: "a text"}, "data.job is missing: want a text"},
		{event.Fault{Field: "data.job", Want: "a text", Got: "5"}, "data.job: want a text, got 5"},
	} {
		if got := fmt.Errorf("ticket: %w", &tt.f).Error(); got != "ticket: "+tt.want {
			t.Errorf("got %q", got)
		}
	}
}
