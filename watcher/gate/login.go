package gate

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
)

const (
	loginPath  = "/login"
	logoutPath = "/logout"
)

// maxForm bounds a login form, in bytes. Percent-encoding makes three of one.
const maxForm = 16 << 10

// login shows the form and takes it.
func (g *Gate) login(w http.ResponseWriter, r *http.Request) {
	v := visitOf(r.Context())
	switch {
	case r.Method != http.MethodPost && !safe(r):
		w.Header().Set("Allow", "GET, HEAD, POST")
		g.refuse(w, r, WrongMethod, 0)
	case g.open || safe(r) && v.user.Role >= Viewer:
		http.Redirect(w, r, localPath(r.URL.Query().Get("next")), http.StatusSeeOther)
	case safe(r):
		g.form(w, r, http.StatusOK, "", localPath(r.URL.Query().Get("next")))
	default:
		g.takeForm(w, r, v)
	}
}

// form draws the login page, or refuses where there is none because only
// programs may come in.
func (g *Gate) form(w http.ResponseWriter, r *http.Request, status int, problem, next string) {
	if g.o.LoginPage == nil {
		g.answer(w, r, NeedLogin)
		return
	}
	g.o.LoginPage(w, r, status, problem, next)
}

func (g *Gate) takeForm(w http.ResponseWriter, r *http.Request, v *visit) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		g.failLogin(w, r, BadForm, "/", 0)
		return
	}
	name, password, next := cleanName(r.PostForm.Get("name")), r.PostForm.Get("password"), localPath(r.PostForm.Get("next"))
	if len(name) > maxName || len(password) > maxPassword {
		g.failLogin(w, r, WrongLogin, next, 0)
		return
	}
	if wait := g.waitToLogin(v.address, name); wait > 0 {
		g.failLogin(w, r, TooMany, next, wait)
		return
	}
	user, ok, err := g.accounts.verify(r.Context(), name, password)
	switch {
	case errors.Is(err, errBusy):
		g.failLogin(w, r, Busy, next, busyWait)
	case err != nil: // whoever asked has gone
	case !ok:
		g.failLogin(w, r, WrongLogin, next, 0)
	default:
		g.begin(w, r, v, user, next)
	}
}

// waitToLogin is how long an attempt has to wait. One that its address has to wait
// for does not count for the name, so that who is slowed down already does not keep
// the name's owner out on top.
func (g *Gate) waitToLogin(address, name string) time.Duration {
	now := g.o.Now()
	if wait := g.byAddress.take(now, address); wait > 0 {
		return wait
	}
	return g.byName.take(now, name)
}

// begin starts a session under a new id, whatever the browser had before, so
// that nobody can know it beforehand.
func (g *Gate) begin(w http.ResponseWriter, r *http.Request, v *visit, user User, next string) {
	if v.session != nil {
		g.sessions.drop(v.session)
	}
	g.setCookie(w, g.sessions.start(user), 0)
	g.o.Log.Info().Str("user", user.Name).Stringer("role", user.Role).Str("address", v.address).Msg("logged in")
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// failLogin shows the form again. The log names the user only when there is one
// of that name: people type their password into the wrong field.
func (g *Gate) failLogin(w http.ResponseWriter, r *http.Request, kind, next string, after time.Duration) {
	g.refusedLogins.Add(1)
	log := g.strangers[kind]
	e := log.Warn().Str("kind", kind).Str("address", g.address(r))
	if a, known := g.accounts.byName[cleanName(r.PostForm.Get("name"))]; known {
		e = e.Str("user", a.name)
	}
	e.Msg("login failed")
	g.announce(w, kind, after)
	if wantsJSON(r) {
		writeProblem(w, r, kind)
		return
	}
	g.form(w, r, refusals[kind].status, kind, next)
}

// logout ends the session of a request.
func (g *Gate) logout(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", "POST")
		g.refuse(w, r, WrongMethod, 0)
		return
	}
	if v := visitOf(r.Context()); v.session != nil {
		g.sessions.drop(v.session)
		g.o.Log.Info().Str("user", v.user.Name).Str("address", v.address).Msg("logged out")
	}
	g.setCookie(w, "", -1)
	http.Redirect(w, r, loginPath, http.StatusSeeOther)
}

// maxNext bounds where to go after a login, in bytes.
const maxNext = 2048

// localPath returns where to go after a login if that is on this server, or
// else "/". Browsers read a backslash as a slash and overlook tabs and line
// ends (WHATWG URL, basic URL parser), so neither may stand in it.
func localPath(next string) string {
	odd := func(r rune) bool { return r == '\\' || unicode.IsControl(r) || r == unicode.ReplacementChar }
	if len(next) > maxNext || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsFunc(next, odd) {
		return "/"
	}
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || u.Path == loginPath || u.Path == logoutPath {
		return "/"
	}
	return next
}

// back is where a person was who sends a form after the session has ended.
func back(r *http.Request) string {
	if safe(r) {
		return localPath(r.URL.RequestURI())
	}
	from, err := url.Parse(r.Referer())
	if err != nil || from.Host != r.Host {
		return "/"
	}
	return localPath(from.RequestURI())
}
