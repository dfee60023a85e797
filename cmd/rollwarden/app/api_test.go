package app

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/nats-io/nats.go"

	"rollwarden/rules/event"
)

// published is the document of the interface as it is handed out.
var published = filepath.Join("..", "..", "..", "deploy", "openapi.json")

// contract reads the published document with a library of others (kin-openapi,
// which holds OpenAPI 3.1 schemas against JSON Schema 2020-12). The schemas of
// answers are closed first: a client must ignore members that it does not know,
// but none may come that is not written down.
func contract(t *testing.T) (*openapi3.T, routers.Router) {
	t.Helper()
	text, err := os.ReadFile(published)
	fail(t, err)
	var doc map[string]any
	fail(t, json.Unmarshal(text, &doc))
	for _, schema := range doc["components"].(map[string]any)["schemas"].(map[string]any) {
		closeSchema(schema.(map[string]any))
	}
	text, err = json.Marshal(doc)
	fail(t, err)
	loaded, err := openapi3.NewLoader().LoadFromData(text)
	fail(t, err)
	router, err := legacy.NewRouter(loaded)
	fail(t, err)
	return loaded, router
}

// closeSchema lets an object have no members but those that are named.
func closeSchema(schema map[string]any) {
	if _, said := schema["additionalProperties"]; !said && schema["type"] == "object" && schema["properties"] != nil {
		schema["additionalProperties"] = false
	}
	within, _ := schema["properties"].(map[string]any)
	for _, s := range within {
		if s, ok := s.(map[string]any); ok {
			closeSchema(s)
		}
	}
	if items, ok := schema["items"].(map[string]any); ok {
		closeSchema(items)
	}
}

// breaks says how an answer breaks the contract; nil when it keeps it.
func breaks(t *testing.T, router routers.Router, got reply) error {
	t.Helper()
	asked := got.Request.Clone(t.Context())
	asked.Host, asked.URL.Host, asked.URL.Scheme = "127.0.0.1:8477", "127.0.0.1:8477", "http"
	route, params, err := router.FindRoute(asked)
	if err != nil {
		return fmt.Errorf("%s %s: %w", asked.Method, asked.URL, err)
	}
	out := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: asked, Route: route, PathParams: params},
		Status:                 got.StatusCode, Header: got.Header,
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	}
	out.SetBodyBytes([]byte(got.body))
	if err = openapi3filter.ValidateResponse(t.Context(), out); err != nil {
		why, _, _ := strings.Cut(err.Error(), "Schema:") // which is the whole schema
		return errors.New(why)
	}
	return nil
}

// TestTheInterfaceKeepsItsContract holds every answer to GET of a real watch
// against the published document: of an empty floor, of a busy one, and of a
// journal with what nobody can read.
func TestTheInterfaceKeepsItsContract(t *testing.T) {
	doc, router := contract(t)
	a := startApp(t, Options{Config: shopOf(t, 3)})
	v := visit(t, a)
	place := strings.NewReplacer("{site}", "north", "{machine}", "m0")
	look := func(when string) {
		t.Helper()
		for path, item := range doc.Paths.Map() {
			if item.Get == nil {
				continue
			}
			got := v.get(place.Replace(path)).wants(t, 200, when)
			if err := breaks(t, router, got); err != nil {
				t.Errorf("%s: %s: %v\n%s", when, path, err, got.body)
			}
			if text := got.body; strings.Contains(text, "NaN") || strings.Contains(text, "0001-01-01") {
				t.Errorf("%s: %s tells what is no value: %s", when, path, text)
			}
		}
	}
	look("empty")
	busyFloor(t, a)
	look("busy")
	unreadable(t, a)
	look("with an entry that cannot be read")
	v.get("/api/v1/machines/north/m0/events?n=1&type=edge.moved").wants(t, 200).says(t, `"problem"`)
	v.get("/api/v1/anomalies").says(t, "refused-event")

	got := v.get("/api/v1/floor")
	got.body = strings.Replace(got.body, `"seq"`, `"sequence": 1, "seq"`, 1)
	if breaks(t, router, got) == nil {
		t.Error("a member that is not in the document is let through: this test would see none")
	}
}

// unreadable writes messages to the journal that are no events of the contract.
func unreadable(t *testing.T, a *App) {
	t.Helper()
	for i, text := range []string{`{"position_mm": "far"}`, "\xff\xfe", `{"specversion": "1.0"`} {
		_, err := a.bus.JetStream().PublishMsg(deadline(t), &nats.Msg{
			Subject: say("m0", time.Now(), "edge.moved", &event.EdgeMoved{}).Subject(), Data: []byte(text),
			Header: nats.Header{"Nats-Msg-Id": {fmt.Sprint("unreadable-", i)}},
		})
		fail(t, err)
	}
	fail(t, a.Settle(deadline(t)))
}

// TestTheDocumentIsServed wants the watch to hand out the very document that is
// published.
func TestTheDocumentIsServed(t *testing.T) {
	want, err := os.ReadFile(published)
	fail(t, err)
	a := startApp(t, Options{Config: shopOf(t, 1)})
	got := visit(t, a).get("/api/v1/openapi.json").wants(t, 200)
	if !bytes.Equal([]byte(got.body), bytes.TrimSuffix(want, []byte("\n"))) {
		t.Error("the document that is served is not the published one; run go generate ./watcher/desk")
	}
	if kind := got.Header.Get("Content-Type"); kind != "application/json" {
		t.Errorf("it comes as %s", kind)
	}
}

// TestRefusalsAreProblems provokes every kind of refusal, by the gate and behind
// it, and wants a problem (RFC 9457) that keeps the contract.
func TestRefusalsAreProblems(t *testing.T) {
	_, router := contract(t)
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 2))})
	busyFloor(t, a)
	v := visit(t, a)
	viewer, operator := v.as("viewer"), v.as("operator")
	const m0 = "/api/v1/machines/north/m0/"
	twice := newID()
	operator.ask("POST", m0+"entries", `{"id": "`+twice+`", "action": "round-lip"}`, asJSON).wants(t, 201)
	operator.ask("POST", m0+"entries", `{"id": "`+twice+`", "action": "round-lip"}`, asJSON).wants(t, 200, "the same again")
	for _, test := range []struct {
		status int
		got    reply
	}{
		{401, v.get("/api/v1/floor")},
		{401, v.get("/api/v1/floor", asPerson)},
		{401, v.get(m0 + "events")},
		{401, v.ask("POST", m0+"entries", "{}", asJSON)},
		{401, v.holding(strings.Repeat("0", 32)).get("/api/v1/floor")},
		{403, viewer.ask("POST", m0+"entries", "{}", asJSON)},
		{403, operator.ask("POST", m0+"entries", "{}", asJSON, "Sec-Fetch-Site: cross-site")},
		{403, operator.ask("POST", m0+"alarm", `{"id": "`+newID()+`", "action": "shelve", "hazard": "dry-air", "reason": "r", "for_s": 60}`, asJSON)},
		{421, operator.get("/api/v1/floor", "Host: evil.example")},
		{404, operator.get("/api/v1/machines/north/nobody/events")},
		{404, operator.ask("POST", "/api/v1/machines/north/nobody/entries", `{"id": "`+newID()+`", "action": "round-lip"}`, asJSON)},
		{400, operator.get("/api/v1/tickets?limit=none")},
		{400, operator.get(m0 + "events?n=0")},
		{400, operator.get(m0 + "events?n=201")},
		{400, operator.get(m0 + "events?before=-1")},
		{400, operator.get(m0 + "events?type=edge.flown")},
		{400, operator.get(m0 + "events?type=%ff%22")},
		{400, operator.ask("POST", m0+"entries", `{"id": `, asJSON)},
		{400, operator.ask("POST", m0+"entries", `{"id": "a", "id": "b"}`, asJSON)},
		{400, operator.ask("POST", m0+"entries", "\"\xff\"", asJSON)},
		{413, operator.ask("POST", m0+"entries", strings.Repeat(" ", 1<<20), asJSON)},
		{415, operator.ask("POST", m0+"entries", "{}")},
		{422, operator.ask("POST", m0+"entries", `{"id": "`+newID()+`", "action": "advance", "fields": {"by_mm": -1}}`, asJSON)},
		{409, operator.ask("POST", m0+"entries", `{"id": "`+twice+`", "action": "trim"}`, asJSON)},
		{409, operator.ask("POST", m0+"undo", `{"id": "`+newID()+`", "event": "`+newID()+`"}`, asJSON)},
	} {
		wantsProblem(t, test.got, test.status)
		if err := breaks(t, router, test.got); err != nil {
			t.Errorf("it breaks the contract: %v\n%s", err, test.got.body)
		}
	}
	for _, path := range []string{"/api/v1/floor", "/api/v1/openapi.json", m0 + "events"} { // which the document does not tell apart
		wantsProblem(t, operator.ask("POST", path, "{}", asJSON), 405)
		wantsProblem(t, operator.ask("DELETE", path, ""), 405)
	}
	wantsProblem(t, operator.get(m0+"entries"), 405)
	for _, path := range []string{"/api/", "/api/v1/x", "/api/v2/floor", "/api/v1/%ff%00\"", "/api/v1/<b>", m0 + "x"} {
		wantsProblem(t, operator.get(path), 404)
	}
	wantsProblem(t, flood(t, viewer, "/api/v1/x"), 403)
	wantsProblem(t, flood(t, operator, m0+"entries"), 429)
	for tries := 0; ; tries++ { // until the loop shows the floor again
		a.held.list()[0].pipe.view.Store(nil)
		got := operator.get("/api/v1/floor")
		if got.StatusCode == 503 {
			wantsProblem(t, got, 503)
			if got.Header.Get("Retry-After") == "" {
				t.Error("want to be told when to ask again")
			}
			break
		}
		if tries > 50 {
			t.Fatalf("without a view the floor is %s", got.body)
		}
	}
}

// flood sends until something else comes than that the request is wrong.
func flood(t *testing.T, v visitor, path string) reply {
	t.Helper()
	for range 2000 {
		if got := v.ask("POST", path, "{}", asJSON); got.StatusCode != 422 {
			return got
		}
	}
	t.Fatalf("2000 requests to %s and no end", path)
	return reply{}
}

// wantsProblem checks the members of RFC 9457, section 3.1.
func wantsProblem(t *testing.T, got reply, status int) {
	t.Helper()
	got.wants(t, status)
	if kind := got.Header.Get("Content-Type"); kind != "application/problem+json" {
		t.Errorf("%s %s: %d comes as %q: %.200s", got.Request.Method, got.Request.URL.RequestURI(), status, kind, got.body)
		return
	}
	var p struct {
		Type, Title, Detail, Instance string
		Status                        int
	}
	if err := json.Unmarshal([]byte(got.body), &p); err != nil {
		t.Fatalf("%v: %s", err, got.body)
	}
	if p.Type != "about:blank" || p.Title != http.StatusText(status) || p.Status != status || p.Detail == "" || p.Instance != got.Request.URL.EscapedPath() {
		t.Errorf("%s %s: an incomplete problem: %s", got.Request.Method, got.Request.URL.RequestURI(), got.body)
	}
	if slices.ContainsFunc([]byte(got.body), func(b byte) bool { return b == '<' || b == '>' }) {
		t.Errorf("the problem has markup in it: %s", got.body)
	}
}
