package gate

import (
	"math"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/rs/zerolog"
)

// The kinds of refusal, as the pages that are drawn for them, the problems that
// programs get and the log name them.
const (
	NeedLogin   = "need-login"   // nobody is logged in, or no longer
	WrongLogin  = "wrong-login"  // name and password do not belong together
	WrongToken  = "wrong-token"  // the bearer token is none
	NeedRole    = "need-role"    // the user may not do that
	CrossSite   = "cross-site"   // another site sent it
	WrongHost   = "wrong-host"   // it was meant for another server
	NeedTLS     = "need-tls"     // it came in clear
	WrongMethod = "wrong-method" // the path has no such method
	BadForm     = "bad-form"     // the form cannot be read
	TooMany     = "too-many"     // too much at once
	Busy        = "busy"         // too many log in at this moment
)

// refusal is how a kind is answered.
type refusal struct {
	status int
	detail string // what happened and what to do, for a program or a log
}

var refusals = map[string]refusal{
	NeedLogin:   {http.StatusUnauthorized, "nobody is logged in: log in at /login, or send a bearer token of http.tokens"},
	WrongLogin:  {http.StatusUnauthorized, "name and password do not belong together"},
	WrongToken:  {http.StatusUnauthorized, "the bearer token is not one of http.tokens"},
	NeedRole:    {http.StatusForbidden, "this needs a higher role: ask somebody who has it, or change the role in http.users or http.tokens"},
	CrossSite:   {http.StatusForbidden, "another site sent this: open the board itself and do it there"},
	WrongHost:   {http.StatusMisdirectedRequest, "the server is not known by this name: use the address of http.listen or http.public_url, or add the name to http.hosts"},
	NeedTLS:     {http.StatusForbidden, "this came in clear: use the https address of the proxy, which has to send X-Forwarded-Proto: https from a loopback or private address"},
	WrongMethod: {http.StatusMethodNotAllowed, "this path has no such method"},
	BadForm:     {http.StatusBadRequest, "the form cannot be read: want name, password and next as application/x-www-form-urlencoded"},
	TooMany:     {http.StatusTooManyRequests, "too much at once: try again later"},
	Busy:        {http.StatusServiceUnavailable, "too many log in at this moment: try again in a few seconds"},
}

// busyWait is told to those who meet a queue of logins.
const busyWait = 5 * time.Second

// So many refusals of strangers are written down of each kind, in each such time:
// anybody can ask for them, and the log must not fill the disk that the journal is
// on. The figures are ours.
const (
	tellBurst = 10
	tellEvery = time.Minute
)

// strangers are the logs of refusals without a login, by their kind, so that many of
// one hide no other.
func strangers(log zerolog.Logger) map[string]zerolog.Logger {
	logs := map[string]zerolog.Logger{}
	for kind := range refusals {
		logs[kind] = log.Sample(&zerolog.BurstSampler{Burst: tellBurst, Period: tellEvery})
	}
	return logs
}

// refuse answers a request that is not let through, and logs that. Whoever is
// only not logged in yet is no news.
func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, kind string, after time.Duration) {
	level := zerolog.WarnLevel
	if kind == NeedLogin {
		level = zerolog.InfoLevel
	}
	u, known := Who(r)
	log := g.strangers[kind]
	if known {
		log = g.o.Log
	}
	e := log.WithLevel(level).Str("kind", kind).Str("method", short(r.Method)).Str("path", short(r.URL.Path)).Str("address", g.address(r))
	if known {
		e = e.Str("user", u.Name)
	}
	if kind == WrongHost {
		e = e.Str("host", short(r.Host))
	}
	e.Msg("refused")
	g.announce(w, kind, after)
	g.answer(w, r, kind)
}

// refuseRole refuses who may not do something, or lets nobody log in first.
func (g *Gate) refuseRole(w http.ResponseWriter, r *http.Request, v *visit) {
	if v.user.Role < Viewer {
		g.refuse(w, r, NeedLogin, 0)
		return
	}
	g.refuse(w, r, NeedRole, 0)
}

// short keeps a text from outside from filling the log.
func short(s string) string {
	const most = 120
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}

// announce sets the headers that belong to a refusal: how to log in (RFC 9110
// section 11.6.1, RFC 6750 section 3) and when to come back (RFC 9110 section
// 10.2.3).
func (g *Gate) announce(w http.ResponseWriter, kind string, after time.Duration) {
	h := w.Header()
	if after > 0 {
		h.Set("Retry-After", strconv.Itoa(int(math.Ceil(after.Seconds()))))
	}
	switch {
	case kind == WrongToken:
		h.Set("WWW-Authenticate", `Bearer realm="rollwarden", error="invalid_token"`)
	case refusals[kind].status == http.StatusUnauthorized:
		h.Set("WWW-Authenticate", `Bearer realm="rollwarden"`)
	}
}

// answer writes a refusal for a program, a person or whoever else asks.
func (g *Gate) answer(w http.ResponseWriter, r *http.Request, kind string) {
	status := refusals[kind].status
	switch {
	case wantsJSON(r):
		writeProblem(w, r, kind)
	case !wantsHTML(r):
		plain(w, status, refusals[kind].detail)
	case kind == NeedLogin && g.o.LoginPage != nil:
		g.askLogin(w, r)
	case g.o.Page != nil:
		g.o.Page(w, r, status, kind)
	default:
		plain(w, status, refusals[kind].detail)
	}
}

// askLogin shows the login page in the place of the one that was asked for.
//
// A person who follows a link on another site, such as one in a page that was
// sent by mail, comes without the cookie, which is SameSite=Strict, whether he
// is logged in or not. The browser is then told to ask once more by itself, and
// that request carries the cookie, because it comes from this site. It does not
// come from a click any more, so that this happens once.
func (g *Gate) askLogin(w http.ResponseWriter, r *http.Request) {
	if safe(r) && r.Header.Get("Sec-Fetch-Site") == "cross-site" && r.Header.Get("Sec-Fetch-User") == "?1" {
		w.Header().Set("Refresh", "0; url="+back(r))
		plain(w, http.StatusUnauthorized, "one moment")
		return
	}
	g.o.LoginPage(w, r, http.StatusUnauthorized, NeedLogin, back(r))
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text + "\n")) // whoever asked may have gone
}

// wantsJSON reports whether a program asks, which can read a problem. What a page
// without a script sends goes to /api/ too, and there a person waits.
func wantsJSON(r *http.Request) bool {
	if wantsHTML(r) {
		return strings.HasPrefix(r.URL.Path, "/api/") && !isForm(r)
	}
	return strings.HasPrefix(r.URL.Path, "/api/") || strings.Contains(r.Header.Get("Accept"), "json")
}

func isForm(r *http.Request) bool {
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return media == "application/x-www-form-urlencoded"
}

func wantsHTML(r *http.Request) bool { return strings.Contains(r.Header.Get("Accept"), "text/html") }

// problem is an error as RFC 9457 lays it out, with the kind as an extension.
type problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"`
	Kind     string `json:"kind"`
}

func writeProblem(w http.ResponseWriter, r *http.Request, kind string) {
	why := refusals[kind]
	p := problem{"about:blank", http.StatusText(why.status), why.status, why.detail, r.URL.EscapedPath(), kind}
	// The path is the client's; as JSON it is data and no markup, whatever a browser
	// takes it for.
	text, err := json.Marshal(p, jsontext.WithIndent("  "), jsontext.EscapeForHTML(true))
	if err != nil {
		plain(w, why.status, why.detail)
		return
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(why.status)
	_, _ = w.Write(append(text, '\n')) // whoever asked may have gone
}
