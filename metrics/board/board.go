// Package board serves the floor to people and programs over HTTP: the page that
// a supervisor looks at on a wall, and the same facts as JSON.
//
// Everything is read from one immutable view at a time. The board never writes
// (what is pressed on it is sent to the watch's own edge), and it never guesses:
// what nobody has said is drawn and named as unknown, and before the journal has
// been read there is no floor to show at all.
package board

import (
	"embed"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
)

// Options are what the board reads. Kit, Hub and View are required.
type Options struct {
	Kit      *web.Kit
	Hub      *web.Hub           // keeps the open pages up to date; its roles say what is offered
	View     func() *rules.View // nil until the journal has been read
	Ready    func() bool        // whether the journal has been read to its end; View decides when nil
	Machines []plant.Machine
	Rows     []hazard.Row    // the rule book's hazards, for their titles and reasons
	Films    *film.Catalogue // for the price of waste, and for which film lies flat; may be nil

	// Elsewhere are the sites that another watch shows; none when nil. The
	// machines there are not drawn here, where nothing is known of them.
	Elsewhere func() []web.Elsewhere

	// Alarms are the alarms of a machine in a view, described as they are now. As
	// they were announced when nil.
	Alarms func(v *rules.View, site, machine string) []alarm.Alarm

	// StartAt is when a machine's next run in a view is expected to start, and
	// false when nobody can tell; may be nil.
	StartAt func(v *rules.View, site, machine string) (time.Time, bool)

	// StrikeCost is what a head strike would cost on a machine as it is in a
	// view, with its currency, and empty when nobody can tell; may be nil.
	StrikeCost func(v *rules.View, site, machine string) string

	// ShiftFrom is when the shift that is on at a moment began; the last twelve
	// hours are shown when nil.
	ShiftFrom func(now time.Time) time.Time
}

// board is the handler's state: nothing in it changes.
type board struct {
	o     Options
	pages web.Pages
}

//go:embed templates assets
var files embed.FS

// Handler returns the board as a handler for the whole server root, and tells
// the hub how to paint it. It sets no headers of protection: the gate before it
// does.
func Handler(o Options) http.Handler {
	o.Kit.Add(files, "assets")
	b := &board{o: o, pages: o.Kit.Parse(files, "templates/*.html", nil)}
	o.Hub.Paint(page, b.paint)

	mux := http.NewServeMux()
	for pattern, serve := range map[string]http.HandlerFunc{
		"/{$}":              b.status,
		"/":                 o.Kit.Missing,
		"/healthz":          b.healthz,
		"/readyz":           b.readyz,
		"/assets/{file}":    o.Kit.ServeAsset,
		"/api/":             missingAPI,
		"/api/v1/floor":     b.api(floorOf),
		"/api/v1/alarms":    b.api(alarmsOf),
		"/api/v1/tickets":   b.api(ticketsOf),
		"/api/v1/anomalies": b.api(anomaliesOf),
	} {
		mux.Handle(pattern, web.ReadOnly(serve))
	}
	return mux
}

// ready reports whether the view is the whole journal.
func (b *board) ready(v *rules.View) bool {
	return v != nil && (b.o.Ready == nil || b.o.Ready())
}

// healthz says that the process lives. Whether it knows anything is readyz's
// business, so that a slow journal does not get the process restarted.
func (b *board) healthz(w http.ResponseWriter, _ *http.Request) {
	web.Plain(w, http.StatusOK, "ok")
}

// readyz says whether the journal has been read up to its end and can be read and
// written, and of a watch that has none to read that it stands by. Why it cannot
// be is for those who may read the log.
func (b *board) readyz(w http.ResponseWriter, _ *http.Request) {
	v, why := b.o.View(), "the journal cannot be read or written: the log says why"
	switch {
	case b.ready(v):
		web.Plain(w, http.StatusOK, "ready")
		return
	case v == nil && len(b.elsewhere()) > 0:
		why = "standby"
	case v == nil:
		why = "the journal is still being read"
	}
	w.Header().Set("Retry-After", strconv.Itoa(web.RetryAfterS))
	web.Plain(w, http.StatusServiceUnavailable, why)
}

// shown is one machine to show: configured, heard of, or both.
type shown struct {
	plant   *plant.Machine // nil when it is not configured
	floor   *floor.Machine // nil when nothing was heard of it
	site    string
	machine string
}

func (b *board) elsewhere() []web.Elsewhere {
	if b.o.Elsewhere == nil {
		return nil
	}
	return b.o.Elsewhere()
}

// machines lists the configured machines in their order, then by name those
// that are only known from their events or from an alarm.
func (b *board) machines(v *rules.View) []shown {
	all := make([]shown, 0, len(b.o.Machines))
	strangers := map[string]bool{}
	for key := range v.Floor.Machines {
		strangers[key] = true
	}
	for key := range v.Alarms.Alarms {
		strangers[key] = true
	}
	elsewhere := map[string]bool{}
	for _, e := range b.elsewhere() {
		elsewhere[e.Site] = true
	}
	for i := range b.o.Machines {
		m := &b.o.Machines[i]
		delete(strangers, floor.Key(m.Site, m.Name))
		if elsewhere[m.Site] {
			continue
		}
		all = append(all, shown{m, v.Floor.Machine(m.Site, m.Name), m.Site, m.Name})
	}
	for _, key := range slices.Sorted(maps.Keys(strangers)) {
		site, name, _ := strings.Cut(key, "/")
		all = append(all, shown{nil, v.Floor.Machines[key], site, name})
	}
	return all
}

// row returns the rule book's row of a hazard, or nil for one that is no
// longer in the book.
func (b *board) row(code string) *hazard.Row {
	i := slices.IndexFunc(b.o.Rows, func(r hazard.Row) bool { return string(r.Code) == code })
	if i < 0 {
		return nil
	}
	return &b.o.Rows[i]
}
