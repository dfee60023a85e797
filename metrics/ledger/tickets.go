package ledger

import (
	"cmp"
	"errors"
	"html/template"
	"net/http"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// ticketsPage is the page's name among the live ones, and in the navigation.
const ticketsPage = "tickets"

// How many rows the page has at most; the history of each machine has the others.
const (
	mostWaiting  = 200
	mostAccepted = 100
)

// refreshS is how often the page is loaded again without a script, in s.
const refreshS = 30

type ticketsView struct {
	web.Frame
	Stream, Now string
	Stuck, Waiting, Accepted,
	Rejected template.HTML
}

// line is one ticket, or one run that has none.
type line struct {
	Where       string // site and machine
	Name, Title string
	Film        []string
	Start, Due  web.Stamp
	At          web.Stamp
	State       string
	Flags       []string
	History     string // address
	File        string
}

type rejectLine struct {
	At                 web.Stamp
	Where, File        string
	Kind, Reason, Lang string
}

func (l *ledger) tickets(w http.ResponseWriter, r *http.Request) {
	v := l.o.View()
	if v == nil {
		l.o.Kit.Reading(w, r)
		return
	}
	a := l.o.Hub.Audience(r, ticketsPage, "")
	parts, err := l.parts(a, v)
	if err != nil {
		web.Plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	pen := l.o.Kit.PenIn(a.Lang)
	page := &ticketsView{
		Frame: l.o.Kit.Frame(r, ticketsPage, pen.Say("tickets.title")), Stream: a.Stream(), Now: pen.Now.UTC().Format(time.RFC3339),
		Stuck: template.HTML(parts[0].HTML), Waiting: template.HTML(parts[1].HTML), Accepted: template.HTML(parts[2].HTML), Rejected: template.HTML(parts[3].HTML),
	}
	page.Refresh = refreshS
	l.pages.Render(w, a.Lang, "tickets", http.StatusOK, page)
}

var errNoView = errors.New("the journal has not been read")

func (l *ledger) paint(a web.Audience) ([]web.Part, error) {
	v := l.o.View()
	if v == nil {
		return nil, errNoView
	}
	return l.parts(a, v)
}

// parts makes what changes by itself: why tickets wait unread, and the three tables.
func (l *ledger) parts(a web.Audience, v *rules.View) ([]web.Part, error) {
	pen := l.o.Kit.PenIn(a.Lang)
	parts := make([]web.Part, 0, 4)
	var stuck []Folder
	if l.o.Stuck != nil {
		stuck = l.o.Stuck()
	}
	for _, piece := range []struct {
		id   string
		rows any
	}{{"stuck", stuck}, {"waiting", l.waiting(pen, v.Floor)}, {"accepted", l.accepted(pen, v.Floor)}, {"rejected", rejected(pen, v.Floor)}} {
		html, err := l.pages.Fragment(a.Lang, piece.id, piece.rows)
		if err != nil {
			return nil, err
		}
		parts = append(parts, web.Part{ID: piece.id, HTML: html})
	}
	return parts, nil
}

// table is rows of which there may be more than there is room for.
type table struct {
	Lines []line
	All   int
	Rest  []link // where those are that there was no room for
}

// link is an address with its words.
type link struct{ To, Text string }

// add counts a row, and makes it only when there is room for it.
func (t *table) add(most int, row func() line) {
	if t.All++; len(t.Lines) < most {
		t.Lines = append(t.Lines, row())
	}
}

// histories lead to every ticket that each machine was given.
func histories(f *floor.State) (all []link) {
	for _, m := range f.Sorted() {
		all = append(all, link{historyOf(m.Site, m.Name) + "?kind=tickets", place(m.Site, m.Name)})
	}
	return all
}

// waiting lists what is queued, machine by machine in the order of the queue,
// and then the tickets that no machine was chosen for.
func (l *ledger) waiting(p web.Pen, f *floor.State) table {
	t := table{Rest: histories(f)}
	for _, m := range f.Sorted() {
		for i, r := range m.Queue {
			t.add(mostWaiting, func() line { return l.queued(p, m, i, r) })
		}
	}
	known := fates(p, f)
	for _, k := range f.Tickets.All() {
		if k.Machine == event.AnyMachine && known[k] == "" {
			t.add(mostWaiting, func() line {
				row := l.describe(p, k)
				row.Where, row.State = k.Site, p.Say("tickets.unplaced")
				return row
			})
		}
	}
	return t
}

// queued is the row of a run in a machine's queue.
func (l *ledger) queued(p web.Pen, m *floor.Machine, i int, r *floor.Run) line {
	row := line{Name: event.JobName(r.Job, r.Part)}
	if r.Ticket == nil {
		row.Film = []string{p.Say("tickets.none")}
	} else {
		row = l.describe(p, r.Ticket)
	}
	row.State, row.Where, row.History = p.Say("tickets.place", i+1), place(m.Site, m.Name), historyOf(m.Site, m.Name)
	if at := r.PlannedStart(); !at.IsZero() {
		row.Start = planned(p, at)
	}
	return row
}

// accepted lists the newest tickets and what became of them.
func (l *ledger) accepted(p web.Pen, f *floor.State) table {
	known := fates(p, f)
	all := f.Tickets.All()
	t := table{All: len(all), Rest: histories(f)}
	for i := len(all) - 1; i >= 0 && len(t.Lines) < mostAccepted; i-- {
		row := l.describe(p, all[i])
		switch {
		case known[all[i]] != "":
			row.State = known[all[i]]
		case all[i].Machine == event.AnyMachine:
			row.State = p.Say("tickets.unplaced")
		default:
			row.State = p.Say("tickets.over")
		}
		t.Lines = append(t.Lines, row)
	}
	return t
}

// endings are the texts for how a run ended, by the cause of its mark. One that
// was lost has none: nobody knows what came of it.
var endings = map[string]string{"finished": "tickets.printed", "stopped": "tickets.stopped"}

// fates says what became of tickets, as far as the floor remembers: the end of a
// run for some hours, the last one of a machine until the next, and before them
// what waits or runs.
func fates(p web.Pen, f *floor.State) map[*floor.Ticket]string {
	fate := map[*floor.Ticket]string{}
	for _, m := range f.Sorted() {
		if m.Last != nil {
			fate[m.Last.Ticket] = p.Say("tickets.ran", m.Name, p.Clock(m.Last.Ended))
		}
		for i := range m.Marks {
			k := &m.Marks[i]
			text, ended := endings[k.Cause]
			at := later(k.At, k.Until)
			if t := f.Tickets.Find(m.Site, m.Name, k.Job, k.Part); k.Kind == floor.MarkRun && ended && t != nil && !t.At.After(at) {
				fate[t] = p.Say(text, m.Name, p.Clock(at))
			}
		}
	}
	for _, m := range f.Sorted() {
		waits := p.Say("tickets.waiting", m.Name)
		for _, r := range m.Queue {
			fate[r.Ticket] = waits
		}
		if m.Run != nil {
			fate[m.Run.Ticket] = p.Say("tickets.running", m.Name)
		}
	}
	delete(fate, nil) // a run without a ticket
	return fate
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// planned is a moment that somebody has set, to the minute.
func planned(p web.Pen, t time.Time) web.Stamp {
	return web.Stamp{Text: p.Minute(t.In(p.Zone), p.Now.In(p.Zone)), Machine: p.Stamp(t).Machine}
}

func (l *ledger) describe(p web.Pen, k *floor.Ticket) line {
	d := &k.Data
	row := line{
		Name: event.JobName(d.Job, d.Part), Title: d.Title, At: p.Stamp(k.At), Flags: d.Flags, File: d.SourceFile,
		Where: place(k.Site, k.Machine),
	}
	if k.Machine == event.AnyMachine {
		row.Where = k.Site
	}
	class := cmp.Or(d.FilmClass, event.Unknown)
	if l.o.Films != nil {
		class = l.o.Films.Lookup(d.Stock, class).Class
	}
	row.Film = []string{cmp.Or(d.Stock, p.Say("tickets.no-stock")), p.Name("class", string(class), string(class))}
	if m, known := units.From(d.LengthM).Get(); known {
		row.Film = append(row.Film, p.Number(p.Long(m)))
	} else {
		row.Film = append(row.Film, p.Say("tickets.no-length"))
	}
	if d.StartAt != nil {
		row.Start = planned(p, *d.StartAt)
	}
	if d.Due != nil {
		row.Due = planned(p, *d.Due)
	}
	return row
}

// rejected lists the files that were refused, newest first.
func rejected(p web.Pen, f *floor.State) []rejectLine {
	lines := make([]rejectLine, 0, len(f.Rejects))
	for i := len(f.Rejects) - 1; i >= 0; i-- {
		x := &f.Rejects[i]
		where := place(x.Site, x.Machine)
		switch {
		case x.Site == event.AnySite:
			where = p.Say("tickets.nowhere")
		case x.Machine == event.AnyMachine:
			where = x.Site
		}
		lines = append(lines, rejectLine{p.Stamp(x.At), where, x.File, p.Name("reject", x.Kind, x.Kind), x.Reason, "en"})
	}
	return lines
}

func place(site, machine string) string { return site + "/" + machine }

func historyOf(site, machine string) string { return "/history/" + site + "/" + machine }
