package board_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"rollwarden/metrics/board"
	"rollwarden/metrics/web"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// tables are the keys that are put together from a table of the rules.
func tables() []string {
	var keys []string
	add := func(table string, values ...string) {
		for _, v := range values {
			keys = append(keys, table+"."+v)
		}
	}
	for _, c := range event.Classes {
		add("class", string(c))
	}
	for _, s := range alarm.States {
		if s != alarm.Normal {
			add("state", string(s))
		}
	}
	for _, p := range hazard.Priorities {
		add("priority", string(p))
		add("summary", string(p))
	}
	for _, k := range floor.MarkKinds {
		add("mark", k.Code)
	}
	add("cause", event.CauseRewind, event.CauseAdvance, event.CauseFeed, event.CauseTrim)
	add("reject", append(slices.Clone(event.RejectKinds), "event")...)
	add("waste", event.WasteCauses...)
	add("ended", "on", "finished", "stopped", "lost")
	add("mark-cause", "rewind", "not-well")
	add("reported", event.MachineIdle, event.MachineProcessing, event.MachineStopped)
	add("reason", event.MachineReasons...)
	add("act", event.ActAcknowledge, event.ActReset, event.ActShelve, event.ActRelease)
	return keys
}

// TestTexts wants every text that is used to be there in each language, and no
// text that nobody uses.
func TestTexts(t *testing.T) {
	used := tables()
	for pattern, names := range map[*regexp.Regexp]string{
		regexp.MustCompile(`\bt "([^"]+)"`):                                          "templates/*.html",
		regexp.MustCompile(`Say\("([a-z.-]+)"[,)]`):                                  "*.go",
		regexp.MustCompile(`"((?:roll|air|heard|note|alarm)\.?[a-z-]*)", (?:[a-z])`): "*.go",
		regexp.MustCompile(`p\.ago\("([a-z.-]+)"`):                                   "*.go",
	} {
		files, err := filepath.Glob(names)
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", names, err)
		}
		for _, name := range files {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range pattern.FindAllStringSubmatch(string(data), -1) {
				used = append(used, m[1])
			}
		}
	}
	for _, lang := range []string{"en", "de"} {
		data, err := os.ReadFile("../web/texts/" + lang + "/board.yaml")
		if err != nil {
			t.Fatal(err)
		}
		var texts map[string]string
		if err := yaml.Unmarshal(data, &texts); err != nil {
			t.Fatal(err)
		}
		for _, key := range tables() {
			if texts[key] == "" {
				t.Errorf("%s: no text for %q", lang, key)
			}
		}
		for key := range texts {
			if !slices.Contains(used, key) && !slices.Contains(used, strings.TrimSuffix(key, ".no")) {
				t.Errorf("%s: nobody says %q", lang, key)
			}
		}
	}
}

// TestTravel goes through what is known of the edge at the next start. The way is
// arithmetic on the fixture's path: the cure zone goes from 180 to 330 mm.
func TestTravel(t *testing.T) {
	queued := func(d *desk) { d.say("north", "heron", "ticket.received", ticket("KL-1")) }
	roll := func(stock string, class event.Class) func(*desk) {
		return func(d *desk) {
			d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: stock, FilmClass: class, LengthM: num(46), ThicknessUM: num(220)})
		}
	}
	mono, poly := roll("MONO-GLOSS-137", event.Monomeric), roll("POLY-GLOSS-137", event.Polymeric)
	edge := func(mm float64) func(*desk) {
		return func(d *desk) {
			d.say("north", "heron", "edge.moved", &event.EdgeMoved{PositionMM: num(mm), Cause: event.CauseRewind})
		}
	}
	leader := func(mm float64) func(*desk) {
		return func(d *desk) { d.say("north", "heron", "leader.attached", &event.LeaderAttached{LengthMM: mm}) }
	}
	type steps []func(*desk)
	for _, c := range []struct {
		name  string
		do    steps
		words string
		bare  bool   // marked as an edge in the cure zone
		drawn string // edge, leader, unseen or none
	}{
		{"never heard", nil, "nothing was heard of what is queued", true, "unseen"},
		{"a bare edge", steps{mono, edge(0), queued}, "bare edge through the cure zone, it still has 330 mm to go", true, "edge"},
		{"a bare edge in the zone", steps{mono, edge(200), queued}, "it still has 130 mm to go", true, "edge"},
		{"an edge past the exit", steps{mono, edge(365), queued}, "no edge goes through the cure zone, it lies 35 mm past the exit", false, "edge"},
		{"an edge that nobody knows", steps{mono, queued}, "a bare edge may go through the cure zone", true, "unseen"},
		{"film that lies flat", steps{poly, edge(0), queued}, "polymeric film lies flat", false, "edge"},
		{"a leader that reaches", steps{mono, edge(0), leader(400), queued}, "the leader ends 70 mm past the exit", false, "leader"},
		{"a leader that does not", steps{mono, edge(0), leader(200), queued}, "it is 130 mm too short", true, "leader"},
		{"nothing queued", steps{mono, edge(0)}, "nothing is queued", false, "edge"},
		{"a run on", steps{mono, edge(0), queued, func(d *desk) { d.say("north", "heron", "run.started", &event.RunStarted{Run: run("KL-0", nil)}) }}, "not known before what runs now is cut off", false, "edge"},
		{"no roll", steps{mono, edge(0), func(d *desk) { d.say("north", "heron", "roll.removed", &event.RollRemoved{}) }, queued}, "no film to move", false, "none"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDesk(t)
			for _, step := range c.do {
				step(d)
			}
			_, body := get(t, board.Handler(d.options()), "GET", "/")
			figure := parse(t, body).byID("m.north.heron").all("figure")[0]
			if got := figure.all("p", "next")[0].words(); !strings.Contains(got, c.words) {
				t.Errorf("it says %q, want %q", got, c.words)
			}
			if !strings.Contains(figure.all("svg", "path")[0].attrs["aria-label"], c.words) {
				t.Error("who hears the page is not told the same")
			}
			if got := strings.Contains(figure.attrs["class"], "bare"); got != c.bare {
				t.Errorf("marked as a danger: %v, want %v", got, c.bare)
			}
			drawn := "none"
			for kind, n := range map[string]int{
				"edge": len(figure.all("path", "edge")), "leader": len(figure.all("path", "leader")), "unseen": len(figure.all("path", "film", "unseen")),
			} {
				if n > 0 {
					drawn = kind
				}
			}
			if drawn != c.drawn {
				t.Errorf("drawn is %s, want %s", drawn, c.drawn)
			}
		})
	}
}

// TestUnmeasured draws no cure zone at a place that nobody has measured: neither of a
// machine that is not configured, nor of one whose feed path is a careful guess.
func TestUnmeasured(t *testing.T) {
	d := newDesk(t)
	d.site.Machines[2].Configured, d.site.Machines[2].Path.Assumed = false, true // quay/plover
	for _, m := range []struct{ site, name string }{{"attic", "stray"}, {"quay", "plover"}} {
		d.say(m.site, m.name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric})
		d.say(m.site, m.name, "edge.moved", &event.EdgeMoved{PositionMM: num(500), Cause: event.CauseAdvance})
		d.say(m.site, m.name, "ticket.received", ticket("KL-1"))
	}
	_, body := get(t, board.Handler(d.options()), "GET", "/")
	for _, id := range []string{"m.attic.stray", "m.quay.plover"} {
		strip := parse(t, body).byID(id)
		if len(strip.all("rect", "zone", "unmeasured")) != 1 || len(strip.all("path", "hot")) != 0 {
			t.Errorf("%s: the cure zone is drawn as if it had been measured", id)
		}
		for _, want := range []string{"nobody has measured where the cure zone is", "the drawing shows what there is, not where"} {
			if !strings.Contains(strip.words(), want) {
				t.Errorf("%s does not say %q", id, want)
			}
		}
		if strings.Contains(strip.words(), "past the cure exit") {
			t.Errorf("%s says that the edge is past a cure exit that nobody has measured", id)
		}
	}
}

// TestWasteIsPricedAsItsRoll prices the waste of today by the roll that was on then,
// where the mark of its loading was let go, and not by the one that is on now: 2 m ×
// 1.37 m are 2.74 m², by hand 3.288 USD at 1.20 USD/m² and 7.124 USD at 2.60 USD/m².
func TestWasteIsPricedAsItsRoll(t *testing.T) {
	load := func(stock string) func(*desk) {
		return func(d *desk) {
			d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: stock, WidthMM: num(1370), LengthM: num(46)})
		}
	}
	mono, poly := load("MONO-GLOSS-137"), load("POLY-GLOSS-137")
	off := func(d *desk) { d.say("north", "heron", "roll.removed", &event.RollRemoved{}) }
	days := func(d *desk) { d.wait(40 * time.Hour) } // longer than marks are kept
	waste := func(d *desk) {
		d.say("north", "heron", "film.wasted", &event.FilmWasted{LengthM: 2, WidthMM: num(1370), Cause: "trim"})
	}
	for name, c := range map[string]struct {
		told []func(*desk)
		want string
	}{
		"still on":                    {[]func(*desk){mono, days, waste}, "2.74 m², 3.29 USD"},
		"taken off":                   {[]func(*desk){mono, days, waste, off}, "2.74 m², 3.29 USD"},
		"taken off before":            {[]func(*desk){mono, days, off, waste, poly}, "2.74 m², 3.29 USD"},
		"another on":                  {[]func(*desk){mono, days, waste, off, poly}, "2.74 m², 3.29 USD"},
		"of both":                     {[]func(*desk){mono, days, waste, off, poly, waste}, "5.48 m², 10.41 USD"},
		"another on, nobody knows":    {[]func(*desk){mono, days, waste, poly}, "2.74 m²"},
		"of both, one nobody knows":   {[]func(*desk){mono, days, waste, poly, waste}, "5.48 m², more than 7.12 USD"},
		"before one without a code":   {[]func(*desk){mono, days, waste, off, load("")}, "2.74 m², 3.29 USD"},
		"of one without a code":       {[]func(*desk){load(""), waste, off, poly}, "2.74 m²"},
		"replaced, the mark is there": {[]func(*desk){mono, waste, poly}, "2.74 m², 3.29 USD"},
	} {
		d := newDesk(t)
		for _, tell := range c.told {
			tell(d)
		}
		_, body := get(t, board.Handler(d.options()), "GET", "/")
		if got, want := parse(t, body).byID("shift").all("dl", "today")[0].words(), "Waste "+c.want+" Reprints"; !strings.Contains(got, want) {
			t.Errorf("%s: today is %q, want %q", name, got, want)
		}
	}
}

// TestShift adds up a day. Waste is 2 m × 1.37 m at 1.20 USD/m², by hand
// 2.74 m² and 3.288, rounded 3.29 USD.
func TestShift(t *testing.T) {
	d := newDesk(t)
	d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1370), LengthM: num(46)})
	d.say("north", "heron", "run.started", &event.RunStarted{Run: run("KL-1", nil)})
	d.wait(10 * time.Minute)
	d.say("north", "heron", "strike.recorded", &event.StrikeRecorded{Job: "KL-1", Part: "P1", DowntimeS: num(1500)})
	d.say("north", "heron", "run.stopped", &event.RunStopped{Run: run("KL-1", num(2))})
	d.say("north", "heron", "film.wasted", &event.FilmWasted{LengthM: 2, Cause: "head-strike"})
	d.say("north", "heron", "job.reprinted", &event.JobReprinted{Job: "KL-1", Part: "P1", Cause: "head-strike"})
	d.say("north", "heron", "run.started", &event.RunStarted{Run: run("KL-2", nil)})
	d.wait(10 * time.Minute)
	_, body := get(t, board.Handler(d.options()), "GET", "/")
	shift := parse(t, body).byID("shift")
	if got := shift.all("dl", "today")[0].words(); got != "Starts today 2 Head strikes 1 Waste 2.74 m², 3.29 USD Reprints 1" {
		t.Errorf("today is %q", got)
	}
	row := shift.all("div", "line")[0]
	for class, want := range map[string]int{"run": 2, "strike": 1, "waste": 1} {
		if got := len(row.all("", class)); got != want {
			t.Errorf("%d marks of %s, want %d", got, class, want)
		}
	}
	alarms := len(d.engine.View(d.now).Alarms.On("north", "heron"))
	want := fmt.Sprintf("heron, runs: 2, head strikes: 1, rolls loaded: 1, standing alarms: %d", alarms)
	if got := row.all("svg")[0].attrs["aria-label"]; got != want || alarms == 0 {
		t.Errorf("the row says %q, want %q", got, want)
	}
	if got := shift.all("table")[0].words(); !strings.Contains(got, "08:00:00 heron run KL-1/P1, stopped, 10 min") ||
		!strings.Contains(got, "08:10:00 heron head strike KL-1/P1, 25 min down") {
		t.Errorf("the table says %q", got)
	}
}

// TestShiftBegins draws the very moment at which a shift begins, when there is no
// time to draw yet.
func TestShiftBegins(t *testing.T) {
	d := newDesk(t)
	morning(d)
	o := d.options()
	o.ShiftFrom = func(now time.Time) time.Time { return now }
	_, page := get(t, board.Handler(o), "GET", "/")
	if at := strings.Index(page, "NaN"); at >= 0 {
		t.Errorf("something is drawn nowhere: %s", page[max(0, at-80):at+20])
	}
}

// TestParts paints through the hub what the page shows at first, so that nothing
// jumps when the stream begins.
func TestParts(t *testing.T) {
	d := newDesk(t)
	morning(d)
	o := d.options()
	h := board.Handler(o)
	_, page := get(t, h, "GET", "/")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go o.Hub.Run(ctx)
	server := httptest.NewServer(o.Hub)
	defer server.Close()
	response, err := http.Get(server.URL + "/stream?page=board&lang=en")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	var got bytes.Buffer
	for buffer := make([]byte, 1<<16); !strings.Contains(got.String(), "event: beat"); {
		n, err := response.Body.Read(buffer)
		if err != nil {
			t.Fatal(err)
		}
		got.Write(buffer[:n])
	}
	parts := regexp.MustCompile(`"id":"([^"]+)","html":"(.*)"}`).FindAllStringSubmatch(got.String(), -1)
	var ids []string
	for _, p := range parts {
		ids = append(ids, p[1])
		html := strings.NewReplacer(`\n`, "\n", `\"`, `"`, `\\`, `\`).Replace(p[2])
		if !strings.Contains(page, html) {
			t.Errorf("the part %s is not as on the page:\n%s", p[1], html)
		}
	}
	if want := []string{"state", "notices", "alarms", "m.north.heron", "m.north.wren", "m.quay.plover", "shift", "odd"}; !slices.Equal(ids, want) {
		t.Errorf("the parts are %v, want %v", ids, want)
	}
}

// BenchmarkFirstLoad reports what a browser loads at first, in kB before any
// compression: a shop of three machines with four alarms.
func BenchmarkFirstLoad(b *testing.B) {
	b.Run("en", func(b *testing.B) { firstLoad(b) })
	b.Run("de", func(b *testing.B) { firstLoad(b, german) })
}

func firstLoad(b *testing.B, own ...func(*web.Options)) {
	d := newDesk(b)
	morning(d)
	h := board.Handler(d.options(own...))
	size := func(target string) float64 {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, target, nil))
		return float64(w.Body.Len()) / 1000
	}
	kB := 0.0
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
		kB = float64(w.Body.Len()) / 1000
		for _, m := range regexp.MustCompile(`(?:href|src)="(/assets/[^"]+\.(?:css|js))"`).FindAllStringSubmatch(w.Body.String(), -1) {
			kB += size(m[1])
		}
	}
	b.ReportMetric(kB, "kB")
}
