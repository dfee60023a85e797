package board_test

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/metrics/board"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

func machine(site, name string) plant.Machine {
	return plant.Machine{
		Site: site, Name: name, Configured: true,
		Path:    plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500},
		SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk, ToleranceMM: 0.3,
	}
}

func shop(t testing.TB) rules.Site {
	t.Helper()
	mono := film.Defaults[event.Monomeric]
	mono.Stock, mono.Class, mono.PricePerM2, mono.WidthMM = "MONO-GLOSS-137", event.Monomeric, usd("1.20"), units.Some(1370)
	poly := film.Defaults[event.Polymeric]
	poly.Stock, poly.Class, poly.PricePerM2, poly.WidthMM = "POLY-GLOSS-137", event.Polymeric, usd("2.60"), units.Some(1370)
	films, err := film.NewCatalogue(nil, []film.Film{mono, poly})
	if err != nil {
		t.Fatal(err)
	}
	return rules.Site{
		Machines: []plant.Machine{machine("north", "heron"), machine("north", "wren"), machine("quay", "plover")},
		Default:  machine("", ""), Films: films, Book: hazard.DefaultBook(), Drift: register.ClassDefault{Share: 0.2},
		Advisor: &remedy.Advisor{Odds: risk.DefaultPrior(), Films: films, Flat: []film.Film{poly}, Costs: plant.Costs{
			Currency: "USD", LabourPerHour: usd("30"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.15"),
			StrikeDownS: 2700, StrikeReprint: 3, LeaderWorkS: 60, AdvanceWorkS: 10, ShapeWorkS: 60, CoolerSlowPct: 20,
		}},
		Lapse:   12 * time.Hour,
		PageFor: func(hazard.Priority) []string { return []string{"mail"} },
	}
}

// desk feeds an engine as the watch would.
type desk struct {
	t      testing.TB
	site   rules.Site
	engine *rules.Engine
	now    time.Time
	wake   time.Time
	seq    uint64
	role   func(*http.Request) string // of whoever looks; nil when anybody may do anything
}

func newDesk(t testing.TB) *desk {
	site := shop(t)
	return &desk{t: t, site: site, engine: rules.New(site), now: start}
}

func (d *desk) say(site, machine string, typ event.Type, p event.Payload) {
	d.t.Helper()
	if err := p.Check(); err != nil {
		d.t.Fatal(err)
	}
	d.apply(event.Event{
		ID: fmt.Sprint("e", d.seq), Source: "test", Type: typ, Time: d.now, Site: site, Machine: machine, Data: p,
	})
	d.settle()
}

func (d *desk) apply(e event.Event) {
	d.seq++
	d.engine.Apply(d.seq, e)
}

func (d *desk) settle() {
	d.t.Helper()
	for range 50 {
		var out []event.Event
		out, d.wake = d.engine.Judge(d.now)
		if len(out) == 0 {
			return
		}
		for _, e := range out {
			d.apply(e)
		}
	}
	d.t.Fatal("the watch does not come to rest")
}

// wait lets time go by and judges at every moment that the engine asks for.
func (d *desk) wait(span time.Duration) {
	d.t.Helper()
	for end := d.now.Add(span); d.now.Before(end); d.settle() {
		if d.now = end; !d.wake.IsZero() && d.wake.Before(end) {
			d.now = d.wake
		}
	}
}

// options shows the desk's floor as it is now, in a shop's own way.
func (d *desk) options(own ...func(*web.Options)) board.Options {
	d.t.Helper()
	o := web.Options{Shop: "Kestrel Lane Decals", Now: func() time.Time { return d.now }}
	for _, set := range own {
		set(&o)
	}
	kit, err := web.New(o)
	if err != nil {
		d.t.Fatal(err)
	}
	v := d.engine.View(d.now)
	hub := web.NewHub(web.HubOptions{Kit: kit, Pulse: func() web.Pulse { return web.Pulse{Ready: true} }, Role: d.role})
	return board.Options{
		Kit: kit, Hub: hub, View: func() *rules.View { return v },
		Machines: d.site.Machines, Rows: d.site.Book.Rows, Films: d.site.Films,
		StrikeCost: func(*rules.View, string, string) string { return "111.10 USD" },
	}
}

// german is a shop whose readers all read German.
func german(o *web.Options) { o.Language = "de" }

func num(v float64) *float64 { return &v }
func truth(b bool) *bool     { return &b }

func moment(t time.Time) *time.Time { return &t }

func run(job string, metres *float64) event.Run {
	return event.Run{Job: job, Part: "P1", Metres: metres}
}

func ticket(job string) *event.TicketReceived {
	return &event.TicketReceived{
		Job: job, Part: "P1", Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: num(1370), LengthM: num(3),
		Copies: num(100), Passes: num(12), InkDensityPct: num(100), CureC: num(93), ContourCut: true, MarkSpacingMM: num(400),
	}
}

// morning is a shop at work: heron is about to start with a bare edge, wren
// prints and has an alarm on its queue, plover has not been heard.
func morning(d *desk) {
	d.say("north", event.AnyMachine, "climate.read", &event.ClimateRead{TempC: num(21), RHPct: num(46)})
	d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, Lot: "L-204", WidthMM: num(1370), LengthM: num(46), ThicknessUM: num(220)})
	d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(0), Cause: event.CauseRewind})
	d.say("north", "heron", "head.checked", &event.HeadChecked{NozzlesOK: truth(true), ObstructionClear: truth(true)})
	next := ticket("KL-1043")
	next.StartAt = moment(d.now.Add(14 * time.Minute))
	d.say("north", "heron", "ticket.received", next)
	d.say("north", "heron", "ticket.received", ticket("KL-1044"))

	d.say("north", "wren", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1370), LengthM: num(30), ThicknessUM: num(220)})
	d.say("north", "wren", "edge.moved", &event.EdgeMoved{PositionMM: num(-20), Cause: event.CauseRewind})
	d.say("north", "wren", "leader.attached", &event.LeaderAttached{LengthMM: 420, ThicknessUM: num(160)})
	d.say("north", "wren", "ticket.received", ticket("KL-1039"))
	hot := ticket("KL-1041")
	hot.CureC = num(116)
	hot.Passes = num(8)
	d.say("north", "wren", "ticket.received", hot)
	d.say("north", "wren", "run.started", &event.RunStarted{Run: run("KL-1039", nil)})
	d.say("north", "wren", "run.progress", &event.RunProgress{Run: run("KL-1039", num(0.2))})
	d.wait(2 * time.Minute)
	d.say("north", "heron", "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "KL-1044", Part: "P1", Action: event.ActNote, By: "Mira"})
	d.say("north", "wren", "operator.noted", &event.OperatorNoted{Hazard: "register-drift", Job: "KL-1041", Part: "P1", Action: event.ActShelve, By: "Mira", Reason: "the office changes the recipe", Until: moment(d.now.Add(time.Hour))})

	d.say("quay", "plover", "run.finished", &event.RunFinished{Run: run("KL-0990", nil)})
	d.say("quay", "plover", "ticket.rejected", &event.TicketRejected{SourceFile: "KL-1050.xjdf", Kind: "incomplete", Reason: "it ends inside an element"})
	d.seq++
	d.engine.Refuse(d.seq, d.now, "floor.north.heron.edge.moved", errors.New("data.cause is missing: want one of rewind, advance, feed, trim"))
	d.say("quay", "plover", "run.progress", &event.RunProgress{Run: run("KL-0991", num(1))})
	d.wait(40 * time.Second)
}

// get asks a handler as a client would, through a real server, so that HEAD
// and header handling are the real ones.
func get(t testing.TB, h http.Handler, method, target string) (*http.Response, string) {
	t.Helper()
	server := httptest.NewServer(h)
	defer server.Close()
	request, err := http.NewRequest(method, server.URL+target, nil)
	if err != nil {
		t.Fatal(err)
	}
	response, err := server.Client().Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response, string(body)
}

// node is an element of a parsed page.
type node struct {
	name     string
	attrs    map[string]string
	children []*node
	text     string // of a text node, which has no name
}

// parse reads a page as XML. The templates keep to the part of HTML that is
// XML as well, so a tag that is not closed fails here.
func parse(t testing.TB, page string) *node {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	root := &node{}
	stack := []*node{root}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("the page is not well-formed: %v\n%s", err, page)
		}
		top := stack[len(stack)-1]
		switch v := token.(type) {
		case xml.StartElement:
			n := &node{name: v.Name.Local, attrs: map[string]string{}}
			for _, a := range v.Attr {
				n.attrs[a.Name.Local] = a.Value
			}
			top.children = append(top.children, n)
			stack = append(stack, n)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			top.children = append(top.children, &node{text: string(v)})
		}
	}
	return root
}

// all finds every element below n with the name, where "" is any, and all the
// classes given.
func (n *node) all(name string, classes ...string) []*node {
	var found []*node
	for _, c := range n.children {
		has := strings.Fields(c.attrs["class"])
		fits := c.name != "" && (name == "" || c.name == name)
		for _, class := range classes {
			fits = fits && slices.Contains(has, class)
		}
		if fits {
			found = append(found, c)
		}
		found = append(found, c.all(name, classes...)...)
	}
	return found
}

func (n *node) byID(id string) *node {
	for _, c := range n.all("") {
		if c.attrs["id"] == id {
			return c
		}
	}
	return &node{}
}

// words is all text below n with single spaces.
func (n *node) words() string {
	var b strings.Builder
	var walk func(*node)
	walk = func(n *node) {
		b.WriteString(n.text + " ")
		for _, c := range n.children {
			walk(c)
		}
	}
	walk(n)
	return strings.Join(strings.Fields(b.String()), " ")
}

// fact is the text beside a label on a machine's sheet.
func (n *node) fact(label string) string {
	for _, pair := range n.all("div") {
		if names := pair.all("dt"); len(names) == 1 && names[0].words() == label {
			return pair.all("dd")[0].words()
		}
	}
	return ""
}
