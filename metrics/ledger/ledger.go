// Package ledger serves what was written down: the job tickets with what became
// of them, and the history of each machine, entry by entry, as the journal has
// it.
//
// The tickets are read from the floor's view and change by themselves. The
// history is read from the journal itself when somebody asks for it, so that it
// goes back as far as the journal does, and each entry keeps its address for as
// long as the journal keeps the entry.
package ledger

import (
	"context"
	"embed"
	"errors"
	"net/http"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
)

// Entry is one message of the journal.
type Entry struct {
	Seq     uint64
	Stored  time.Time
	Subject string
	Event   event.Event // empty when it could not be read
	Problem string      // why it could not be; empty when it could
}

// Query asks for the newest entries of one machine.
type Query struct {
	Site, Machine string
	Types         []event.Type // only these; every type when empty
	Before        uint64       // only entries with a smaller sequence; 0 for no such limit
	N             int          // how many entries
}

// ErrNoEntry says that the journal has no entry of that sequence, or no longer.
var ErrNoEntry = errors.New("the journal has no such entry")

// Folder is one that tickets are dropped into and wait in, because they cannot be
// read or put away.
type Folder struct{ Path, Why string }

// Options are what the ledger reads. Each of them is required, but for Films and
// Stuck.
type Options struct {
	Kit    *web.Kit
	Hub    *web.Hub
	View   func() *rules.View // nil until the journal has been read
	Known  func(site, machine string) bool
	Newest func(context.Context, Query) (entries []Entry, more bool, err error)
	At     func(ctx context.Context, site string, seq uint64) (Entry, error) // ErrNoEntry when there is none
	Films  *film.Catalogue                                                   // the shop's list, for a ticket's film class; may be nil
	Stuck  func() []Folder                                                   // in which tickets wait; may be nil
}

type ledger struct {
	o     Options
	pages web.Pages
}

//go:embed templates assets
var files embed.FS

// Register serves the ledger's pages on a mux, and tells the hub how to paint
// the one that changes by itself.
func Register(mux *http.ServeMux, o Options) {
	o.Kit.Add(files, "assets")
	l := &ledger{o: o, pages: o.Kit.Parse(files, "templates/*.html", nil)}
	o.Hub.Paint(ticketsPage, l.paint)
	for pattern, serve := range map[string]http.HandlerFunc{
		"/tickets":                                 l.tickets,
		"/history/{site}/{machine}":                l.history,
		"/history/{site}/{machine}/{seq}":          l.entry,
		"/api/v1/machines/{site}/{machine}/events": l.api,
	} {
		mux.Handle(pattern, web.ReadOnly(serve))
	}
}
