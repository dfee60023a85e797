package desk_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rollwarden/rules/event"
	"rollwarden/watcher/desk"
)

var (
	update   = flag.Bool("update", false, "write the generated document")
	apiFile  = filepath.Join("..", "..", "deploy", "openapi.json")
	contract routers.Router // of the document that the code makes
)

func TestMain(m *testing.M) {
	flag.Parse()
	doc, err := desk.OpenAPI(desk.APIVersion)
	if err == nil && *update {
		err = os.WriteFile(apiFile, append(doc, '\n'), 0o644)
	}
	if err == nil {
		contract, err = load(doc)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// load reads and validates a document with a library of its own (kin-openapi,
// which holds OpenAPI 3.1 schemas against JSON Schema 2020-12).
func load(doc []byte) (routers.Router, error) {
	loaded, err := openapi3.NewLoader().LoadFromData(doc)
	if err != nil {
		return nil, err
	}
	return legacy.NewRouter(loaded)
}

var eight = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// shop is a desk with a journal that can fail.
type shop struct {
	http.Handler
	mu      sync.Mutex
	journal []event.Event
	fail    error // instead of storing
	lie     error // after storing
	now     time.Time
	name    string
	role    desk.Role
}

func open(t testing.TB, change func(*desk.Options)) *shop {
	t.Helper()
	s := &shop{now: eight, role: desk.Supervisor}
	o := desk.Options{
		Publish:  s.publish,
		Machines: func() []string { return []string{"north/heron", "north/wren", "quay/plover"} },
		Who:      func(*http.Request) (string, desk.Role, bool) { return s.name, s.role, s.role > 0 },
		Hazards:  []string{"bare-edge", "dry-air"},
		Now:      func() time.Time { s.mu.Lock(); defer s.mu.Unlock(); return s.now },
		Log:      zerolog.Nop(),
	}
	if change != nil {
		change(&o)
	}
	s.Handler = desk.Handler(o)
	return s
}

func (s *shop) publish(_ context.Context, events ...event.Event) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail != nil {
		return s.fail
	}
	s.journal = append(s.journal, events...)
	return s.lie
}

// newest serves what is stored as the journal would.
func (s *shop) newest(_ context.Context, site, machine string, _ []event.Type, n int) (list []event.Message, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := len(s.journal) - 1; i >= 0 && len(list) < n; i-- {
		e := s.journal[i]
		if e.Site != site || e.Machine != machine {
			continue
		}
		data, err := event.Encode(e)
		if err != nil {
			return nil, err
		}
		list = append(list, event.Message{Subject: e.Subject(), Data: data, Stored: e.Time})
	}
	return list, nil
}

func (s *shop) pass(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(d)
}

// last is the newest event of the journal.
func (s *shop) last(t testing.TB) event.Event {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.journal) == 0 {
		t.Fatal("the journal is empty")
	}
	return s.journal[len(s.journal)-1]
}

// reply is an answer, read as far as it goes.
type reply struct {
	*httptest.ResponseRecorder
	desk.Problem
	ID, Event string
	Undo      *time.Time `json:"undo_until"`
}

const (
	jsonType = "application/json"
	formType = "application/x-www-form-urlencoded"
	server   = "http://127.0.0.1:8477"
	heron    = "/api/v1/machines/north/heron/"
)

// id is the i-th id of a test.
func id(i int) string { return fmt.Sprintf("0198c0de-7a3b-7c1e-9f00-%012d", i) }

// do posts a body. Whatever the answer is, it has no markup in it.
func (s *shop) do(t testing.TB, path, media, body string) reply {
	t.Helper()
	w := httptest.NewRecorder()
	s.ServeHTTP(w, post(path, media, body))
	r := reply{ResponseRecorder: w}
	if w.Body.Len() > 0 {
		if err := json.Unmarshal(w.Body.Bytes(), &r); err != nil {
			t.Fatalf("%s %.200s: the answer is no JSON: %v: %s", path, body, err, w.Body)
		}
	}
	if bytes.ContainsAny(w.Body.Bytes(), "<>") {
		t.Errorf("%s %.200s: the answer has markup in it: %s", path, body, w.Body)
	}
	return r
}

// send is do, and holds the answer against the published contract; a request
// that was carried out has to be good by it, too.
func (s *shop) send(t testing.TB, path, media, body string) reply {
	t.Helper()
	r := s.do(t, path, media, body)
	if strings.HasPrefix(path, heron) {
		checkContract(t, path, media, body, r.ResponseRecorder)
	}
	return r
}

func post(path, media, body string) *http.Request {
	r := httptest.NewRequest(http.MethodPost, server+path, strings.NewReader(body))
	r.Header.Set("Content-Type", media)
	return r
}

func checkContract(t testing.TB, path, media, body string, w *httptest.ResponseRecorder) {
	t.Helper()
	in, err := contractInput(path, media, body)
	if err != nil {
		return // no path of the contract
	}
	if w.Code < 400 {
		if err := openapi3filter.ValidateRequest(t.Context(), in); err != nil {
			t.Errorf("%s %s was carried out, and the contract refuses it: %v", path, body, err)
		}
	}
	out := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: w.Code, Header: w.Header(),
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	}
	if w.Code != http.StatusSeeOther {
		out.SetBodyBytes(w.Body.Bytes())
	}
	if err := openapi3filter.ValidateResponse(t.Context(), out); err != nil {
		t.Errorf("%s %.200s: the answer breaks the contract: %v", path, body, err)
	}
}

func contractInput(path, media, body string) (*openapi3filter.RequestValidationInput, error) {
	r := post(path, media, body)
	route, params, err := contract.FindRoute(r)
	if err != nil {
		return nil, err
	}
	return &openapi3filter.RequestValidationInput{
		Request: r, Route: route, PathParams: params,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc},
	}, nil
}

// wants checks the status of an answer, and the fields that it complains of.
func (r reply) wants(t testing.TB, status int, fields ...string) reply {
	t.Helper()
	if r.Code != status {
		t.Fatalf("status %d, want %d: %s", r.Code, status, r.Body)
	}
	got := make([]string, len(r.Errors))
	for i, e := range r.Errors {
		got[i] = e.Field
		if e.Want == "" {
			t.Errorf("%s: nothing is said to be wanted", e.Field)
		}
	}
	if strings.Join(got, " ") != strings.Join(fields, " ") {
		t.Errorf("it complains of %q, want %q: %s", got, fields, r.Body)
	}
	if status >= 400 {
		if kind := r.Header().Get("Content-Type"); kind != "application/problem+json" {
			t.Errorf("a problem comes as %q", kind)
		}
		if r.Detail == "" || r.Title == "" || r.Status != status || r.Type != "about:blank" {
			t.Errorf("an incomplete problem: %s", r.Body)
		}
	}
	return r
}

// says checks that a problem's detail holds all of parts.
func (r reply) says(t testing.TB, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(r.Detail, p) {
			t.Errorf("%q does not say %q", r.Detail, p)
		}
	}
}
