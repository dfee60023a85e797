package event_test

import (
	"encoding/json"
	"strings"
	"testing"

	ce "github.com/cloudevents/sdk-go/v2/event"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// The sources of the values below, each at github.com/cloudevents/spec:
//
//	core  cloudevents/spec.md, version 1.0.2
//	json  cloudevents/formats/json-format.md, version 1.0.2
//	nats  cloudevents/bindings/nats-protocol-binding.md, version 1.0.2 for the
//	      structured mode, 1.0.3-wip for the binary mode that it adds

// foreign puts a message of another application on a journal subject of a
// type that the contract does not know.
func foreign(header map[string][]string, data string) event.Message {
	return event.Message{Subject: "floor.north.heron.some.event", Header: header, Data: []byte(data), Stored: eight}
}

// TestSpecExamples reads the events that the standard prints. Where the
// standard prints dots in place of data, data of that kind stands here.
func TestSpecExamples(t *testing.T) {
	const rest = `"time" : "2018-04-05T17:31:00Z", "comexampleextension1" : "value", "comexampleothervalue" : 5,`
	binary := func(id, media string) map[string][]string {
		return map[string][]string{
			"ce-specversion": {"1.0"}, "ce-type": {"com.example.someevent"}, "ce-source": {"/mycontext"}, "ce-id": {id}, "ce-time": {"2018-04-05T17:31:00Z"},
			"ce-comexampleextension1": {"value"}, "ce-comexampleothervalue": {"5"}, "content-type": {media},
		}
	}
	const appinfo = `{
        "appinfoA" : "abc",
        "appinfoB" : 123,
        "appinfoC" : true
    }`
	for _, tt := range []struct {
		name   string
		m      event.Message
		id     string
		source string
		time   string
		raw    string
	}{
		{
			"json 3.2, Binary-valued data", foreign(nil, `{ "specversion" : "1.0", "type" : "com.example.someevent", "source" : "/mycontext", "id" : "A234-1234-1234", `+rest+`
			"datacontenttype" : "application/vnd.apache.thrift.binary", "data_base64" : "gAEAAQ==" }`),
			"A234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", "\x80\x01\x00\x01",
		},
		{
			"json 3.2, the same in binary mode", foreign(binary("A234-1234-1234", "application/vnd.apache.thrift.binary"), "\x80\x01\x00\x01"),
			"A234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", "\x80\x01\x00\x01",
		},
		{
			"json 3.2, XML in a String", foreign(nil, `{ "specversion" : "1.0", "type" : "com.example.someevent", "source" : "/mycontext", "id" : "B234-1234-1234", `+rest+`
			"unsetextension": null, "datacontenttype" : "application/xml", "data" : "<much wow=\"xml\"/>" }`),
			"B234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", `<much wow="xml"/>`,
		},
		{
			"json 3.2, the same in binary mode", foreign(binary("B234-1234-1234", "application/xml"), `<much wow="xml"/>`),
			"B234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", `<much wow="xml"/>`,
		},
		{
			"json 3.2, JSON Object-valued data", foreign(nil, `{ "specversion" : "1.0", "type" : "com.example.someevent", "source" : "/mycontext", "subject": null, "id" : "C234-1234-1234", `+rest+`
			"datacontenttype" : "application/json", "data" : `+appinfo+` }`),
			"C234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", appinfo,
		},
		{
			"json 3.2, the same in binary mode", foreign(binary("C234-1234-1234", "application/json"), appinfo),
			"C234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", appinfo,
		},
		{
			"json 3.2, a JSON string and no datacontenttype", foreign(nil, `{ "specversion" : "1.0", "type" : "com.example.someevent", "source" : "/mycontext", "subject": null, "id" : "D234-1234-1234", `+rest+`
			"data" : "I'm just a string" }`),
			"D234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", `"I'm just a string"`,
		},
		{
			"json 3.2, the same in binary mode", foreign(binary("D234-1234-1234", "application/json"), `"I'm just a string"`),
			"D234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", `"I'm just a string"`,
		},
		{
			"core, Example", foreign(nil, `{ "specversion" : "1.0", "type" : "com.github.pull_request.opened", "source" : "https://github.com/cloudevents/spec/pull", "subject" : "123",
			"id" : "A234-1234-1234", `+rest+` "datacontenttype" : "text/xml", "data" : "<much wow=\"xml\"/>" }`),
			"A234-1234-1234", "https://github.com/cloudevents/spec/pull", "2018-04-05T17:31:00Z", `<much wow="xml"/>`,
		},
		{
			"nats 3.1.4, binary mode", foreign(map[string][]string{
				"ce-specversion": {"1.0"}, "ce-type": {"com.example.someevent"}, "ce-time": {"2018-04-05T03:56:24Z"}, "ce-id": {"1234-1234-1234"},
				"ce-source": {"/mycontext/subcontext"}, "ce-datacontenttype": {"application/json"},
			}, `{"appinfoA": "abc"}`),
			"1234-1234-1234", "/mycontext/subcontext", "2018-04-05T03:56:24Z", `{"appinfoA": "abc"}`,
		},
		{
			// The printed example omits further attributes; those of json 2.3 stand here.
			"nats 3.2.1, structured mode", foreign(map[string][]string{"Content-Type": {"application/cloudevents+json; charset=UTF-8"}},
				`{ "specversion" : "1.0", "type" : "com.example.someevent", "source" : "/mycontext", "id" : "1234-1234-1234", "time" : "2018-04-05T17:31:00Z", "data" : { "appinfoA" : "abc" } }`),
			"1234-1234-1234", "/mycontext", "2018-04-05T17:31:00Z", `{ "appinfoA" : "abc" }`,
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e, err := event.Decode(tt.m)
			if err != nil {
				t.Fatal(err)
			}
			if e.ID != tt.id || e.Source != tt.source || e.Time.Format("2006-01-02T15:04:05Z07:00") != tt.time {
				t.Errorf("got %s, %s, %s", e.ID, e.Source, e.Time)
			}
			if e.Data != nil || string(e.Raw) != tt.raw {
				t.Errorf("got data %v and raw %s, want raw %s", e.Data, e.Raw, tt.raw)
			}
		})
	}
}

// TestHeaderValues follows nats 3.1.3.2: double quotes first, then one round
// of percent-decoding, and no bytes that are not UTF-8.
func TestHeaderValues(t *testing.T) {
	with := func(name string, values ...string) event.Message {
		h := map[string][]string{"ce-specversion": {"1.0"}, "ce-type": {"x"}, "ce-id": {"1"}, "ce-source": {"/s"}}
		h[name] = values
		return foreign(h, "")
	}
	for header, want := range map[string]string{
		"Euro%20%E2%82%AC%20%F0%9F%98%80": "Euro € 😀", // the example of the section
		"Euro%20%e2%82%ac":                "Euro €",   // "decoding MUST accept lower-case values"
		"%45uro":                          "Euro",     // needless encoding "MUST be accepted"
		"a%2520b":                         "a%20b",    // a single round
		"a+b":                             "a+b",      // this is no form data
		`"Euro € 😀"`:                      "Euro € 😀", // quoted by an older sender
		`"a \"b\" \\ c"`:                  `a "b" \ c`,
	} {
		e, err := event.Decode(with("ce-id", header))
		if err != nil || e.ID != want {
			t.Errorf("%s: got %q, %v, want %q", header, e.ID, err, want)
		}
	}
	for _, tt := range []struct {
		m    event.Message
		want string
	}{
		{with("ce-id", "%C0%A0"), `ce-id: want percent-encoded UTF-8 text, got "%C0%A0"`}, // overlong space, the section's own example
		{with("ce-id", "100%"), `ce-id: want percent-encoded UTF-8 text, got "100%"`},
		{with("ce-id", "\xff"), `ce-id: want percent-encoded UTF-8 text, got "\xff"`},
		{with("ce-id", ""), `id: want an id that is unique within the source, got ""`},
		{with("ce-id", "a%00b"), `id: want an id that is unique within the source, got "a\x00b"`},
		{with("ce-id", "1", "2"), "ce-id: want one header for each attribute, got more than one, or none"},
		{with("CE-ID", "2"), "ce-id: want one header for each attribute, got more than one, or none"}, // header names are case-insensitive, nats 3.1.3.1
		{with("ce-source"), "ce-source: want one header for each attribute, got more than one, or none"},
		{with("ce-time", "yesterday"), `time: want a time such as 2026-03-02T08:00:00Z, got "yesterday"`},
		{with("ce-my_trace", "1"), "my_trace: want a CloudEvents attribute, or an extension named with a-z and 0-9, got an unknown member"},
	} {
		if _, err := event.Decode(tt.m); err == nil || err.Error() != tt.want {
			t.Errorf("\n got %v\nwant %s", err, tt.want)
		}
	}
}

// TestSameFault wants one message to have one fault, however often it is read:
// headers come in no order.
func TestSameFault(t *testing.T) {
	m := foreign(map[string][]string{"ce-id": {"1"}, "ce-d": {""}, "ce-source": {"%"}, "ce-type": {"%"}, "ce-time": {"%"}, "ce-b_": {""}, "ce-c_": {""}}, "")
	for range 50 {
		if _, err := event.Decode(m); err == nil || !strings.HasPrefix(err.Error(), "b_: ") {
			t.Fatalf("got %v, want the first fault by name", err)
		}
	}
}

// TestContentModes follows nats 3: a Content-Type of application/cloudevents,
// in any case, means structured, and anything else binary, as long as there
// are attributes in the headers at all (nats 1.0.2 knows no headers).
func TestContentModes(t *testing.T) {
	data := sample(t, kindOf(t, "edge.moved"))
	m := message(t, data)
	data.Stored = m.Stored
	for name, header := range map[string]map[string][]string{
		"no header":                          nil,
		"a header of somebody else":          {"Nats-Msg-Id": {"1"}},
		"content type":                       {"content-type": {"Application/CloudEvents+JSON"}},
		"content type beside an attribute":   {"Content-Type": {"application/cloudevents"}, "ce-id": {"other"}},
		"content type of JSON, no attribute": {"Content-Type": {"application/json"}},
	} {
		m.Header = header
		got, err := event.Decode(m)
		if diff := cmp.Diff(data, got); err != nil || diff != "" {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
	}
	m.Header = map[string][]string{
		"Ce-Specversion": {"1.0"}, "CE-Id": {data.ID}, "ce-source": {data.Source}, "ce-type": {"rollwarden.edge.moved"},
		"ce-time": {"2026-03-02T08:00:00Z"}, "ce-datacontenttype": {"application/json; charset=utf-8"}, "Content-Type": {"text/plain"},
	}
	m.Data = []byte(`{"position_mm":412.5,"cause":"advance"}`)
	got, err := event.Decode(m)
	if diff := cmp.Diff(data, got); err != nil || diff != "" {
		t.Errorf("binary: %v\n%s", err, diff)
	}
	m.Data = []byte(`{"position":412.5,"cause":"advance"}`)
	if _, err = event.Decode(m); err == nil || !strings.HasPrefix(err.Error(), "data.position: want a field of the contract; did you mean position_mm?") {
		t.Errorf("binary and misspelt: %v", err)
	}
}

// TestAttributeRules walks through the constraints of core, "Context
// Attributes", and json 3.1. The event is whole but for one member.
func TestAttributeRules(t *testing.T) {
	whole := object{"specversion": "1.0", "id": "1", "source": "/s", "type": "com.example.x"}
	for _, tt := range []struct {
		name  string
		value any
		want  string // empty when the standard allows it
	}{
		// "Currently, this attribute will only have the 'major' and 'minor' version numbers", and for this version it is 1.0.
		{"specversion", "1.0.2", `specversion: want "1.0", got "1.0.2"`},
		{"specversion", 1.0, `specversion: want "1.0", got 1`},
		{"specversion", nil, `specversion is missing: want "1.0"`},
		// id, source, type: REQUIRED, MUST be non-empty. The examples are the standard's own.
		{"id", "", `id: want an id that is unique within the source, got ""`},
		{"id", nil, "id is missing: want an id that is unique within the source"},
		{"source", "", `source: want a URI reference that says who publishes, such as /north/heron, got ""`},
		{"source", "https://github.com/cloudevents", ""},
		{"source", "mailto:cncf-wg-serverless@lists.cncf.io", ""},
		{"source", "urn:uuid:6e8bc430-9c3a-11d9-9669-0800200c9a66", ""},
		{"source", "/cloudevents/spec/pull/123", ""},
		{"source", "/sensors/tn-1234567/alerts", ""},
		{"source", "1-555-123-4567", ""},
		{"source", "http://[bad", `source: want a URI reference that says who publishes, such as /north/heron, got "http://[bad"`},
		{"source", "/100%", `source: want a URI reference that says who publishes, such as /north/heron, got "/100%"`},
		{"type", "", `type: want rollwarden.<type>, got ""`},
		{"type", nil, "type is missing: want rollwarden.<type>"},
		{"type", "com.github.pull_request.opened", ""},
		{"type", "com.example.object.deleted.v2", ""},
		// Optional attributes: if present, non-empty and of their form.
		{"subject", "mynewfile.jpg", ""},
		{"subject", "partnerid/5/clientid/100", ""},
		{"subject", "", `subject: want a text that is not empty, got ""`},
		{"subject", 5, "subject: want a text that is not empty, got 5"},
		{"dataschema", "https://example.com/s.json", ""},
		{"dataschema", "", `dataschema: want an absolute URI, got ""`},
		{"dataschema", "s.json", `dataschema: want an absolute URI, got "s.json"`},
		{"datacontenttype", "", `datacontenttype: want a media type such as application/json, got ""`},
		{"datacontenttype", "json", `datacontenttype: want a media type such as application/json, got "json"`},
		{"datacontenttype", "text/", `datacontenttype: want a media type such as application/json, got "text/"`},
		{"datacontenttype", "text/xml; charset=utf-8", ""},
		{"time", "2018-04-05T17:31:00Z", ""},
		{"time", "2018-04-05 17:31:00Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-04-05 17:31:00Z"`},
		{"time", "2018-04-05T17:31Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-04-05T17:31Z"`},
		{"time", "2018-04-05T7:31:00Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-04-05T7:31:00Z"`},
		{"time", "2018-04-05T7:31:00.5Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-04-05T7:31:00.5Z"`},
		{"time", "2018-02-29T17:31:00Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-02-29T17:31:00Z"`},
		{"time", "2018-04-05T17:31:00,5Z", `time: want a time such as 2026-03-02T08:00:00Z, got "2018-04-05T17:31:00,5Z"`},
		{"time", "", `time: want a time such as 2026-03-02T08:00:00Z, got ""`},
		// "Naming Conventions": lower-case letters or digits.
		{"traceparent", "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01", ""},
		{"partition2", 7, ""},
		{"sampled", true, ""},
		{"unset", nil, ""},
		{"trace_id", "1", "trace_id: want a CloudEvents attribute, or an extension named with a-z and 0-9, got an unknown member"},
		{"Trace", "1", "Trace: want a CloudEvents attribute, or an extension named with a-z and 0-9, got an unknown member"},
		{"größe", "1", "größe: want a CloudEvents attribute, or an extension named with a-z and 0-9, got an unknown member"},
		{"", "1", ": want a CloudEvents attribute, or an extension named with a-z and 0-9, got an unknown member"},
		{"Id", "1", "Id: want a CloudEvents attribute, or an extension named with a-z and 0-9; did you mean id?, got an unknown member"},
		// "Type System": no objects, integers of 32 bits, no control or noncharacters in a String.
		{"extra", object{}, "extra: want an extension attribute: a text, a whole number, true or false, got an object"},
		{"extra", []any{}, "extra: want an extension attribute: a text, a whole number, true or false, got a list"},
		{"extra", 1.5, "extra: want an extension attribute: a whole number of at most 32 bits, got 1.5"},
		{"extra", 2147483647, ""},
		{"extra", 2147483648, "extra: want an extension attribute: a whole number of at most 32 bits, got 2147483648"},
		{"id", "a\nb", `id: want an id that is unique within the source, got "a\nb"`},
		{"id", "a\u0085b", `id: want an id that is unique within the source, got "a\u0085b"`},
		{"id", "a\ufffeb", `id: want an id that is unique within the source, got "a\ufffeb"`},
		{"id", "a\U0001fffeb", `id: want an id that is unique within the source, got "a\U0001fffeb"`},
		{"id", "a\ufdd0b", `id: want an id that is unique within the source, got "a\ufdd0b"`},
		{"id", "Euro € 😀", ""},
		{"id", strings.Repeat("x", event.MaxText+1), "id: want at most 4096 bytes, got 4097"},
		// json 3.1.2: data_base64 holds base64 (RFC 4648, section 4).
		{"data_base64", "Zm9vYmFy", ""},
		{"data_base64", "... base64 encoded string ...", `data_base64: want base64 text, got "... base64 encoded string ..."`},
		{"data_base64", 5, "data_base64: want base64 text, got 5"},
	} {
		m := foreign(nil, string(toJSON(t, with(whole, tt.name, tt.value))))
		got := ""
		if _, err := event.Decode(m); err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("%s = %v\n got %s\nwant %s", tt.name, tt.value, got, tt.want)
		}
	}
}

// TestBase64Payload reads a known payload that came as base64 of JSON, which
// json 3.1.2 lets a deserializer do when the content type says JSON.
func TestBase64Payload(t *testing.T) {
	m := leaderMessage(strings.Replace(leader, `"data":{"length_mm":900}`, `"data_base64":"eyJsZW5ndGhfbW0iOjkwMH0="`, 1))
	e, err := event.Decode(m)
	if diff := cmp.Diff(event.Payload(&event.LeaderAttached{LengthMM: 900}), e.Data); err != nil || diff != "" {
		t.Errorf("%v\n%s", err, diff)
	}
}

// TestSDKReadsOurs holds every event that Encode writes against the CloudEvents
// project's own Go library: it parses, is valid, and says the same.
func TestSDKReadsOurs(t *testing.T) {
	for _, kind := range event.Kinds {
		rapid.Check(t, func(t *rapid.T) {
			want := sampleOf(kind, drawPayload(t, kind))
			want.ID = rapid.StringMatching(`[!-~]{1,20}`).Draw(t, "id")
			want.Time = drawTime(t, "time").UTC()
			data, err := event.Encode(want)
			if err != nil {
				t.Fatal(err)
			}
			var got ce.Event
			if err := json.Unmarshal(data, &got); err != nil {
				t.Fatalf("the library cannot read it: %v\n%s", err, data)
			}
			if err := got.Validate(); err != nil {
				t.Fatalf("the library finds it invalid: %v\n%s", err, data)
			}
			if got.SpecVersion() != "1.0" || got.ID() != want.ID || got.Source() != want.Source || got.DataContentType() != "application/json" {
				t.Fatalf("the library reads %s", got)
			}
			if got.Type() != event.TypePrefix+string(kind.Type) || !got.Time().Equal(want.Time) || len(got.Extensions()) != 0 {
				t.Fatalf("the library reads %s", got)
			}
			payload, err := event.DecodeData(kind, got.Data())
			if diff := cmp.Diff(want.Data, payload); err != nil || diff != "" {
				t.Fatalf("%v\n%s", err, diff)
			}
		})
	}
}

// TestWeReadTheSDKs goes the other way, with the payload given to the library
// as a value, which it writes as data, and as bytes, which it writes as base64.
func TestWeReadTheSDKs(t *testing.T) {
	for _, kind := range event.Kinds {
		want := sample(t, kind)
		for name, payload := range map[string]any{"value": want.Data, "bytes": toJSON(t, want.Data)} {
			theirs := ce.New()
			theirs.SetID(want.ID)
			theirs.SetSource(want.Source)
			theirs.SetType(event.TypePrefix + string(kind.Type))
			theirs.SetTime(want.Time)
			theirs.SetSubject("heron")
			theirs.SetDataSchema("https://example.com/schema.json")
			theirs.SetExtension("traceparent", "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01")
			theirs.SetExtension("sampled", true)
			if err := theirs.SetData(ce.ApplicationJSON, payload); err != nil {
				t.Fatal(err)
			}
			if err := theirs.Validate(); err != nil {
				t.Fatal(err)
			}
			want.Stored = eight
			got, err := event.Decode(event.Message{Subject: want.Subject(), Data: toJSON(t, theirs), Stored: eight})
			if diff := cmp.Diff(want, got); err != nil || diff != "" {
				t.Errorf("%s as %s: %v\n%s", kind.Type, name, err, diff)
			}
		}
	}
}

// TestSDKReadsRaw has the library read unknown data that Encode wrote on.
func TestSDKReadsRaw(t *testing.T) {
	for _, raw := range []string{`{"ink":"cyan"}`, `"x"`, "\x89PNG\r\n\x1a\n", " {}", "<xml/>"} {
		e := event.Event{ID: "1", Source: "/s", Type: "ink.changed", Time: eight, Site: "north", Machine: "heron", Raw: []byte(raw)}
		var got ce.Event
		if err := json.Unmarshal(message(t, e).Data, &got); err != nil || got.Validate() != nil || string(got.Data()) != raw {
			t.Errorf("%q: the library reads %q, %v, %v", raw, got.Data(), err, got.Validate())
		}
	}
}
