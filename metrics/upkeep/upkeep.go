// Package upkeep serves the page about the watch itself: which version runs with
// which configuration, what is worth a look in it, where its journal ends, and
// how it pages. A supervisor has the configuration read again from there.
//
// It tells nothing of the floor, and what it shows is read when it is asked for.
package upkeep

import (
	"context"
	"embed"
	"net/http"
	"strings"
	"time"

	"rollwarden/metrics/web"
)

// Path is the address of the page.
const Path = "/upkeep"

// State is the watch at one moment.
type State struct {
	Version  string
	Began    time.Time // when it began with this configuration
	Chosen   string    // the configuration file, and why it was read
	Warnings []string  // what in it is worth a look
	Last     Attempt   // to take up another configuration
	Taking   bool      // another configuration is being taken up at this moment
	Journals []Journal // that it watches
	Folders  []Folder  // for tickets
	Sources  []Source
	Channels []Channel
	Denied   []Denial // the newest first
}

// Attempt is one to take up another configuration; its time is zero when there
// was none.
type Attempt struct {
	At  time.Time
	By  string // who asked for it; empty for a signal, and where nobody logs in
	Why string // why the configuration before is still in use; empty when it is not
}

// Journal is what a journal holds.
type Journal struct {
	Name        string   // empty where there is no other
	First, Last uint64   // sequences of the oldest entry and of the newest
	Trouble     string   // why it cannot be read or written; empty when it can
	Lost        []string // what was seen to be missing in it when the watch began
}

// Folder is one that tickets are dropped into.
type Folder struct {
	Path    string
	Trouble string // why tickets in it wait; empty when none does
}

// Source tells of machines: it is the run log of one, or all signals.
type Source struct {
	Name    string // of the run log; empty for signals
	Trouble string // why what it tells waits; empty when nothing does
}

// Channel is a way to page somebody.
type Channel struct {
	Name    string
	Waiting int    // pages that are due and not delivered
	Fail    string // why the last try failed; empty when it did not
}

// Denial is what somebody sent to NATS or by MQTT and was not allowed to.
type Denial struct {
	Subject, By string
	Times       int
	At          time.Time // of the last time
}

// Options are what the page reads and does. Each of them is required, but for
// Reload.
type Options struct {
	Kit   *web.Kit
	State func(context.Context) State
	// May reports whether who asks may have the configuration read again.
	May func(*http.Request) bool
	// Reload has the configuration read again. Its error says what is wrong with
	// it. Nil where that cannot be done.
	Reload func(*http.Request) error
}

type upkeep struct {
	o     Options
	pages web.Pages
}

//go:embed templates assets
var files embed.FS

// Register serves the page on a mux.
func Register(mux *http.ServeMux, o Options) {
	o.Kit.Add(files, "assets")
	u := &upkeep{o: o, pages: o.Kit.Parse(files, "templates/*.html", nil)}
	mux.HandleFunc("GET "+Path, u.serve)
	if o.Reload != nil {
		mux.HandleFunc("POST "+Path, u.reload)
	}
}

// refreshS is how soon the page is loaded again while a configuration is taken
// up, in s.
const refreshS = 2

// page is what the template shows.
type page struct {
	web.Frame
	State
	Began, Tried web.Stamp
	Reasons      []string // why the last attempt failed, one for each mistake
	May          bool
	Denied       []denial
}

// denial is one with its time as the page writes it.
type denial struct {
	Denial
	At web.Stamp
}

func (u *upkeep) serve(w http.ResponseWriter, r *http.Request) {
	pen, s := u.o.Kit.Pen(r), u.o.State(r.Context())
	p := page{Frame: u.o.Kit.Frame(r, "upkeep", pen.Say("upkeep.title")), State: s, Began: pen.Stamp(s.Began), May: u.o.Reload != nil && u.o.May(r)}
	if !s.Last.At.IsZero() {
		p.Tried, p.Reasons = pen.Stamp(s.Last.At), strings.Split(s.Last.Why, "\n")
	}
	for _, d := range s.Denied {
		p.Denied = append(p.Denied, denial{d, pen.Stamp(d.At)})
	}
	if s.Taking {
		p.Refresh = refreshS
	}
	u.pages.Render(w, pen.Lang, "upkeep", http.StatusOK, p)
}

// reload asks for another configuration and leads back to the page, which says
// what came of it.
func (u *upkeep) reload(w http.ResponseWriter, r *http.Request) {
	if !u.o.May(r) {
		u.o.Kit.Refusal(w, r, http.StatusForbidden, "need-role")
		return
	}
	// What is wrong with the configuration is on the page it leads back to.
	_ = u.o.Reload(r)
	http.Redirect(w, r, Path, http.StatusSeeOther)
}
