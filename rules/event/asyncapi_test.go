package event_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rollwarden/rules/event"
)

var update = flag.Bool("update", false, "write the generated document")

var asyncAPIFile = filepath.Join("..", "..", "deploy", "asyncapi.json")

func TestMain(m *testing.M) {
	flag.Parse()
	if *update {
		if err := writeAsyncAPI(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

func writeAsyncAPI() error {
	doc, err := event.AsyncAPI(event.ContractVersion)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(asyncAPIFile), 0o755); err != nil {
		return err
	}
	return os.WriteFile(asyncAPIFile, append(doc, '\n'), 0o644)
}

// TestAsyncAPIFile holds the published document against the code.
func TestAsyncAPIFile(t *testing.T) {
	want, err := event.AsyncAPI(event.ContractVersion)
	if err != nil {
		t.Fatal(err)
	}
	again, err := event.AsyncAPI(event.ContractVersion)
	if err != nil || !bytes.Equal(want, again) {
		t.Fatalf("two runs differ, %v", err)
	}
	got, err := os.ReadFile(asyncAPIFile)
	if err != nil {
		t.Fatalf("%v; run go generate ./rules/event", err)
	}
	if !bytes.Equal(got, append(want, '\n')) {
		t.Errorf("%s is out of date; run go generate ./rules/event", asyncAPIFile)
	}
	if _, err := event.AsyncAPI(""); err == nil {
		t.Error("a contract without a version was written")
	}
}

// members are the fixed fields of the AsyncAPI 3.0.0 objects that the document
// uses, the required ones first, as in "Fixed Fields" of each object in the
// specification (https://www.asyncapi.com/docs/reference/specification/v3.0.0)
// and in its JSON Schema (github.com/asyncapi/spec-json-schemas,
// definitions/3.0.0), which forbids any other that does not start with x-.
var members = map[string]struct{ required, optional string }{
	"document":   {"asyncapi info", "id servers defaultContentType channels operations components"},
	"info":       {"title version", "description termsOfService contact license tags externalDocs"},
	"server":     {"host protocol", "protocolVersion pathname description title summary variables security tags externalDocs bindings"},
	"channel":    {"", "address messages title summary description servers parameters tags externalDocs bindings"},
	"operation":  {"action channel", "title summary description security tags externalDocs bindings traits messages reply"},
	"message":    {"", "headers payload correlationId contentType name title summary description tags externalDocs bindings examples traits deprecated"},
	"parameter":  {"", "enum default description examples location"},
	"components": {"", "schemas servers channels operations messages securitySchemes serverVariables parameters correlationIds replies replyAddresses externalDocs tags operationTraits messageTraits serverBindings channelBindings operationBindings messageBindings"},
}

func checkMembers(t *testing.T, object string, at string, o map[string]any) {
	t.Helper()
	m := members[object]
	for _, name := range strings.Fields(m.required) {
		if o[name] == nil {
			t.Errorf("%s: a %s needs %s", at, object, name)
		}
	}
	for name := range o {
		if !slices.Contains(strings.Fields(m.required+" "+m.optional), name) {
			t.Errorf("%s: a %s has no %s", at, object, name)
		}
	}
}

// TestAsyncAPIShape holds the document against the specification.
func TestAsyncAPIShape(t *testing.T) {
	doc := readDocument(t)
	checkMembers(t, "document", "/", doc)
	checkMembers(t, "info", "/info", doc["info"].(object))
	if doc["asyncapi"] != "3.0.0" {
		t.Errorf("asyncapi is %v", doc["asyncapi"])
	}
	components := doc["components"].(object)
	checkMembers(t, "components", "/components", components)
	for at, kind := range map[string]string{"servers": "server", "channels": "channel", "operations": "operation"} {
		for id, o := range doc[at].(object) {
			checkMembers(t, kind, "/"+at+"/"+id, o.(object))
		}
	}
	key := regexp.MustCompile(`^[a-zA-Z0-9._-]+$`) // "Components Object" of the specification
	for at, kind := range map[string]string{"messages": "message", "parameters": "parameter"} {
		for id, o := range components[at].(object) {
			checkMembers(t, kind, "/components/"+at+"/"+id, o.(object))
			if !key.MatchString(id) {
				t.Errorf("bad key %q", id)
			}
		}
	}
	checkReferences(t, doc, doc)
}

// checkReferences wants every $ref to lead somewhere in the document.
func checkReferences(t *testing.T, doc object, v any) {
	switch v := v.(type) {
	case object:
		if ref, ok := v["$ref"].(string); ok {
			if resolve(doc, ref) == nil {
				t.Errorf("%s leads nowhere", ref)
			}
		}
		for _, next := range v {
			checkReferences(t, doc, next)
		}
	case []any:
		for _, next := range v {
			checkReferences(t, doc, next)
		}
	}
}

func resolve(doc object, ref string) any {
	var v any = doc
	for _, token := range strings.Split(strings.TrimPrefix(ref, "#/"), "/") {
		o, ok := v.(object)
		if !ok {
			return nil
		}
		v = o[token]
	}
	return v
}

func ref(v any) string { return v.(object)["$ref"].(string) }

// TestAsyncAPIKinds finds each event type in the document: one channel whose
// parameters are exactly those in its address ("Channel Object"), and one
// operation whose messages are among the channel's ("Operation Object").
func TestAsyncAPIKinds(t *testing.T) {
	doc := readDocument(t)
	operations := doc["operations"].(object)
	if len(operations) != len(event.Kinds) || len(doc["channels"].(object)) != len(event.Kinds) {
		t.Errorf("%d operations and %d channels for %d kinds", len(operations), len(doc["channels"].(object)), len(event.Kinds))
	}
	for _, kind := range event.Kinds {
		id := camel(kind.Type)
		channel := doc["channels"].(object)[id].(object)
		if want := event.Subject("{site}", "{machine}", kind.Type); channel["address"] != want {
			t.Errorf("address %v, want %s", channel["address"], want)
		}
		if got := slices.Sorted(maps.Keys(channel["parameters"].(object))); !slices.Equal(got, []string{"machine", "site"}) {
			t.Errorf("%s: parameters %v", id, got)
		}
		action := map[event.Origin]string{event.FromOperator: "receive", event.FromFolder: "send", event.FromDaemon: "send"}[kind.From]
		operation, ok := operations[action+strings.ToUpper(id[:1])+id[1:]].(object)
		if !ok || operation["action"] != action || ref(operation["channel"]) != "#/channels/"+id {
			t.Errorf("%s: operation %v, want to %s on its channel", id, operation, action)
			continue
		}
		for _, m := range operation["messages"].([]any) {
			if !strings.HasPrefix(ref(m), "#/channels/"+id+"/messages/") {
				t.Errorf("%s: message %s is not the channel's", id, ref(m))
			}
		}
	}
}

// TestAsyncAPIMessages validates whole messages, as Encode writes them,
// against the payload schema of the document, and spoilt ones too.
func TestAsyncAPIMessages(t *testing.T) {
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
	for _, kind := range event.Kinds {
		s, err := c.Compile("mem:asyncapi.json#/components/messages/" + camel(kind.Type) + "/payload")
		if err != nil {
			t.Fatal(err)
		}
		m := message(t, sample(t, kind))
		var whole object
		if err := json.Unmarshal(m.Data, &whole); err != nil {
			t.Fatal(err)
		}
		for name, tt := range map[string]struct {
			o    object
			good bool
		}{
			"whole":                {whole, true},
			"no time":              {without(whole, "time"), true},
			"extension":            {with(whole, "traceparent", "00-0af7"), true},
			"no id":                {without(whole, "id"), false},
			"empty source":         {with(whole, "source", ""), false},
			"other version":        {with(whole, "specversion", "0.3"), false},
			"other type":           {with(whole, "type", "rollwarden.other"), false},
			"time without zone":    {with(whole, "time", "2026-03-02T08:00:00"), false},
			"no data":              {without(whole, "data"), false},
			"data of a wrong kind": {with(whole, "data", []any{}), false},
			"unknown field":        {with(whole, "data", with(whole["data"].(object), "colour", "blue")), false},
			"bad extension name":   {with(whole, "Trace", "1"), false},
		} {
			m.Data = toJSON(t, tt.o)
			_, decodeErr := event.Decode(m)
			schemaErr := s.Validate(map[string]any(tt.o))
			if (decodeErr == nil) != tt.good || (schemaErr == nil) != tt.good {
				t.Errorf("%s, %s: good is %v\n  Decode says %v\n  schema says %v", kind.Type, name, tt.good, decodeErr, schemaErr)
			}
		}
	}
}

func readDocument(t *testing.T) object {
	t.Helper()
	text, err := os.ReadFile(asyncAPIFile)
	if err != nil {
		t.Fatal(err)
	}
	var doc object
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}
