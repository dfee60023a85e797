package touch_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"rollwarden/metrics/touch"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/action"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

var start = time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)

// shop is a floor that tests tell about, and its page.
type shop struct {
	t      *testing.T
	state  *floor.State
	alarms *alarm.Book
	seq    uint64
	o      web.Options
	role   string
	clear  float64
	ready  func() bool

	startAt func(*rules.View, string, string) (time.Time, bool)
	given   []*rules.View // that of the page, and those that it asked about
}

// idOf is the id of a test's entry of a type: a UUID, as the desk gives one.
func idOf(typ event.Type) string { return uuid.NewSHA1(uuid.NameSpaceOID, []byte(typ)).String() }

func newShop(t *testing.T) *shop {
	return &shop{t: t, state: floor.New(), alarms: alarm.NewBook(), clear: -1}
}

func (s *shop) tell(typ event.Type, pairs map[string]string) {
	s.t.Helper()
	kind, _ := event.KindOf(typ)
	data, err := event.Set(kind, pairs)
	if err != nil {
		s.t.Fatal(err)
	}
	s.seq++
	s.apply(event.Event{ID: idOf(typ), Source: action.Source, Type: typ, Time: start.Add(time.Duration(s.seq) * time.Second), Site: "north", Machine: "heron", Data: data})
}

// say tells of another machine of the same site.
func (s *shop) say(machine string, typ event.Type, data event.Payload) {
	s.seq++
	s.apply(event.Event{ID: fmt.Sprint(s.seq), Source: "test", Type: typ, Time: start.Add(time.Duration(s.seq) * time.Second), Site: "north", Machine: machine, Data: data})
}

func (s *shop) apply(e event.Event) {
	s.state.Apply(s.seq, e)
	s.alarms.Apply(s.seq, e, s.state)
}

func (s *shop) get(url string) *httptest.ResponseRecorder {
	s.t.Helper()
	s.o.Now = func() time.Time { return start.Add(30 * time.Second) }
	kit, err := web.New(s.o)
	if err != nil {
		s.t.Fatal(err)
	}
	hub := web.NewHub(web.HubOptions{Kit: kit, Pulse: func() web.Pulse { return web.Pulse{} }, Role: func(*http.Request) string { return s.role }})
	mux := http.NewServeMux()
	path := plant.Path{CureEntryMM: 180, CureExitMM: 330}
	touch.Register(mux, touch.Options{
		Kit: kit, Hub: hub, Stocks: []string{"MONO-GLOSS-137", "POLY-GLOSS-137"},
		Machines: []plant.Machine{
			{Site: "north", Name: "heron", Path: path, Configured: true}, {Site: "north", Name: "wren", Path: path, Configured: true},
			{Site: "quay", Name: "wren", Path: path, Configured: true},
			{Site: "quay", Name: "owl", Path: plant.Path{CureExitMM: 600, Assumed: true}},
			{Site: "quay", Name: "lark", Path: path}, // something else than its path is not measured
		},
		View: func() *rules.View {
			v := &rules.View{At: start, Floor: s.state.Snapshot(), Alarms: s.alarms.Snapshot()}
			s.given = append(s.given, v)
			return v
		},
		Ready: s.ready,
		Clear: func(v *rules.View, _, _ string) (float64, bool) {
			s.given = append(s.given, v)
			return s.clear, s.clear >= 0
		},
		StartAt: s.startAt,
	})
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequest(http.MethodGet, url, nil))
	return w
}

func wants(t *testing.T, body string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(body, text) {
			t.Errorf("the page does not say %q", text)
		}
	}
}

// TestOnePageOneView draws a page from one view alone: the next may be of a machine
// that has moved on, or none at all when the watch has given its sites back.
func TestOnePageOneView(t *testing.T) {
	s := newShop(t)
	s.startAt = func(v *rules.View, _, _ string) (time.Time, bool) {
		s.given = append(s.given, v)
		return time.Time{}, false
	}
	s.tell("run.queued", map[string]string{"job": "KL-1"})
	s.get("/floor/heron")
	if asked := slices.Compact(slices.Clone(s.given)); len(s.given) < 3 || len(asked) != 1 {
		t.Errorf("%d were asked about %d views, want the page, when its run starts and how far its edge is, of one", len(s.given), len(asked))
	}
}

// TestUnknownIsToldAsUnknown shows a machine that nobody has spoken of.
func TestUnknownIsToldAsUnknown(t *testing.T) {
	wants(t, newShop(t).get("/floor/heron").Body.String(), `class="edge unknown"`, "nobody has said where it is", "<dd>unknown</dd>")
}

// TestEveryActionHasATile holds the page to the table of actions: each has its
// form, with every field that it asks for, and each of its cautions.
func TestEveryActionHasATile(t *testing.T) {
	s := newShop(t)
	s.tell("ticket.received", map[string]string{"job": "KL-1"})
	page := s.get("/floor/heron").Body.String()
	for _, a := range action.Actions {
		_, form, ok := strings.Cut(page, `data-entry="`+a.Code+`"`)
		if !ok {
			t.Errorf("no form for %s", a.Code)
			continue
		}
		form, _, _ = strings.Cut(form, "</form>")
		for _, f := range a.Fields {
			if !strings.Contains(form, `name="field.`+f.Name+`"`) {
				t.Errorf("%s does not ask for %s", a.Code, f.Name)
			}
			for _, c := range f.Choices {
				if !strings.Contains(form, `value="`+c+`"`) {
					t.Errorf("%s of %s has no choice %s", f.Name, a.Code, c)
				}
			}
		}
		for _, code := range a.Cautions {
			if text := action.CautionText(code); !strings.Contains(form, strings.ReplaceAll(text, "'", "&#39;")) {
				t.Errorf("%s does not caution: %s", a.Code, text)
			}
		}
	}
}

// TestWordsForEveryTable wants words in each language for all that the page
// takes from the rules' tables.
func TestWordsForEveryTable(t *testing.T) {
	kit, err := web.New(web.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, a := range action.Actions {
		keys = append(keys, "action."+a.Code)
		for _, f := range a.Fields {
			keys = append(keys, "field."+f.Name)
		}
	}
	for _, c := range action.Cautions {
		keys = append(keys, "caution."+c.Code)
		if got := kit.PenIn("en").Words["caution."+c.Code]; got != c.Text {
			t.Errorf("the caution %s says %q, the rules %q", c.Code, got, c.Text)
		}
	}
	for _, c := range event.WasteCauses {
		keys = append(keys, "waste."+c)
	}
	for _, lang := range kit.Languages() {
		for _, key := range keys {
			if kit.PenIn(lang).Words[key] == "" {
				t.Errorf("%s: no text for %s", lang, key)
			}
		}
	}
}

// TestSuggestsWhatReaches fills in how far the film must go, rounded up, in the
// unit that people here write. An inch is 25.4 mm (international yard and pound
// agreement, 1959): 365.2 mm are 14.378 in.
func TestSuggestsWhatReaches(t *testing.T) {
	s := newShop(t)
	s.clear = 365.2
	wants(t, s.get("/floor/heron").Body.String(), `name="field.by_mm" value="366"`)
	s.o.Display = units.Display{Imperial: true}
	wants(t, s.get("/floor/heron").Body.String(), `name="field.by_mm" value="14.4"`, `name="unit.by_mm" value="in"`)
	s.clear = -1
	wants(t, s.get("/floor/heron").Body.String(), `name="field.by_mm" value=""`)
}

// TestJobsAreOfferedLikeliestFirst offers the queue for a start, the running
// job for its end, and the last one for a cut.
func TestJobsAreOfferedLikeliestFirst(t *testing.T) {
	s := newShop(t)
	for _, job := range []string{"KL-1", "KL-2", "KL-3"} {
		s.tell("run.queued", map[string]string{"job": job, "part": "A"})
	}
	s.tell("run.started", map[string]string{"job": "KL-1", "part": "A"})
	s.tell("run.finished", map[string]string{"job": "KL-1", "part": "A", "metres": "3"})
	s.tell("run.started", map[string]string{"job": "KL-2", "part": "A"})
	page := s.get("/floor/heron").Body.String()
	for code, want := range map[string]string{"start": "KL-3", "finish": "KL-2", "cut": "KL-1"} {
		_, form, _ := strings.Cut(page, `data-entry="`+code+`"`)
		if !strings.Contains(form[:strings.Index(form, "</select>")], `value="job=`+want+`&amp;part=A" data-key="job=`+want+`&amp;part=A" selected`) {
			t.Errorf("%s: want %s chosen", code, want)
		}
	}
}

// TestTakesBack offers the last minute's entries as long as nothing has changed
// since, those of people only, and none to a viewer.
func TestTakesBack(t *testing.T) {
	s := newShop(t)
	s.tell("roll.loaded", map[string]string{"stock": "MONO-GLOSS-137"})
	s.tell("edge.moved", map[string]string{"by_mm": "365", "cause": "advance"})
	s.tell("head.checked", map[string]string{"nozzles_ok": "true", "obstruction_clear": "true"})
	s.seq++
	s.apply(event.Event{ID: "of-the-machine", Source: "other", Type: "climate.read", Time: start, Site: "north", Machine: "heron", Data: &event.ClimateRead{}})
	s.apply(event.Event{ID: "of-the-machine-too", Source: "other", Type: "film.wasted", Time: start, Site: "north", Machine: "heron", Data: &event.FilmWasted{LengthM: 1}})
	got := regexp.MustCompile(`data-undo="([^"]*)"`).FindAllStringSubmatch(s.get("/floor/heron").Body.String(), -1)
	if len(got) != 2 || got[0][1] != idOf("head.checked") || got[1][1] != idOf("edge.moved") {
		t.Errorf("want the head check and then the advance to be taken back, and not the roll, whose edge has moved since; got %v", got)
	}
	s.role = "viewer"
	page := s.get("/floor/heron").Body.String()
	if strings.Contains(page, "<form class=\"undo") || strings.Contains(page, "data-entry") || strings.Contains(page, `id="taken"`) {
		t.Error("a viewer can tell nothing")
	}
	wants(t, page, "You may look at this page")
}

// TestAnUnmeasuredPathIsSaid tells where the edge of a machine is whose path nobody
// has measured: what was told is not called untold.
func TestAnUnmeasuredPathIsSaid(t *testing.T) {
	s := newShop(t)
	s.say("plover", "roll.loaded", &event.RollLoaded{})
	for machine, want := range map[string]string{"plover": "nobody has said where it is", "wren": "nobody has said where it is"} {
		wants(t, s.get("/floor/"+machine+"?site=north").Body.String(), want)
	}
	mm := 500.0
	s.say("plover", "edge.moved", &event.EdgeMoved{PositionMM: &mm, Cause: event.CauseAdvance})
	page := s.get("/floor/plover").Body.String()
	wants(t, page, "500 mm; nobody has measured where the cure zone is", `class="edge unknown"`)
	if strings.Contains(page, "nobody has said where it is") {
		t.Error("the page says that nobody told where the edge is")
	}
	s.say("plover", "leader.attached", &event.LeaderAttached{LengthMM: 200})
	for machine, want := range map[string]string{"owl": "nobody has measured where the cure zone is", "lark": "past the cure exit"} {
		s.seq++
		s.apply(event.Event{ID: fmt.Sprint(s.seq), Source: "test", Type: "edge.moved", Time: start, Site: "quay", Machine: machine, Data: &event.EdgeMoved{PositionMM: &mm, Cause: event.CauseAdvance}})
		wants(t, s.get("/floor/"+machine).Body.String(), want)
	}
	wants(t, s.get("/floor/plover").Body.String(), "leader&#39;s end at 700 mm; nobody has measured where the cure zone is")
}

// TestWhatCanBeTakenBackComesFirst on the slip, which has room for little: an entry
// that was refused waits for as long as one likes.
func TestWhatCanBeTakenBackComesFirst(t *testing.T) {
	page := newShop(t).get("/floor/heron").Body.String()
	if undo, waits := strings.Index(page, `id="taken"`), strings.Index(page, `id="pending"`); undo < 0 || waits < undo {
		t.Errorf("what can be taken back stands at %d, what waits at %d", undo, waits)
	}
}

// TestEachPageHasItsOwnIDs loads the page twice: what is sent from the second one
// without a script is not taken for what was sent from the first.
func TestEachPageHasItsOwnIDs(t *testing.T) {
	s := newShop(t)
	id := regexp.MustCompile(`data-entry="note"[^>]*>\s*<input type="hidden" name="id" value="([^"]*)"`)
	one, two := id.FindStringSubmatch(s.get("/floor/heron").Body.String()), id.FindStringSubmatch(s.get("/floor/heron").Body.String())
	if one == nil || two == nil || one[1] == two[1] || uuid.Validate(one[1]) != nil {
		t.Errorf("the ids are %v and %v", one, two)
	}
}

// TestSaysWhenItIsNotSure shows the watch's own doubt, with and without a script.
func TestSaysWhenItIsNotSure(t *testing.T) {
	s := newShop(t)
	for _, ready := range []bool{true, false} {
		s.ready = func() bool { return ready }
		if got := strings.Contains(s.get("/floor/heron").Body.String(), `<p class="warning">The watch is there, but`); got == ready {
			t.Errorf("ready %v, and the page warns: %v", ready, got)
		}
	}
}

// TestAnAlarmSaysWhatToDo shows the alarm with its remedy, its caution and how
// to tell that it was done.
func TestAnAlarmSaysWhatToDo(t *testing.T) {
	s := newShop(t)
	s.seq++
	s.apply(event.Event{ID: "a1", Source: rules.Source, Type: event.AlarmChangedType, Time: start, Site: "north", Machine: "heron", Data: &event.AlarmChanged{
		Hazard: "bare-edge", Job: "KL-1", From: "normal", To: "unacknowledged", On: "condition", Emit: "annunciate", Priority: "high",
		Message: "heron, KL-1: the edge is <b>bare</b>; it starts in 12 min. Do: no", Caution: "keep clear",
		Remedies: []event.Remedy{{Code: "pause", Text: "no", WhyNot: "it has not started"}, {Code: "advance", Text: "advance the film 365 mm", Cost: "0.68 USD"}},
	}})
	page := s.get("/floor/heron").Body.String()
	wants(t, page, "Bare edge before the cure zone", "advance the film 365 mm", "0.68 USD", `href="#act-advance"`, "keep clear", "<p>the edge is &lt;b&gt;bare&lt;/b&gt; <span", `value="acknowledge"`)
	if strings.Contains(page, "No alarm stands") {
		t.Error("the page is calm under an alarm")
	}
}

// TestWhatHoldsComesFirst puts an alarm that is gone under those that stand, which
// come by priority, then those that nobody has answered, then the next start.
func TestWhatHoldsComesFirst(t *testing.T) {
	s := newShop(t)
	for _, a := range []struct {
		job, priority string
		starts        time.Duration // from now
		changes       []string
	}{
		{"gone", "high", time.Minute, []string{"unacknowledged", "returned-unacknowledged"}},
		{"low", "low", time.Minute, []string{"unacknowledged"}},
		{"answered", "high", time.Minute, []string{"unacknowledged", "acknowledged"}},
		{"later", "high", time.Hour, []string{"unacknowledged"}},
		{"next", "high", 2 * time.Minute, []string{"unacknowledged"}},
	} {
		from, ready := "normal", start.Add(a.starts)
		for _, to := range a.changes {
			s.seq++
			s.apply(event.Event{ID: a.job + to, Source: rules.Source, Type: event.AlarmChangedType, Time: start, Site: "north", Machine: "heron", Data: &event.AlarmChanged{
				Hazard: "bare-edge", Job: a.job, From: from, To: to, Priority: a.priority, ReadyAt: &ready, Message: "heron, " + a.job + ": bare",
			}})
			from = to
		}
	}
	var got []string
	for _, m := range regexp.MustCompile(`data-key="bare-edge/(\w+)/"`).FindAllStringSubmatch(s.get("/floor/heron").Body.String(), -1) {
		got = append(got, m[1])
	}
	if want := []string{"next", "later", "answered", "low", "gone"}; !slices.Equal(got, want) {
		t.Errorf("want %v, got %v", want, got)
	}
}

// TestFindsTheMachine wants a site where a name is not enough.
func TestFindsTheMachine(t *testing.T) {
	s := newShop(t)
	for url, want := range map[string]int{
		"/floor/heron": 200, "/floor/heron?site=north": 200, "/floor/heron?site=quay": 404,
		"/floor/wren": 404, "/floor/wren?site=quay": 200, "/floor/nobody": 404,
	} {
		if got := s.get(url).Code; got != want {
			t.Errorf("%s: want %d, got %d", url, want, got)
		}
	}
}

// TestShownFieldsExist holds the fields that are shown at once to the table.
func TestShownFieldsExist(t *testing.T) {
	for code, names := range touch.Asked {
		a, ok := action.ByCode(code)
		if !ok {
			t.Errorf("no action %s", code)
			continue
		}
		for _, name := range names {
			if !slices.ContainsFunc(a.Fields, func(f action.Field) bool { return f.Name == name }) {
				t.Errorf("%s asks for no %s", code, name)
			}
		}
	}
}
