// Package gate stands before every page and every interface of the watch. It
// decides who may see and who may do, and lets through what is meant for this
// server only.
//
// A request passes these checks in this order; the first that fails answers it:
//
//  1. It names this server as its host, so that a foreign page cannot reach the
//     watch under a name of its own (DNS rebinding).
//  2. It came over TLS, where others could listen.
//  3. If it could change something, no other site sent it (CSRF).
//  4. It says who is asking, by a bearer token or by the cookie of a session;
//     a token that is wrong is refused rather than overlooked.
//  5. Who is asking has the role: a viewer reads, an operator changes. What
//     needs a supervisor looks for one itself (Who).
//  6. It does not change things faster than people and programs need to.
//
// Every answer carries the headers that keep a page from being framed, sniffed
// or given foreign scripts, and every login is logged, as are failed
// logins and refusals, of strangers a few of each kind in a minute.
// Passwords, tokens and session ids are in no log and no error: a session is
// known by the hash of its id, a token by its own, and what is typed as a name
// is logged only when it is one.
//
// A server that only this computer can reach asks for no login until the first
// user or token is configured. Then everyone must say who he is, there too.
//
// Sessions live in memory: when the process ends everyone logs in again. A gate
// that takes the place of another one takes its sessions over (Succeed).
package gate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/time/rate"
)

// Options say who may come in, and how. Only Listen is required; on a loopback
// address, with neither users nor tokens, the gate asks for no login.
type Options struct {
	Listen      string   // address that is listened on, host:port
	PublicURL   string   // address that people open, if it is another one
	Hosts       []string // more names under which the server is reached, without ports
	TLS         bool     // the server itself speaks TLS
	BehindProxy bool     // a proxy on this host or network does, and sets X-Forwarded-Proto and X-Forwarded-For

	Users  []Account
	Tokens []Token

	Idle  time.Duration // a session that is not used for this long ends; 12 h when 0
	Lasts time.Duration // a session ends after this long, used or not; 168 h when 0

	WritesPerS       float64 // steady rate of unsafe requests of one client; 20 when 0
	WriteBurst       int     // unsafe requests at once of one client; 100 when 0
	Streams          int     // most requests within Stream at once; 1000 when 0
	StreamsPerClient int     // most of one client; 20 when 0

	// Page draws a refusal for a person; kind is one of the kinds of this
	// package. It writes the status too. Plain text is sent when nil.
	Page func(w http.ResponseWriter, r *http.Request, status int, kind string)
	// LoginPage draws the form, which posts name, password and next to /login.
	// problem is one of the kinds, or empty. It writes the status too. It is
	// required with users.
	LoginPage func(w http.ResponseWriter, r *http.Request, status int, problem string, next string)

	Now func() time.Time // time.Now when nil
	Log zerolog.Logger
}

// Gate decides about requests. Any number of goroutines may use it.
type Gate struct {
	o        Options
	open     bool // nobody has to log in
	secure   bool // people reach the server over TLS
	hosts    hosts
	cross    *http.CrossOriginProtection
	accounts accounts
	sessions *sessions
	streams  *streams

	strangers map[string]zerolog.Logger

	byAddress *limits // attempts to log in, right or wrong
	byName    *limits
	badTokens *limits // by address
	writes    *limits // unsafe requests, by client

	refusedLogins atomic.Uint64
}

// RefusedLogins counts the logins and tokens that were refused since the gate was
// made, for whatever reason.
func (g *Gate) RefusedLogins() uint64 { return g.refusedLogins.Load() }

// The limits of logins, and what holds without an option. A person who mistypes
// never meets the limits. From everywhere together, one name can be tried 10
// times at once and then some 700 times a day. NIST SP 800-63B section 5.2.2
// would lock it after 100 failures in a row, by which anyone could lock anyone
// out for good; here an attacker can keep a name from logging in only as long as
// he goes on, and cannot end its sessions. The figures are ours.
const (
	loginBurst     = 10
	addressEvery   = 6 * time.Second
	nameEvery      = 2 * time.Minute
	badTokenBurst  = 20
	badTokenEvery  = 5 * time.Second
	defaultIdle    = 12 * time.Hour
	defaultLasts   = 7 * 24 * time.Hour
	defaultWrites  = 20
	defaultBurst   = 100
	defaultStreams = 1000
	defaultShare   = 20
)

// New returns a gate. The error says which option has to be set for the address
// to be safe.
func New(o Options) (*Gate, error) {
	o.Idle, o.Lasts = cmp.Or(o.Idle, defaultIdle), cmp.Or(o.Lasts, defaultLasts)
	o.WritesPerS, o.WriteBurst = cmp.Or(o.WritesPerS, defaultWrites), cmp.Or(o.WriteBurst, defaultBurst)
	o.Streams, o.StreamsPerClient = cmp.Or(o.Streams, defaultStreams), cmp.Or(o.StreamsPerClient, defaultShare)
	if o.Now == nil {
		o.Now = time.Now
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	g := &Gate{
		o: o, open: len(o.Users) == 0 && len(o.Tokens) == 0, secure: o.TLS || o.BehindProxy,
		cross:     http.NewCrossOriginProtection(),
		accounts:  newAccounts(o.Users),
		sessions:  newSessions(o.Now, o.Idle, o.Lasts),
		streams:   newStreams(o.Streams, o.StreamsPerClient),
		strangers: strangers(o.Log),
		byAddress: newLimits(rate.Every(addressEvery), loginBurst),
		byName:    newLimits(rate.Every(nameEvery), loginBurst),
		badTokens: newLimits(rate.Every(badTokenEvery), badTokenBurst),
		writes:    newLimits(rate.Limit(o.WritesPerS), o.WriteBurst),
	}
	var err error
	if g.hosts, err = newHosts(o.Listen, o.PublicURL, o.Hosts); err != nil {
		return nil, err
	}
	return g, g.trust(o.PublicURL)
}

// Succeed takes over who is logged in at the gate before, whose place this one takes,
// but for those whose account has changed since. They are logged out there too, so it
// is the last thing to do before this gate is used, when nothing can fail any more.
func (g *Gate) Succeed(before *Gate) {
	g.sessions = before.sessions
	g.sessions.retune(g.o.Idle, g.o.Lasts)
	g.sessions.keep(func(u User) bool {
		was, now := before.accounts.byName[u.Name], g.accounts.byName[u.Name]
		return was.hash != nil && now.hash != nil && now.same(was)
	})
}

func (o Options) check() error {
	login := len(o.Users)+len(o.Tokens) > 0
	switch {
	case !Loopback(o.Listen) && !login:
		return fmt.Errorf("others can reach %s: want users or tokens (http.users, http.tokens), or a loopback address such as 127.0.0.1:8477", o.Listen)
	case !Loopback(o.Listen) && !o.TLS && !o.BehindProxy:
		return fmt.Errorf("passwords would cross the network in clear to %s: want http.tls.cert_file and key_file, or http.behind_proxy: true with a proxy that speaks TLS", o.Listen)
	case len(o.Users) > 0 && o.LoginPage == nil:
		return errors.New("users without a login page: want LoginPage")
	}
	return errors.Join(unique("user", o.Users, func(a Account) string { return a.name }), unique("token", o.Tokens, func(t Token) string { return t.name }))
}

// unique wants each name once: two accounts of one name would be one person in
// the journal and two in the configuration.
func unique[T any](what string, list []T, name func(T) string) error {
	seen := map[string]bool{}
	for _, one := range list {
		if seen[name(one)] {
			return fmt.Errorf("two %ss are called %q: want each name once", what, name(one))
		}
		seen[name(one)] = true
	}
	return nil
}

// trust lets the board's own public address send forms, for a proxy that passes
// on another host than the browser asked for.
func (g *Gate) trust(public string) error {
	u, err := url.Parse(public)
	if err != nil {
		return fmt.Errorf("public address: %w", err)
	}
	if u.Host == "" {
		return nil
	}
	return g.cross.AddTrustedOrigin(u.Scheme + "://" + u.Host)
}

// Wrap puts the gate before a whole server. It answers /login and /logout by
// itself.
func (g *Gate) Wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		g.setHeaders(w.Header())
		if kind := g.misplaced(r); kind != "" {
			g.refuse(w, r, kind, 0)
			return
		}
		v, kind, wait := g.identify(r)
		if kind != "" {
			g.refusedLogins.Add(1)
			g.refuse(w, r, kind, wait)
			return
		}
		r, leave := g.enter(r, v)
		defer leave()
		switch r.URL.Path {
		case loginPath:
			g.login(w, r)
		case logoutPath:
			g.logout(w, r)
		default:
			g.pass(w, r, v, next)
		}
	})
}

// misplaced names what is wrong with the way that a request came.
func (g *Gate) misplaced(r *http.Request) string {
	switch {
	case !g.hosts.allow(r.Host):
		return WrongHost
	case g.o.BehindProxy && !forwardedTLS(r) && !health(r):
		return NeedTLS
	case g.cross.Check(r) != nil:
		return CrossSite
	}
	return ""
}

// pass lets a request through to the server if who sent it may.
func (g *Gate) pass(w http.ResponseWriter, r *http.Request, v *visit, next http.Handler) {
	if public(r) {
		next.ServeHTTP(w, r)
		return
	}
	need := Operator
	if safe(r) {
		need = Viewer
	}
	if v.user.Role < need {
		g.refuseRole(w, r, v)
		return
	}
	if !safe(r) {
		if wait := g.writes.take(g.o.Now(), v.client); wait > 0 {
			g.refuse(w, r, TooMany, wait)
			return
		}
	}
	next.ServeHTTP(w, r)
}

// safe reports whether a method only reads (RFC 9110 section 9.2.1). OPTIONS
// and TRACE would too, and nothing here needs them.
func safe(r *http.Request) bool { return r.Method == http.MethodGet || r.Method == http.MethodHead }

// health reports whether a request is a probe, which tells nothing but whether
// the watch works and comes from the next machine without the proxy.
func health(r *http.Request) bool {
	return safe(r) && (r.URL.Path == "/healthz" || r.URL.Path == "/readyz")
}

// public reports whether everyone may read a path: the probes, and what the
// login page is drawn with. A path that is not clean is not public, because
// whoever serves it may read it as another one.
func public(r *http.Request) bool {
	if health(r) {
		return true
	}
	path := r.URL.Path
	return safe(r) && strings.HasPrefix(path, assetsPath) && !strings.Contains(path, "..") && !strings.ContainsAny(path, `\%`)
}

const assetsPath = "/assets/"

// identify finds out who sends a request. The kind is set when it says
// something false, and nobody is no error.
func (g *Gate) identify(r *http.Request) (v *visit, kind string, wait time.Duration) {
	address := g.address(r)
	v = &visit{address: address, client: "address " + address}
	if g.open {
		v.user = User{Role: Supervisor}
		return v, "", 0
	}
	if secret, ok := bearer(r); ok {
		user, known := g.token(secret)
		if !known {
			if wait = g.badTokens.take(g.o.Now(), address); wait > 0 {
				return nil, TooMany, wait
			}
			return nil, WrongToken, 0
		}
		v.user, v.client = user, "token "+user.Name
		return v, "", 0
	}
	for _, c := range r.CookiesNamed(g.cookieName()) {
		if s, ok := g.sessions.find(c.Value); ok {
			v.user, v.client, v.session = s.user, s.client, s
			break
		}
	}
	return v, "", 0
}

// enter marks the request with who sends it. A session counts as used until
// leave, and its end ends the request, so that no stream outlives a logout.
func (g *Gate) enter(r *http.Request, v *visit) (*http.Request, func()) {
	ctx := context.WithValue(r.Context(), visitKey{}, v)
	if v.session == nil {
		return r.WithContext(ctx), func() {}
	}
	ctx, leave := g.sessions.enter(ctx, v.session)
	return r.WithContext(ctx), leave
}

// visit is what the gate knows of one request.
type visit struct {
	user    User
	session *session // nil without one
	address string   // where it came from, as far as it can be believed
	client  string   // whom limits count it for
}

type visitKey struct{}

func visitOf(ctx context.Context) *visit {
	v, _ := ctx.Value(visitKey{}).(*visit)
	return v
}
