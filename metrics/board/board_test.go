package board_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/metrics/board"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

var everyPath = []string{
	"/", "/healthz", "/readyz", "/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies",
	"/nothing", "/api/nothing", "/assets/nothing.css",
}

func TestStatusPage(t *testing.T) {
	d := newDesk(t)
	morning(d)
	response, body := get(t, board.Handler(d.options()), "GET", "/")
	if response.StatusCode != 200 || response.Header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("got %s, %s", response.Status, response.Header.Get("Content-Type"))
	}
	page := parse(t, body)
	heron := page.byID("m.north.heron")
	for label, want := range map[string]string{
		"Film":     "MONO-GLOSS-137 monomeric lot L-204",
		"Roll":     "46.0 m left 1370 mm wide 220 µm",
		"Edge":     "0 mm past the print line 330 mm short of the cure exit rewound 3 min ago",
		"Leader":   "none",
		"Heads":    "checked at 08:00:00: nozzles good, path clear",
		"Air":      "21 °C 46 % humidity",
		"Running":  "nothing is running",
		"Next run": "KL-1043/P1 starts in 11 min at 08:14:00 MONO-GLOSS-137 3.0 m long 1 more behind it",
	} {
		if got := heron.fact(label); got != want {
			t.Errorf("heron's %s is %q, want %q", label, got, want)
		}
	}
	checkAlarm(t, heron, d)
	if got := page.byID("m.north.wren").fact("Leader"); got != "420 mm long 160 µm ends 600 mm past the print line past the cure exit" {
		t.Errorf("wren's leader is %q", got)
	}
	if got := page.byID("m.north.wren").all("div", "aside")[0].words(); !strings.Contains(got, "shelved until 09:02:00, 59 min to go by Mira: the office changes the recipe") {
		t.Errorf("the shelved alarm says %q", got)
	}
	if got := page.byID("m.quay.plover").all("p", "calm")[0].words(); !strings.Contains(got, "not known") {
		t.Errorf("plover knows nothing, but its sheet says %q", got)
	}
	text := page.words()
	for _, want := range []string{
		"The floor · Kestrel Lane Decals", "State of 08:02:40", fmt.Sprintf("journal message %d", d.seq),
		"It is no safety interlock", "2 high", "incomplete: 1", "bad message in the journal: 1",
		"floor.north.heron.edge.moved: data.cause is missing", "Times are in UTC.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
	if strings.Contains(body, "%!") {
		t.Error("a text of the page was given the wrong values")
	}
}

// checkAlarm compares heron's alarm with what the watch wrote in the journal.
func checkAlarm(t *testing.T, heron *node, d *desk) {
	t.Helper()
	alarms := heron.all("section", "alarm", "high")
	if len(alarms) != 1 {
		t.Fatalf("heron shows %d high alarms, want 1: %s", len(alarms), heron.words())
	}
	change := d.engine.View(d.now).Alarms.On("north", "heron")[0].Change
	got := alarms[0].words()
	for _, want := range []string{
		"▲▲▲ High", "Bare edge before the cure zone", "KL-1043/P1", "unacknowledged for 3 min",
		strings.TrimPrefix(change.Message, "heron, KL-1043/P1: "), "Cheapest " + change.Remedies[0].Text,
		"costs " + change.Remedies[0].Cost + " against 111.10 USD for a strike",
		"Caution " + change.Caution, change.Evidence[0].Name + ": " + change.Evidence[0].Value,
		"not now: " + change.Remedies[len(change.Remedies)-1].WhyNot,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the alarm lacks %q:\n%s", want, got)
		}
	}
}

// TestAcknowledged keeps the reason in sight when the newest message only says
// who acknowledged the alarm.
func TestAcknowledged(t *testing.T) {
	d := newDesk(t)
	morning(d)
	d.say("north", "heron", "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "KL-1043", Part: "P1", Action: event.ActAcknowledge, By: "Mira"})
	_, body := get(t, board.Handler(d.options()), "GET", "/")
	alarm := parse(t, body).byID("m.north.heron").all("section", "alarm", "high")[0]
	change := d.engine.View(d.now).Alarms.On("north", "heron")[0].Change
	if got := alarm.all("p", "reason")[0].words(); !strings.Contains(got, "Mira") {
		t.Errorf("the message does not say who acknowledged it: %s", got)
	}
	for _, c := range alarm.children {
		if slices.Contains(strings.Fields(c.attrs["class"]), "seen") && strings.Contains(c.words(), change.Evidence[0].Value) {
			return
		}
	}
	t.Errorf("the reason is out of sight: %s", alarm.words())
}

// TestGone tells an alarm that holds from one that holds no more and that
// nobody has acknowledged.
func TestGone(t *testing.T) {
	d := newDesk(t)
	morning(d)
	gone := func() (all, gone int) {
		_, body := get(t, board.Handler(d.options()), "GET", "/")
		heron := parse(t, body).byID("m.north.heron")
		return len(heron.all("section", "alarm", "high")), len(heron.all("section", "alarm", "high", "gone"))
	}
	if all, gone := gone(); all != 1 || gone != 0 {
		t.Fatalf("before the advance %d alarms are shown and %d are gone, want 1 and 0", all, gone)
	}
	d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(400), Cause: event.CauseAdvance})
	if all, gone := gone(); all != 1 || gone != 1 {
		t.Errorf("after the advance %d alarms are shown and %d are gone, want 1 and 1", all, gone)
	}
}

// TestUntold shows a page that its channel refuses, and no longer once it has
// been delivered.
func TestUntold(t *testing.T) {
	d := newDesk(t)
	morning(d)
	warnings := func() int {
		_, body := get(t, board.Handler(d.options()), "GET", "/")
		return strings.Count(body, "cannot be delivered by the channel mail")
	}
	v := d.engine.View(d.now)
	if len(v.Alarms.Pages) == 0 || warnings() != 0 {
		t.Fatalf("%d pages are due and %d warnings shown before any try, want some and none", len(v.Alarms.Pages), warnings())
	}
	id := v.Alarms.Pages[0].ID
	d.say("north", "heron", "page.failed", &event.PageFailed{Alarm: id, Channel: "mail", Attempt: 1, Reason: "no route"})
	if got := warnings(); got != 1 {
		t.Errorf("after a failed try: %d warnings, want 1", got)
	}
	d.say("north", "heron", "page.sent", &event.PageSent{Alarm: id, Channel: "mail", Attempt: 2})
	if got := warnings(); got != 0 {
		t.Errorf("after the delivery: %d warnings, want none", got)
	}
}

// TestUnknown looks at a machine that nobody has heard, at one whose roll is
// only half described, and at the drawing and the API of both.
func TestUnknown(t *testing.T) {
	d := newDesk(t)
	d.say("north", "wren", "roll.loaded", &event.RollLoaded{})
	d.say("quay", "plover", "ticket.received", ticket("J1"))
	o := d.options()
	_, body := get(t, board.Handler(o), "GET", "/")
	page := parse(t, body)
	heron, wren := page.byID("m.north.heron"), page.byID("m.north.wren")
	for _, label := range []string{"Film", "Roll", "Edge", "Leader", "Heads", "Air", "Running", "Next run"} {
		if got := heron.fact(label); got != "unknown" {
			t.Errorf("heron was never heard, but its %s is %q", label, got)
		}
	}
	for label, want := range map[string]string{
		"Film": "class unknown", "Roll": "length left unknown width unknown thickness unknown",
		"Edge": "unknown: nobody has said where it is", "Leader": "none", "Air": "temperature unknown humidity unknown",
	} {
		if got := wren.fact(label); got != want {
			t.Errorf("wren's %s is %q, want %q", label, got, want)
		}
	}
	if got := page.byID("m.quay.plover").fact("Running"); got != "unknown" {
		t.Errorf("plover has a ticket and never spoke, but its running run is %q", got)
	}
	for _, m := range []*node{heron, wren} {
		drawing := m.all("svg", "path")[0]
		if !strings.Contains(drawing.attrs["aria-label"], "Edge now: unknown") || len(drawing.all("path", "film", "unseen")) != 1 ||
			len(drawing.all("path", "edge")) != 0 || len(drawing.all("circle", "roll", "unseen")) != 1 || len(drawing.all("text", "query")) != 4 {
			t.Errorf("the drawing shows an edge or a roll that nobody knows: %s", drawing.attrs["aria-label"])
		}
	}
	if got := heron.all("p", "heard")[0].words(); got != "never heard" {
		t.Errorf("heron was %q", got)
	}

	_, body = get(t, board.Handler(o), "GET", "/api/v1/floor")
	var answer struct {
		Machines []map[string]any `json:"machines"`
	}
	if err := json.Unmarshal([]byte(body), &answer); err != nil {
		t.Fatal(err)
	}
	if got := answer.Machines[0]["last_heard"]; got != nil {
		t.Errorf("heron was never heard, but last at %v", got)
	}
	for _, m := range answer.Machines[:2] {
		roll, edge := m["roll"].(map[string]any), m["edge"].(map[string]any)
		if roll["left_m"] != nil || edge["position_mm"] != nil || edge["front_mm"] != nil {
			t.Errorf("%v has a length or an edge that nobody told: %v %v", m["machine"], roll, edge)
		}
	}
}

// TestEscapes puts a script into every text that comes from outside and wants
// it to arrive as text.
func TestEscapes(t *testing.T) {
	const evil = `"'><script>alert(1)</script><img src=x onerror=alert(2)>`
	d := newDesk(t)
	next := ticket(evil)
	next.Part, next.Title, next.Stock, next.Lot, next.SourceFile, next.Flags = evil, evil, evil, evil, evil, []string{evil}
	d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: evil, FilmClass: event.Monomeric, Lot: evil})
	d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(0), Cause: event.CauseRewind})
	d.say("north", "heron", "edge.shaped", &event.EdgeShaped{Shape: evil})
	d.say("north", "heron", "ticket.received", next)
	d.say("north", "heron", "run.queued", &event.RunQueued{Job: evil, Part: evil, Recipe: evil})
	d.say("north", "heron", "operator.noted", &event.OperatorNoted{
		Hazard: "bare-edge", Job: evil, Part: evil, Action: event.ActShelve, By: evil, Reason: evil, Until: moment(d.now.Add(time.Hour)),
	})
	d.say("north", "wren", "run.started", &event.RunStarted{Run: event.Run{Job: evil, Part: evil, Recipe: evil}})
	d.apply(event.Event{ID: "odd", Source: evil, Type: event.Type(evil), Time: d.now, Site: "north", Machine: "wren"})
	d.engine.Refuse(d.seq+1, d.now, evil, errors.New(evil))
	o := d.options(func(o *web.Options) { o.Shop = evil })
	h := board.Handler(o)
	_, body := get(t, h, "GET", "/")
	page := parse(t, body)
	for name, want := range map[string]int{"script": 1, "style": 0, "iframe": 0, "object": 0, "embed": 0} {
		if found := page.all(name); len(found) != want {
			t.Errorf("the page has %d %s elements, want %d", len(found), name, want)
		}
	}
	texts := []string{"aria-label", "value", "data-key"} // what may hold any text
	for _, n := range page.all("") {
		for attr, value := range n.attrs {
			if strings.HasPrefix(attr, "on") || attr == "style" || !slices.Contains(texts, attr) && strings.Contains(value, "alert(") {
				t.Errorf("<%s> has %s=%q", n.name, attr, value)
			}
		}
		if n.name == "img" && n.attrs["src"] == "x" {
			t.Error("the page loads an image from the journal")
		}
	}
	// It stands there as text, in each place that shows it.
	if got := strings.Count(page.words(), "<script>alert(1)</script>"); got < 10 {
		t.Errorf("the text shows %d times, want at least 10:\n%s", got, page.words())
	}
	for _, path := range []string{"/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies"} {
		response, body := get(t, h, "GET", path)
		if kind := response.Header.Get("Content-Type"); kind != "application/json" || !json.Valid([]byte(body)) {
			t.Errorf("%s: %s, valid %v", path, kind, json.Valid([]byte(body)))
		}
	}
}

// TestNotRead serves before there is any view.
func TestNotRead(t *testing.T) {
	d := newDesk(t)
	o := d.options()
	o.View = func() *rules.View { return nil }
	h := board.Handler(o)
	response, body := get(t, h, "GET", "/")
	page := parse(t, body)
	if response.StatusCode != 503 || response.Header.Get("Retry-After") == "" || !strings.Contains(page.words(), "The journal is being read") {
		t.Errorf("got %s: %s", response.Status, page.words())
	}
	if !slices.ContainsFunc(page.all("meta"), func(n *node) bool { return n.attrs["http-equiv"] == "refresh" }) {
		t.Error("the page does not try again by itself")
	}
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 503, "/api/v1/floor": 503, "/api/v1/alarms": 503} {
		if response, _ := get(t, h, "GET", path); response.StatusCode != want {
			t.Errorf("%s: got %s, want %d", path, response.Status, want)
		}
	}
}

// TestNotReady has a view that is not the whole journal: it is shown, and every
// form of it says so.
func TestNotReady(t *testing.T) {
	d := newDesk(t)
	morning(d)
	o := d.options()
	ready := false
	o.Ready = func() bool { return ready }
	h := board.Handler(o)
	warned := func() bool {
		_, body := get(t, h, "GET", "/")
		return len(parse(t, body).all("p", "warning")) == 1
	}
	inAPI := func() bool {
		_, body := get(t, h, "GET", "/api/v1/alarms")
		return strings.Contains(body, `"ready": true`)
	}
	if response, _ := get(t, h, "GET", "/readyz"); response.StatusCode != 503 || !warned() || inAPI() {
		t.Errorf("readyz %s, warned %v, API ready %v: want 503, true, false", response.Status, warned(), inAPI())
	}
	ready = true
	if response, _ := get(t, h, "GET", "/readyz"); response.StatusCode != 200 || warned() || !inAPI() {
		t.Errorf("readyz %s, warned %v, API ready %v: want 200, false, true", response.Status, warned(), inAPI())
	}
}

// TestReadOnly sends every other method everywhere. 405 with Allow is RFC
// 9110, section 15.5.6; HEAD without a body is section 9.3.2.
func TestReadOnly(t *testing.T) {
	d := newDesk(t)
	morning(d)
	h := board.Handler(d.options())
	for _, path := range everyPath {
		for _, method := range []string{"POST", "PUT", "PATCH", "DELETE", "OPTIONS"} {
			response, _ := get(t, h, method, path)
			if response.StatusCode != 405 || response.Header.Get("Allow") != "GET, HEAD" {
				t.Errorf("%s %s: got %s, Allow %q", method, path, response.Status, response.Header.Get("Allow"))
			}
		}
		want, _ := get(t, h, "GET", path)
		got, body := get(t, h, "HEAD", path)
		if got.StatusCode != want.StatusCode || body != "" || got.Header.Get("Content-Type") != want.Header.Get("Content-Type") {
			t.Errorf("HEAD %s: got %s with %d bytes, GET gives %s", path, got.Status, len(body), want.Status)
		}
	}
}

// TestAssets follows every link of the page: all lead to this server.
func TestAssets(t *testing.T) {
	d := newDesk(t)
	h := board.Handler(d.options())
	_, body := get(t, h, "GET", "/")
	kinds := map[string]string{}
	for _, n := range parse(t, body).all("") {
		for _, attr := range []string{"href", "src"} {
			url := n.attrs[attr]
			if url != "" && !strings.HasPrefix(url, "#") && (!strings.HasPrefix(url, "/") || strings.HasPrefix(url, "//")) {
				t.Errorf("<%s> leads to %s", n.name, url)
			}
			if !strings.HasPrefix(url, "/assets/") {
				continue
			}
			response, _ := get(t, h, "GET", url)
			if response.StatusCode != 200 || !strings.Contains(response.Header.Get("Cache-Control"), "immutable") {
				t.Errorf("%s: got %s, %s", url, response.Status, response.Header.Get("Cache-Control"))
			}
			kinds[response.Header.Get("Content-Type")] = url
		}
	}
	if !slices.Equal(slices.Sorted(maps.Keys(kinds)), []string{"image/svg+xml", "text/css; charset=utf-8", "text/javascript; charset=utf-8"}) {
		t.Errorf("the page has assets of %v", kinds)
	}
	if response, _ := get(t, h, "GET", "/assets/board.css"); response.StatusCode != 404 {
		t.Errorf("an asset without its hash gives %s, want 404", response.Status)
	}
}

// TestProblems holds errors of the API to RFC 9457, section 3.1: the members
// and their types, and the status repeated.
func TestProblems(t *testing.T) {
	d := newDesk(t)
	h := board.Handler(d.options())
	for _, c := range []struct {
		method, target string
		status         int
		detail         string
	}{
		{"GET", "/api/v2/floor", 404, "/api/v1/floor"},
		{"POST", "/api/v1/floor", 405, "only GET and HEAD"},
		{"GET", "/api/v1/tickets?limit=none", 400, `limit: want a number from 1 to 20000, got "none"`},
		{"GET", "/api/v1/tickets?limit=0", 400, "limit"},
		{"GET", "/api/v1/tickets?limit=20001", 400, "limit"},
	} {
		response, body := get(t, h, c.method, c.target)
		if kind := response.Header.Get("Content-Type"); kind != "application/problem+json" {
			t.Errorf("%s is %s", c.target, kind)
			continue
		}
		var p struct {
			Type, Title, Detail, Instance string
			Status                        int
		}
		if err := json.Unmarshal([]byte(body), &p); err != nil {
			t.Fatal(err)
		}
		if p.Type != "about:blank" || p.Title == "" || p.Status != c.status || response.StatusCode != c.status ||
			!strings.Contains(p.Detail, c.detail) || p.Instance != strings.Split(c.target, "?")[0] {
			t.Errorf("%s %s: got %s, %+v", c.method, c.target, response.Status, p)
		}
	}
}

// TestFloorAnswer spells version 1 of the answer out: a changed or missing name
// breaks whoever reads it.
func TestFloorAnswer(t *testing.T) {
	d := newDesk(t)
	d.site.Machines = d.site.Machines[:1]
	d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1000), LengthM: num(50)})
	d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(10), Cause: event.CauseRewind})
	d.say("north", "heron", "leader.attached", &event.LeaderAttached{LengthMM: 400})
	planned := ticket("J2")
	planned.StartAt = moment(start.Add(time.Hour))
	d.say("north", "heron", "ticket.received", planned)
	d.say("north", "heron", "run.started", &event.RunStarted{Run: run("J1", num(2))})
	d.say("north", "heron", "strike.recorded", &event.StrikeRecorded{NozzlesLost: num(12), DowntimeS: num(600)})
	d.say("north", "heron", "film.wasted", &event.FilmWasted{LengthM: 2, Cause: "head-strike"})
	const want = `{
  "seq": %d, "at": "2026-03-02T08:00:00Z", "ready": true,
  "machines": [{
    "site": "north", "machine": "heron", "configured": true, "last_heard": "2026-03-02T08:00:00Z",
    "roll": {"loaded": true, "stock": "MONO-GLOSS-137", "film_class": "monomeric", "lot": null,
      "width_mm": 1000, "left_m": 48, "thickness_um": null, "since": "2026-03-02T08:00:00Z"},
    "edge": {"position_mm": 2010, "front_mm": 2410, "cause": "feed", "shape": null, "rewound": false, "moved_at": "2026-03-02T08:00:00Z"},
    "leader": {"attached": true, "length_mm": 400, "thickness_um": null, "since": "2026-03-02T08:00:00Z"},
    "head": {"unproven": true, "struck_at": "2026-03-02T08:00:00Z", "nozzles_lost": 12, "nozzles_ok": null, "obstruction_clear": null, "checked_at": null},
    "climate": {"temp_c": null, "rh_pct": null, "at": null},
    "running": {"job": "J1", "part": "P1", "recipe": null, "ticketed": false, "stock": null, "film_class": null, "planned_m": null,
      "fed_m": 2, "start_at": null, "started_at": "2026-03-02T08:00:00Z", "ended_at": null, "cut": false, "struck": true},
    "last": null,
    "queue": [{"job": "J2", "part": "P1", "recipe": null, "ticketed": true, "stock": "MONO-GLOSS-137", "film_class": "monomeric", "planned_m": 3,
      "fed_m": null, "start_at": "2026-03-02T09:00:00Z", "started_at": null, "ended_at": null, "cut": false, "struck": false}],
    "next_start_at": "2026-03-02T09:00:00Z",
    "totals": {"starts": 1, "head_strikes": 1, "runs_finished": 0, "runs_stopped": 0, "printed_m": 2, "printed_m2": 2,
      "downtime_s": 600, "waste_m2": 2, "reprints": 0}
  }]
}`
	_, body := get(t, board.Handler(d.options()), "GET", "/api/v1/floor")
	if diff := cmp.Diff(object(t, fmt.Sprintf(want, d.seq)), object(t, body)); diff != "" {
		t.Error(diff)
	}
}

func object(t *testing.T, text string) (v map[string]any) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return v
}

// TestOtherAnswers spells out the names of the other three.
func TestOtherAnswers(t *testing.T) {
	d := newDesk(t)
	morning(d)
	h := board.Handler(d.options())
	for _, c := range []struct{ path, list, names string }{
		{"alarms", "alarms", "active by caution evidence first_raised_at hazard job machine message part priority raised_at ready_at reason remedies since site state title until"},
		{"tickets", "tickets", "area_m2 contour_cut copies cure_c due film_class finish_at flags ink_density_pct job laminate length_m machine mark_spacing_mm part passes priority received_at roll_width_mm site source_file source_sha256 start_at stock title"},
		{"anomalies", "anomalies", "at kind machine seq site text"},
	} {
		_, body := get(t, h, "GET", "/api/v1/"+c.path)
		answer := object(t, body)
		list, ok := answer[c.list].([]any)
		if !ok || len(list) == 0 {
			t.Errorf("%s: no list in %s", c.path, body)
			continue
		}
		names := strings.Join(slices.Sorted(maps.Keys(list[0].(map[string]any))), " ")
		if names != c.names {
			t.Errorf("%s: names are\n%s\nwant\n%s", c.path, names, c.names)
		}
	}
	_, body := get(t, h, "GET", "/api/v1/tickets?limit=1")
	if answer := object(t, body); answer["total"] != 4.0 || len(answer["tickets"].([]any)) != 1 || answer["tickets"].([]any)[0].(map[string]any)["job"] != "KL-1041" {
		t.Errorf("one ticket, the newest of 4, was wanted: %s", body)
	}
	_, body = get(t, h, "GET", "/api/v1/anomalies")
	answer := object(t, body)
	if diff := cmp.Diff(map[string]any{"event": 1.0, "incomplete": 1.0}, answer["rejected"]); diff != "" {
		t.Error(diff)
	}
	if first := answer["anomalies"].([]any)[0].(map[string]any); first["kind"] != "progress-without-run" {
		t.Errorf("the newest anomaly is %v", first)
	}
}

// TestEmptyLists are lists and never null, so that a reader can loop.
func TestEmptyLists(t *testing.T) {
	d := newDesk(t)
	h := board.Handler(d.options())
	for path, list := range map[string]string{"alarms": "alarms", "tickets": "tickets", "anomalies": "anomalies"} {
		_, body := get(t, h, "GET", "/api/v1/"+path)
		if got, ok := object(t, body)[list].([]any); !ok || len(got) != 0 {
			t.Errorf("%s: %s", path, body)
		}
	}
}

// TestZoneAndUnits shows one moment and two measures as another shop reads
// them. 330 mm are 13.0 in (25.4 mm to the inch, international yard and pound
// agreement of 1959), 1.5 mm are 0.059 in, and 21 °C are 69.8 °F.
func TestZoneAndUnits(t *testing.T) {
	d := newDesk(t)
	morning(d)
	o := d.options(func(o *web.Options) {
		o.Zone, o.Display = time.FixedZone("shop", -5*3600), units.Display{Fahrenheit: true, Imperial: true, Clock12: true}
	})
	_, body := get(t, board.Handler(o), "GET", "/")
	page := parse(t, body)
	heron := page.byID("m.north.heron")
	if got := heron.fact("Edge"); !strings.Contains(got, "13.0 in short of the cure exit") {
		t.Errorf("the edge is %q", got)
	}
	if got := heron.words(); !strings.Contains(got, "The gap under the carriage (0.059 in)") {
		t.Errorf("the gap is not in inches: %s", got)
	}
	if got := heron.fact("Air"); got != "70 °F 46 % humidity" {
		t.Errorf("the air is %q", got)
	}
	if got := heron.fact("Next run"); !strings.Contains(got, "at 3:14:00 AM") {
		t.Errorf("the next run is %q", got)
	}
	if !strings.Contains(page.words(), "Times are in shop.") {
		t.Error("the page does not name its zone")
	}
	stamp := page.all("time")[0]
	if stamp.attrs["datetime"] != "2026-03-02T08:02:40Z" || !strings.Contains(stamp.words(), "3:02:40 AM") {
		t.Errorf("the page is of %q, %q", stamp.attrs["datetime"], stamp.words())
	}
}

// TestCountdown goes through what can be known of the next start.
func TestCountdown(t *testing.T) {
	for _, c := range []struct {
		name    string
		planned time.Duration // 0 for none
		running bool
		watch   time.Duration // what the watch expects; 0 for nothing
		want    string
	}{
		{"planned", 20 * time.Minute, false, 0, "starts in 20 min"},
		{"planned for before now", -3 * time.Minute, false, 0, "was to start 3 min ago"},
		{"overdue, as the watch sees it", -3 * time.Minute, false, time.Nanosecond, "is due"},
		{"not planned, idle", 0, false, 0, "may start at any moment"},
		{"not planned, and nobody knows when the running one ends", 0, true, 0, "follows the running one, start unknown"},
		{"the watch knows better than the plan", 20 * time.Minute, true, time.Hour, "starts in 60 min"},
	} {
		d := newDesk(t)
		if c.running {
			d.say("north", "heron", "run.started", &event.RunStarted{Run: run("J0", nil)})
		}
		queued := &event.RunQueued{Job: "J1", Part: "P1"}
		if c.planned != 0 {
			queued.StartAt = moment(d.now.Add(c.planned))
		}
		d.say("north", "heron", "run.queued", queued)
		o := d.options()
		if c.watch != 0 {
			o.StartAt = func(*rules.View, string, string) (time.Time, bool) { return d.now.Add(c.watch), true }
		}
		_, body := get(t, board.Handler(o), "GET", "/")
		if got := parse(t, body).byID("m.north.heron").all("", "start")[0].words(); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// TestOnePictureIsOfOneView asks for what the board does not work out itself by the
// view that the page is drawn from, though the watch has a newer one by then.
func TestOnePictureIsOfOneView(t *testing.T) {
	d := newDesk(t)
	morning(d)
	o := d.options()
	drawn := o.View()
	d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(700), Cause: event.CauseAdvance})
	newer := d.engine.View(d.now)
	views := []*rules.View{drawn, newer}
	o.View = func() *rules.View {
		v := views[0]
		views = []*rules.View{newer}
		return v
	}
	asked := 0
	o.StartAt = func(v *rules.View, _, _ string) (time.Time, bool) {
		if asked++; v != drawn {
			t.Errorf("asked by the view of entry %d for a page of entry %d", v.Seq, drawn.Seq)
		}
		return time.Time{}, false
	}
	get(t, board.Handler(o), "GET", "/")
	if asked == 0 {
		t.Error("nobody asked when a run starts")
	}
}

// TestStrangers keeps the page short when names from outside flood the
// journal, and says what it leaves out.
func TestStrangers(t *testing.T) {
	d := newDesk(t)
	for i := range 1000 {
		d.say("attic", fmt.Sprint("stray", i), "roll.removed", &event.RollRemoved{})
	}
	_, body := get(t, board.Handler(d.options()), "GET", "/")
	page := parse(t, body)
	if got := len(page.all("article", "strip")); got != 3+20 {
		t.Errorf("the page shows %d machines, want 23", got)
	}
	if !strings.Contains(page.words(), "980 more machines") || !strings.Contains(page.words(), "The newest 10 of 1000 events") {
		t.Error("the page does not say what it leaves out")
	}
	_, body = get(t, board.Handler(d.options()), "GET", "/api/v1/floor")
	if got := len(object(t, body)["machines"].([]any)); got != 1003 {
		t.Errorf("the API lists %d machines, want 1003", got)
	}
}

// TestWhileFolding reads pages while the watch goes on: a view is shared with
// it, and the race detector sees a view that changes.
func TestWhileFolding(t *testing.T) {
	d := newDesk(t)
	morning(d)
	var view atomic.Pointer[rules.View]
	view.Store(d.engine.View(d.now))
	now := d.now
	o := d.options(func(o *web.Options) { o.Now = func() time.Time { return now } })
	o.View = view.Load
	h := board.Handler(o)
	var readers sync.WaitGroup
	for _, target := range []string{"/", "/api/v1/floor", "/api/v1/alarms", "/api/v1/anomalies"} {
		readers.Go(func() {
			for range 20 {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest("GET", target, nil))
				if w.Code != 200 {
					t.Errorf("%s: %d", target, w.Code)
				}
			}
		})
	}
	for i := range 200 {
		d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(float64(i)), Cause: event.CauseRewind})
		d.say("north", "heron", "film.wasted", &event.FilmWasted{LengthM: 1, Cause: "trim"})
		d.say("north", "wren", "run.progress", &event.RunProgress{Run: run(fmt.Sprint("J", i), num(1))})
		view.Store(d.engine.View(d.now))
	}
	readers.Wait()
}

// TestHeldStill gives a reader time: WCAG 2.2, success criterion 2.2.2 (moving
// and auto-updating content can be stopped).
func TestHeldStill(t *testing.T) {
	d := newDesk(t)
	h := board.Handler(d.options())
	for target, want := range map[string]string{"/": "10 /stream?lang=en&page=board", "/?still": " "} {
		_, body := get(t, h, "GET", target)
		page := parse(t, body)
		refresh := ""
		for _, n := range page.all("meta") {
			if n.attrs["http-equiv"] == "refresh" {
				refresh = n.attrs["content"]
			}
		}
		if got := refresh + " " + page.byID("main").attrs["data-stream"]; got != want {
			t.Errorf("%s is loaded again or kept up to date by %q, want %q", target, got, want)
		}
	}
}

// TestWhatNobodyAnsweredComesFirst orders alarms of one priority.
func TestWhatNobodyAnsweredComesFirst(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	at := func(min int) *time.Time { t := now.Add(time.Duration(min) * time.Minute); return &t }
	change := func(ready *time.Time) event.AlarmChanged { return event.AlarmChanged{Priority: "high", ReadyAt: ready} }
	order := board.Sorted([]alarm.Alarm{
		{Key: alarm.Key{Hazard: "gone"}, State: alarm.Returned, Change: change(at(1))},
		{Key: alarm.Key{Hazard: "acknowledged"}, State: alarm.Acked, Since: now, Change: change(at(2))},
		{Key: alarm.Key{Hazard: "later"}, State: alarm.Unacked, Since: now, Change: change(at(67))},
		{Key: alarm.Key{Hazard: "sooner"}, State: alarm.Unacked, Since: now.Add(-time.Hour), Change: change(at(40))},
	})
	var got []string
	for _, a := range order {
		got = append(got, a.Hazard)
	}
	if want := []string{"sooner", "later", "acknowledged", "gone"}; !slices.Equal(got, want) {
		t.Errorf("want %v, got %v", want, got)
	}
}

// TestReported shows what a machine says of itself in words, and asks people to
// look when film is stuck. The keywords and their endings are those of RFC 8011,
// section 5.4.12; one that it does not define is shown as it is.
func TestReported(t *testing.T) {
	for _, c := range []struct {
		said event.MachineReported
		want string
	}{
		{event.MachineReported{State: "idle", Reasons: []string{"paused-report"}}, "idle paused 0 s ago"},
		{event.MachineReported{State: "stopped", Reasons: []string{"media-jam-error", "x-web-break-error"}}, "stopped film jam x-web-break look whether the carriage struck the film, and record a strike if it did 0 s ago"},
	} {
		d := newDesk(t)
		d.say("north", "heron", "machine.reported", &c.said)
		_, body := get(t, board.Handler(d.options()), "GET", "/")
		if got := parse(t, body).byID("m.north.heron").fact("Machine says"); got != c.want {
			t.Errorf("%v: want %q, got %q", c.said, c.want, got)
		}
	}
}
