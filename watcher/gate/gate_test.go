package gate

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// TestWhatRefusesToStart gives addresses that are not safe, and what makes them
// so.
func TestWhatRefusesToStart(t *testing.T) {
	shop := shopOptions(t)
	for name, test := range map[string]struct {
		change func(*Options)
		want   string
	}{
		"loopback":             {func(*Options) {}, ""},
		"loopback, login":      {func(o *Options) { o.Users, o.LoginPage = shop.Users, shop.LoginPage }, ""},
		"localhost":            {func(o *Options) { o.Listen = "localhost:0" }, ""},
		"IPv6 loopback":        {func(o *Options) { o.Listen = "[::1]:8477" }, ""},
		"every network":        {func(o *Options) { o.Listen = ":8477" }, "want users or tokens (http.users, http.tokens)"},
		"an address":           {func(o *Options) { o.Listen = "192.0.2.7:8477" }, "want users or tokens"},
		"a name":               {func(o *Options) { o.Listen = "board.shop.example:8477" }, "want users or tokens"},
		"TLS alone":            {func(o *Options) { o.Listen, o.TLS = "[::]:8477", true }, "want users or tokens"},
		"a login in clear":     {func(o *Options) { o.Listen, o.Tokens = ":8477", shop.Tokens }, "want http.tls.cert_file and key_file, or http.behind_proxy"},
		"a login over TLS":     {func(o *Options) { o.Listen, o.Tokens, o.TLS = ":8477", shop.Tokens, true }, ""},
		"a login behind proxy": {func(o *Options) { o.Listen, o.Tokens, o.BehindProxy = ":8477", shop.Tokens, true }, ""},
		"users, no page":       {func(o *Options) { o.Users = shop.Users }, "want LoginPage"},
		"a user twice":         {func(o *Options) { o.Users, o.LoginPage = append(shop.Users, shop.Users[0]), shop.LoginPage }, `two users are called "mira"`},
		"a token twice":        {func(o *Options) { o.Tokens = append(shop.Tokens, shop.Tokens[0]) }, `two tokens are called "prometheus"`},
		"a host with a port":   {func(o *Options) { o.Hosts = []string{"board:443"} }, `host "board:443": want a name`},
		"no port":              {func(o *Options) { o.Listen = "127.0.0.1" }, "want users or tokens"},
		"public address":       {func(o *Options) { o.PublicURL = "https://[::" }, "public address"},
	} {
		o := Options{Listen: "127.0.0.1:8477"}
		test.change(&o)
		_, err := New(o)
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: want %q, got %v", name, test.want, err)
		}
	}
}

// TestOpenServer asks for no login and still refuses what other sites send.
func TestOpenServer(t *testing.T) {
	w := open(t, Options{Listen: "127.0.0.1:8477"})
	w.get("/").wants(t, 200).says(t, `user="" role=supervisor known=true`)
	w.ask("POST", "/floor", "").wants(t, 200).says(t, "role=supervisor")
	w.get("/login?next=/x").wants(t, 303)
	w.get("/", "Authorization: Bearer of-somebody-else").wants(t, 200, "nothing to compare it with")
	w.ask("POST", "/", "", "Sec-Fetch-Site: cross-site").wants(t, 403)
	w.get("/", "Host: evil.example").wants(t, 421)
}

// TestRoles tries every kind of request as everybody.
func TestRoles(t *testing.T) {
	w := open(t, shopOptions(t))
	everybody := map[string]string{
		"nobody": "X-Nobody: 1", "mira": w.enter("mira", viewerPassword), "tomas": w.enter("tomas", operatorPassword), "ines": w.enter("ines", supervisorPassword),
		"prometheus": "Authorization: Bearer " + scrapeToken, "feed": "authorization: bearer " + feedToken,
	}
	all := "nobody mira tomas ines prometheus feed"
	for _, test := range []struct{ method, path, may string }{
		{"GET", "/", "mira tomas ines prometheus feed"},
		{"HEAD", "/floor/heron", "mira tomas ines prometheus feed"},
		{"GET", "/metrics", "mira tomas ines prometheus feed"},
		{"GET", "/api/v1/floor", "mira tomas ines prometheus feed"},
		{"POST", "/floor/heron/edge", "tomas ines feed"},
		{"PUT", "/api/v1/x", "tomas ines feed"},
		{"DELETE", "/api/v1/x", "tomas ines feed"},
		{"PATCH", "/api/v1/x", "tomas ines feed"},
		{"OPTIONS", "/api/v1/x", "tomas ines feed"},
		{"BREW", "/", "tomas ines feed"},
		{"GET", "/healthz", all},
		{"GET", "/readyz", all},
		{"GET", "/assets/board.css", all},
		{"POST", "/assets/board.css", "tomas ines feed"},
		{"POST", "/healthz", "tomas ines feed"},
		// Ways to make a private path look public.
		{"GET", "/assets/../metrics", "mira tomas ines prometheus feed"},
		{"GET", "/assets/%2e%2e/metrics", "mira tomas ines prometheus feed"},
		{"GET", "/assets/%252e%252e/metrics", "mira tomas ines prometheus feed"},
		{"GET", `/assets/..\metrics`, "mira tomas ines prometheus feed"},
		{"GET", "/assets", "mira tomas ines prometheus feed"},
		{"GET", "/healthz/x", "mira tomas ines prometheus feed"},
		{"GET", "/Healthz", "mira tomas ines prometheus feed"},
		{"GET", "//healthz", "mira tomas ines prometheus feed"},
	} {
		for name, header := range everybody {
			got := w.ask(test.method, test.path, "", header)
			may := strings.Contains(" "+test.may+" ", " "+name+" ")
			refused := got.StatusCode == 401 || got.StatusCode == 403
			if may == refused || (name == "nobody" && refused && got.StatusCode != 401) {
				t.Errorf("%s %s as %s: got %d", test.method, test.path, name, got.StatusCode)
			}
		}
	}
}

// TestNobodyWithoutAGate asks who sent a request that passed no gate.
func TestNobodyWithoutAGate(t *testing.T) {
	if u, ok := Who(httptest.NewRequest("GET", "/", nil)); ok || u != (User{}) {
		t.Errorf("want nobody, got %v", u)
	}
}

func TestBearer(t *testing.T) {
	w := open(t, shopOptions(t))
	cookie := w.enter("ines", supervisorPassword)
	w.get("/metrics", "Authorization: Bearer "+scrapeToken).wants(t, 200).says(t, `user="prometheus" role=viewer`)
	for _, header := range []string{
		"Authorization: Bearer " + strings.ToUpper(scrapeToken), "Authorization: Bearer " + scrapeToken[:31], "Authorization: Bearer " + scrapeToken + "0",
		"Authorization: Bearer", "Authorization: Bearer ", "Authorization: bearer " + scrapeToken + " " + feedToken,
	} {
		// RFC 6750 section 3.1: an invalid token is 401 with that error.
		got := w.get("/metrics", header, cookie).wants(t, 401, header)
		if got.Header.Get("WWW-Authenticate") != `Bearer realm="rollwarden", error="invalid_token"` {
			t.Errorf("got %q", got.Header.Get("WWW-Authenticate"))
		}
	}
	w.get("/metrics", "Authorization: Basic "+scrapeToken).wants(t, 401)
	w.get("/metrics?access_token="+scrapeToken).wants(t, 401, "a token in an address")
	w.get("/metrics", "Cookie: rollwarden="+scrapeToken).wants(t, 401, "a token as a session")

	for range badTokenBurst {
		w.get("/", "Authorization: Bearer wrong")
	}
	w.get("/", "Authorization: Bearer wrong").wants(t, 429)
	w.get("/metrics", "Authorization: Bearer "+scrapeToken).wants(t, 200, "the right one from the same address")

	for _, secret := range []string{"", "short", strings.Repeat("x", 31), strings.Repeat("x", 40) + " y", strings.Repeat("ä", 40), strings.Repeat("x", 600)} {
		if _, err := NewToken("feed", Viewer, secret); err == nil || secret != "" && strings.Contains(err.Error(), secret) {
			t.Errorf("%.10q: want it refused and not shown, got %v", secret, err)
		}
	}
}

// TestOnlyPrograms has tokens and no users, so there is no login page.
func TestOnlyPrograms(t *testing.T) {
	o := Options{Listen: "127.0.0.1:8477", Tokens: shopOptions(t).Tokens}
	w := open(t, o)
	w.get("/login", asPerson).wants(t, 401).says(t, "send a bearer token")
	w.get("/", asPerson).wants(t, 401).says(t, "send a bearer token")
	w.login("ines", supervisorPassword, "/").wants(t, 401)
	w.get("/", "Authorization: Bearer "+feedToken).wants(t, 200)
}

// TestCrossSite sends what a browser sends for a page of another site. The
// values are those of Fetch Metadata (W3C) and of the Origin header (RFC 6454).
func TestCrossSite(t *testing.T) {
	o := shopOptions(t)
	o.PublicURL = "https://board.kestrel-lane.example/"
	w := open(t, o)
	cookie := w.enter("tomas", operatorPassword)
	own := "Origin: " + w.http.URL
	for _, test := range []struct {
		headers []string
		ok      bool
	}{
		{[]string{"Sec-Fetch-Site: cross-site"}, false},
		{[]string{"Sec-Fetch-Site: same-site"}, false}, // another port or name of this computer
		{[]string{"Sec-Fetch-Site: cross-site", own}, false},
		{[]string{"Sec-Fetch-Site: odd"}, false},
		{[]string{"Sec-Fetch-Site: same-origin", own}, true},
		{[]string{"Sec-Fetch-Site: none"}, true},
		{[]string{"Origin: https://evil.example"}, false},
		{[]string{"Origin: null"}, false},
		{[]string{"Origin: http://127.0.0.1:1"}, false},
		{[]string{"Origin: http://127.0.0.1.evil.example"}, false},
		{[]string{own}, true},
		{[]string{"Origin: https://board.kestrel-lane.example"}, true},
		{[]string{"Origin: https://board.kestrel-lane.example", "Sec-Fetch-Site: same-origin"}, true},
		{nil, true}, // no browser
	} {
		for _, method := range []string{"POST", "PUT", "PATCH", "DELETE"} {
			got := w.ask(method, "/floor/heron/edge", "", append(test.headers, cookie, asPerson)...)
			if test.ok {
				got.wants(t, 200, method, test.headers)
			} else {
				got.wants(t, 403, method, test.headers).says(t, "page kind=cross-site")
			}
		}
		w.get("/", append(test.headers, cookie)...).wants(t, 200, "reading", test.headers)
	}
	w.login("tomas", operatorPassword, "/", "Sec-Fetch-Site: cross-site").wants(t, 403, "logging somebody in from elsewhere")
	w.ask("POST", "/logout", "", cookie, "Origin: https://evil.example").wants(t, 403, "logging somebody out from elsewhere")
	w.get("/", cookie).wants(t, 200)
}

// TestHeaders finds the headers on every kind of answer.
func TestHeaders(t *testing.T) {
	o := shopOptions(t)
	w := openTLS(t, o)
	answers := map[string]answer{
		"page": w.get("/", "Authorization: Bearer "+scrapeToken), "login": w.get("/login"), "nobody": w.get("/"), "probe": w.get("/healthz"),
		"role": w.ask("POST", "/", "", "Authorization: Bearer "+scrapeToken), "host": w.get("/", "Host: evil.example"),
		"cross-site": w.ask("POST", "/", "", "Origin: null"), "wrong": w.login("mira", "wrong", "/"), "right": w.login("mira", viewerPassword, "/"),
	}
	want := map[string]string{
		"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
			"base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
		"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin", "Cache-Control": "no-store",
		"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin", "Strict-Transport-Security": "max-age=31536000",
	}
	for name, got := range answers {
		for header, value := range want {
			if got.Header.Get(header) != value {
				t.Errorf("%s: want %s: %s, got %q", name, header, value, got.Header.Get(header))
			}
		}
		if !strings.Contains(got.Header.Get("Permissions-Policy"), "camera=()") {
			t.Errorf("%s: got %q", name, got.Header.Get("Permissions-Policy"))
		}
	}
	if got := open(t, o).get("/login").Header.Get("Strict-Transport-Security"); got != "" {
		t.Errorf("want no HSTS without TLS, got %q", got)
	}
}

// TestProblems checks the members of RFC 9457 section 3.1.
func TestProblems(t *testing.T) {
	w := open(t, shopOptions(t))
	for _, test := range []struct {
		got    answer
		status int
		kind   string
	}{
		{w.get("/api/v1/floor"), 401, NeedLogin},
		{w.get("/api/v1/floor", asPerson), 401, NeedLogin},
		{w.get("/floor/heron", "Accept: application/json"), 401, NeedLogin},
		{w.get("/floor/heron", "Accept: application/problem+json, application/json;q=0.9"), 401, NeedLogin},
		{w.get("/api/v1/floor", "Authorization: Bearer wrong"), 401, WrongToken},
		{w.ask("POST", "/api/v1/x", "", "Authorization: Bearer "+scrapeToken), 403, NeedRole},
		{w.ask("POST", "/api/v1/x", "", "Sec-Fetch-Site: cross-site"), 403, CrossSite},
		{w.get("/api/\xff\"", "Host: evil.example"), 421, WrongHost},
		{w.get("/api/<b>&'x'"), 401, NeedLogin},
	} {
		test.got.wants(t, test.status)
		var p struct {
			Type, Title, Detail, Instance, Kind string
			Status                              int
		}
		if err := json.Unmarshal([]byte(test.got.body), &p); err != nil {
			t.Fatalf("%v: %s", err, test.got.body)
		}
		if test.got.Header.Get("Content-Type") != "application/problem+json" || p.Type != "about:blank" || p.Title != http.StatusText(test.status) ||
			p.Status != test.status || p.Detail == "" || !strings.HasPrefix(p.Instance, "/") || p.Kind != test.kind {
			t.Errorf("got %s", test.got.body)
		}
		if strings.ContainsAny(test.got.body, "<>&") {
			t.Errorf("markup stands in %s", test.got.body)
		}
	}
	w.get("/", "Accept: */*").wants(t, 401).says(t, "nobody is logged in: log in at /login")
	w.ask("POST", "/api/v1/x", "a=b", asForm, asPerson, "Referer: "+w.http.URL+"/floor/heron").wants(t, 401, "a form of a browser").says(t, "login problem=need-login next=/floor/heron")
	w.ask("POST", "/api/v1/x", "a=b", asForm, asPerson, "Sec-Fetch-Site: cross-site").wants(t, 403).says(t, "page kind=cross-site")
	w.ask("POST", "/api/v1/x", "a=b", asForm).wants(t, 401, "a form of a program").says(t, `"kind": "need-login"`)
	w.ask("POST", "/login", "name=mira&password=wrong", asForm, "Accept: application/json").wants(t, 401).says(t, `"kind": "wrong-login"`)
	for kind, why := range refusals {
		if why.detail == "" || http.StatusText(why.status) == "" {
			t.Errorf("%s has no text", kind)
		}
	}
}

// TestSecretsStayInside does everything that handles a secret, and looks for it
// in the log, in answers and in errors.
func TestSecretsStayInside(t *testing.T) {
	w := openTLS(t, shopOptions(t))
	const wrongPassword, wrongToken = "mistyped-secret-of-mira", "mistyped-secret-of-prometheus-12345678"
	var bodies strings.Builder
	note := func(a answer) answer { bodies.WriteString(a.body); return a }
	id := note(w.login("mira", viewerPassword, "/")).Cookies()[0].Value
	cookie := "Cookie: __Host-rollwarden=" + id
	note(w.get("/", cookie))
	note(w.login("mira", wrongPassword, "/"))
	note(w.login(wrongPassword, "x", "/")) // into the wrong field
	note(w.get("/", "Cookie: __Host-rollwarden="+wrongToken))
	note(w.get("/", "Authorization: Bearer "+scrapeToken))
	note(w.get("/", "Authorization: Bearer "+wrongToken))
	note(w.get("/?token="+wrongToken, asPerson, "Host: evil.example"))
	note(w.ask("POST", "/x", "", cookie))
	note(w.ask("POST", "/logout", "", cookie))
	secrets := []string{viewerPassword, wrongPassword, scrapeToken, wrongToken, id, "argon2id", cheapHashes()[viewerPassword][40:]}
	for _, secret := range secrets {
		if strings.Contains(w.log.String(), secret) {
			t.Errorf("%q is in the log:\n%s", secret, w.log)
		}
		if strings.Contains(bodies.String(), secret) {
			t.Errorf("%q is in an answer:\n%s", secret, bodies.String())
		}
	}
	for _, kind := range []string{WrongLogin, WrongToken, NeedLogin, NeedRole, WrongHost} {
		if !strings.Contains(w.log.String(), `"kind":"`+kind+`"`) {
			t.Errorf("want %s in the log, got\n%s", kind, w.log)
		}
	}
	if n := strings.Count(w.log.String(), `"user":"mira"`); n != 4 { // in, failed, refused, out
		t.Errorf("want mira named four times, got %d in\n%s", n, w.log)
	}
}

func TestWritesAreLimited(t *testing.T) {
	o := shopOptions(t)
	o.WritesPerS, o.WriteBurst = 2, 5
	w := open(t, o)
	feed, tomas := "Authorization: Bearer "+feedToken, w.enter("tomas", operatorPassword)
	for range 5 {
		w.ask("POST", "/x", "", feed).wants(t, 200)
	}
	got := w.ask("POST", "/x", "", feed).wants(t, 429)
	if got.Header.Get("Retry-After") != "1" { // half a second, rounded up
		t.Errorf("want a second, got %q", got.Header.Get("Retry-After"))
	}
	w.get("/x", feed).wants(t, 200, "reading")
	w.ask("POST", "/x", "", tomas).wants(t, 200, "another client at the same address")
	w.clock.Pass(500_000_000)
	w.ask("POST", "/x", "", feed).wants(t, 200, "after waiting")
	w.ask("POST", "/x", "", feed).wants(t, 429)
}

// TestStreams fills the places of one client, and then all.
func TestStreams(t *testing.T) {
	g, err := New(Options{Listen: "127.0.0.1:0", Streams: 5, StreamsPerClient: 3})
	if err != nil {
		t.Fatal(err)
	}
	in, leave := make(chan int), make(chan struct{})
	h := g.Wrap(g.Stream(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { in <- http.StatusOK; <-leave })))
	var all sync.WaitGroup
	follow := func(address string) int {
		all.Go(func() {
			r := httptest.NewRequest("GET", "http://127.0.0.1/stream", nil)
			r.RemoteAddr = address
			rec := httptest.NewRecorder()
			h.ServeHTTP(rec, r)
			if rec.Code != http.StatusOK {
				if rec.Header().Get("Retry-After") == "" {
					t.Error("want Retry-After")
				}
				in <- rec.Code
			}
		})
		return <-in
	}
	for i, test := range []struct {
		address string
		want    int
	}{
		{"192.0.2.1:1", 200}, {"192.0.2.1:2", 200}, {"192.0.2.1:3", 200}, {"192.0.2.1:4", 429},
		{"[2001:db8::1]:1", 200}, {"[2001:db8::2]:1", 200}, {"192.0.2.9:1", 429},
	} {
		if got := follow(test.address); got != test.want {
			t.Errorf("%d, %s: want %d, got %d", i, test.address, test.want, got)
		}
	}
	close(leave)
	all.Wait()
	if g.streams.total != 0 || len(g.streams.of) != 0 {
		t.Errorf("want every place given back, got %+v", g.streams)
	}
}
