package app

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"rollwarden/metrics/web"
	"rollwarden/watcher/lease"
)

// What a daemon does not watch another one shows. It says which, and sends those
// there who ask for one machine.

// elsewhere are the configured sites that this daemon does not watch, and who
// does.
func (a *App) elsewhere() []web.Elsewhere {
	if !a.shared() {
		return nil
	}
	holders := a.table.Holders()
	var list []web.Elsewhere
	for _, site := range a.sites() {
		if a.here(site) {
			continue
		}
		e := web.Elsewhere{Site: site}
		if h := holders[a.partitions.Of(site)]; h.ID != a.table.Me().ID { // or this daemon is only about to watch it
			e.Holder, e.URL = h.Name, boardURL(h)
		}
		list = append(list, e)
	}
	return list
}

// here reports whether this daemon watches a site.
func (a *App) here(site string) bool { return a.holds(a.partitions.Of(site)) }

func (a *App) holds(partition int) bool {
	return slices.ContainsFunc(a.held.list(), func(s *shard) bool { return s.number == partition })
}

// boardURL is where a daemon says that its board is. It may be said by anybody
// who can write to NATS, so only a plain web address is led to.
func boardURL(h lease.Holder) string {
	u, err := url.Parse(h.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.User != nil {
		return ""
	}
	return strings.TrimRight(h.URL, "/")
}

// leadOn sends those who look at a machine to the daemon that watches it. What
// they send to be stored is taken here: NATS knows where it belongs.
func (a *App) leadOn(next http.Handler) http.Handler {
	if !a.shared() {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		site := a.siteOf(r)
		if site == "" || r.Method != http.MethodGet && r.Method != http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		there := slices.DeleteFunc(a.elsewhere(), func(e web.Elsewhere) bool { return e.Site != site })
		switch {
		case len(there) == 0:
			next.ServeHTTP(w, r)
		case there[0].URL != "":
			http.Redirect(w, r, there[0].URL+r.URL.RequestURI(), http.StatusTemporaryRedirect)
		case strings.HasPrefix(r.URL.Path, "/api/"):
			web.Problem(w, r, http.StatusServiceUnavailable, "site "+site+" is watched by another daemon: "+there[0].Holder)
		default:
			a.front.kit.Standby(w, r, there)
		}
	})
}

// byMachine are the paths that go on with a site and a machine.
var byMachine = []string{"/history/", "/advice/", "/api/v1/machines/"}

// siteOf is the site of the machine that a request is about; empty when it is
// about none.
func (a *App) siteOf(r *http.Request) string {
	for _, prefix := range byMachine {
		if rest, ok := strings.CutPrefix(r.URL.Path, prefix); ok {
			site, _, _ := strings.Cut(rest, "/")
			return site
		}
	}
	machine, ok := strings.CutPrefix(r.URL.Path, "/floor/")
	if !ok {
		return ""
	}
	if site := r.URL.Query().Get("site"); site != "" {
		return site
	}
	for _, m := range a.site.Machines {
		if m.Name == machine {
			return m.Site
		}
	}
	return ""
}
