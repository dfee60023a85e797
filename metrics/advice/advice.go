// Package advice serves, for each machine, what pays and why: which treatment of
// the edge, what cure and register come to, and in which order the queue costs
// least. The page says each in one line and keeps the rest, down to the formulas
// with their inputs, uncertainty and source, for those who ask. Programs get the
// same as JSON.
//
// It is worked out when somebody asks and kept for as long as nothing changes, so
// that the live pages never wait for it. All of it is advice to a person: nothing
// is reordered until one accepts it, and the machine's manual rules.
package advice

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/floor"
	"rollwarden/rules/queue"
)

// Options are what the pages read. Each of them is required.
type Options struct {
	Kit    *web.Kit
	Hub    *web.Hub
	View   func() *rules.View // nil until the journal has been read
	Known  func(site, machine string) bool
	Site   rules.Site
	Prices queue.Prices
}

type advice struct {
	o      Options
	pages  web.Pages
	bureau *bureau
}

//go:embed templates assets
var files embed.FS

// name is the page's name among the live ones.
const name = "advice"

// refreshS is how often the page is loaded again without a script, in s.
const refreshS = 30

// Register serves the pages on a mux, and tells the hub how to paint what changes
// on them by itself: no more than which entry of the journal is the newest.
func Register(mux *http.ServeMux, o Options) {
	o.Kit.Add(files, "assets")
	a := &advice{o: o, pages: o.Kit.Parse(files, "templates/*.html", nil), bureau: newBureau(o.Site, o.Prices)}
	o.Hub.Paint(name, a.paint)
	mux.Handle("/advice/{site}/{machine}", web.ReadOnly(http.HandlerFunc(a.serve)))
	mux.HandleFunc("GET /api/v1/machines/{site}/{machine}/advice", a.api)
}

// Path is the address of a machine's page.
func Path(site, machine string) string {
	return "/advice/" + url.PathEscape(site) + "/" + url.PathEscape(machine)
}

// serve draws the page of one machine.
func (a *advice) serve(w http.ResponseWriter, r *http.Request) {
	v := a.o.View()
	if v == nil {
		a.o.Kit.Reading(w, r)
		return
	}
	site, machine := r.PathValue("site"), r.PathValue("machine")
	if !a.o.Known(site, machine) {
		a.o.Kit.Missing(w, r)
		return
	}
	if after, err := strconv.ParseUint(r.URL.Query().Get("after"), 10, 64); err == nil {
		v = a.newer(r.Context(), v, site, machine, after)
	}
	audience := a.o.Hub.Audience(r, name, floor.Key(site, machine))
	newest, err := a.newest(audience.Lang, v, site, machine)
	if err != nil {
		web.Plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	p := painter{Pen: a.o.Kit.Pen(r), site: site, machine: machine, audience: audience}
	page := p.page(a.bureau.picture(v, p.Now, site, machine))
	page.Frame, page.Newest = a.o.Kit.Frame(r, "", p.Say("advice.title", machine)), newest
	page.Refresh = refreshS
	a.pages.Render(w, p.Lang, "advice", http.StatusOK, page)
}

// readWithin is how long a page waits until the watch has read what the page's
// reader has just told it.
const readWithin = time.Second

// newer waits for a view in which a machine has changed after an entry of the
// journal, so that who accepts an order does not come back to the old one.
func (a *advice) newer(ctx context.Context, v *rules.View, site, machine string, after uint64) *rules.View {
	ctx, cancel := context.WithTimeout(ctx, readWithin)
	defer cancel()
	look := time.NewTicker(readWithin / 50)
	defer look.Stop()
	for changed(v.Floor.Machine(site, machine)) <= after {
		select {
		case <-look.C:
			next := a.o.View()
			if next == nil {
				return v // the watch has given back what it watched, and nothing newer comes
			}
			v = next
		case <-ctx.Done():
			return v
		}
	}
	return v
}

// changed is where in the journal a machine was changed last.
func changed(m *floor.Machine) uint64 {
	if m == nil {
		return 0
	}
	return slices.Max(m.Changed[:])
}

// newest says where in the journal the machine was changed last, for the page's
// script to compare with what the page was made from.
func (a *advice) newest(lang string, v *rules.View, site, machine string) (template.HTML, error) {
	html, err := a.pages.Fragment(lang, "newest", changed(v.Floor.Machine(site, machine)))
	return template.HTML(html), err
}

var errNoView = errors.New("the journal has not been read")

func (a *advice) paint(audience web.Audience) ([]web.Part, error) {
	v := a.o.View()
	if v == nil {
		return nil, errNoView
	}
	site, machine, _ := strings.Cut(audience.Of, "/")
	if !a.o.Known(site, machine) {
		return nil, errors.New("there is no such machine")
	}
	html, err := a.newest(audience.Lang, v, site, machine)
	return []web.Part{{ID: "newest", HTML: []byte(html)}}, err
}

// api serves the same to programs.
func (a *advice) api(w http.ResponseWriter, r *http.Request) {
	v := a.o.View()
	if v == nil {
		w.Header().Set("Retry-After", strconv.Itoa(web.RetryAfterS))
		web.Problem(w, r, http.StatusServiceUnavailable, "the journal is being read: ask again")
		return
	}
	site, machine := r.PathValue("site"), r.PathValue("machine")
	if !a.o.Known(site, machine) {
		web.Problem(w, r, http.StatusNotFound, fmt.Sprintf("there is no machine %.130q", floor.Key(site, machine)))
		return
	}
	web.JSON(w, http.StatusOK, answerOf(a.bureau.picture(v, a.o.Kit.Pen(r).Now, site, machine), site, machine))
}
