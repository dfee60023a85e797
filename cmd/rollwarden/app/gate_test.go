package app

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/watcher/desk"
	"rollwarden/watcher/gate"
)

// The people and programs of the guarded shop, with what only they know.
var (
	people = []struct{ name, role, password string }{
		{"mira", "viewer", "plover-by-the-quay"}, {"tomas", "operator", "heron in north wind"}, {"ines", "supervisor", "three wrens on a wire"},
	}
	programs = []struct{ name, role, token string }{
		{"prometheus", "viewer", "0123456789abcdef0123456789abcdef"}, {"feed", "operator", "fedcba9876543210fedcba9876543210"},
	}
)

// hashes of the passwords, worked out once for all tests.
var hashes = sync.OnceValues(func() (list []config.Secret, err error) {
	for _, p := range people {
		hash, err := gate.HashPassword(p.password)
		if err != nil {
			return nil, err
		}
		list = append(list, config.NewSecret(hash))
	}
	return list, nil
})

// guarded lets only the shop's people and programs in.
func guarded(tb testing.TB, cfg *config.Config) *config.Config {
	tb.Helper()
	list, err := hashes()
	if err != nil {
		tb.Fatal(err)
	}
	for i, p := range people {
		cfg.HTTP.Users = append(cfg.HTTP.Users, config.User{Name: p.name, Role: p.role, PasswordHash: list[i]})
	}
	for _, p := range programs {
		cfg.HTTP.Tokens = append(cfg.HTTP.Tokens, config.Token{Name: p.name, Role: p.role, Secret: config.NewSecret(p.token)})
	}
	return cfg
}

// busyFloor fills a shop: m0 has an alarm, a running job and a queue, m1 was
// struck, and nobody has said anything of m2.
func busyFloor(tb testing.TB, a *App) {
	tb.Helper()
	at := time.Now()
	publish(tb, a, append(loaded("m0", at, 0), say("m0", at, "ticket.received", ticketFor("KL-1")), say("m0", at, "ticket.received", ticketFor("KL-2")))...)
	publish(tb, a, say("m0", at, "run.started", &event.RunStarted{Run: event.Run{Job: "KL-1"}}), say("m0", at, "climate.read", &event.ClimateRead{RHPct: f(51)}))
	publish(tb, a, append(loaded("m1", at, 400), say("m1", at, "strike.recorded", &event.StrikeRecorded{Job: "KL-0", Note: "the lip lifted"}))...)
}

// visitor asks a watch for pages as it stands: it follows no redirect and keeps
// no cookie.
type visitor struct {
	testing.TB
	url     string
	client  *http.Client
	headers []string // of every request, "Name: value"
}

func visit(tb testing.TB, a *App) visitor {
	return visitor{TB: tb, url: a.URL(), client: &http.Client{
		Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 30 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// reply is what came back.
type reply struct {
	*http.Response
	body string
}

func (v visitor) ask(method, path, body string, headers ...string) reply {
	v.Helper()
	got := v.open(method, path, body, headers...)
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		v.Fatal(err)
	}
	return reply{got, string(text)}
}

// open leaves the answer to be read.
func (v visitor) open(method, path, body string, headers ...string) *http.Response {
	v.Helper()
	r, err := http.NewRequestWithContext(v.Context(), method, v.url+path, strings.NewReader(body))
	if err != nil {
		v.Fatal(err)
	}
	for _, h := range append(slices.Clone(v.headers), headers...) {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			r.Host = value
			continue
		}
		r.Header.Add(name, value)
	}
	got, err := v.client.Do(r)
	if err != nil {
		v.Fatal(err)
	}
	return got
}

func (v visitor) get(path string, headers ...string) reply {
	v.Helper()
	return v.ask("GET", path, "", headers...)
}

// with is the visitor with more headers.
func (v visitor) with(headers ...string) visitor {
	v.headers = append(slices.Clone(v.headers), headers...)
	return v
}

// What a request is sent as.
const (
	asForm   = "Content-Type: application/x-www-form-urlencoded"
	asJSON   = "Content-Type: application/json"
	asPerson = "Accept: text/html,application/xhtml+xml"
)

func (v visitor) login(name, password, next string, headers ...string) reply {
	v.Helper()
	form := url.Values{"name": {name}, "password": {password}, "next": {next}}.Encode()
	return v.ask("POST", "/login", form, append([]string{asForm, asPerson}, headers...)...)
}

// as logs one of the shop's people in.
func (v visitor) as(role string) visitor {
	v.Helper()
	for _, p := range people {
		if p.role != role {
			continue
		}
		got := v.login(p.name, p.password, "/").wants(v, 303, p.name)
		if len(got.Cookies()) != 1 {
			v.Fatalf("%s cannot log in: %s", p.name, got.body)
		}
		return v.with("Cookie: " + got.Cookies()[0].Name + "=" + got.Cookies()[0].Value)
	}
	v.Fatalf("nobody is a %s", role)
	return v
}

// holding shows a program's token.
func (v visitor) holding(token string) visitor { return v.with("Authorization: Bearer " + token) }

func (r reply) wants(tb testing.TB, status int, what ...any) reply {
	tb.Helper()
	if r.StatusCode != status {
		tb.Errorf("%s %s %s: want %d, got %d: %.300s", r.Request.Method, r.Request.URL.RequestURI(), fmt.Sprint(what...), status, r.StatusCode, r.body)
	}
	return r
}

func (r reply) says(tb testing.TB, parts ...string) reply {
	tb.Helper()
	for _, part := range parts {
		if !strings.Contains(r.body, part) {
			tb.Errorf("%s: want %q in %.600q", r.Request.URL.RequestURI(), part, r.body)
		}
	}
	return r
}

// secrets of the floor that nobody may learn who is not let in.
var floorSecrets = []string{"m0", "m1", "north", "KL-1", "MONO-GLOSS", "bare-edge", "rollwarden_", "goroutine"}

// echo is where an answer may repeat the address that was asked for.
var echo = regexp.MustCompile(`name="next" value="[^"]*"|"instance": "[^"]*"`)

// tellsNothing wants an answer to give nothing of the floor away.
func (r reply) tellsNothing(tb testing.TB) reply {
	tb.Helper()
	told := echo.ReplaceAllString(r.body, "") + fmt.Sprint(r.Header)
	for _, secret := range floorSecrets {
		if strings.Contains(told, secret) {
			tb.Errorf("%s %s tells %q to anybody: %.800s", r.Request.Method, r.Request.URL.RequestURI(), secret, told)
		}
	}
	return r
}

// reads are all that the watch serves to readers. TestEveryPath holds it
// against the document of the interface.
var reads = []string{
	"/", "/?still", "/?shift=8", "/tickets", "/floor/m0", "/floor/m0?site=north", "/history/north/m0", "/history/north/m0/1",
	"/metrics", "/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies",
	"/api/v1/machines/north/m0/events", "/advice/north/m0", "/api/v1/machines/north/m0/advice", "/api/v1/openapi.json", "/report/", "/upkeep",
}

// unknowns are paths that nothing is at, and other ways to write some that
// something is at.
var unknowns = []string{
	"/x", "/api", "/api/", "/api/v1", "/api/v2/floor", "/stream/", "/metrics/", "/floor", "/floor/", "/floor/m0/x", "/history", "/history/north",
	"/LOGIN", "/login/", "/Healthz", "/healthz/", "/readyz/x", "/assets", "/debug/pprof/", "/.git/config", "/favicon.ico",
	"/assets/../api/v1/floor", "/assets/..%2fapi/v1/floor", "/assets/%2e%2e/api/v1/floor", "/assets//..//metrics", `/assets/..\metrics`, "/assets/%5c..%5cmetrics",
	"//metrics", "//api/v1/floor", "/./metrics", "/healthz/../metrics", "/login/../metrics", "/healthz%2f..%2fmetrics",
}

// writes are all that can be sent, as an operator or a supervisor would.
func writes(id func() string) []struct{ path, body, role string } {
	const m0 = "/api/v1/machines/north/m0/"
	head := func() string { return `{"id": "` + id() + `", "by": "Ada", ` }
	return []struct{ path, body, role string }{
		{m0 + "entries", head() + `"action": "advance", "fields": {"by_mm": 10}}`, "operator"},
		{m0 + "undo", head() + `"event": "%s"}`, "operator"},
		{m0 + "alarm", head() + `"action": "note", "reason": "a roller squeaks"}`, "operator"},
		{m0 + "alarm", head() + `"action": "acknowledge", "hazard": "bare-edge", "job": "KL-1"}`, "operator"},
		{m0 + "alarm", head() + `"action": "shelve", "hazard": "dry-air", "reason": "r", "for_s": 60}`, "supervisor"},
		{m0 + "alarm", head() + `"action": "release", "hazard": "dry-air"}`, "supervisor"},
		{m0 + "alarm", head() + `"action": "out-of-service", "hazard": "dry-air", "reason": "r"}`, "supervisor"},
		{m0 + "alarm", head() + `"action": "return-to-service", "hazard": "dry-air"}`, "supervisor"},
		{m0 + "advice", head() + `"remedy": "leader", "hazard": "bare-edge"}`, "operator"},
		{m0 + "advice", head() + `"order": ["KL-2"]}`, "supervisor"},
	}
}

// newID is what a client makes for each entry.
func newID() string { return uuid.NewString() }

// send sends what is to be undone first, and says what came of the request.
func (v visitor) send(path, body string) reply {
	v.Helper()
	if strings.HasSuffix(path, "/undo") {
		id := newID()
		v.ask("POST", strings.TrimSuffix(path, "undo")+"entries", `{"id": "`+id+`", "by": "Ada", "action": "round-lip"}`, asJSON)
		body = fmt.Sprintf(body, id)
	}
	return v.ask("POST", path, body, asJSON)
}

// TestAnOpenWatch asks a watch that only this computer can reach, and that knows
// nobody: whoever sits here may do everything, and says who he is.
func TestAnOpenWatch(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	busyFloor(t, a)
	v := visit(t, a)
	for _, path := range reads {
		v.get(path).wants(t, 200)
		for _, method := range []string{"PUT", "DELETE", "OPTIONS"} {
			v.ask(method, path, "").wants(t, 405)
		}
		v.ask("HEAD", path, "").wants(t, 200)
	}
	for _, w := range writes(newID) {
		v.send(w.path, w.body).wants(t, 201, w.body)
	}
	if e := lastEntry(t, a); !strings.Contains(string(e.Data), `"Ada"`) {
		t.Errorf("want the name that was typed, got %s", e.Data)
	}
	v.ask("POST", "/api/v1/machines/north/m0/entries", `{"id": "`+newID()+`", "action": "round-lip"}`, asJSON).wants(t, 422, "without a name").says(t, `"by"`)
	v.get("/login?next=/tickets").wants(t, 303)
	v.login("ines", people[2].password, "/").wants(t, 303, "where nobody has to")
}

// lastEntry is the newest message of the journal that the watch did not make itself:
// an alarm may follow at once on what a person tells.
func lastEntry(t *testing.T, a *App) event.Message {
	t.Helper()
	first, last, err := a.journals[0].Span(t.Context())
	for seq := last; err == nil && seq >= first; seq-- {
		e, failed := a.journals[0].Get(t.Context(), seq)
		if failed != nil {
			err = failed
		} else if !strings.Contains(e.Subject, ".alarm.") && !strings.Contains(e.Subject, ".page.") {
			return e.Message
		}
	}
	t.Fatalf("the journal has no entry of a person: %v", err)
	return event.Message{}
}

// TestEveryPathAsksForALogin walks everything that the watch serves without
// being let in, and looks at each answer for what it tells.
func TestEveryPathAsksForALogin(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 3))})
	busyFloor(t, a)
	v := visit(t, a)
	list := slices.Concat(reads, unknowns, []string{"/stream?page=board", "/stream?page=floor&of=north/m0"})
	for _, pattern := range desk.Patterns() {
		list = append(list, strings.NewReplacer("{site}", "north", "{machine}", "m0").Replace(pattern))
	}
	for _, path := range list {
		page := v.get(path, asPerson).wants(t, 401).tellsNothing(t)
		if !strings.HasPrefix(path, "/api/") {
			page.says(t, `action="/login"`)
		}
		for _, method := range []string{"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"} {
			got := v.ask(method, path, "{}", asJSON, "Accept: application/json").wants(t, 401).tellsNothing(t)
			if got.Header.Get("Content-Type") != "application/problem+json" || !strings.HasPrefix(got.Header.Get("WWW-Authenticate"), "Bearer") {
				t.Errorf("%s %s: want a problem and a challenge, got %v", method, path, got.Header)
			}
		}
	}
	for _, path := range []string{"/healthz", "/readyz", "/login", "/login?next=/floor/m0"} {
		v.get(path, asPerson).wants(t, 200).tellsNothing(t)
	}
	loads := regexp.MustCompile(`"(/assets/[^"]+)"`).FindAllStringSubmatch(v.get("/login").body, -1)
	if len(loads) < 3 {
		t.Errorf("want the login page to load its style, script and mark, got %v", loads)
	}
	for _, l := range loads {
		v.get(l[1]).wants(t, 200).tellsNothing(t)
	}
	for _, path := range []string{"/assets/", "/assets/x.js"} {
		v.get(path, asPerson).wants(t, 404).tellsNothing(t)
	}
	for _, public := range []string{"/healthz", "/readyz", loads[0][1]} {
		v.ask("POST", public, "").wants(t, 401)
	}
}

// TestWhatIsServed holds the list of what is walked against the links of the
// pages, so that no new page is forgotten.
func TestWhatIsServed(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	busyFloor(t, a)
	v := visit(t, a)
	known := map[string]bool{"/login": true}
	for _, path := range reads {
		known[shapeOf(path)] = true
	}
	for _, path := range []string{"/", "/tickets", "/floor/m0", "/history/north/m0", "/advice/north/m0"} {
		for _, link := range regexp.MustCompile(`(?:href|data-stream)="(/[^"]*)"`).FindAllStringSubmatch(v.get(path).body, -1) {
			to := shapeOf(strings.ReplaceAll(link[1], "&amp;", "&"))
			if !known[to] && !strings.HasPrefix(to, "/assets/") && to != "/stream" {
				t.Errorf("%s leads to %s, and no test walks there", path, link[1])
			}
		}
	}
}

// shapeOf is a path without what differs from machine to machine.
func shapeOf(path string) string {
	path, _, _ = strings.Cut(path, "?")
	path, _, _ = strings.Cut(path, "#")
	return regexp.MustCompile(`/(m\d|\d+)\b`).ReplaceAllString(path, "/x")
}

// TestWhoMayDoWhat sends everything that can be sent in every role, by cookie and
// by token. What is expected is read from the routes' documentation.
func TestWhoMayDoWhat(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 3))})
	busyFloor(t, a)
	v := visit(t, a)
	rank := []string{"viewer", "operator", "supervisor"}
	check := func(v visitor, name, role string) {
		t.Helper()
		for _, path := range reads {
			v.get(path).wants(t, 200, role)
		}
		v.get("/x", asPerson).wants(t, 404, role)
		for _, w := range writes(newID) {
			want := 201
			if slices.Index(rank, role) < slices.Index(rank, w.role) {
				want = 403
			}
			got := v.send(w.path, w.body).wants(t, want, role, " ", w.body)
			if want == 201 && (!strings.Contains(string(lastHeard(t, a, got)), `"`+name+`"`) || strings.Contains(string(lastHeard(t, a, got)), "Ada")) {
				t.Errorf("want %s as who did it, whatever was typed, got %s", name, lastHeard(t, a, got))
			}
		}
	}
	for _, p := range people {
		check(v.as(p.role), p.name, p.role)
	}
	for _, p := range programs {
		check(v.holding(p.token), p.name, p.role)
	}
}

// lastHeard is the data of the event that an answer tells of.
func lastHeard(t *testing.T, a *App, r reply) []byte {
	t.Helper()
	first, last, err := a.journals[0].Span(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	id := regexp.MustCompile(`"event": "([^"]+)"`).FindStringSubmatch(r.body)
	for seq := last; len(id) == 2 && seq >= first; seq-- {
		e, err := a.journals[0].Get(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(e.Message.Data, []byte(id[1])) {
			return e.Message.Data
		}
	}
	t.Errorf("%s was answered, and is not in the journal", r.body)
	return nil
}

// TestTokens shows tokens in ways that are right and wrong (RFC 6750).
func TestTokens(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	v := visit(t, a)
	scrape := programs[0].token
	for _, path := range []string{"/metrics", "/api/v1/floor", "/"} {
		v.holding(scrape).get(path).wants(t, 200)
		v.with("Authorization: bearer "+scrape).get(path).wants(t, 200, "the scheme is read without case (RFC 9110, section 11.1)")
	}
	v.holding(scrape).get("/metrics").says(t, "rollwarden_")
	in := v.as("supervisor")
	for _, wrong := range []string{"Bearer " + scrape + "0", "Bearer " + scrape[1:], "Bearer", "Bearer  ", "Bearer " + strings.ToUpper(scrape)} {
		got := in.get("/metrics", "Authorization: "+wrong).wants(t, 401, "a wrong token beside a good cookie: ", wrong)
		if want := `Bearer realm="rollwarden", error="invalid_token"`; got.Header.Get("WWW-Authenticate") != want {
			t.Errorf("want %s, got %s", want, got.Header.Get("WWW-Authenticate"))
		}
		if strings.Contains(got.body, scrape[1:10]) {
			t.Error("the answer shows the token")
		}
	}
	for _, elsewhere := range []string{"/metrics?access_token=" + scrape, "/metrics?token=" + scrape} {
		v.get(elsewhere).wants(t, 401, "a token in an address would stand in logs")
	}
}

// TestOtherSites sends everything that changes something as another site's page
// would make a browser do it (Fetch Metadata, W3C; Origin, RFC 6454): with the
// cookie of a supervisor, and to a watch that asks for no login.
func TestOtherSites(t *testing.T) {
	open, shut := startApp(t, Options{Config: shopOf(t, 2)}), startApp(t, Options{Config: guarded(t, shopOf(t, 2))})
	for name, a := range map[string]*App{"open": open, "guarded": shut} {
		busyFloor(t, a)
		v := visit(t, a)
		if name == "guarded" {
			v = v.as("supervisor")
		}
		before := lastSeq(t, a)
		for _, from := range []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Site: same-site", "Origin: https://evil.example", "Origin: null", "Origin: http://127.0.0.1:1"} {
			for _, w := range writes(newID) {
				v.ask("POST", w.path, w.body, asJSON, from).wants(t, 403, name, " ", from).tellsNothing(t)
				v.ask("POST", w.path, "id="+newID()+"&by=Ada&action=round-lip", asForm, from).wants(t, 403, name, " ", from)
			}
			v.ask("POST", "/logout", "", from, asPerson).wants(t, 403, name, " ", from)
			v.login("ines", people[2].password, "/", from).wants(t, 403, name, " ", from)
		}
		if got := lastSeq(t, a); got != before {
			t.Errorf("%s: %d entries were stored for other sites", name, got-before)
		}
		v.get("/").wants(t, 200, "still logged in")
		v.ask("POST", "/api/v1/machines/north/m0/entries", `{"id": "`+newID()+`", "by": "Ada", "action": "round-lip"}`, asJSON, "Origin: "+a.URL()).wants(t, 201, "its own page")
	}
}

func lastSeq(t *testing.T, a *App) uint64 {
	t.Helper()
	if err := a.Settle(deadline(t)); err != nil {
		t.Fatal(err)
	}
	_, last, err := a.journals[0].Span(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return last
}

// TestForeignNames asks for everything under a name that somebody else made point
// here (DNS rebinding). The floor must not be read that way either.
func TestForeignNames(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 2)})
	busyFloor(t, a)
	v := visit(t, a)
	for _, host := range []string{"evil.example", "evil.example:8477", "127.0.0.1.evil.example", "192.0.2.7"} {
		for _, path := range slices.Concat(reads, []string{"/healthz", "/stream?page=board", "/x"}) {
			v.get(path, "Host: "+host, asPerson).wants(t, 421, host).tellsNothing(t)
			v.get(path, "Host: "+host).wants(t, 421, host).tellsNothing(t)
		}
	}
	for _, host := range []string{"localhost:1", "127.0.0.1", "[::1]:8477"} {
		v.get("/", "Host: "+host).wants(t, 200, host)
	}
}

// TestNoWayOut offers addresses of other servers as where to go after a login
// and after a form. The tricks are those of the OWASP cheat sheet "Unvalidated
// Redirects and Forwards".
func TestNoWayOut(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	v := visit(t, a)
	in := v.as("operator")
	for _, to := range []string{"//evil.example", `/\evil.example`, "https://evil.example", "https:evil.example", "/\t/evil.example", "///evil.example", "javascript:alert(1)", "/x\r\nSet-Cookie: a=b"} {
		in.get("/login?next="+url.QueryEscape(to)).wants(t, 303).leadsTo(t, "/")
		body := v.get("/login?next="+url.QueryEscape(to)).wants(t, 200).body
		if !strings.Contains(body, `name="next" value="/"`) {
			t.Errorf("%q: the login page would go there: %s", to, body)
		}
		form := url.Values{"id": {newID()}, "action": {"round-lip"}, "back": {to}}.Encode()
		got := in.ask("POST", "/api/v1/machines/north/m0/entries", form, asForm).wants(t, 400, to)
		if got.Header.Get("Location") != "" || got.Header.Get("Set-Cookie") != "" {
			t.Errorf("%q: got %v", to, got.Header)
		}
	}
	v.login("tomas", people[1].password, "//evil.example").wants(t, 303).leadsTo(t, "/")
	v.login("tomas", people[1].password, "/tickets?x=1").wants(t, 303).leadsTo(t, "/tickets?x=1")
	form := url.Values{"id": {newID()}, "action": {"round-lip"}, "back": {"/floor/m0?site=north"}}.Encode()
	in.ask("POST", "/api/v1/machines/north/m0/entries", form, asForm).wants(t, 303).leadsTo(t, "/floor/m0?site=north")
	for _, path := range []string{"//evil.example/..", "/..//evil.example", "//evil.example//tickets"} {
		if to := in.get(path).Header.Get("Location"); strings.HasPrefix(to, "//") || strings.Contains(to, "://") {
			t.Errorf("%s leads to %s", path, to)
		}
	}
}

func (r reply) leadsTo(tb testing.TB, want string) {
	tb.Helper()
	if got := r.Header.Get("Location"); got != want {
		tb.Errorf("%s leads to %q, want %q", r.Request.URL.RequestURI(), got, want)
	}
}

// TestTooMuch sends more than people and programs need to, until it is refused.
func TestTooMuch(t *testing.T) {
	cfg := guarded(t, shopOf(t, 2))
	cfg.HTTP.StreamsPerClient, cfg.HTTP.Streams = 2, 3
	a := startApp(t, Options{Config: cfg})
	v := visit(t, a)
	operator, viewer, supervisor := v.as("operator"), v.as("viewer"), v.as("supervisor")
	limited := func(v visitor, most int, send func() reply) {
		t.Helper()
		for range most {
			if got := send(); got.StatusCode == 429 {
				if got.Header.Get("Retry-After") == "" {
					t.Errorf("want to be told when to come back, got %v", got.Header)
				}
				return
			}
		}
		t.Errorf("%d requests and no limit", most)
	}
	limited(operator, 2000, func() reply { return operator.ask("POST", "/x", "") })
	operator.get("/").wants(t, 200, "who writes too much may still read")
	supervisor.ask("POST", "/x", "").wants(t, 405, "somebody else's limit")

	limited(v, 20, func() reply { return v.login("tomas", "a guess", "/") })
	v.login("tomas", people[1].password, "/").wants(t, 429, "the right one, too soon")
	operator.get("/").wants(t, 200, "guesses end nobody's session")
	limited(v, 60, func() reply { return v.holding(strings.Repeat("0", 32)).get("/metrics") })
	v.holding(programs[0].token).get("/metrics").wants(t, 200, "guesses of others shut out no token")

	for range 2 {
		follow(t, operator, "/stream?page=board")
	}
	operator.get("/stream?page=board").wants(t, 429, "a third page of one person")
	follow(t, viewer, "/stream?page=board")
	supervisor.get("/stream?page=board").wants(t, 429, "a fourth of all")
}

// stream is a live page, as it is read.
type stream struct {
	testing.TB
	lines chan string // closed at its end
}

// follow opens a live page that ends with the test.
func follow(tb testing.TB, v visitor, path string) stream {
	tb.Helper()
	v.client = &http.Client{Transport: v.client.Transport} // without a limit of time
	got := v.open("GET", path, "")
	tb.Cleanup(func() { got.Body.Close() })
	if got.StatusCode != 200 {
		tb.Fatalf("%s: %s", path, got.Status)
	}
	s := stream{tb, make(chan string, 1000)}
	go func() {
		defer close(s.lines)
		for read := bufio.NewScanner(got.Body); read.Scan(); {
			select {
			case s.lines <- read.Text():
			default: // nobody reads on
			}
		}
	}()
	return s
}

// beats waits for so many beats.
func (s stream) beats(n int) {
	s.Helper()
	for end := time.After(30 * time.Second); n > 0; {
		select {
		case line, more := <-s.lines:
			if !more {
				s.Fatalf("the stream ended with %d beats to come", n)
			}
			if line == "event: beat" {
				n--
			}
		case <-end:
			s.Fatalf("%d beats did not come", n)
		}
	}
}

// ends waits for the end.
func (s stream) ends(why string) {
	s.Helper()
	for end := time.After(15 * time.Second); ; {
		select {
		case _, more := <-s.lines:
			if !more {
				return
			}
		case <-end:
			s.Fatalf("the stream goes on: %s", why)
		}
	}
}

// TestLogoutEndsWhatIsOpen logs out while a page is open elsewhere.
func TestLogoutEndsWhatIsOpen(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	v := visit(t, a)
	one, other := v.as("operator"), v.as("operator")
	open, stays := follow(t, one, "/stream?page=board"), follow(t, other, "/stream?page=board")
	open.beats(1)
	one.ask("POST", "/logout", "", asPerson).wants(t, 303).leadsTo(t, "/login")
	open.ends("its session was logged out")
	one.get("/").wants(t, 401, "the cookie of before")
	stays.beats(2)
}

// TestAFormOfABrowserIsAnsweredWithAPage sends a form without a script, as a
// browser does, where it cannot be taken: a person gets a page and the way back.
func TestAFormOfABrowserIsAnsweredWithAPage(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	v := visit(t, a)
	form := url.Values{"id": {newID()}, "action": {"round-lip"}, "back": {"/floor/m0"}}.Encode()
	const entries = "/api/v1/machines/north/m0/entries"
	got := v.ask("POST", entries, form, asForm, asPerson, "Referer: "+a.URL()+"/floor/m0").wants(t, 401, "after the session has ended")
	got.says(t, `action="/login"`, `name="next" value="/floor/m0"`)
	v.as("viewer").ask("POST", entries, form, asForm, asPerson).wants(t, 403).says(t, "<h1>")
	v.as("operator").ask("POST", entries, form+"&fields=x", asForm, asPerson).wants(t, 422).says(t, "<h1>")
	v.ask("POST", entries, form, asForm, "Accept: application/json").wants(t, 401, "a script").says(t, `"kind": "need-login"`)
}

// TestRefusesToStart wants a watch that others could reach without a login, or in
// clear, to end before it listens, and to say what has to be set.
func TestRefusesToStart(t *testing.T) {
	for _, test := range []struct {
		name, listen string
		change       func(*config.Config)
		says         []string
	}{
		{"nobody has to log in", "0.0.0.0:0", func(*config.Config) {}, []string{"http.users", "http.tokens"}},
		{"a port of every network", ":0", func(*config.Config) {}, []string{"http.users"}},
		{"passwords in clear", "0.0.0.0:0", func(c *config.Config) { guarded(t, c) }, []string{"http.tls.cert_file", "http.behind_proxy"}},
		{"TLS alone", "0.0.0.0:0", func(c *config.Config) { c.HTTP.TLS = certificate(t, "one", "127.0.0.1").files }, []string{"http.users"}},
	} {
		cfg := shopOf(t, 1)
		cfg.HTTP.Listen = test.listen
		test.change(cfg)
		a, err := Start(t.Context(), Options{Config: cfg})
		if err == nil {
			_ = a.Stop()
			t.Errorf("%s: it started", test.name)
			continue
		}
		for _, want := range append(test.says, test.listen) {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: want %q in %q", test.name, want, err)
			}
		}
	}
	file := filepath.Join(t.TempDir(), "rollwarden.yaml")
	if err := os.WriteFile(file, []byte("http: {listen: \"0.0.0.0:0\"}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := config.Load(file, nil)
	if err == nil {
		t.Fatal("the configuration is taken")
	}
	for _, want := range []string{"rollwarden.yaml:1:", "http.listen", "http.users", "rollwarden password", "http.tls.cert_file", "http.behind_proxy", "127.0.0.1"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %q", want, err)
		}
	}
}

// proof is a certificate that a test made, in files.
type proof struct {
	files config.Certificate
	pool  *x509.CertPool
}

// certificate makes one that signs itself, for an address or a name.
func certificate(tb testing.TB, who string, hosts ...string) proof {
	tb.Helper()
	dir := tb.TempDir()
	p := proof{files: config.Certificate{CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem")}}
	p.write(tb, who, hosts...)
	return p
}

// write makes a new certificate in the same files.
func (p *proof) write(tb testing.TB, who string, hosts ...string) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	fail(tb, err)
	form := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: who}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			form.IPAddresses = append(form.IPAddresses, ip)
		} else {
			form.DNSNames = append(form.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	fail(tb, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	fail(tb, err)
	fail(tb, os.WriteFile(p.files.KeyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	fail(tb, os.WriteFile(p.files.CertFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	leaf, err := x509.ParseCertificate(der)
	fail(tb, err)
	p.pool = x509.NewCertPool()
	p.pool.AddCert(leaf)
}

func fail(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

// trusting is a visitor over TLS that believes a certificate.
func trusting(tb testing.TB, a *App, p proof, h2 bool) visitor {
	v := visit(tb, a)
	v.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: p.pool}, ForceAttemptHTTP2: h2, DisableKeepAlives: true}
	return v
}

// TestOverTLS serves the board with a certificate, replaces that on the disk by
// a broken and by a good one, and looks at the cookie (RFC 6265bis) and the
// headers (RFC 6797).
func TestOverTLS(t *testing.T) {
	cert := certificate(t, "first", "127.0.0.1")
	cfg := guarded(t, shopOf(t, 2))
	cfg.HTTP.TLS = cert.files
	a := startApp(t, Options{Config: cfg})
	busyFloor(t, a)
	if !strings.HasPrefix(a.URL(), "https://127.0.0.1:") {
		t.Fatalf("got %s", a.URL())
	}
	for _, h2 := range []bool{false, true} {
		v := trusting(t, a, cert, h2)
		got := v.login("ines", people[2].password, "/").wants(t, 303)
		if got.ProtoMajor == 2 != h2 {
			t.Errorf("got %s", got.Proto)
		}
		c := got.Cookies()[0]
		if c.Name != "__Host-rollwarden" || !c.Secure || !c.HttpOnly || c.Path != "/" || c.Domain != "" || c.SameSite != http.SameSiteStrictMode {
			t.Errorf("got %s", got.Header.Get("Set-Cookie"))
		}
		if got.Header.Get("Strict-Transport-Security") == "" {
			t.Error("want HSTS")
		}
		in := v.with("Cookie: " + c.Name + "=" + c.Value)
		in.get("/").wants(t, 200).says(t, "KL-1")
		live := follow(t, in, "/stream?page=board")
		live.beats(2)
		in.ask("POST", "/logout", "").wants(t, 303)
		live.ends("logged out")
	}
	clear := visit(t, a)
	clear.url = strings.Replace(a.URL(), "https:", "http:", 1)
	clear.get("/").wants(t, 400, "in clear").tellsNothing(t)

	good, err := os.ReadFile(cert.files.CertFile)
	fail(t, err)
	fail(t, os.WriteFile(cert.files.CertFile, []byte("half of a cert"), 0o600))
	time.Sleep(1100 * time.Millisecond) // the files are looked at once a second
	trusting(t, a, cert, true).get("/healthz").wants(t, 200, "with a broken file on the disk")
	fail(t, os.WriteFile(cert.files.CertFile, good, 0o600))
	cert.write(t, "second", "127.0.0.1")
	time.Sleep(1100 * time.Millisecond)
	got := trusting(t, a, cert, true).get("/healthz").wants(t, 200)
	if name := got.TLS.PeerCertificates[0].Subject.CommonName; name != "second" {
		t.Errorf("want the new certificate, got the %s", name)
	}
	_, err = tls.Dial("tcp", strings.TrimPrefix(a.URL(), "https://"), &tls.Config{RootCAs: cert.pool, MaxVersion: tls.VersionTLS11})
	if err == nil {
		t.Error("TLS 1.1 is spoken, which RFC 8996 has put an end to")
	}
}

// TestWithoutACertificate wants a start that names the file which cannot be used.
func TestWithoutACertificate(t *testing.T) {
	cfg := guarded(t, shopOf(t, 1))
	cfg.HTTP.TLS = certificate(t, "one", "127.0.0.1").files
	fail(t, os.WriteFile(cfg.HTTP.TLS.KeyFile, []byte("no key"), 0o600))
	_, err := Start(t.Context(), Options{Config: cfg})
	if err == nil || !strings.Contains(err.Error(), "http.tls") || !strings.Contains(err.Error(), cfg.HTTP.TLS.KeyFile) {
		t.Errorf("got %v", err)
	}
}

// TestAStreamOutlivesTheServersLimits serves a live page by a server whose limits
// on a whole request are shorter than a beat, over both versions of HTTP. An
// ordinary answer of the same server shows that the limits are there.
func TestAStreamOutlivesTheServersLimits(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	cert := certificate(t, "board", "127.0.0.1")
	served, err := gate.TLSConfig(cert.files.CertFile, cert.files.KeyFile, a.log)
	fail(t, err)
	mux := http.NewServeMux()
	mux.Handle("/stream", a.front.gate.Stream(a.front.hub))
	mux.HandleFunc("/slow", func(w http.ResponseWriter, _ *http.Request) {
		time.Sleep(time.Second)
		io.WriteString(w, "too late")
	})
	for _, h2 := range []bool{false, true} {
		s := newServer(a.front.gate.Wrap(mux), a.log)
		s.WriteTimeout, s.ReadTimeout = 400*time.Millisecond, 400*time.Millisecond
		l, err := net.Listen("tcp", "127.0.0.1:0")
		fail(t, err)
		v := trusting(t, a, cert, h2)
		v.url = "https://" + l.Addr().String()
		go s.Serve(tls.NewListener(l, served))
		t.Cleanup(func() { s.Close() })
		live := follow(t, v, "/stream?page=board")
		got, err := v.client.Get(v.url + "/slow")
		if err == nil {
			var text []byte
			if text, err = io.ReadAll(got.Body); err == nil {
				t.Errorf("HTTP/2 %v: the server has no limit: %s %s", h2, got.Status, text)
			}
			got.Body.Close()
		}
		live.beats(3) // two of them come after the limits
	}
}

// talk speaks to the watch by hand, and returns what comes until it hangs up.
func talk(t *testing.T, a *App, say func(net.Conn)) string {
	t.Helper()
	c, err := net.Dial("tcp", a.http.Addr().String())
	fail(t, err)
	defer c.Close()
	fail(t, c.SetDeadline(time.Now().Add(40*time.Second)))
	say(c)
	text, err := io.ReadAll(c)
	if _, late := errors.AsType[net.Error](err); late && errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("the watch does not hang up; it said %.200q", text)
	}
	return string(text)
}

// TestSlowClients sends a header and a body drop by drop, and nothing at all: the
// watch hangs up, and others are served meanwhile.
func TestSlowClients(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	drip := func(c net.Conn, text string) {
		go func() { // the connection ends it
			for {
				if _, err := io.WriteString(c, text); err != nil {
					return
				}
				time.Sleep(300 * time.Millisecond)
			}
		}()
	}
	const head = "POST /api/v1/machines/north/m0/entries HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
	var all sync.WaitGroup
	before := lastSeq(t, a)
	for name, say := range map[string]func(net.Conn){
		"header": func(c net.Conn) { io.WriteString(c, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"); drip(c, "X-A: b\r\n") },
		"body":   func(c net.Conn) { io.WriteString(c, head+"Content-Length: 1000\r\n\r\n{"); drip(c, " ") },
		"silent": func(net.Conn) {},
	} {
		all.Go(func() {
			if got := talk(t, a, say); strings.Contains(got, " 200 ") || strings.Contains(got, " 201 ") {
				t.Errorf("%s: got %q", name, got)
			}
		})
	}
	visit(t, a).get("/").wants(t, 200, "beside slow clients")
	all.Wait()
	if got := lastSeq(t, a); got != before {
		t.Error("half a request was stored")
	}
}

// TestMalformedRequests sends what a browser would not: headers within a path or
// a value, two lengths (request smuggling, RFC 9112 section 11.2), and too much.
func TestMalformedRequests(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	before := lastSeq(t, a)
	const close = "Connection: close\r\n"
	for _, test := range []struct{ name, request, want string }{
		{"an encoded line end in the path", "GET /x%0d%0aX-Evil:%201 HTTP/1.1\r\nHost: 127.0.0.1\r\n" + close + "\r\n", " 404 "},
		{"an encoded line end in next", "GET /login?next=/%0d%0aX-Evil:%201 HTTP/1.1\r\nHost: 127.0.0.1\r\n" + close + "\r\n", " 303 "},
		{"a line end in a redirected path", "GET //x%0d%0aX-Evil:%201 HTTP/1.1\r\nHost: 127.0.0.1\r\n" + close + "\r\n", " 307 "},
		{"two lengths", "POST /x HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\nContent-Length: 5\r\n" + close + "\r\nabcde", " 400 "},
		{"a length and chunks", "POST /x HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n" + close + "\r\n0\r\n\r\nGET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", " 405 "},
		{"no host", "GET / HTTP/1.1\r\n" + close + "\r\n", " 400 "},
		{"two hosts", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n" + close + "\r\n", " 400 "},
		{"a host in the target", "GET http://evil.example/ HTTP/1.1\r\nHost: 127.0.0.1\r\n" + close + "\r\n", " 421 "},
		{"a tunnel", "CONNECT evil.example:443 HTTP/1.1\r\nHost: evil.example:443\r\n" + close + "\r\n", " 421 "},
		{"a long header", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long: " + strings.Repeat("x", 64<<10) + "\r\n" + close + "\r\n", " 431 "},
		{"many headers", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + strings.Repeat("X-A: b\r\n", 8<<10) + close + "\r\n", " 431 "},
		{"a long address", "GET /" + strings.Repeat("x", 64<<10) + " HTTP/1.1\r\nHost: 127.0.0.1\r\n" + close + "\r\n", " 431 "},
		{"no HTTP", "\x16\x03\x01\x02\x00\x01\x00", " 400 "},
	} {
		got := talk(t, a, func(c net.Conn) {
			io.WriteString(c, test.request)
			if tcp, ok := c.(*net.TCPConn); ok {
				tcp.CloseWrite()
			}
		})
		status, _, _ := strings.Cut(got, "\r\n")
		if !strings.Contains(status+" ", test.want) || strings.Count(got, "HTTP/1.1 ") != 1 {
			t.Errorf("%s: want one answer%s, got %.300q", test.name, test.want, got)
		}
		if regexp.MustCompile(`(?im)^X-Evil:`).MatchString(got) {
			t.Errorf("%s: a header was slipped in: %q", test.name, got)
		}
	}
	head := talk(t, a, func(c net.Conn) {
		io.WriteString(c, "HEAD /stream?page=board HTTP/1.1\r\nHost: 127.0.0.1\r\n"+close+"\r\n")
	})
	if !strings.HasPrefix(head, "HTTP/1.1 200 ") {
		t.Errorf("the head of a stream, which has no end: got %q", head)
	}
	v := visit(t, a)
	large := `{"id": "` + newID() + `", "by": "Ada", "action": "strike", "fields": {"note": "` + strings.Repeat("x", 1<<20) + `"}}`
	v.ask("POST", "/api/v1/machines/north/m0/entries", large, asJSON).wants(t, 413)
	v.ask("POST", "/api/v1/machines/north/m0/entries", "by=Ada&note="+strings.Repeat("x", 1<<20), asForm).wants(t, 413)
	if got := lastSeq(t, a); got != before {
		t.Error("something of it was stored")
	}
}

// TestHeadersOfEveryAnswer wants the protective headers on whatever comes back
// (OWASP HTTP Headers Cheat Sheet), and no header twice, which browsers read
// in ways of their own.
func TestHeadersOfEveryAnswer(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 2)})
	busyFloor(t, a)
	v := visit(t, a)
	asset := regexp.MustCompile(`/assets/[^"]+\.css`).FindString(v.get("/").body)
	for _, path := range slices.Concat(reads, unknowns, []string{"/healthz", "/readyz", asset, "/assets/x.js", "/api/v1/%ff"}) {
		got := v.get(path)
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin"} {
			if got.Header.Get(name) != want {
				t.Errorf("%s: %s is %q", path, name, got.Header.Get(name))
			}
		}
		policy := got.Header.Get("Content-Security-Policy")
		if !strings.HasPrefix(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "*") {
			t.Errorf("%s: the policy is %q", path, policy)
		}
		if cache := got.Header.Get("Cache-Control"); path != asset && cache != "no-store" {
			t.Errorf("%s: Cache-Control is %q", path, cache)
		}
		for name, values := range got.Header {
			if len(values) > 1 && name != "Vary" {
				t.Errorf("%s: %s comes %d times", path, name, len(values))
			}
		}
	}
}

// outcry collects everything that goes wrong in a browser: breaches of the
// policy, errors of scripts, and what scripts complain of.
func outcry(t *testing.T, ctx context.Context) func() string {
	t.Helper()
	var mu sync.Mutex
	var all []string
	note := func(parts ...string) {
		mu.Lock()
		defer mu.Unlock()
		all = append(all, strings.Join(parts, " "))
	}
	fail(t, chromedp.Listen(ctx, func(e any) {
		switch e := e.(type) {
		case *log.EventEntryAdded:
			note(e.Entry.URL, e.Entry.Text)
		case *runtime.EventExceptionThrown:
			note(e.ExceptionDetails.URL, e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			note("console:", e.Type.String()) // our scripts have nothing to say there
		}
	}))
	return func() string {
		mu.Lock()
		defer mu.Unlock()
		return strings.Join(all, "; ")
	}
}

// evil is text that runs where it is not escaped, in an element, an attribute
// or a script.
const evil = `KL-"'><script>window.hit=1</script><img src=x onerror=window.hit=2>`

// TestEveryPageInABrowser logs in and opens every page, on a floor whose names
// and notes are scripts. The policy must hold for our own pages and against
// theirs.
func TestEveryPageInABrowser(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 3))})
	busyFloor(t, a)
	at := time.Now()
	bad := ticketFor(evil)
	bad.Title, bad.CureC = evil, f(125)
	publish(t, a, say("m0", at, "ticket.received", bad), say("m0", at, "operator.noted", &event.OperatorNoted{Action: event.ActNote, By: evil, Reason: evil}),
		say("m1", at, "run.started", &event.RunStarted{Run: event.Run{Job: evil}}), say("m1", at, "strike.recorded", &event.StrikeRecorded{Job: evil, Note: evil}))
	p := tab{t, browser(t)}
	said := outcry(t, p.ctx)
	p.do(chromedp.Navigate(a.URL() + "/login?next=/tickets"))
	eval[bool](p, fmt.Sprintf(`(() => { const f = document.querySelector("form.login"); f.elements.name.value = "ines"; f.elements.password.value = %q; f.submit(); return true })()`, people[2].password))
	p.until("the tickets after the login", `location.pathname === "/tickets" && document.readyState === "complete"`)
	pages := slices.DeleteFunc(slices.Clone(reads), func(path string) bool { return path == "/metrics" || strings.HasPrefix(path, "/api/") })
	for _, path := range append(pages, "/floor/m1", "/floor/m2", "/history/north/m1", "/history/north/m2", "/x") {
		if path == "/x" { // the browser itself tells of a page that is not there
			if got := said(); got != "" {
				t.Errorf("the browser complains: %s", got)
			}
		}
		p.do(chromedp.Navigate(a.URL() + path))
		p.until(path+" whole", `document.readyState === "complete"`)
		if eval[bool](p, "window.hit !== undefined") {
			t.Errorf("%s runs a script of a job", path)
		}
	}
	p.do(chromedp.Navigate(a.URL() + "/"))
	p.shows(`<script>window.hit=1</script>`)
	publish(t, a, say("m2", at, "operator.noted", &event.OperatorNoted{Action: event.ActNote, By: evil, Reason: "live " + evil}))
	p.until("the live part", `document.documentElement.outerHTML.includes("live KL-")`)
	if eval[bool](p, "window.hit !== undefined") {
		t.Error("a live part runs a script of a note")
	}

	before := said()
	eval[bool](p, `(() => { const s = document.createElement("script"); s.textContent = "window.hit = 3"; document.body.append(s); const d = document.createElement("div"); d.innerHTML = "<b onclick='window.hit=4' style='color:red'>x</b>"; document.body.append(d); d.firstChild.click(); return true })()`)
	if eval[bool](p, "window.hit !== undefined") {
		t.Error("the policy lets an inline script run")
	}
	for end := time.Now().Add(10 * time.Second); said() == before; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the browser says nothing of a breach: this test would see none")
		}
	}
}
