package desk_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"

	"rollwarden/rules/action"
	"rollwarden/watcher/desk"
)

// TestOpenAPIFile holds the published document against the code.
func TestOpenAPIFile(t *testing.T) {
	want, err := desk.OpenAPI(desk.APIVersion)
	if err != nil {
		t.Fatal(err)
	}
	again, err := desk.OpenAPI(desk.APIVersion)
	if err != nil || !bytes.Equal(want, again) {
		t.Fatalf("two runs differ, %v", err)
	}
	got, err := os.ReadFile(apiFile)
	if err != nil {
		t.Fatalf("%v; run go generate ./watcher/desk", err)
	}
	if !bytes.Equal(got, append(want, '\n')) {
		t.Errorf("%s is out of date; run go generate ./watcher/desk", apiFile)
	}
	if _, err := desk.OpenAPI(""); err == nil {
		t.Error("a contract without a version was written")
	}
}

// TestOpenAPIShape looks for what a library does not miss: that the version is
// 3.1, that every path of the handler is there, and that every schema is used.
// The rest of the specification (https://spec.openapis.org/oas/v3.1.0) is held
// by the library that loaded the document in TestMain.
func TestOpenAPIShape(t *testing.T) {
	doc, err := desk.OpenAPI(desk.APIVersion)
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		OpenAPI    string                                `json:"openapi"`
		Paths      map[string]map[string]json.RawMessage `json:"paths"`
		Components struct {
			Schemas map[string]json.RawMessage `json:"schemas"`
		} `json:"components"`
	}
	if err := json.Unmarshal(doc, &d); err != nil {
		t.Fatal(err)
	}
	if d.OpenAPI != "3.1.0" {
		t.Errorf("openapi is %q", d.OpenAPI)
	}
	for _, pattern := range desk.Patterns() {
		if d.Paths[pattern]["post"] == nil {
			t.Errorf("%s is served and not in the document", pattern)
		}
	}
	for name := range d.Components.Schemas {
		if !bytes.Contains(doc, []byte(`"#/components/schemas/`+name+`"`)) {
			t.Errorf("nothing refers to the schema %s", name)
		}
	}
	for _, a := range action.Actions {
		if d.Components.Schemas["entry."+a.Code] == nil {
			t.Errorf("there is no schema of the action %s", a.Code)
		}
	}
}

// TestTheContractRefuses holds requests against the document that the desk
// refuses by what one member says or two say together: a client that goes by the
// document is spared the answer. What the desk takes, the document takes; that is
// checked with every request of the other tests.
func TestTheContractRefuses(t *testing.T) {
	head := `{"id": "` + id(1) + `", "by": "Ada", `
	for _, tt := range []struct{ path, rest string }{
		{"entries", `"action": "advance", "fields": {}}`},
		{"entries", `"action": "advance"}`},
		{"entries", `"action": "advance", "fields": {"by_mm": -1}}`},
		{"entries", `"action": "advance", "fields": {"by_mm": null}}`},
		{"entries", `"action": "advance", "fields": {"by_mm": [365]}}`},
		{"entries", `"action": "advance", "fields": {"by_m": 365}}`},
		{"entries", `"action": "round-lip", "fields": {"by_mm": 365}}`},
		{"entries", `"action": "head-check", "fields": {"nozzles_ok": "yes", "obstruction_clear": true}}`},
		{"entries", `"action": "waste", "fields": {"length_m": 1, "cause": "boredom"}}`},
		{"entries", `"action": "dance"}`},
		{"entries", `"fields": {}}`},
		{"entries", `"action": "round-lip", "who": "Ada"}`},
		{"undo", `"reason": "wrong machine"}`},
		{"alarm", `"action": "acknowledge"}`},
		{"alarm", `"action": "silence", "hazard": "bare-edge"}`},
		{"alarm", `"action": "shelve", "hazard": "dry-air", "reason": "r"}`},
		{"alarm", `"action": "shelve", "hazard": "dry-air", "for_s": 60}`},
		{"alarm", `"action": "shelve", "hazard": "dry-air", "reason": "r", "for_s": 60, "until": "2026-03-02T09:00:00Z"}`},
		{"alarm", `"action": "shelve", "hazard": "dry-air", "reason": "r", "for_s": 86401}`},
		{"alarm", `"action": "reset", "hazard": "dry-air", "for_s": 60}`},
		{"alarm", `"action": "note"}`},
		{"advice", `"remedy": "leader"}`},
		{"advice", `"job": "K-101"}`},
		{"advice", `"remedy": "leader", "hazard": "bare-edge", "order": ["K-101"]}`},
		{"advice", `"order": ["K-101"], "job": "K-101"}`},
		{"advice", `"order": "K-101"}`},
	} {
		in, err := contractInput(heron+tt.path, jsonType, head+tt.rest)
		if err != nil {
			t.Fatal(err)
		}
		if err := openapi3filter.ValidateRequest(t.Context(), in); err == nil {
			t.Errorf("%s %s is good by the contract", tt.path, tt.rest)
		}
		if r := open(t, nil).send(t, heron+tt.path, jsonType, head+tt.rest); r.Code != 422 {
			t.Errorf("%s %s: status %d", tt.path, tt.rest, r.Code)
		}
	}
}

// FuzzRequest sends anything at all. Whatever comes back is an answer of the
// contract, and what is stored is what the journal takes and gives back.
func FuzzRequest(f *testing.F) {
	paths := []string{"entries", "undo", "alarm", "advice"}
	for _, body := range []string{
		`{"id": "` + id(1) + `", "action": "advance", "by": "Ada", "fields": {"by_mm": "14.4 in"}}`,
		`{"id": "` + id(1) + `", "action": "strike", "at": "2026-03-02T07:59:00Z", "by": "Ada", "fields": {"nozzles_lost": 3, "note": "bang"}}`,
		`{"id": "` + id(1) + `", "event": "` + id(2) + `", "by": "Ada"}`,
		`{"id": "` + id(1) + `", "action": "shelve", "hazard": "dry-air", "by": "Ada", "reason": "r", "for_s": 60}`,
		`{"id": "` + id(1) + `", "order": ["K-1", "K-2"], "by": "Ada"}`,
		`{"id": null, "fields": {"a": {"b": [1, "c"]}}}`,
	} {
		f.Add(uint8(0), false, body)
	}
	f.Add(uint8(0), true, form("id", id(1), "action", "advance", "by", "Ada", "field.by_mm", "45 ft", "back", "/floor"))
	f.Add(uint8(2), true, form("id", id(1), "action", "note", "by", "Ada", "reason", "x\r\ny"))
	codes := []int{200, 201, 303, 400, 403, 409, 413, 422}
	f.Fuzz(func(t *testing.T, path uint8, asForm bool, body string) {
		s, media := open(t, nil), jsonType
		if asForm {
			media = formType
		}
		r := s.do(t, heron+paths[int(path)%len(paths)], media, body)
		if !slices.Contains(codes, r.Code) {
			t.Errorf("status %d: %s", r.Code, r.Body)
		}
		if r.Code < 400 != (len(s.journal) == 1) {
			t.Errorf("status %d, and %d events are stored", r.Code, len(s.journal))
		}
		for _, e := range s.journal {
			if err := e.Data.Check(); err != nil {
				t.Errorf("%v was stored", err)
			}
			if fmt.Sprint(e.Site, e.Machine) != "northheron" || strings.TrimSpace(e.ID) == "" {
				t.Errorf("stored %+v", e)
			}
			comesBack(t, e, body)
		}
	})
}
