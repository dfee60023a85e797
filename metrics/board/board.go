// Package board serves the floor to people and programs over HTTP: a status
// page rendered here, without a script, and the same facts as JSON.
//
// Everything is read from one immutable view per request. The board never
// writes, and it never guesses: what nobody has said is shown as unknown, and
// before the journal has been read there is no floor to show at all.
//
// Words for people live in one catalogue by language; see text.go.
package board

import (
	"html/template"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

// Options are what the board reads. View is required.
type Options struct {
	View     func() *rules.View // nil until the journal has been read
	Ready    func() bool        // whether the journal has been read to its end; View decides when nil
	Now      func() time.Time   // time.Now when nil
	Shop     string             // the shop's name; may be empty
	Zone     *time.Location     // of the times that people read; UTC when nil
	Display  units.Display      // of the lengths and temperatures that people read
	Machines []plant.Machine
	Rows     []hazard.Row // the rule book's hazards, for their titles and reasons

	// StartAt is when a machine's next run is expected to start, and false
	// when nobody can tell; may be nil.
	StartAt func(site, machine string) (time.Time, bool)
}

// board is the handler's state: nothing in it changes.
type board struct {
	o      Options
	pages  map[string]*template.Template // by language
	assets assets
}

// Handler returns the board as a handler for the whole server root.
func Handler(o Options) http.Handler {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	b := &board{o: o, assets: loadAssets()}
	b.pages = parsePages(b.assets)

	mux := http.NewServeMux()
	for pattern, serve := range map[string]http.HandlerFunc{
		"/{$}":              b.status,
		"/":                 b.missing,
		"/healthz":          b.healthz,
		"/readyz":           b.readyz,
		"/assets/{file}":    b.asset,
		"/api/":             missingAPI,
		"/api/v1/floor":     b.api(floorOf),
		"/api/v1/alarms":    b.api(alarmsOf),
		"/api/v1/tickets":   b.api(ticketsOf),
		"/api/v1/anomalies": b.api(anomaliesOf),
	} {
		mux.Handle(pattern, readOnly(serve))
	}
	return guard(mux)
}

// ready reports whether the view is the whole journal.
func (b *board) ready(v *rules.View) bool {
	return v != nil && (b.o.Ready == nil || b.o.Ready())
}

// healthz says that the process lives. Whether it knows anything is readyz's
// business, so that a slow journal does not get the process restarted.
func (b *board) healthz(w http.ResponseWriter, _ *http.Request) {
	plain(w, http.StatusOK, "ok")
}

// readyz says whether the journal has been read up to its end.
func (b *board) readyz(w http.ResponseWriter, _ *http.Request) {
	if !b.ready(b.o.View()) {
		w.Header().Set("Retry-After", retryAfter)
		plain(w, http.StatusServiceUnavailable, "the journal is still being read")
		return
	}
	plain(w, http.StatusOK, "ready")
}

// retryAfter is how long a client should wait while the journal is read, in s.
const retryAfter = "5"

// shown is one machine to show: configured, heard of, or both.
type shown struct {
	plant   *plant.Machine // nil when it is not configured
	floor   *floor.Machine // nil when nothing was heard of it
	site    string
	machine string
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
	for i := range b.o.Machines {
		m := &b.o.Machines[i]
		delete(strangers, floor.Key(m.Site, m.Name))
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
