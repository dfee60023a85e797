package app

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"rollwarden/metrics/advice"
	"rollwarden/metrics/board"
	"rollwarden/metrics/ledger"
	"rollwarden/metrics/touch"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/watcher/desk"
	"rollwarden/watcher/gate"
	"rollwarden/watcher/journal"
)

// front is what people and programs meet over HTTP: the gate, and behind it the
// pages, the way in for what they do, and the metrics.
//
//	request ─► gate ─┬─► board, touch, advice, ledger, monthly ◄── View, journal
//	                 ├─► stream ◄── hub ◄── View
//	                 ├─► desk ─► journal
//	                 ├─► upkeep ─► reload
//	                 └─► metrics
type front struct {
	kit     *web.Kit
	gate    *gate.Gate
	hub     *web.Hub
	reports *reports
}

// openFront makes the front as far as a configuration can be wrong about it.
func (a *App) openFront(context.Context) (err error) {
	f := &front{}
	if f.kit, err = web.New(web.Options{
		Shop: a.cfg.Shop.Name, Zone: a.tickets.Location, Display: a.cfg.Display(), Now: a.clock.Now,
		Language: a.cfg.Shop.Language, Texts: a.cfg.Texts(), Machines: a.places(), User: userName, LetIn: letIn,
	}); err != nil {
		return fmt.Errorf("shop.texts: %w", err)
	}
	o, err := a.cfg.GateOptions(a.part("gate"))
	if err != nil {
		return err
	}
	o.Page, o.LoginPage = f.kit.Refusal, f.kit.Login
	if f.gate, err = gate.New(o); err != nil {
		return err
	}
	f.hub = web.NewHub(web.HubOptions{Kit: f.kit, Pulse: a.pulse, Role: roleName, Streams: a.cfg.HTTP.Streams, Failed: func(who web.Audience, err error) {
		a.log.Error().Err(err).Str("page", who.Page).Msg("a live page could not be made")
	}})
	a.front = f
	return nil
}

// handler leads each request to where it is answered.
func (a *App) handler(metrics http.Handler) (http.Handler, error) {
	f, mux := a.front, http.NewServeMux()
	mux.Handle("/metrics", web.ReadOnly(metrics))
	mux.Handle("GET /stream", f.gate.Stream(f.hub))
	mux.Handle("/", board.Handler(board.Options{
		Kit: f.kit, Hub: f.hub, View: a.View, Ready: a.ready, Machines: a.site.Machines, Rows: a.site.Book.Rows,
		Films: a.site.Films, Alarms: a.alarms, StartAt: a.startAt, StrikeCost: a.strikeCost, ShiftFrom: a.cfg.ShiftFrom(a.tickets.Location),
		Elsewhere: a.elsewhere,
	}))
	touch.Register(mux, touch.Options{
		Kit: f.kit, Hub: f.hub, View: a.View, Machines: a.site.Machines, Stocks: a.site.Films.Stocks(), Clear: a.clearAdvance, Alarms: a.alarms, StartAt: a.startAt, Ready: a.ready,
	})
	ledger.Register(mux, ledger.Options{Kit: f.kit, Hub: f.hub, View: a.View, Known: a.knows, Newest: a.newest, At: a.entryAt, Films: a.site.Films, Stuck: a.stuckFolders})
	var err error
	if f.reports, err = a.newReports(f.kit); err != nil {
		return nil, err
	}
	f.reports.register(mux)
	a.registerUpkeep(mux)
	prices, err := a.cfg.QueuePrices()
	if err != nil {
		return nil, err
	}
	advice.Register(mux, advice.Options{Kit: f.kit, Hub: f.hub, View: a.View, Known: a.knows, Site: a.site, Prices: prices})
	edge := desk.Handler(desk.Options{
		Publish: a.tell, Newest: a.messages, Machines: a.machines, Who: whoActs, Hazards: a.hazards(),
		Now: a.clock.Now, Log: a.part("desk"),
		Refuse: func(w http.ResponseWriter, r *http.Request, p desk.Problem) {
			f.kit.Refused(w, r, p.Status, inWords(f.kit.Pen(r), p), p.Back)
		},
	})
	for _, pattern := range desk.Patterns() {
		mux.Handle(pattern, edge)
	}
	document, err := desk.OpenAPI(desk.APIVersion)
	if err != nil {
		return nil, err
	}
	mux.HandleFunc("GET /api/v1/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.Write(document)
	})
	return f.gate.Wrap(a.audited(a.leadOn(mux))), nil
}

// userName is who is logged in, for the pages.
func userName(r *http.Request) string {
	u, _ := gate.Who(r)
	return u.Name
}

// letIn reports whether the gate let somebody in, or asks nobody.
func letIn(r *http.Request) bool {
	_, ok := gate.Who(r)
	return ok
}

// roleName is what who asks for a page may do.
func roleName(r *http.Request) string {
	u, _ := gate.Who(r)
	return u.Role.String()
}

// whoActs is who sends what is to be written down.
func whoActs(r *http.Request) (name string, role desk.Role, ok bool) {
	u, ok := gate.Who(r)
	switch {
	case !ok || u.Role < gate.Operator:
		return "", 0, false
	case u.Role == gate.Supervisor:
		return u.Name, desk.Supervisor, true
	}
	return u.Name, desk.Operator, true
}

// inWords says what is wrong with a form, field by field where that is known, by
// the names that the fields have on the page.
func inWords(pen web.Pen, p desk.Problem) string {
	if len(p.Errors) == 0 {
		return p.Detail
	}
	parts := make([]string, len(p.Errors))
	for i, e := range p.Errors {
		name := strings.TrimPrefix(e.Field, "fields.")
		parts[i] = fmt.Sprintf("%s: want %s.", pen.Name("field", name, name), e.Want)
	}
	return strings.Join(parts, " ")
}

// pulse is how well the watch is, for the pages that are open.
func (a *App) pulse() web.Pulse { return web.Pulse{Ready: a.ready()} }

// places names the configured machines.
func (a *App) places() []web.Place {
	var all []web.Place
	for _, m := range a.site.Machines {
		all = append(all, web.Place{Site: m.Site, Machine: m.Name})
	}
	return all
}

// machines lists the machines that are configured or were heard of.
func (a *App) machines() []string {
	var all []string
	for _, m := range a.site.Machines {
		all = append(all, floor.Key(m.Site, m.Name))
	}
	if v := a.View(); v != nil {
		for key := range v.Floor.Machines {
			all = append(all, key)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func (a *App) knows(site, machine string) bool {
	return slices.Contains(a.machines(), floor.Key(site, machine))
}

func (a *App) hazards() []string {
	var codes []string
	for _, row := range a.site.Book.Rows {
		codes = append(codes, string(row.Code))
	}
	return codes
}

// stuckFolders are the ticket folders in which tickets wait, and why.
func (a *App) stuckFolders() (all []ledger.Folder) {
	for _, f := range a.folders() {
		if f.Trouble != "" {
			all = append(all, ledger.Folder{Path: f.Path, Why: f.Trouble})
		}
	}
	return all
}

// clearAdvance is how far a machine's film has to go forward in a view for its edge
// to lie past the cure exit.
func (a *App) clearAdvance(v *rules.View, site, machine string) (mm float64, known bool) {
	a.reading.Lock()
	defer a.reading.Unlock()
	return a.reader.On(v.Of(site)).ClearAdvance(a.clock.Now(), site, machine)
}

// The journal, for those who look back.

// newest reads a machine's newest entries.
func (a *App) newest(ctx context.Context, q ledger.Query) ([]ledger.Entry, bool, error) {
	found, more, err := a.journalOf(q.Site).Newest(ctx, journal.Query(q))
	entries := make([]ledger.Entry, len(found))
	for i := range found {
		entries[i] = entryOf(&found[i])
	}
	return entries, more, err
}

func (a *App) entryAt(ctx context.Context, site string, seq uint64) (ledger.Entry, error) {
	found, err := a.journalOf(site).Get(ctx, seq)
	if errors.Is(err, journal.ErrNotFound) {
		return ledger.Entry{}, ledger.ErrNoEntry
	}
	return entryOf(&found), err
}

func entryOf(m *journal.Entry) ledger.Entry {
	e := ledger.Entry{Seq: m.Seq, Stored: m.Stored, Subject: m.Subject}
	var err error
	if e.Event, err = event.Decode(m.Message); err != nil {
		e.Problem = err.Error()
	}
	return e
}

// messages are a machine's newest ones of some types.
func (a *App) messages(ctx context.Context, site, machine string, types []event.Type, n int) ([]event.Message, error) {
	found, _, err := a.journalOf(site).Newest(ctx, journal.Query{Site: site, Machine: machine, Types: types, N: n})
	messages := make([]event.Message, len(found))
	for i := range found {
		messages[i] = found[i].Message
	}
	return messages, err
}
