package signal

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func ptr[T any](v T) *T { return &v }

// advanced is a button that somebody presses after the usual advance.
func advanced() Row {
	return Row{
		Topic: "kestrel/{site}/{machine}/advanced", Type: "edge.moved",
		Fields: map[string]Field{"by_mm": {Value: ptr("365")}, "cause": {Value: ptr("advance")}},
	}
}

// humidity is a sensor in a room.
func humidity() Row {
	return Row{
		Topic: "kestrel/north/climate", Site: "north", Machine: event.AnyMachine, Type: "climate.read",
		Fields: map[string]Field{"rh_pct": {Pointer: ptr("/air/0/rh"), Scale: 100}, "temp_c": {Pointer: ptr("/air/0/t"), Unit: "F"}},
	}
}

// place knows two machines at north.
func place(site, machine string) (string, string, error) {
	if site == "north" && (machine == "heron" || machine == "wren" || machine == event.AnyMachine) {
		return site, machine, nil
	}
	return "", "", fmt.Errorf("want a machine of the configuration, got %q", site+"/"+machine)
}

var eight = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func mapperOf(t *testing.T, rows ...Row) *mapper {
	t.Helper()
	m, err := newMapper(rows, place, "north")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// eventsOf is what a message becomes.
func eventsOf(t *testing.T, m *mapper, msg message) []event.Event {
	t.Helper()
	all, err := m.events(t.Context(), msg)
	check(t, err)
	return all
}

// said is what a message becomes, one line for each event.
func said(t *testing.T, m *mapper, topic, payload string) string {
	t.Helper()
	var lines []string
	for _, e := range eventsOf(t, m, message{id: topic + payload, topic: topic, data: []byte(payload), at: eight}) {
		if err := e.Data.Check(); err != nil {
			t.Error(err)
		}
		data, err := json.Marshal(e.Data)
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, fmt.Sprintf("%s %s", e.Subject(), data))
	}
	return strings.Join(lines, "\n")
}

func TestWhatMessagesMean(t *testing.T) {
	word := Row{Topic: "kestrel/+/heron/state/#", Site: "north", Machine: "heron", Type: "machine.reported",
		Fields: map[string]Field{"state": {Pointer: ptr("")}}}
	level := Row{Topic: "kestrel/waste/{machine}", Site: "north", Type: "film.wasted",
		Fields: map[string]Field{"length_m": {Pointer: ptr(""), Unit: "in"}, "cause": {Value: ptr("trim")}},
		When:   []Condition{{Pointer: "", Above: ptr(1.0)}, {Pointer: "", Below: ptr(1000.0)}}}
	pressed := advanced()
	pressed.Topic, pressed.When = "kestrel/button", []Condition{{Pointer: "/what", Equals: ptr("pressed")}, {Pointer: "/n", Equals: ptr("1")}}
	pressed.Site, pressed.Machine = "north", "wren"
	m := mapperOf(t, advanced(), humidity(), word, level, pressed)
	for _, c := range []struct{ topic, payload, want string }{
		{"kestrel/north/heron/advanced", "", `floor.north.heron.edge.moved {"by_mm":365,"cause":"advance"}`},
		{"kestrel/north/wren/advanced", `{"battery": 81}`, `floor.north.wren.edge.moved {"by_mm":365,"cause":"advance"}`},
		// 68 °F are 20 °C (NIST SP 811, appendix B.8).
		{"kestrel/north/climate", `{"air":[{"rh":0.4,"t":68}]}`, `floor.north.any.climate.read {"temp_c":20,"rh_pct":40}`},
		{"kestrel/north/climate", `{"air":[{"rh":"0.4","t":" 68 "}]}`, `floor.north.any.climate.read {"temp_c":20,"rh_pct":40}`},
		{"kestrel/x/heron/state/now", "stopped\r\n", `floor.north.heron.machine.reported {"state":"stopped"}`},
		{"kestrel/x/heron/state", `"idle"`, `floor.north.heron.machine.reported {"state":"idle"}`}, // # is also the level above, section 4.7.1.2
		// 10 in are 0.254 m (25.4 mm to the inch, international yard and pound agreement of 1959).
		{"kestrel/waste/wren", "10", `floor.north.wren.film.wasted {"length_m":0.254,"cause":"trim"}`},
		{"kestrel/waste/wren", "1", ""},
		{"kestrel/waste/wren", "1000.5", ""},
		{"kestrel/button", `{"what":"pressed","n":1}`, `floor.north.wren.edge.moved {"by_mm":365,"cause":"advance"}`},
		{"kestrel/button", `{"what":"released","n":1}`, ""},
		{"kestrel/unmapped", "x", ""},
		{"kestrel/north/heron/advanced/twice", "", ""},
	} {
		if got := said(t, m, c.topic, c.payload); got != c.want {
			t.Errorf("%s %q:\nwant %s\ngot  %s", c.topic, c.payload, c.want, got)
		}
	}
}

// TestWhatDoesNotFit is told with its reason and how it began.
func TestWhatDoesNotFit(t *testing.T) {
	pressed := advanced()
	pressed.Topic, pressed.When = "kestrel/{machine}/button", []Condition{{Pointer: "/what", Equals: ptr("pressed")}}
	pressed.Site = "north"
	m := mapperOf(t, advanced(), humidity(), pressed)
	for _, c := range []struct{ topic, payload, machine, kind, reason string }{
		{"kestrel/north/plover/advanced", "", "any", "bad-value", `signal for edge.moved: want a machine of the configuration, got "north/plover"`},
		{"kestrel/n rth/plover/advanced", "", "any", "bad-value", `signal for edge.moved: want a machine of the configuration, got "n rth/plover"`},
		{"kestrel/north/climate", `{"air":[{"rh":0.4,"t":`, "any", "malformed", "want a payload of JSON"},
		{"kestrel/north/climate", `{"air":[{"rh":0.4,"rh":0.4,"t":2}]}`, "any", "malformed", "want a payload of JSON"},
		{"kestrel/north/climate", "\xff", "any", "malformed", "want a payload of UTF-8 text"},
		{"kestrel/north/climate", "dry", "any", "missing-field", `signal for climate.read: temp_c: want a payload of JSON with /air/0/t, got a text; the payload was "dry"`},
		{"kestrel/north/climate", "12", "any", "missing-field", `temp_c: want a payload of JSON with /air/0/t, got a number; the payload was "12"`},
		{"kestrel/north/climate", "", "any", "missing-field", `temp_c: want a payload of JSON with /air/0/t, got an empty one`},
		{"kestrel/north/climate", "null", "any", "missing-field", `temp_c: want a payload of JSON with /air/0/t, got null`},
		{"kestrel/north/climate", strings.Repeat("dry ", 100), "any", "missing-field", `dry …"`},
		{"kestrel/north/climate", `{"air":[]}`, "any", "missing-field", "want a payload of JSON with /air/0/t, got an object without it"},
		{"kestrel/north/climate", `{"air":[{"rh":null,"t":2}]}`, "any", "missing-field", "rh_pct: /air/0/rh is null"},
		{"kestrel/north/climate", `{"air":[{"rh":"dry","t":2}]}`, "any", "bad-value", `rh_pct: /air/0/rh: want a number, got "dry"`},
		{"kestrel/north/climate", `{"air":[{"rh":"NaN","t":2}]}`, "any", "bad-value", `want a number, got "NaN"`},
		{"kestrel/north/climate", `{"air":[{"rh":[1],"t":2}]}`, "any", "bad-value", "got an object or a list"},
		{"kestrel/north/climate", `{"air":[{"rh":1.4,"t":2}]}`, "any", "bad-value", "rh_pct: want a number from 0 to 100 percent, got 140"},
		{"kestrel/north/climate", strings.Repeat("x", maxPayload+1), "any", "too-large", "want a payload of at most 65536 bytes, got 65537; the payload was \"xxx"},
		{"kestrel/heron/button", "pressed", "heron", "missing-field", `when[0]: want a payload of JSON with /what, got a text; the payload was "pressed"`},
	} {
		events := eventsOf(t, m, message{id: "1", topic: c.topic, data: []byte(c.payload), at: eight})
		if len(events) != 1 {
			t.Errorf("%s %.50q: %d events", c.topic, c.payload, len(events))
			continue
		}
		d, ok := events[0].Data.(*event.TicketRejected)
		if !ok || d.Kind != c.kind || !strings.Contains(d.Reason, c.reason) || d.SourceFile != c.topic || events[0].Machine != c.machine || events[0].Site != "north" {
			t.Errorf("%s %.50q: want %s %q, got %+v of %s", c.topic, c.payload, c.kind, c.reason, events[0].Data, events[0].Subject())
		}
		if err := events[0].Data.Check(); err != nil {
			t.Error(err)
		}
	}
}

// TestAMachineThatNobodyHas is told to the site that the topic or the configuration
// names, and to none where they name none.
func TestAMachineThatNobodyHas(t *testing.T) {
	at := func(site, topic string) Row {
		return Row{Topic: topic, Site: site, Type: "edge.moved", Fields: map[string]Field{"by_mm": {Value: ptr("365")}, "cause": {Value: ptr("advance")}}}
	}
	m, err := newMapper([]Row{at("", "a/{machine}"), at("quay", "b/{machine}"), at("", "c/{site}/{machine}")}, place, event.AnySite)
	if err != nil {
		t.Fatal(err)
	}
	for topic, want := range map[string]string{"a/owl": "any", "b/owl": "quay", "c/south/owl": "south", "c/so.uth/owl": "any"} {
		events := eventsOf(t, m, message{id: "1", topic: topic, at: eight})
		if len(events) != 1 || events[0].Site != want || events[0].Machine != event.AnyMachine {
			t.Errorf("%s: want it told to %s/any, got %+v", topic, want, events)
		}
	}
}

// TestALongTopic: what the journal would not take would stop the signals after it for
// ever.
func TestALongTopic(t *testing.T) {
	m := mapperOf(t, advanced())
	events := eventsOf(t, m, message{id: "1", topic: "kestrel/north/" + strings.Repeat("x", 60000) + "/advanced", at: eight})
	if len(events) != 1 {
		t.Fatalf("%d events", len(events))
	}
	if d, ok := events[0].Data.(*event.TicketRejected); !ok || d.Check() != nil || !strings.Contains(d.Reason, "want a machine of the configuration") {
		t.Errorf("%.200v", events[0].Data)
	}
}

// TestPointers follows the pointers of RFC 6901, section 5, through the document
// that stands there.
func TestPointers(t *testing.T) {
	p, err := readPayload([]byte(`{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`))
	if err != nil {
		t.Fatal(err)
	}
	for pointer, want := range map[string]string{
		"/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4", "/i\\j": "5", "/k\"l": "6", "/ ": "7", "/m~0n": "8",
	} {
		if got, err := p.text(pointer); err != nil || got != want {
			t.Errorf("%s: want %s, got %s, %v", pointer, want, got, err)
		}
	}
	if v, err := p.find("/foo"); err != nil || string(v) != `["bar", "baz"]` {
		t.Errorf("/foo: %s, %v", v, err)
	}
	for _, pointer := range []string{"/foo/00", "/foo/-", "/foo/2", "/foo/-1", "/foo/0/x", "/bar"} { // section 4
		if v, err := p.find(pointer); err == nil {
			t.Errorf("%s leads to %s", pointer, v)
		}
	}
	for _, pointer := range []string{"foo", "/a~2", "/a~"} { // section 3
		if checkPointer("pointer", pointer) == nil {
			t.Errorf("%s was taken for a pointer", pointer)
		}
	}
}

// TestFilters goes through the examples of MQTT 3.1.1, section 4.7.1, which call
// for another first level here, and through what NATS could not carry.
func TestFilters(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player2", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
	} {
		f, err := compile(c.filter)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, got := f.match(c.topic); got != c.want {
			t.Errorf("%s matches %s: want %t", c.filter, c.topic, c.want)
		}
	}
	for _, topic := range []string{"", "#", "+", "/x", "x//y", "x/", "sport/tennis#", "sport/tennis/#/ranking", "sport+", "floor/x", "$SYS/x", "_INBOX/x", "a b", "a.b", "x/>", "{site}/x", "x/{site}/{site}", "x/{sites}"} {
		if _, err := compile(topic); err == nil {
			t.Errorf("%q was taken for a filter", topic)
		}
	}
}

// TestSubjects holds the streams' subjects against the server's own idea of which
// subjects overlap, and of what a subject takes in.
func TestSubjects(t *testing.T) {
	var filters []filter
	for _, topic := range []string{"kestrel/{machine}/x", "kestrel/+/y", "lane/#", "lane/a/b", "alone"} {
		f, err := compile(topic)
		if err != nil {
			t.Fatal(err)
		}
		filters = append(filters, f)
	}
	got := subjects(filters)
	if diff := cmp.Diff([]string{"alone", "alone.>", "kestrel.>", "lane", "lane.>"}, got); diff != "" {
		t.Error(diff)
	}
	for i, a := range got {
		for _, b := range got[:i] {
			if server.SubjectsCollide(a, b) {
				t.Errorf("%s and %s overlap", a, b)
			}
		}
	}
}

// TestIDs: one message gives the same ids whenever it comes, and no other does.
func TestIDs(t *testing.T) {
	m := mapperOf(t, advanced(), advanced())
	ids := map[string]int{}
	for _, id := range []string{"1", "2", "1"} {
		for _, e := range eventsOf(t, m, message{id: id, topic: "kestrel/north/heron/advanced", at: eight}) {
			ids[e.ID]++
		}
	}
	if diff := cmp.Diff(4, len(ids)); diff != "" {
		t.Errorf("%v", ids)
	}
}

func TestRowsThatCannotWork(t *testing.T) {
	for want, change := range map[string]func(*Row){
		`topic is missing: want a topic such as kestrel/{machine}/button`: func(r *Row) { r.Topic = "" },
		`event: want one of`:                          func(r *Row) { r.Type = "alarm.changed" },
		`got "edge.move": did you mean "edge.moved"?`: func(r *Row) { r.Type = "edge.move" },
		`fields.causes: want one of position_mm, by_mm, cause, by, got "causes": did you mean "cause"?`: func(r *Row) { r.Fields["causes"] = Field{Value: ptr("x")} },
		`fields.cause: want one of rewind, advance, feed, trim, got "advanced"`:                         func(r *Row) { r.Fields["cause"] = Field{Value: ptr("advanced")} },
		`fields.cause is missing`: func(r *Row) { delete(r.Fields, "cause") },
		`fields.by_mm: want a number from -1000000 to 1000000 mm, without the unit`:                              func(r *Row) { r.Fields["by_mm"] = Field{Value: ptr("365 mm")} },
		`fields.by_mm: want either position_mm or by_mm, got both`:                                               func(r *Row) { r.Fields["position_mm"] = Field{Pointer: ptr("/mm")} },
		`fields.by_mm is missing: want either value, or pointer`:                                                 func(r *Row) { r.Fields["by_mm"] = Field{} },
		`fields.by_mm.pointer: want a JSON pointer such as /air/humidity, or "" for the whole payload, got "mm"`: func(r *Row) { r.Fields["by_mm"] = Field{Pointer: ptr("mm")} },
		`fields.by_mm.unit: want one of mm, m, cm`:                                                               func(r *Row) { r.Fields["by_mm"] = Field{Pointer: ptr("/mm"), Unit: "F"} },
		`fields.cause.scale: want a number, for a field that is one`:                                             func(r *Row) { r.Fields["cause"] = Field{Pointer: ptr("/c"), Scale: 2} },
		`fields.by_mm.value: want the value in the field's own unit`:                                             func(r *Row) { r.Fields["by_mm"] = Field{Value: ptr("1"), Unit: "in"} },
		`when[0] is missing: want one of equals, above and below`:                                                func(r *Row) { r.When = []Condition{{}} },
		`when[0].pointer: want a JSON pointer`:                                                                   func(r *Row) { r.When = []Condition{{Pointer: "x", Equals: ptr("")}} },
	} {
		r := advanced()
		change(&r)
		err := r.Check()
		if _, ok := errors.AsType[*event.Fault](err); !ok || !strings.Contains(err.Error(), want) {
			t.Errorf("want %s\ngot  %v", want, err)
		}
	}
}

// FuzzPayload: whatever a sensor sends gives an event that can be stored, or a
// reason why not.
func FuzzPayload(f *testing.F) {
	for _, seed := range []string{"", "21.5", "pressed", `{"air":[{"rh":0.4,"t":68}]}`, `[1,2`, `{"air":{"0":{"rh":1e308,"t":-1e308}}}`, "\x00\xff"} {
		f.Add([]byte(seed))
	}
	rows := []Row{humidity(), {Topic: "kestrel/#", Site: "north", Machine: "heron", Type: "operator.noted", Fields: map[string]Field{"action": {Value: ptr("note")}, "by": {Value: ptr("button")}, "reason": {Pointer: ptr("")}}}}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := newMapper(rows, place, "north")
		if err != nil {
			t.Fatal(err)
		}
		events := eventsOf(t, m, message{id: "1", topic: "kestrel/north/climate", data: data, at: eight})
		if len(events) != 2 {
			t.Fatalf("%d events", len(events))
		}
		for _, e := range events {
			text, err := event.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := event.Decode(event.Message{Subject: e.Subject(), Data: text}); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// TestSubjectsOfAMachine: a machine's login may send its own signals and its room's.
func TestSubjectsOfAMachine(t *testing.T) {
	room := Row{Topic: "kestrel/+/climate/#", Site: "north", Machine: event.AnyMachine}
	own := Row{Topic: "kestrel/wren", Site: "north", Machine: "wren"}
	for _, c := range []struct {
		row           Row
		site, machine string
		want          []string
	}{
		{advanced(), "quay", "plover", []string{"kestrel.quay.plover.advanced"}},
		{room, "north", "heron", []string{"kestrel.*.climate", "kestrel.*.climate.>"}},
		{room, "quay", "plover", nil},
		{own, "north", "wren", []string{"kestrel.wren"}},
		{own, "north", "heron", nil},
	} {
		if diff := cmp.Diff(c.want, c.row.Subjects(c.site, c.machine)); diff != "" {
			t.Errorf("%s of %s/%s (-want +got):\n%s", c.row.Topic, c.site, c.machine, diff)
		}
	}
}
