package advice_test

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/bojanz/currency"
	"github.com/getkin/kin-openapi/openapi3"
	"pgregory.net/rapid"

	"rollwarden/metrics/advice"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
	"rollwarden/watcher/desk"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

// shop is a shop of one machine, with two films and everything priced.
func shop(t testing.TB) rules.Site {
	t.Helper()
	heron := plant.Machine{
		Site: "north", Name: "heron", Configured: true, Path: plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500},
		SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk, ToleranceMM: 0.3,
	}
	mono := film.Defaults[event.Monomeric]
	mono.Stock, mono.Class, mono.PricePerM2, mono.WidthMM = "MONO-GLOSS-137", event.Monomeric, usd("1.20"), units.Some(1370)
	poly := film.Defaults[event.Polymeric]
	poly.Stock, poly.Class, poly.PricePerM2, poly.WidthMM = "POLY-GLOSS-137", event.Polymeric, usd("2.60"), units.Some(1370)
	films, err := film.NewCatalogue(nil, []film.Film{mono, poly})
	if err != nil {
		t.Fatal(err)
	}
	prior := risk.DefaultPrior()
	return rules.Site{
		Machines: []plant.Machine{heron}, Default: heron, Films: films, Book: hazard.DefaultBook(), Drift: register.ClassDefault{Share: 0.2},
		Advisor: &remedy.Advisor{Odds: risk.Fit(prior, nil, risk.FitOptions{}), Films: films, Flat: []film.Film{poly}, Costs: plant.Costs{
			Currency: "USD", LabourPerHour: usd("30"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.15"),
			StrikeDownS: 2700, StrikeReprint: 3, LeaderWorkS: 60, AdvanceWorkS: 10, ShapeWorkS: 60, CoolerSlowPct: 20, PauseS: 300,
		}},
		Lapse: 12 * time.Hour,
	}
}

// watch is a real engine that is told things, and the pages on it.
type watch struct {
	t      testing.TB
	site   rules.Site
	engine *rules.Engine
	now    time.Time
	told   int
	role   string
	user   string

	mu   sync.Mutex
	view *rules.View
}

func newWatch(t testing.TB) *watch {
	site := shop(t)
	w := &watch{t: t, site: site, engine: rules.New(site), now: start}
	w.view = w.engine.View(w.now)
	return w
}

func (w *watch) say(typ event.Type, p event.Payload) {
	w.t.Helper()
	if err := p.Check(); err != nil {
		w.t.Fatal(err)
	}
	w.told++
	w.engine.Apply(uint64(w.told), event.Event{ID: fmt.Sprint("e", w.told), Source: "test", Type: typ, Time: w.now, Site: "north", Machine: "heron", Data: p})
	w.mu.Lock()
	defer w.mu.Unlock()
	w.view = w.engine.View(w.now)
}

func (w *watch) see() *rules.View {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.view
}

func (w *watch) reader() rules.Reader { return rules.Read(w.site, w.see()) }

func (w *watch) serve() http.Handler {
	w.t.Helper()
	kit, err := web.New(web.Options{Now: func() time.Time { return w.now }, User: func(*http.Request) string { return w.user }})
	if err != nil {
		w.t.Fatal(err)
	}
	hub := web.NewHub(web.HubOptions{Kit: kit, Pulse: func() web.Pulse { return web.Pulse{} }, Role: func(*http.Request) string { return w.role }})
	mux := http.NewServeMux()
	advice.Register(mux, advice.Options{
		Kit: kit, Hub: hub, View: w.see, Site: w.site, Prices: queue.DefaultPrices(),
		Known: func(site, machine string) bool { return site == "north" && (machine == "heron" || machine == "wren") },
	})
	return mux
}

func get(h http.Handler, url, lang string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, url, nil)
	r.Header.Set("Accept-Language", lang)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

const heron = "/advice/north/heron"

var (
	tag   = regexp.MustCompile(`<[^>]*>`)
	space = regexp.MustCompile(`\s+`)
)

// words are what a reader sees of a page.
func words(body string) string {
	return space.ReplaceAllString(html.UnescapeString(tag.ReplaceAllString(body, " ")), " ")
}

func wants(t *testing.T, text string, all ...string) {
	t.Helper()
	for _, want := range all {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q:\n%s", want, text)
		}
	}
}

// section cuts a section with its folds out of a page.
func section(t *testing.T, body, id string) string {
	t.Helper()
	_, rest, found := strings.Cut(body, `<section id="`+id+`"`)
	part, _, ended := strings.Cut(rest, "</section>")
	if !found || !ended {
		t.Fatalf("the page has no section %s", id)
	}
	return part
}

// unfolded is what of a section is seen without opening a fold.
func unfolded(part string) string {
	return regexp.MustCompile(`(?s)<details.*?</details>`).ReplaceAllString(part, "")
}

func num(v float64) *float64 { return &v }

func ticket(job string, change func(*event.TicketReceived)) *event.TicketReceived {
	due := start.Add(24 * time.Hour)
	t := &event.TicketReceived{
		Job: job, Part: "P1", Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: num(1370), LengthM: num(3), Copies: num(100),
		Passes: num(12), InkDensityPct: num(100), CureC: num(93), ContourCut: true, MarkSpacingMM: num(400), Due: &due,
	}
	if change != nil {
		change(t)
	}
	return t
}

func flat(t *event.TicketReceived) { t.Stock, t.FilmClass = "POLY-GLOSS-137", event.Polymeric }

// bare loads cheap film with its edge at the print line.
func (w *watch) bare() {
	w.t.Helper()
	w.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1370), LengthM: num(50), ThicknessUM: num(220)})
	w.say("edge.moved", &event.EdgeMoved{PositionMM: num(0), Cause: event.CauseRewind})
}

// busy is a queue that is better taken in another order.
func (w *watch) busy() {
	w.t.Helper()
	w.bare()
	w.say("ticket.received", ticket("J1", nil))
	w.say("ticket.received", ticket("J2", flat))
	w.say("ticket.received", ticket("J3", nil))
}

// TestThePageSaysWhatTheRulesSay holds every number of the decision against the
// decision itself.
func TestThePageSaysWhatTheRulesSay(t *testing.T) {
	w := newWatch(t)
	w.busy()
	d, ok := w.reader().Decide(w.now, "north", "heron")
	if !ok || d.Chosen().Code != "advance" {
		t.Fatalf("the test needs a decision that an advance pays: %s", d.Why())
	}
	part := section(t, get(w.serve(), heron, "en").Body.String(), "decision")
	text := words(unfolded(part))
	wants(t, text, d.Why(), "J1/P1", "prior, no data of yours yet", "cost of being wrong", "worth of one more try", "is above it: it pays", "The bare edge")
	wants(t, words(part), "Gelman", "95 % credible interval", "what the prior is worth")
	for i := range d.Options {
		o := &d.Options[i]
		row := rowOf(t, part, o.Text)
		if o.WhyNot != "" {
			wants(t, row, "Cannot be taken: "+o.WhyNot)
			continue
		}
		wants(t, row, o.Cost.Total.Number()+" USD", o.Expected.Round().Number()+" USD", percent(o.Odds.P)+" ("+percent(o.Odds.Low)+" to "+percent(o.Odds.High)+")")
		for _, p := range o.Cost.Parts {
			wants(t, row, p.Amount.Number()+" USD")
		}
		if from, known := o.BreakEven.Get(); known {
			wants(t, row, percent(from), map[bool]string{true: "above: better than doing nothing", false: "below: worse than doing nothing"}[o.Pays])
		}
	}
	if strings.Count(part, `class="best"`) != 1 || !strings.Contains(rowOf(t, part, d.Chosen().Text), "what pays") {
		t.Error("what pays is not marked")
	}
}

func rowOf(t *testing.T, part, name string) string {
	t.Helper()
	for row := range strings.SplitSeq(part, "<tr") {
		if _, cells, ok := strings.Cut(row, `<th scope="row">`); ok && strings.HasPrefix(html.UnescapeString(cells), name) {
			return words("<tr" + row)
		}
	}
	t.Fatalf("no row %s", name)
	return ""
}

// percent writes a probability as people read it.
func percent(p float64) string {
	switch pct := 100 * p; {
	case pct == 0:
		return "0 %"
	case pct < 0.1:
		return "under 0.1 %"
	case pct < 9.95:
		return fmt.Sprintf("%.1f %%", pct)
	case pct > 100:
		return "over 100 %"
	default:
		return fmt.Sprintf("%.0f %%", pct)
	}
}

// TestHeat holds the section on heat and register against the rules, by the class
// and then by strips.
func TestHeat(t *testing.T) {
	w := newWatch(t)
	w.bare()
	w.say("ticket.received", ticket("J1", nil))
	part := section(t, get(w.serve(), heron, "en").Body.String(), "heat")
	h, _ := w.reader().Heat(w.now, "north", "heron")
	wants(t, words(unfolded(part)), fmt.Sprintf("residual %.2f mm", h.Residual.Value), "no interval is known", fmt.Sprintf("print scale, feed %.3f %%", h.PreScaleFeed.Value),
		fmt.Sprintf("window %.0f °C to %.0f °C at 12 passes", h.Band.LowC, h.Band.HighC), "93 °C is inside")
	if strings.Count(part, "<svg") != 1 || !strings.Contains(part, `class="window-here"`) {
		t.Error("no picture of the window with the ticket in it")
	}
	for _, axis := range []string{"feed", "cross"} {
		for i, c := range []float64{80, 93, 93, 116} {
			w.say("strip.measured", &event.StripMeasured{Axis: axis, NominalMM: 1000, MeasuredMM: 1000 * (1 - 1e-4*(c-70) + 1e-5*float64(i%2)), CureC: c, Passes: num(12)})
		}
	}
	h, _ = w.reader().Heat(w.now, "north", "heron")
	low, known := h.Residual.Low.Get()
	if !known {
		t.Fatal("with strips there must be an interval")
	}
	text := words(unfolded(section(t, get(w.serve(), heron, "en").Body.String(), "heat")))
	wants(t, text, fmt.Sprintf("%.2f mm (%.2f to %.2f)", h.Residual.Value, low, h.Residual.High.Or(math.NaN())), "by the strips")
}

// TestUnknownIsShownAsUnknown gives a ticket that says next to nothing.
func TestUnknownIsShownAsUnknown(t *testing.T) {
	w := newWatch(t)
	body := get(w.serve(), heron, "en").Body.String()
	wants(t, words(body), "Nothing runs and nothing is queued", "No roll is known", "Nothing is queued.")
	w.say("ticket.received", &event.TicketReceived{Job: "J9"})
	body = get(w.serve(), heron, "en").Body.String()
	heat, runs := words(unfolded(section(t, body, "heat"))), words(unfolded(section(t, body, "queue")))
	wants(t, heat, "residual not known", "the ticket gives no cure temperature and no mark spacing", "largest mark spacing unknown", "print scale, feed unknown", "not known for this run")
	wants(t, runs, "J9", "unknown", "No order can be advised", "its length is not known")
	if strings.Contains(body, `class="window-here"`) {
		t.Error("a recipe that nobody knows has a place in the window")
	}
	if strings.Contains(body, "<form class=\"accept\"") {
		t.Error("an order is offered where none can be advised")
	}
}

// TestQueue holds the queue against the advice, and offers to accept it to those
// who may.
func TestQueue(t *testing.T) {
	w := newWatch(t)
	w.busy()
	a, _ := w.reader().QueueAdvice(w.now, "north", "heron", queue.DefaultPrices())
	slots := w.reader().Schedule(w.now, "north", "heron")
	for role, may := range map[string]bool{"supervisor": true, "": true, "operator": false, "viewer": false, "nobody": false} {
		w.role, w.user = role, "Mira"
		part := section(t, get(w.serve(), heron, "en").Body.String(), "queue")
		if got := strings.Contains(part, `<form class="accept"`); got != may {
			t.Errorf("role %q: the order can be accepted: %v", role, got)
		}
		if !may {
			wants(t, words(part), "A supervisor can accept this order.")
			continue
		}
		var order []string
		for _, m := range regexp.MustCompile(`name="order" value="([^"]*)"`).FindAllStringSubmatch(part, -1) {
			order = append(order, html.UnescapeString(m[1]))
		}
		if got, want := strings.Join(order, " "), strings.Join(a.Order(), " "); got != want || want == "J1/P1 J2/P1 J3/P1" {
			t.Errorf("the form has the order %s, want %s", got, want)
		}
		text := words(unfolded(part))
		wants(t, text, a.Problem.Money(a.Saves()), a.Problem.Money(a.Present.Cost()), a.Problem.Money(a.Advised.Cost()), a.Problem.Money(a.Present.Change),
			"No order costs less.", "Nothing is reordered at the machine by itself")
		wants(t, text, a.Changes...)
		for _, s := range slots[1:] {
			wants(t, text, s.Expected.Format("15:04:05"), s.Early.Format("15:04:05")+" to "+s.Late.Format("15:04:05"))
		}
		if strings.Contains(part, `name="by"`) {
			t.Error("a name is asked of who is logged in")
		}
	}
	w.role, w.user = "", ""
	if !strings.Contains(get(w.serve(), heron, "en").Body.String(), `name="by"`) {
		t.Error("no name is asked where nobody logs in")
	}
	w.say("advice.accepted", &event.AdviceAccepted{By: "Mira", Order: a.Order()})
	wants(t, words(section(t, get(w.serve(), heron, "en").Body.String(), "queue")), "Keep the order", "a person gave it its place")
}

// TestAGuessedWindowSaysSo shows the cure window of a machine whose feed path nobody
// has measured as what it is.
func TestAGuessedWindowSaysSo(t *testing.T) {
	const nothing, partly = "they know nothing of this machine", "This machine is not measured in full"
	for _, c := range []struct {
		configured, assumed bool
		says, not           string
	}{{true, false, "", nothing}, {false, true, nothing, partly}, {false, false, partly, nothing}} {
		w := newWatch(t)
		w.site.Machines[0].Configured, w.site.Machines[0].Path.Assumed = c.configured, c.assumed
		w.engine = rules.New(w.site)
		w.bare()
		w.say("ticket.received", ticket("J1", nil))
		part := section(t, get(w.serve(), heron, "en").Body.String(), "heat")
		if !strings.Contains(part, c.says) || strings.Contains(part, c.not) || !strings.Contains(part, "<svg") {
			t.Errorf("%+v: the page does not say so", c)
		}
		if said := words(part); !strings.Contains(said, "suits ink and film") || strings.Contains(said, "safe") {
			t.Error("what suits ink and film is called more than that")
		}
	}
}

// TestALongQueue keeps what can be done before what can be read, and the page small
// enough for a telephone, however much is queued.
func TestALongQueue(t *testing.T) {
	w := newWatch(t)
	w.busy()
	const queued = 3000
	for i := 4; i <= queued; i++ {
		w.told++
		w.engine.Apply(uint64(w.told), event.Event{ID: fmt.Sprint("e", w.told), Source: "test", Type: "ticket.received", Time: w.now, Site: "north", Machine: "heron", Data: ticket(fmt.Sprint("J", i), nil)})
	}
	w.view = w.engine.View(w.now)
	body := get(w.serve(), heron, "en").Body.String()
	part := section(t, body, "queue")
	form, _, offered := strings.Cut(part, `<form class="accept"`)
	if !offered || strings.Contains(form, "<table") || strings.Contains(form, "<li>") {
		t.Error("the order is to be accepted above everything that is listed")
	}
	if len(body) > 200_000 {
		t.Errorf("the page has %d bytes", len(body))
	}
	if n := strings.Count(unfolded(part), `<td data-label="Place">`); n != 20 {
		t.Errorf("%d runs are seen at once, want 20", n)
	}
	seen := words(part)
	for _, want := range []string{"Accepting puts the first 100 runs into the advised order, and the 2900 behind them keep theirs.", "80 more", "2900 more stand behind these and keep their order."} {
		if !strings.Contains(seen, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if n := strings.Count(part, `name="order"`); n != 100 {
		t.Errorf("the form names %d runs", n)
	}
}

// TestGerman turns everything that is seen without opening a fold, with decimal
// commas (DIN 5008). What stays English in the folds says so (WCAG 2.2, success
// criterion 3.1.2).
func TestGerman(t *testing.T) {
	w := newWatch(t)
	w.busy()
	body := get(w.serve(), heron, "de").Body.String()
	for _, id := range []string{"decision", "heat", "queue"} {
		part := section(t, body, id)
		seen := unfolded(part)
		for _, m := range regexp.MustCompile(`lang="en">([^<]*)<`).FindAllStringSubmatch(seen, -1) {
			t.Errorf("%s still says in English: %s", id, m[1])
		}
		if m := regexp.MustCompile(`[0-9]\.[0-9]`).FindString(words(seen)); m != "" {
			t.Errorf("%s has a decimal point: %s in %s", id, m, words(seen))
		}
		if !strings.Contains(part, `lang="en"`) {
			t.Errorf("%s: the formulas are English and do not say so", id)
		}
	}
	wants(t, words(body), "Was sich an heron lohnt", "Vorschub: 0,68 USD gegen 0,19 × 111,10 USD; ", "lohnt sich ab einer Crash-Wahrscheinlichkeit von", "Kosten des Irrtums",
		"Druckmaßstab längs", "Heizfenster", "93 °C liegt darin", "spart einen Rollenwechsel", "Vorgabe")
	if strings.Contains(body, "%!") {
		t.Error("a text was given the wrong values")
	}
}

// TestAPI holds the answer against the published contract and against the rules.
// TestARivalIsNamedInGerman takes the sentence about a remedy that is more often the
// cheapest, of a decision for a remedy and of one for none.
func TestARivalIsNamedInGerman(t *testing.T) {
	kit, err := web.New(web.Options{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	d := remedy.Decision{Holds: true, Weighed: true, Options: []remedy.Option{
		{Code: remedy.None, Strike: remedy.Bill{Total: usd("90.00")}, Odds: risk.Estimate{P: 0.2}, Expected: usd("18.00"), Sure: 0.1},
		{Code: "advance", Cost: remedy.Bill{Total: usd("0.60")}, Expected: usd("0.60"), BreakEven: units.Some(0.007), Sure: 0.12},
		{Code: "leader", Cost: remedy.Bill{Total: usd("0.50")}, Expected: usd("0.70"), Sure: 0.87},
	}}
	for best, want := range []string{
		"; nichts zu tun kostet im Mittel am wenigsten, Crashs eingerechnet; Vorspann ist zwar öfter am günstigsten (87 % gegen 10 %), kostet aber sonst mehr",
		"; kostet im Mittel am wenigsten, Crashs eingerechnet; Vorspann ist zwar öfter am günstigsten (87 % gegen 12 %), kostet aber sonst mehr",
	} {
		d.Best = best
		if got, known := kit.Phrases().In("de", d.Why()); !known || !strings.HasSuffix(got, want) {
			t.Errorf("%s\nwant German that ends with %q, got %q", d.Why(), want, got)
		}
	}
}

// contract is the shape of the answer, as the API's own document has it.
func contract(t *testing.T) *openapi3.Schema {
	t.Helper()
	data, err := desk.OpenAPI(desk.APIVersion)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := openapi3.NewLoader().LoadFromData(data)
	if err != nil {
		t.Fatal(err)
	}
	return doc.Components.Schemas["advised"].Value
}

func TestAPI(t *testing.T) {
	schema := contract(t)
	w := newWatch(t)
	const path = "/api/v1/machines/north/heron/advice"
	check := func() (got map[string]any) {
		t.Helper()
		r := get(w.serve(), path, "")
		if err := json.Unmarshal(r.Body.Bytes(), &got); err != nil || r.Code != http.StatusOK {
			t.Fatalf("%d %v %s", r.Code, err, r.Body)
		}
		if err := schema.VisitJSON(got); err != nil {
			t.Errorf("the answer breaks the contract: %v", err)
		}
		return got
	}
	if got := check(); got["decision"] != nil || got["heat"] != nil || got["queue"] != nil {
		t.Errorf("nothing is known: %v", got)
	}
	w.say("ticket.received", &event.TicketReceived{Job: "J9"})
	check()
	w.say("ticket.withdrawn", &event.TicketWithdrawn{Job: "J9"})
	w.busy()
	got := check()
	d, _ := w.reader().Decide(w.now, "north", "heron")
	decision := got["decision"].(map[string]any)
	if decision["why"] != d.Why() || decision["best"] != "advance" {
		t.Errorf("decision: %v", decision)
	}
	for i, o := range decision["options"].([]any) {
		o, want := o.(map[string]any), &d.Options[i]
		if o["code"] != want.Code || o["why_not"] == nil && (o["odds"].(map[string]any)["probability"] != want.Odds.P || o["cheapest_probability"] != want.Sure) {
			t.Errorf("option %v, want %+v", o, want)
		}
	}
	h, _ := w.reader().Heat(w.now, "north", "heron")
	if got := got["heat"].(map[string]any)["residual_mm"].(map[string]any)["value"]; got != h.Residual.Value {
		t.Errorf("residual %v, want %v", got, h.Residual.Value)
	}
	a, _ := w.reader().QueueAdvice(w.now, "north", "heron", queue.DefaultPrices())
	if got := fmt.Sprint(got["queue"].(map[string]any)["order"]); got != fmt.Sprint(a.Order()) {
		t.Errorf("order %s, want %v", got, a.Order())
	}
	for url, want := range map[string]int{
		"/api/v1/machines/north/dodo/advice": http.StatusNotFound, "/advice/north/dodo": http.StatusNotFound, "/advice/north/wren": http.StatusOK,
	} {
		if got := get(w.serve(), url, "en").Code; got != want {
			t.Errorf("%s: status %d, want %d", url, got, want)
		}
	}
	w.view = nil
	for _, url := range []string{path, heron} {
		if got := get(w.serve(), url, "en").Code; got != http.StatusServiceUnavailable {
			t.Errorf("%s while the journal is read: status %d", url, got)
		}
	}
}

// TestEveryFloorIsAnswered tells a watch anything that can be told of a machine and
// asks for its advice: whatever is unknown, settled or beyond all bounds, the answer
// can be written, and keeps its contract.
func TestEveryFloorIsAnswered(t *testing.T) {
	schema := contract(t)
	w := newWatch(t)
	h := w.serve()
	ask := func(t interface{ Fatalf(string, ...any) }) (got map[string]any) {
		r := get(h, "/api/v1/machines/north/heron/advice", "")
		if err := json.Unmarshal(r.Body.Bytes(), &got); err != nil || r.Code != http.StatusOK {
			t.Fatalf("status %d, %v: %.300s", r.Code, err, r.Body)
		}
		if err := schema.VisitJSON(got); err != nil {
			t.Fatalf("the answer breaks the contract: %v", err)
		}
		return got
	}
	w.busy()
	w.say("edge.moved", &event.EdgeMoved{PositionMM: num(500), Cause: event.CauseAdvance})
	never := 0
	for _, o := range ask(t)["decision"].(map[string]any)["options"].([]any) {
		if o := o.(map[string]any); o["code"] != "none" && o["why_not"] == nil && o["break_even_probability"] == nil {
			never++
		}
	}
	if never == 0 {
		t.Error("on a settled edge no remedy pays by any odds, and none has a break-even of null")
	}
	rapid.Check(t, func(rt *rapid.T) {
		w.engine, w.now = rules.New(w.site), w.now.Add(time.Hour)
		maybe := func(name string, most float64) *float64 {
			if rapid.Bool().Draw(rt, name+" is known") {
				return num(rapid.SampledFrom([]float64{most / 20, most / 2, most}).Draw(rt, name))
			}
			return nil
		}
		for i := range rapid.IntRange(1, 8).Draw(rt, "events") {
			switch rapid.IntRange(0, 5).Draw(rt, "event") {
			case 0, 1:
				w.say("ticket.received", ticket(fmt.Sprint("J", i), func(k *event.TicketReceived) {
					k.RollWidthMM, k.LengthM, k.Passes, k.CureC, k.MarkSpacingMM = maybe("width", 1600), maybe("length", 100), maybe("passes", 32), maybe("cure", 120), maybe("spacing", 5000)
				}))
			case 2:
				w.say("roll.loaded", &event.RollLoaded{Stock: rapid.SampledFrom([]string{"", "MONO-GLOSS-137", "POLY-GLOSS-137"}).Draw(rt, "stock"), WidthMM: maybe("width", 1600), LengthM: maybe("roll", 50), ThicknessUM: maybe("thickness", 500)})
			case 3:
				w.say("edge.moved", &event.EdgeMoved{PositionMM: num(rapid.SampledFrom([]float64{-5, 0, 1, 200, 329, 330, 900}).Draw(rt, "edge")), Cause: event.CauseAdvance})
			case 4:
				w.say("strip.measured", &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 990 + float64(i), CureC: 80 + float64(i%2), Passes: maybe("passes", 32)})
			case 5:
				w.say("run.started", &event.RunStarted{Run: event.Run{Job: "J0", Part: "P1"}})
			}
		}
		ask(rt)
	})
}

// TestComingBackWaitsForWhatWasTold asks for the page as a form does that was
// answered before the watch has read it.
func TestComingBackWaitsForWhatWasTold(t *testing.T) {
	w := newWatch(t)
	w.busy()
	h := w.serve()
	back := html.UnescapeString(regexp.MustCompile(`name="back" value="([^"]*)"`).FindStringSubmatch(get(h, heron, "en").Body.String())[1])
	a, _ := w.reader().QueueAdvice(w.now, "north", "heron", queue.DefaultPrices())
	page := make(chan string)
	go func() { page <- get(h, back, "en").Body.String() }()
	select {
	case <-page:
		t.Error("the page came back before anything was told")
	case <-time.After(100 * time.Millisecond):
		w.say("advice.accepted", &event.AdviceAccepted{By: "Mira", Order: a.Order()})
		wants(t, words(<-page), "Keep the order")
	}
}

// TestManyReaders asks from several sides while the floor changes; the race
// detector does the rest.
func TestManyReaders(t *testing.T) {
	w := newWatch(t)
	w.busy()
	h := w.serve()
	var all sync.WaitGroup
	for i := range 3 {
		all.Go(func() {
			for range 2 {
				if code := get(h, []string{heron, "/api/v1/machines/north/heron/advice"}[i%2], "de").Code; code != http.StatusOK {
					t.Errorf("status %d", code)
				}
			}
		})
	}
	for rh := range 3 {
		w.say("climate.read", &event.ClimateRead{RHPct: num(40 + float64(rh))})
	}
	all.Wait()
}

func BenchmarkPage(b *testing.B) {
	w := newWatch(b)
	w.bare()
	for i := range 40 {
		w.say("ticket.received", ticket(fmt.Sprint("J", i), func(t *event.TicketReceived) {
			if i%3 == 0 {
				flat(t)
			}
		}))
	}
	h := w.serve()
	b.Run("anew", func(b *testing.B) {
		for b.Loop() {
			w.say("climate.read", &event.ClimateRead{RHPct: num(45)})
			get(h, heron, "en")
		}
	})
	b.Run("kept", func(b *testing.B) {
		for b.Loop() {
			get(h, heron, "en")
		}
	})
}

// TestNothingIsWatchedAnyMore serves what was there when the watch gives the last of
// its sites away while somebody waits for what he has just accepted.
func TestNothingIsWatchedAnyMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatch(t)
		w.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137"})
		h := w.serve()
		time.AfterFunc(100*time.Millisecond, func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.view = nil
		})
		if got := get(h, heron+"?after=99", "en"); got.Code != http.StatusOK {
			t.Errorf("the page that waited answers %d", got.Code)
		}
		if got := get(h, heron, "en"); got.Code != http.StatusServiceUnavailable {
			t.Errorf("the next answers %d", got.Code)
		}
	})
}
