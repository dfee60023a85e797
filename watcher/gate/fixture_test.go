package gate

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/crypto/argon2"
)

// The people and programs of the tests, with what only they know.
const (
	viewerPassword     = "plover-by-the-quay"
	operatorPassword   = "heron in north wind"
	supervisorPassword = "größer als 8 Zeichen"
	scrapeToken        = "0123456789abcdef0123456789abcdef"
	feedToken          = "fedcba9876543210fedcba9876543210"
)

// clock is a time that stands still until a test moves it.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)} }

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) Pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// book collects what is logged.
type book struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *book) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *book) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// cheap is the hash that takes the least work of those that are allowed.
func cheap(password string) string {
	h := hash{passes: 5, memory: minMemory, threads: 1, salt: []byte("salt of the test")}
	h.sum = argon2.IDKey(normal(password), h.salt, h.passes, h.memory, h.threads, newSum)
	return h.String()
}

// cheapHashes are worked out once for all tests.
var cheapHashes = sync.OnceValue(func() map[string]string {
	hashes := map[string]string{}
	for _, p := range []string{viewerPassword, operatorPassword, supervisorPassword} {
		hashes[p] = cheap(p)
	}
	return hashes
})

// verified remembers what a real verification found, because each takes a while
// and the tests ask the same ones again and again.
var verified sync.Map

func fitsOnce(h *hash, password string) bool {
	key := h.String() + password
	found, ok := verified.Load(key)
	if !ok {
		found = h.fits(password)
		verified.Store(key, found)
	}
	return found.(bool)
}

func account(t *testing.T, name string, role Role, password string) Account {
	t.Helper()
	a, err := NewAccount(name, role, cheapHashes()[password])
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func token(t *testing.T, name string, role Role, secret string) Token {
	t.Helper()
	one, err := NewToken(name, role, secret)
	if err != nil {
		t.Fatal(err)
	}
	return one
}

// world is a server behind a gate, with its clock and its log.
type world struct {
	*testing.T
	gate  *Gate
	clock *clock
	log   *book
	http  *httptest.Server
}

// shopOptions are those of a shop with three people and two programs.
func shopOptions(t *testing.T) Options {
	return Options{
		Listen: "127.0.0.1:8477",
		Users: []Account{
			account(t, "mira", Viewer, viewerPassword), account(t, "tomas", Operator, operatorPassword),
			account(t, "ines", Supervisor, supervisorPassword),
		},
		Tokens: []Token{token(t, "prometheus", Viewer, scrapeToken), token(t, "feed", Operator, feedToken)},
		LoginPage: func(w http.ResponseWriter, _ *http.Request, status int, problem, next string) {
			w.WriteHeader(status)
			fmt.Fprintf(w, "login problem=%s next=%s", problem, next)
		},
		Page: func(w http.ResponseWriter, _ *http.Request, status int, kind string) {
			w.WriteHeader(status)
			fmt.Fprintf(w, "page kind=%s", kind)
		},
	}
}

// site is what stands behind the gate. It says who asks.
func site(g *Gate) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		u, ok := Who(r)
		fmt.Fprintf(w, "%s %s user=%q role=%s known=%t", r.Method, r.URL.Path, u.Name, u.Role, ok)
	})
	return g.Wrap(mux)
}

func open(t *testing.T, o Options) *world { return start(t, o, (*httptest.Server).Start) }

func openTLS(t *testing.T, o Options) *world {
	o.TLS = true
	return start(t, o, (*httptest.Server).StartTLS)
}

func start(t *testing.T, o Options, serve func(*httptest.Server)) *world {
	t.Helper()
	w := &world{T: t, clock: newClock(), log: &book{}}
	o.Now, o.Log = w.clock.Now, zerolog.New(w.log)
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	g.accounts.fits = fitsOnce
	w.gate = g
	w.http = httptest.NewUnstartedServer(site(g))
	serve(w.http)
	t.Cleanup(w.http.Close)
	return w
}

// answer is what came back.
type answer struct {
	*http.Response
	body string
}

// ask sends a request as it stands, without following redirects or keeping
// cookies. Headers are "Name: value"; "Host: x" sets the host.
func (w *world) ask(method, path, body string, headers ...string) answer {
	w.Helper()
	r, err := http.NewRequestWithContext(w.Context(), method, w.http.URL+path, strings.NewReader(body))
	if err != nil {
		w.Fatal(err)
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			r.Host = value
			continue
		}
		r.Header.Add(name, value)
	}
	client := &http.Client{
		Transport: w.http.Client().Transport, Timeout: 30 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	got, err := client.Do(r)
	if err != nil {
		w.Fatal(err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		w.Fatal(err)
	}
	return answer{got, string(text)}
}

func (w *world) get(path string, headers ...string) answer {
	w.Helper()
	return w.ask(http.MethodGet, path, "", headers...)
}

const (
	asForm   = "Content-Type: application/x-www-form-urlencoded"
	asPerson = "Accept: text/html,application/xhtml+xml"
)

// login sends the form.
func (w *world) login(name, password, next string, headers ...string) answer {
	w.Helper()
	form := url.Values{"name": {name}, "password": {password}, "next": {next}}.Encode()
	return w.ask(http.MethodPost, "/login", form, append([]string{asForm, asPerson}, headers...)...)
}

// enter logs in and returns the header with the cookie.
func (w *world) enter(name, password string) (cookie string) {
	w.Helper()
	got := w.login(name, password, "/")
	if got.StatusCode != http.StatusSeeOther || len(got.Cookies()) != 1 {
		w.Fatalf("%s cannot log in: %s %s", name, got.Status, got.body)
	}
	return "Cookie: " + got.Cookies()[0].Name + "=" + got.Cookies()[0].Value
}

// wants checks the status of an answer.
func (a answer) wants(t testing.TB, status int, what ...any) answer {
	t.Helper()
	if a.StatusCode != status {
		t.Errorf("%s: want %d, got %d: %s", fmt.Sprint(what...), status, a.StatusCode, a.body)
	}
	return a
}

// says checks that the text of an answer has a part.
func (a answer) says(t testing.TB, part string) answer {
	t.Helper()
	if !strings.Contains(a.body, part) {
		t.Errorf("want %q, got %q", part, a.body)
	}
	return a
}
