package gate

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

func TestLoginAndLogout(t *testing.T) {
	w := open(t, shopOptions(t))
	w.get("/", asPerson).wants(t, 401, "before").says(t, "login problem=need-login next=/")
	w.get("/login").wants(t, 200).says(t, "login problem= next=/")
	w.get("/login?next=/floor/heron%3Ftab%3D2").says(t, "next=/floor/heron?tab=2")

	got := w.login("tomas", operatorPassword, "/floor/heron?tab=2").wants(t, 303)
	if to := got.Header.Get("Location"); to != "/floor/heron?tab=2" {
		t.Errorf("want the way back, got %s", to)
	}
	cookie := w.enter("  tomas ", operatorPassword)
	w.get("/", cookie).wants(t, 200).says(t, `user="tomas" role=operator known=true`)
	w.get("/login?next=/x", cookie).wants(t, 303, "logged in already")
	w.get("/logout", cookie).wants(t, 405)
	w.get("/", cookie).wants(t, 200, "a link to /logout does nothing")

	out := w.ask("POST", "/logout", "", cookie).wants(t, 303)
	if c := out.Cookies(); len(c) != 1 || c[0].MaxAge >= 0 || c[0].Value != "" {
		t.Errorf("want the cookie taken away, got %v", c)
	}
	w.get("/", cookie).wants(t, 401, "after the logout")
	for _, part := range []string{`"message":"logged in"`, `"message":"logged out"`, `"user":"tomas"`, `"address":"127.0.0.1"`} {
		if !strings.Contains(w.log.String(), part) {
			t.Errorf("want %s in the log, got\n%s", part, w.log)
		}
	}
}

func TestWrongLogins(t *testing.T) {
	w := open(t, shopOptions(t))
	for _, test := range []struct{ name, password string }{
		{"tomas", "heron in north wind "}, {"tomas", ""}, {"tomas", viewerPassword}, {"nobody", operatorPassword},
		{"", ""}, {"Tomas", operatorPassword}, {"tomas\x00", operatorPassword},
		{strings.Repeat("x", 100), operatorPassword}, {"tomas", strings.Repeat("x", 2000)},
	} {
		got := w.login(test.name, test.password, "/floor").wants(t, 401, test.name).says(t, "login problem=wrong-login next=/floor")
		if len(got.Cookies()) != 0 || got.Header.Get("WWW-Authenticate") == "" {
			t.Errorf("%s: want no cookie and a challenge, got %v", test.name, got.Header)
		}
		w.clock.Pass(time.Minute)
	}
	w.ask("POST", "/login", "name=%zz", asForm, asPerson).wants(t, 400).says(t, "problem=bad-form")
	w.ask("POST", "/login", "name="+strings.Repeat("x", maxForm), asForm, asPerson).wants(t, 400)
	w.ask("POST", "/login?name=tomas&password="+url.QueryEscape(operatorPassword), "", asForm).wants(t, 401, "a password in an address")
	w.ask("PUT", "/login", "", asForm).wants(t, 405)
}

// TestNoFixation plants a session id before the login, and looks for the id
// that was used before it afterwards.
func TestNoFixation(t *testing.T) {
	w := open(t, shopOptions(t))
	planted := "Cookie: rollwarden=" + strings.Repeat("A", 43)
	got := w.login("tomas", operatorPassword, "/", planted).wants(t, 303)
	w.get("/", planted).wants(t, 401, "the planted id")

	first := "Cookie: rollwarden=" + got.Cookies()[0].Value
	again := w.login("tomas", operatorPassword, "/", first).wants(t, 303)
	if again.Cookies()[0].Value == got.Cookies()[0].Value {
		t.Error("want a new id with each login")
	}
	w.get("/", first).wants(t, 401, "the id of before")
	if len(again.Cookies()[0].Value) != 43 { // 256 bits as base64 without padding
		t.Errorf("want 256 bits, got %q", again.Cookies()[0].Value)
	}
}

// TestCookies checks the attributes of RFC 6265bis: over TLS the prefix __Host-
// asks for Secure, the path / and no domain.
func TestCookies(t *testing.T) {
	for name, w := range map[string]*world{"rollwarden": open(t, shopOptions(t)), "__Host-rollwarden": openTLS(t, shopOptions(t))} {
		got := w.login("mira", viewerPassword, "/").wants(t, 303)
		c := got.Cookies()[0]
		if c.Name != name || c.Secure != (name == "__Host-rollwarden") || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.MaxAge != 0 {
			t.Errorf("got %s", got.Header.Get("Set-Cookie"))
		}
		w.get("/", "Cookie: "+c.Name+"="+c.Value).wants(t, 200)
		other := map[string]string{"rollwarden": "__Host-rollwarden", "__Host-rollwarden": "rollwarden"}[name]
		w.get("/", "Cookie: "+other+"="+c.Value).wants(t, 401, "a cookie of the other kind")
		// A subdomain or another port can plant a second cookie of that name.
		w.get("/", "Cookie: "+c.Name+"=planted; "+c.Name+"="+c.Value).wants(t, 200, "beside a planted one")
	}
}

func TestSessionsEnd(t *testing.T) {
	o := shopOptions(t)
	o.Idle, o.Lasts = time.Hour, 3*time.Hour
	w := open(t, o)
	idle := w.enter("mira", viewerPassword)
	used := w.enter("mira", viewerPassword)
	for range 3 {
		w.clock.Pass(59 * time.Minute)
		w.get("/", used).wants(t, 200, "a session in use")
	}
	w.get("/", idle).wants(t, 401, "an idle session")
	w.clock.Pass(3 * time.Minute)
	w.get("/", used).wants(t, 401, "a session that is three hours old")
	if n := len(w.gate.sessions.table); n != 0 {
		t.Errorf("want none left, got %d", n)
	}
}

// TestSessionsAreBounded logs one user in without end: the oldest session goes,
// and that of another user stays.
func TestSessionsAreBounded(t *testing.T) {
	w := open(t, shopOptions(t))
	other := w.enter("ines", supervisorPassword)
	first := w.enter("mira", viewerPassword)
	for range maxSessions + 5 {
		w.clock.Pass(time.Minute)
		w.gate.sessions.start(User{"mira", Viewer})
	}
	if n := len(w.gate.sessions.table); n != maxSessions+1 {
		t.Errorf("want %d and the other user's, got %d", maxSessions, n)
	}
	w.get("/", first).wants(t, 401, "the oldest")
	w.get("/", other).wants(t, 200, "the other user's")
}

// TestStreamsEndWithTheirSession follows the floor past the idle time, logs out
// elsewhere, and lets a session grow too old.
func TestStreamsEndWithTheirSession(t *testing.T) {
	o := shopOptions(t) // before the bubble: hashing is no matter of time
	synctest.Test(t, func(t *testing.T) {
		o.Idle, o.Lasts, o.Now = time.Hour, 10*time.Hour, time.Now
		g, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		h := g.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/stream" {
				<-r.Context().Done()
			}
		}))
		serve := func(method, path, id string) int {
			r := httptest.NewRequest(method, "http://127.0.0.1:8477"+path, nil)
			r.AddCookie(&http.Cookie{Name: plainCookie, Value: id})
			rec := httptest.NewRecorder()
			h.ServeHTTP(rec, r)
			return rec.Code
		}
		var ended atomic.Int32
		follow := func(id string) { serve("GET", "/stream", id); ended.Add(1) }
		short, long := g.sessions.start(User{"mira", Viewer}), g.sessions.start(User{"ines", Supervisor})
		go follow(short)
		go follow(long)
		time.Sleep(5 * time.Hour)
		if ended.Load() != 0 || serve("GET", "/", short) != 200 {
			t.Error("want a session with an open stream to be in use")
		}
		if serve("POST", "/logout", short) != 303 {
			t.Error("cannot log out")
		}
		synctest.Wait()
		if ended.Load() != 1 {
			t.Errorf("want the logout to end its stream alone, got %d", ended.Load())
		}
		time.Sleep(5 * time.Hour)
		synctest.Wait()
		if ended.Load() != 2 || serve("GET", "/", long) != 401 {
			t.Errorf("want the stream of a session that is too old to end, got %d", ended.Load())
		}
	})
}

// TestLoginFloodOfOneAddress guesses one name after the other.
func TestLoginFloodOfOneAddress(t *testing.T) {
	w := open(t, shopOptions(t))
	for i := range loginBurst {
		w.login("guess"+strconv.Itoa(i), "wrong password", "/").wants(t, 401)
	}
	got := w.login("tomas", operatorPassword, "/floor").wants(t, 429, "the right one, too soon").says(t, "problem=too-many next=/floor")
	if after, err := strconv.Atoi(got.Header.Get("Retry-After")); err != nil || after != int(addressEvery.Seconds()) {
		t.Errorf("want Retry-After %v, got %q", addressEvery, got.Header.Get("Retry-After"))
	}
	w.clock.Pass(addressEvery)
	w.login("tomas", operatorPassword, "/").wants(t, 303, "after waiting")
}

// TestLoginFloodOfOneName guesses one password from many addresses, which the
// proxy tells.
func TestLoginFloodOfOneName(t *testing.T) {
	o := shopOptions(t)
	o.BehindProxy = true
	w := open(t, o)
	from := func(i int) []string {
		return []string{"X-Forwarded-Proto: https", "X-Forwarded-For: 198.51.100.7, 203.0.113." + strconv.Itoa(i)}
	}
	for i := range loginBurst {
		w.login("tomas", "wrong password", "/", from(i)...).wants(t, 401)
	}
	w.login("tomas", operatorPassword, "/", from(100)...).wants(t, 429)
	w.login("ines", supervisorPassword, "/", from(100)...).wants(t, 303, "another name")
	w.clock.Pass(nameEvery)
	w.login("tomas", operatorPassword, "/", from(100)...).wants(t, 303, "after waiting")
}

// TestWhoIsSlowedDownSlowsNobody goes on guessing from an address that has to wait:
// the owner of the name, elsewhere, logs in all the same.
func TestWhoIsSlowedDownSlowsNobody(t *testing.T) {
	o := shopOptions(t)
	o.BehindProxy = true
	w := open(t, o)
	from := func(i int) []string {
		return []string{"X-Forwarded-Proto: https", "X-Forwarded-For: 203.0.113." + strconv.Itoa(i)}
	}
	for i := range loginBurst {
		w.login("guess"+strconv.Itoa(i), "wrong password", "/", from(1)...).wants(t, 401)
	}
	for range 2 * loginBurst {
		w.login("tomas", "wrong password", "/", from(1)...).wants(t, 429)
	}
	w.login("tomas", operatorPassword, "/", from(2)...).wants(t, 303, "the owner of the name")
	if got := w.gate.RefusedLogins(); got != 3*loginBurst {
		t.Errorf("%d logins were refused, and the gate counts %d", 3*loginBurst, got)
	}
}

// TestVerificationsAreBounded floods the server with logins from as many
// addresses, and counts what runs at once.
func TestVerificationsAreBounded(t *testing.T) {
	o := shopOptions(t)
	synctest.Test(t, func(t *testing.T) {
		g, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		var running, answered, busy atomic.Int32
		var over atomic.Bool
		release := make(chan struct{})
		g.accounts.fits = func(*hash, string) bool {
			if running.Add(1) > maxVerifying {
				over.Store(true)
			}
			<-release
			running.Add(-1)
			return false
		}
		h := g.Wrap(http.NotFoundHandler())
		const flood = 500
		var all sync.WaitGroup
		for i := range flood {
			all.Go(func() {
				r := httptest.NewRequest("POST", "http://127.0.0.1:8477/login", strings.NewReader("name=guess"+strconv.Itoa(i)+"&password=wrong"))
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				r.RemoteAddr = netip.AddrPortFrom(netip.AddrFrom4([4]byte{198, 51, byte(i / 250), byte(i % 250)}), 1).String()
				rec := httptest.NewRecorder()
				h.ServeHTTP(rec, r)
				answered.Add(1)
				if rec.Code == http.StatusServiceUnavailable && rec.Header().Get("Retry-After") != "" {
					busy.Add(1)
				}
			})
		}
		synctest.Wait()
		if running.Load() != maxVerifying || answered.Load() != flood-maxVerifying-maxWaiting || busy.Load() != answered.Load() {
			t.Errorf("want %d running, %d waiting and the rest told to come back, got %d running, %d answered, %d of them busy",
				maxVerifying, maxWaiting, running.Load(), answered.Load(), busy.Load())
		}
		close(release)
		all.Wait()
		if over.Load() {
			t.Errorf("want at most %d at once", maxVerifying)
		}
	})
}

// openRedirects are addresses that lead elsewhere, or nowhere; the tricks are
// those of the OWASP "Unvalidated Redirects and Forwards Cheat Sheet" and of the
// URL parser of browsers (WHATWG URL, section 4.4).
var openRedirects = []string{
	"//evil.example", `/\evil.example`, `\\evil.example`, `\/evil.example`, "http://evil.example", "https:evil.example", "http:", "javascript:alert(1)",
	"/\t/evil.example", "/\n/evil.example", "/\r/evil.example", "\t//evil.example", " //evil.example", "///evil.example", "evil.example", "?x", "#x",
	"/login", "/login?next=/login", "/logout", "", "/%zz", "/a\x00", "/" + strings.Repeat("a", maxNext), "http://127.0.0.1:8477/",
}

func TestNoOpenRedirect(t *testing.T) {
	w := open(t, shopOptions(t))
	for _, next := range openRedirects {
		w.clock.Pass(nameEvery)
		got := w.login("mira", viewerPassword, next).wants(t, 303)
		if to := got.Header.Get("Location"); to != "/" {
			t.Errorf("%.40q leads to %q", next, to)
		}
		w.get("/login?next="+url.QueryEscape(next)).wants(t, 200).says(t, "next=/")
	}
	for _, next := range []string{"/", "/floor/heron", "/floor/heron?tab=2#x", "/report/2026-03?from=//evil.example", "/a%2Fb", "/größe"} {
		if got := localPath(next); got != next {
			t.Errorf("want %q, got %q", next, got)
		}
	}
}

// FuzzNext follows what is let through, once as RFC 3986 section 5.2 says and
// once as lax as a browser, and wants to stay on the server.
func FuzzNext(f *testing.F) {
	for _, next := range openRedirects {
		f.Add(next)
	}
	f.Add("/floor/heron?tab=2#x")
	base, err := url.Parse("https://board.example/login")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, next string) {
		rec := httptest.NewRecorder()
		http.Redirect(rec, httptest.NewRequest("POST", base.String(), nil), localPath(next), http.StatusSeeOther)
		to := rec.Header().Get("Location")
		got, err := base.Parse(to)
		if err != nil || got.Host != base.Host || got.Scheme != base.Scheme || got.User != nil {
			t.Errorf("%q leads to %v, %v", next, got, err)
		}
		lax := strings.NewReplacer("\t", "", "\n", "", "\r", "", `\`, "/").Replace(strings.TrimFunc(to, func(r rune) bool { return r <= ' ' }))
		if !strings.HasPrefix(lax, "/") || strings.HasPrefix(lax, "//") {
			t.Errorf("%q leads a browser to %q", next, lax)
		}
	})
}

// TestLinksFromElsewhere opens a link in a mail: the browser sends no cookie
// with it, is told to ask again, and then sends it.
func TestLinksFromElsewhere(t *testing.T) {
	w := open(t, shopOptions(t))
	cookie := w.enter("mira", viewerPassword)
	link := []string{asPerson, "Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate", "Sec-Fetch-User: ?1"}
	got := w.get("/floor/heron?tab=2", link...).wants(t, 401)
	if to := got.Header.Get("Refresh"); to != "0; url=/floor/heron?tab=2" {
		t.Errorf("want the browser to ask again, got %q", to)
	}
	again := []string{asPerson, "Sec-Fetch-Site: same-origin", "Sec-Fetch-Mode: navigate"}
	w.get("/floor/heron?tab=2", again...).wants(t, 401).says(t, "login problem=need-login next=/floor/heron?tab=2")
	w.get("/floor/heron?tab=2", append(again, cookie)...).wants(t, 200)
	// A browser that would count the second request as cross-site asks no third time.
	w.get("/", link[:3]...).wants(t, 401).says(t, "login problem=need-login")
}

// TestSessionEndsUnderAForm sends a form after its session has ended: the
// person comes back to the page with the form.
func TestSessionEndsUnderAForm(t *testing.T) {
	w := open(t, shopOptions(t))
	for referer, want := range map[string]string{w.http.URL + "/floor/heron?tab=2": "/floor/heron?tab=2", "https://evil.example/x": "/", "": "/", ":": "/"} {
		w.ask("POST", "/floor/heron/edge", "", asPerson, "Referer: "+referer).wants(t, 401).says(t, "login problem=need-login next="+want)
	}
}

// TestSessionsOutliveAGate puts a gate in the place of another one, with one
// account as it was, one with another role, one with another password, and one
// gone.
func TestSessionsOutliveAGate(t *testing.T) {
	o := shopOptions(t)
	o.Users = append(o.Users, account(t, "ada", Viewer, viewerPassword))
	before := open(t, o)
	same, role, password, gone := before.enter("tomas", operatorPassword), before.enter("mira", viewerPassword),
		before.enter("ada", viewerPassword), before.enter("ines", supervisorPassword)

	o = shopOptions(t)
	o.Users = []Account{account(t, "tomas", Operator, operatorPassword), account(t, "mira", Operator, viewerPassword), account(t, "ada", Viewer, operatorPassword)}
	o.Lasts = time.Hour
	after := open(t, o)
	before.get("/", gone).wants(t, 200, "as long as the gate before is in use")
	after.gate.Succeed(before.gate)
	after.get("/", same).wants(t, 200, "the same account").says(t, `user="tomas"`)
	for who, cookie := range map[string]string{"another role": role, "another password": password, "nobody any more": gone} {
		after.get("/", cookie).wants(t, 401, who)
	}
	again := after.enter("mira", viewerPassword)
	after.clock.Pass(2 * time.Hour)
	before.clock.Pass(2 * time.Hour)
	after.get("/", again).wants(t, 401, "the limit of the new gate")
	after.get("/", same).wants(t, 200, "what was promised at the login")
	after.ask("POST", "/logout", "", same).wants(t, 303)
	after.get("/", same).wants(t, 401, "logged out")
}
