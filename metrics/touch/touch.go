// Package touch serves the operator's page of each machine, for a tablet and
// gloved hands: what stands there now, and a large target for each thing that is
// done at a machine and must be told.
//
// The page only draws. What is told on it is sent to the watch's own edge, as a
// form, or by the page's script, which keeps entries in the browser while the
// network is away and sends them once and in order when it is back.
//
// The forms are drawn from the table of actions, so that they ask for what the
// contract takes and for nothing else.
package touch

import (
	"cmp"
	"embed"
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/action"
	"rollwarden/rules/alarm"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
)

// Options are what the page reads. Kit, Hub and View are required.
type Options struct {
	Kit      *web.Kit
	Hub      *web.Hub
	View     func() *rules.View // nil until the journal has been read
	Machines []plant.Machine
	Stocks   []string // the shop's stock codes

	// Clear is how far the film has to go forward in a view, in mm, for its edge
	// to lie past the cure exit, and false when nobody knows where it is; may be nil.
	Clear func(v *rules.View, site, machine string) (mm float64, known bool)

	// Alarms are the alarms of a machine in a view, described as they are now. As
	// they were announced when nil.
	Alarms func(v *rules.View, site, machine string) []alarm.Alarm

	// StartAt is when a machine's next run in a view is expected to start, and
	// false when nobody can tell; may be nil.
	StartAt func(v *rules.View, site, machine string) (time.Time, bool)

	// Ready is whether the watch is sure of what it shows; may be nil.
	Ready func() bool
}

type touch struct {
	o     Options
	pages web.Pages
}

//go:embed templates assets
var files embed.FS

// name is the page's name among the live ones.
const name = "floor"

// Register serves the pages on a mux, and tells the hub how to paint them.
func Register(mux *http.ServeMux, o Options) {
	o.Kit.Add(files, "assets")
	t := &touch{o: o, pages: o.Kit.Parse(files, "templates/*.html", nil)}
	o.Hub.Paint(name, t.paint)
	mux.Handle("/floor/{machine}", web.ReadOnly(http.HandlerFunc(t.serve)))
}

type page struct {
	web.Frame
	Site, Machine string
	Stream, Now   string
	Clock         string // now, for people
	Zone          string // of the shop, for the page's script; empty for that of the watch's computer
	OffsetMin     int    // of that zone now, in min east of UTC
	HourCycle     string // of the shop's clock, as ECMA-402 names it
	Standing      template.HTML
	Taken         template.HTML
	Groups        []group
	Stocks        []string
	Reads         bool // the reader may only look
}

// serve draws the page of one machine.
func (t *touch) serve(w http.ResponseWriter, r *http.Request) {
	v := t.o.View()
	if v == nil {
		t.o.Kit.Reading(w, r)
		return
	}
	site, machine, ok := t.find(v, r.URL.Query().Get("site"), r.PathValue("machine"))
	if !ok {
		t.o.Kit.Missing(w, r)
		return
	}
	a := t.o.Hub.Audience(r, name, floor.Key(site, machine))
	p := t.painter(a, v)
	parts, err := p.parts(true)
	if err != nil {
		web.Plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	out := page{
		Frame: t.o.Kit.Frame(r, a.Of, p.Say("touch.title", machine)), Site: site, Machine: machine,
		Stream: a.Stream(), Now: web.Instant(p.Now), Clock: p.Clock(p.Now), Stocks: t.o.Stocks, Reads: reads(a.Role),
		Standing: template.HTML(parts[0].HTML),
	}
	out.Zone, out.OffsetMin, out.HourCycle = p.clock()
	if !out.Reads {
		last := len(parts) - 1
		out.Groups, out.Taken = p.grouped(parts[1:last]), template.HTML(parts[last].HTML)
	}
	t.pages.Render(w, a.Lang, "touch", http.StatusOK, out)
}

// clock says how the shop's clock is to be read by the page's script.
func (p *painter) clock() (zone string, offsetMin int, hourCycle string) {
	if p.Zone != time.Local {
		zone = p.Zone.String()
	}
	_, offsetS := p.Now.In(p.Zone).Zone()
	hourCycle = "h23"
	if p.Clock12 {
		hourCycle = "h12"
	}
	return zone, offsetS / 60, hourCycle
}

// grouped puts the tiles of the actions under their headings. The page is not
// loaded again by itself without a script, since that would wipe out what is
// being typed.
func (p *painter) grouped(tiles []web.Part) []group {
	all := make([]group, len(groups))
	for i := range groups {
		all[i] = group{Code: groups[i].code, Title: p.Say("touch.group." + groups[i].code)}
	}
	for i := range tiles {
		g := &all[groupOf(action.Actions[i].Code)]
		g.Actions = append(g.Actions, template.HTML(tiles[i].HTML))
	}
	return all
}

// reads are the roles that may only look.
func reads(role string) bool { return role == "viewer" || role == "nobody" }

// find resolves a machine's name. Without a site it must be the only one of
// that name.
func (t *touch) find(v *rules.View, site, machine string) (foundSite, foundMachine string, ok bool) {
	var sites []string
	for i := range t.o.Machines {
		if m := &t.o.Machines[i]; m.Name == machine {
			sites = append(sites, m.Site)
		}
	}
	for _, m := range v.Floor.Machines {
		if m.Name == machine {
			sites = append(sites, m.Site)
		}
	}
	slices.Sort(sites)
	sites = slices.Compact(sites)
	if site == "" && len(sites) == 1 {
		site = sites[0]
	}
	return site, machine, slices.Contains(sites, site)
}

// painter draws one machine for one audience.
type painter struct {
	*touch
	web.Pen
	audience      web.Audience
	site, machine string
	view          *rules.View
	floor         *floor.Machine // nil when nothing was heard of it
	plant         *plant.Machine // nil when it is not configured
}

func (t *touch) painter(a web.Audience, v *rules.View) *painter {
	p := &painter{touch: t, Pen: t.o.Kit.PenIn(a.Lang), audience: a, view: v}
	p.site, p.machine, _ = strings.Cut(a.Of, "/")
	p.floor = v.Floor.Machine(p.site, p.machine)
	for i := range t.o.Machines {
		if m := &t.o.Machines[i]; m.Site == p.site && m.Name == p.machine {
			p.plant = m
		}
	}
	return p
}

var errNoView = errors.New("the journal has not been read")

func (t *touch) paint(a web.Audience) ([]web.Part, error) {
	v := t.o.View()
	if v == nil {
		return nil, errNoView
	}
	if site, machine, _ := strings.Cut(a.Of, "/"); !t.exists(v, site, machine) {
		return nil, errors.New("there is no such machine")
	}
	return t.painter(a, v).parts(false)
}

func (t *touch) exists(v *rules.View, site, machine string) bool {
	_, _, ok := t.find(v, cmp.Or(site, "-"), machine)
	return ok
}

// parts makes what changes by itself, in the order of the page: how the machine
// stands and, for those who may tell something, the tile of each action with what
// it suggests, and what can be taken back.
func (p *painter) parts(withIDs bool) ([]web.Part, error) {
	type piece struct {
		id, template string
		data         any
	}
	pieces := []piece{{"standing", "standing", p.standing()}}
	if !reads(p.audience.Role) {
		for _, f := range p.actions(withIDs) {
			pieces = append(pieces, piece{tileID(f.Code), "tile", f})
		}
		pieces = append(pieces, piece{"taken", "taken", p.taken()})
	}
	parts := make([]web.Part, len(pieces))
	for i, one := range pieces {
		html, err := p.pages.Fragment(p.audience.Lang, one.template, one.data)
		if err != nil {
			return nil, err
		}
		parts[i] = web.Part{ID: one.id, HTML: html}
	}
	return parts, nil
}
