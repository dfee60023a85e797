package hazard_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/units"
)

func parse(t testing.TB, text string) *hazard.Book {
	t.Helper()
	b, err := hazard.ParseBook("book.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tuning is how a hazard is used in a place.
func tuning(b *hazard.Book, code hazard.Code, p hazard.Place) hazard.Tuning {
	i := slices.IndexFunc(b.Rows, func(r hazard.Row) bool { return r.Code == code })
	return b.Resolve(p).Tunings[i]
}

// full is a rule book that uses everything there is.
const full = `
version: 1
settings:
  advance_margin_mm: 50
  stale_after: 2h
  require: [roll.class, edge.front_mm]
hazards:
  bare-edge: {horizon: 30m, latch: true}
  dry-air:
    priority: medium
    on_delay: 5m
    off_delay: 10m
overrides:
  - where: {site: north}
    settings: {tail_m: 2, dry_air_rh_pct: 30}
  - where: {site: north, machine: heron}
    settings: {tail_m: 3}
    hazards:
      dry-air: {enabled: false}
  - where: {stock: MONO-GLOSS-137}
    settings: {tail_m: 4}
  - where: {class: cast}
    settings:
      require: [roll.class]
    hazards:
      bare-edge: {enabled: false}
conditions:
  - code: cold-room
    title: Room too cold
    priority: low
    scope: machine
    when: climate.temp_c < 15.0
    why: cold film unwinds badly
    do: heat the room
    unknown: clear
cases:
  - name: a bare edge in the north
    site: north
    machine: heron
    now: 2026-03-02T08:00:00Z
    given:
      - {type: roll.loaded, ago: 10m, data: {stock: MONO-GLOSS-137, film_class: monomeric}}
      - type: edge.moved
        ago: 90s
        data: {position_mm: 0, cause: rewind}
    expect: [bare-edge, cold-room]
    remedy: advance
`

func TestParseBook(t *testing.T) {
	b := parse(t, full)
	r := b.Resolve(hazard.Place{})
	if r.AdvanceMarginMM != 50 || r.StaleAfter != 2*time.Hour || !slices.Equal(r.Require, []string{"roll.class", "edge.front_mm"}) {
		t.Errorf("settings: got %+v", r.Settings)
	}
	if d := hazard.DefaultSettings(); r.TailM != d.TailM || r.LiftAllowanceUM != d.LiftAllowanceUM || r.DryAirPct != d.DryAirPct {
		t.Errorf("what the book does not say must stay as it was: got %+v", r.Settings)
	}
	if got, want := tuning(b, hazard.BareEdge, hazard.Place{}), (hazard.Tuning{Enabled: true, Priority: hazard.High, Horizon: 30 * time.Minute, Latch: true}); got != want {
		t.Errorf("bare-edge: want %+v, got %+v", want, got)
	}
	if got, want := tuning(b, hazard.DryAir, hazard.Place{}), (hazard.Tuning{Enabled: true, Priority: hazard.Medium, OnDelay: 5 * time.Minute, OffDelay: 10 * time.Minute, Horizon: time.Hour}); got != want {
		t.Errorf("dry-air: want %+v, got %+v", want, got)
	}
	if got, want := tuning(b, hazard.HotRecipe, hazard.Place{}), (hazard.Tuning{Enabled: true, Priority: hazard.Medium, Horizon: 24 * time.Hour}); got != want {
		t.Errorf("hot-recipe, untouched: want %+v, got %+v", want, got)
	}
	own, ok := b.Row("cold-room")
	if !ok || own.Scope != hazard.OnMachine || own.Knows != "climate.temp_c" || own.Remedies[0] != "own:heat the room" || own.Caution == "" {
		t.Errorf("cold-room: got %+v", own)
	}
	if _, ok := b.Row("warm-room"); ok {
		t.Error("a hazard that nobody wrote was found")
	}
	c := b.Cases[0]
	if len(b.Cases) != 1 || c.Site != "north" || c.Machine != "heron" || !c.Now.Equal(now) || c.Remedy != "advance" || !slices.Equal(c.Expect, []hazard.Code{"bare-edge", "cold-room"}) {
		t.Errorf("case: got %+v", c)
	}
	if g := c.Given; len(g) != 2 || g[0].Ago != 10*time.Minute || g[1].Ago != 90*time.Second || g[0].Data["stock"] != "MONO-GLOSS-137" || g[1].Type != "edge.moved" {
		t.Errorf("case: given %+v", c.Given)
	}
}

// TestOverrides shows which override applies where: those that match, one
// over the other in the order of the file, whatever they are matched by.
func TestOverrides(t *testing.T) {
	b := parse(t, full)
	for _, row := range []struct {
		place   hazard.Place
		tail    float64
		dry     float64
		dryOn   bool
		bareOn  bool
		require int
	}{
		{hazard.Place{}, 1, 35, true, true, 2},
		{hazard.Place{Site: "quay", Machine: "heron"}, 1, 35, true, true, 2},
		{hazard.Place{Site: "north", Machine: "wren"}, 2, 30, true, true, 2},
		{hazard.Place{Site: "north", Machine: "heron"}, 3, 30, false, true, 2},
		{hazard.Place{Site: "north", Machine: "heron", Stock: "MONO-GLOSS-137", Class: event.Monomeric}, 4, 30, false, true, 2},
		{hazard.Place{Site: "quay", Stock: "MONO-GLOSS-137"}, 4, 35, true, true, 2},
		{hazard.Place{Site: "north", Machine: "wren", Stock: "CAST-WRAP-152", Class: event.Cast}, 2, 30, true, false, 1},
	} {
		r := b.Resolve(row.place)
		if r.TailM != row.tail || r.DryAirPct != row.dry || len(r.Require) != row.require {
			t.Errorf("%+v: got %+v", row.place, r.Settings)
		}
		if got := tuning(b, hazard.DryAir, row.place); got.Enabled != row.dryOn || got.Priority != hazard.Medium || got.OnDelay != 5*time.Minute {
			t.Errorf("%+v: dry-air %+v", row.place, got)
		}
		if got := tuning(b, hazard.BareEdge, row.place); got.Enabled != row.bareOn || !got.Latch {
			t.Errorf("%+v: bare-edge %+v", row.place, got)
		}
	}
	// The same again: one resolution must leave nothing behind for the next.
	if r := b.Resolve(hazard.Place{}); r.TailM != 1 || len(r.Require) != 2 {
		t.Errorf("an earlier place left its rules behind: %+v", r.Settings)
	}
}

// TestRequired shows that the list of the place is what the floor must know.
func TestRequired(t *testing.T) {
	b := parse(t, full)
	stale, _ := b.Row(hazard.StaleFloor)
	s := sound()
	noTicket(s)
	s.Rules = b.Resolve(hazard.Place{})
	if got := stale.Check(s); got != clear {
		t.Errorf("roll and edge are known: want clear, got %s: %s", got, stale.Say(s))
	}
	lost(s)
	if got := stale.Check(s); got != holds {
		t.Errorf("the edge is required: want holds, got %s", got)
	}
	s.Rules = b.Resolve(hazard.Place{Class: event.Cast})
	if got := stale.Check(s); got != clear {
		t.Errorf("the edge is not required of cast: want clear, got %s", got)
	}
}

// TestEmptyBooks are no mistakes.
func TestEmptyBooks(t *testing.T) {
	for _, text := range []string{"", "\n", "# nothing yet\n", "---\n", "version: 1\n", "%YAML 1.2\n---\nversion: 1\n...\n",
		"settings:\nhazards:\noverrides:\nconditions:\ncases:\n", "hazards:\n  bare-edge:\n"} {
		b, err := hazard.ParseBook("book.yaml", []byte(text))
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got, want := b.Resolve(hazard.Place{}).Settings, hazard.DefaultSettings(); got.TailM != want.TailM || !slices.Equal(got.Require, want.Require) {
			t.Errorf("%q: want the defaults, got %+v", text, got)
		}
	}
}

// TestAnchors lets one block of settings stand for several.
func TestAnchors(t *testing.T) {
	b := parse(t, `
settings: &wide {tail_m: 4}
overrides:
  - where: {site: north}
    settings: {tail_m: 2}
  - where: {machine: heron}
    settings: *wide
cases:
  - name: first
    machine: heron
    given: [&roll {type: roll.loaded, ago: 1h, data: {stock: MONO-GLOSS-137}}]
  - name: second
    machine: heron
    given: [*roll]
`)
	if got := b.Resolve(hazard.Place{Site: "north", Machine: "heron"}).TailM; got != 4 {
		t.Errorf("want the anchor's 4 m, got %v", got)
	}
	if got := b.Cases[1].Given; len(got) != 1 || got[0].Ago != time.Hour {
		t.Errorf("want the anchor's event, got %+v", got)
	}
}

// TestMistakes expects every mistake with its file, line and column, and with
// what would have been right.
func TestMistakes(t *testing.T) {
	condition := func(lines string) string {
		return "conditions:\n  - code: cold-room\n    title: Cold\n    priority: low\n    why: it is cold\n" + lines
	}
	for _, row := range []struct{ text, want string }{
		{"a: [\n", "book.yaml:1:4: "},
		{"[]\n", "book.yaml:1:1: "},
		{"version: 2\n", "book.yaml:1:1: version: want 1, got 2"},
		{"version: one\n", `book.yaml:1:10: version: want a number, got "one"`},
		{"version: 1\n---\nversion: 1\n", "book.yaml: want one document, got 2"},
		{"version: 1\noverrids: []\n", `book.yaml:2:1: unknown key "overrids": did you mean "overrides"?`},

		{"settings:\n  tail_m: 1\n  tial_m: 2\n", `book.yaml:3:3: unknown key "tial_m": did you mean "tail_m"?`},
		{"settings:\n  tail_m: long\n", `book.yaml:2:11: tail_m: want a number, got "long"`},
		{"settings:\n  stale_after: 2h\n  tail_m: 51\n", "book.yaml:3:3: settings.tail_m: want 0 to 50, got 51"},
		{"settings: {tail_m: .nan}\n", "book.yaml:1:12: settings.tail_m: want 0 to 50, got NaN"},
		{"settings:\n  stale_after: 0s\n", "book.yaml:2:3: settings.stale_after: want a time above 0 such as 4h, got 0s"},
		{"settings:\n  stale_after: 4\n", `book.yaml:2:16: stale_after: want a time such as 90s, 15m or 4h, got "4"`},
		{"settings:\n  stale_after: soon\n", `book.yaml:2:16: want a time such as 90s, 15m or 4h, got "soon"`},
		{"settings:\n  require:\n    - roll.class\n    - roll.lefty_m\n", `book.yaml:4:7: settings.require[1]: "roll.lefty_m" is no fact: did you mean "roll.left_m"?`},
		{"settings:\n  require: ! [roll.class]\n", "book.yaml:2:12: want a plain value without the tag !"},
		{"settings: {tail_m: !!float 3}\n", "book.yaml:1:20: want a plain value without the tag !!float"},
		{"settings: 3\n", "book.yaml:1:11: "},
		{"settings: *nowhere\n", `book.yaml:1:12: could not find alias "nowhere"`},

		{"hazards:\n  bare-edge:\n    latch: true\n  bare-egde:\n    latch: true\n", `book.yaml:4:3: hazards.bare-egde: no such hazard: did you mean "bare-edge"?`},
		{"hazards:\n  bare-edge:\n    prority: low\n", `book.yaml:3:5: unknown key "prority": did you mean "priority"?`},
		{"hazards:\n  dry-air: {priority: urgent}\n", `book.yaml:2:13: hazards.dry-air.priority: want high, medium or low, got "urgent"`},
		{"hazards:\n  dry-air:\n    latch: true\n    on_delay: -5m\n", "book.yaml:4:5: hazards.dry-air.on_delay: want a time of 0 or more such as 30s, got -5m0s"},
		{"hazards:\n  dry-air: {enabled: 3}\n", `book.yaml:2:22: enabled: want true or false, got "3"`},

		{"overrides:\n  - settings: {tail_m: 2}\n", "book.yaml:2:5: overrides[0].where: want at least one of site, machine, stock, class"},
		{"overrides:\n  - where: {}\n    settings: {tail_m: 2}\n", "book.yaml:2:5: overrides[0].where: want at least one"},
		{"overrides:\n  - where: {class: monomerc}\n", `book.yaml:2:13: overrides[0].where.class: no such film class "monomerc": did you mean "monomeric"?`},
		{"overrides:\n  - where: {stie: north}\n", `book.yaml:2:13: unknown key "stie": did you mean "site"?`},
		{"overrides:\n  - where: {site: north}\n  - where: {site: quay}\n    settings:\n      lift_allowance_um: 600\n      tail_m: -1\n", "book.yaml:6:7: overrides[1].settings.tail_m: want 0 to 50, got -1"},
		{"overrides:\n  - where: {site: north}\n    hazards:\n      short-roll:\n        horizon: -1h\n", "book.yaml:5:9: overrides[0].hazards.short-roll.horizon: want a time of 0 or more such as 30s, got -1h0m0s"},
		{"settings: &s {tail_m: 2}\noverrides:\n  - where: {site: north}\n    settings:\n      <<: *s\n", "book.yaml:4:5: overrides[0].settings: "},

		{condition("    when: climate.temp < 15.0\n"), "book.yaml:6:5: conditions[0].when: line 1, column 8 of the condition: undeclared reference to 'climate"},
		{condition("    when: |\n      roll.loaded &&\n      climate.temp_c <\n"), "book.yaml:6:5: conditions[0].when: line 3, column 1 of the condition: "},
		{condition("    when: climate.temp_c + 1.0\n"), "book.yaml:6:5: conditions[0].when: want a condition that is true or false, got one of type double"},
		{condition("    when: roll.stock > 3.0\n"), "book.yaml:6:5: conditions[0].when: line 1, column 12 of the condition: found no matching overload"},
		{condition(""), "book.yaml:2:5: conditions[0].when: "},
		{condition("    when: roll.loaded\n    scope: queue\n"), `book.yaml:7:5: conditions[0].scope: want next, queued or machine, got "queue"`},
		{condition("    when: roll.loaded\n    unknown: hide\n"), `book.yaml:7:5: conditions[0].unknown: want hold or clear, got "hide"`},
		{"conditions:\n  - code: dry-air\n    title: Dry\n    priority: low\n    why: it is dry\n    when: roll.loaded\n", `book.yaml:2:5: conditions[0].code: "dry-air" is taken: choose another`},
		{"conditions:\n  - code: a b\n", `book.yaml:2:5: conditions[0].code: want a name of letters, digits and -, got "a b"`},
		{"conditions:\n  - title: Cold\n", `book.yaml:2:5: conditions[0].code: want a name of letters, digits and -, got ""`},
		{"conditions:\n  - code: cold\n", "book.yaml:2:5: conditions[0].title: want a short title"},
		{"conditions:\n  - code: cold\n    title: Cold\n    priority: low\n", "book.yaml:2:5: conditions[0].why: want a sentence"},
		{"conditions:\n  - code: cold\n    title: Cold\n    why: it is\n    priority: now\n", `book.yaml:5:5: conditions[0].priority: want high, medium or low, got "now"`},

		{"cases:\n  - machine: heron\n", "book.yaml:2:5: cases[0].name: want a name that says what the case shows"},
		{"cases:\n  - name: a\n", `book.yaml:2:5: cases[0].machine: want the machine that the case "a" is about`},
		{"cases:\n  - name: a\n    machine: heron\n    expect:\n      - bare-edge\n      - bare-egde\n", `book.yaml:6:9: cases[0].expect[1]: no such hazard "bare-egde": did you mean "bare-edge"?`},
		{"cases:\n  - name: a\n    machine: heron\n    remedy: advance\n", `book.yaml:4:5: cases[0].remedy: want the hazard that "advance" is the cheapest remedy of in expect`},
		{"cases:\n  - name: a\n    machine: heron\n    now: yesterday\n", `book.yaml:4:5: cases[0].now: want a time such as 2026-03-02T08:00:00Z, got "yesterday"`},
		{"cases:\n  - name: a\n    machine: heron\n    given:\n      - {type: edge.moved, ago: lately}\n", `book.yaml:5:33: want a time such as 90s, 15m or 4h, got "lately"`},
		{"cases:\n  - name: a\n    machine: heron\n    given:\n      - {typ: edge.moved}\n", `book.yaml:5:10: unknown key "typ": did you mean "type"?`},
	} {
		_, err := hazard.ParseBook("book.yaml", []byte(row.text))
		if err == nil || !strings.HasPrefix(err.Error(), row.want) {
			t.Errorf("%s\nwant %s\ngot  %v", row.text, row.want, err)
		}
	}
}

// own makes a row of a condition.
func own(t testing.TB, when, unknown string) *hazard.Row {
	t.Helper()
	text := "conditions:\n  - code: own\n    title: Own\n    priority: low\n    why: the shop says so\n    when: '" + when + "'\n"
	if unknown != "" {
		text += "    unknown: " + unknown + "\n"
	}
	r, _ := parse(t, text).Row("own")
	return r
}

// TestConditions judges conditions on the sound scene and on one whose edge
// nobody knows. An unknown fact counts only where the outcome hangs on it.
func TestConditions(t *testing.T) {
	for _, row := range []struct {
		when, unknown string
		sound, lost   hazard.Verdict
	}{
		{`edge.front_mm > 1.0`, "", holds, holds},
		{`edge.front_mm > 1.0`, "hold", holds, holds},
		{`edge.front_mm > 1.0`, "clear", holds, unsure},
		{`edge.front_mm > 1000.0`, "", clear, holds},
		{`roll.loaded || edge.front_mm > 1.0`, "", holds, holds},
		{`edge.front_mm > 1.0 || roll.loaded`, "clear", holds, holds},
		{`!roll.loaded && edge.front_mm > 1.0`, "", clear, clear},
		{`edge.front_mm > 1.0 && !roll.loaded`, "", clear, clear},
		{`roll.loaded ? roll.left_m > 10.0 : edge.front_mm > 1.0`, "", holds, holds},
		{`roll.loaded && edge.front_mm > 1000.0`, "", clear, holds},
		{`run.passes >= 12`, "", holds, holds}, // whole numbers compare with fractions
		{`run.class == "monomeric" && run.cure_c > 90`, "", holds, holds},
		{`machine.name in ["heron", "wren"]`, "", holds, holds},
		{`roll.stock.startsWith("MONO-")`, "", holds, holds},
		{`now > timestamp("2026-03-02T07:59:59Z") && now.getHours() == 8`, "", holds, holds},
		{`run.length_m / (run.passes - 12.0) > 1e9`, "", holds, holds}, // no error: infinity by IEEE 754
		{`int(run.passes) / int(run.passes - 12.0) > 1`, "", holds, holds},
		{`int(run.passes) / int(run.passes - 12.0) > 1`, "clear", unsure, unsure},
	} {
		r := own(t, row.when, row.unknown)
		if got := r.Check(sound()); got != row.sound {
			t.Errorf("%s, unknown %q: want %s, got %s", row.when, row.unknown, row.sound, got)
		}
		s := sound()
		lost(s)
		if got := r.Check(s); got != row.lost {
			t.Errorf("%s, unknown %q, lost edge: want %s, got %s", row.when, row.unknown, row.lost, got)
		}
	}
}

// TestConditionShowsItsFacts lists what a condition names, known or not.
func TestConditionShowsItsFacts(t *testing.T) {
	r := own(t, `roll.loaded && edge.front_mm > 1.0 && run.passes > 1.0`, "")
	if want := "edge.front_mm, roll.loaded, run.passes"; r.Knows != want {
		t.Errorf("knows: want %s, got %s", want, r.Knows)
	}
	s := sound()
	lost(s)
	got := map[string]string{}
	for _, e := range r.Evidence(s) {
		got[e.Name] = e.Value
	}
	if got["edge.front_mm"] != "unknown" || got["roll.loaded"] != "true" || got["run.passes"] != "12" || len(got) != 3 {
		t.Errorf("evidence: got %v", got)
	}
	if r.Say(s) != "the shop says so" {
		t.Errorf("say: got %s", r.Say(s))
	}
	s.Run = nil
	if v := r.Check(s); v != holds {
		t.Errorf("without a run its passes are unknown: want holds, got %s", v)
	}
}

// TestConditionCost ends a condition that would work for ever. What it would
// have found is unknown, so it holds unless the shop says otherwise.
func TestConditionCost(t *testing.T) {
	ten := "[1.0,2.0,3.0,4.0,5.0,6.0,7.0,8.0,9.0,10.0]"
	long := ten + ".all(a, " + ten + ".all(b, " + ten + ".all(c, " + ten + ".all(d, " + ten + ".all(e, a+b+c+d+e > 0.0 && roll.left_m > 0.0)))))"
	if got := own(t, long, "clear").Check(sound()); got != unsure {
		t.Errorf("too much work: want unsure, got %s", got)
	}
	if got := own(t, "!"+long, "").Check(sound()); got != holds {
		t.Errorf("too much work: want holds, got %s", got)
	}
	if got := own(t, ten+".all(a, a > 0.0 && roll.left_m > 0.0)", "clear").Check(sound()); got != holds {
		t.Errorf("a little work: want holds, got %s", got)
	}
}

// TestEveryFactCanBeNamed compiles one condition for each fact and evaluates
// it where the fact is known and where nothing is.
func TestEveryFactCanBeNamed(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range hazard.Facts {
		if seen[f.Name] {
			t.Errorf("%s is there twice", f.Name)
		}
		seen[f.Name] = true
		if f.Doc == "" {
			t.Errorf("%s says nothing about itself", f.Name)
		}
		always := map[string]string{"number": f.Name + " == " + f.Name, "text": f.Name + ` != "nothing"`, "truth": f.Name + " || !" + f.Name}[f.Kind]
		if always == "" {
			t.Errorf("%s is of kind %q", f.Name, f.Kind)
			continue
		}
		s := sound()
		leader(400)(s)
		by := now.Add(time.Hour)
		order(s).Copies, order(s).Due, s.ReadyAt = p(1), &by, by
		r := own(t, always, "clear")
		if got := r.Check(s); got != holds {
			t.Errorf("%s: want %q to hold, got %s", f.Name, always, got)
		}
		if e := r.Evidence(s); len(e) != 1 || e[0].Value == "unknown" {
			t.Errorf("%s: got evidence %v", f.Name, e)
		}
		bare := &hazard.Scene{Now: now, Machine: &floor.Machine{}, Plant: heron(), Rules: s.Rules, Drift: s.Drift, Loaded: nobodys, Wanted: nobodys}
		r.Check(bare)
	}
}

// FuzzParseBook reads anything. What is read can be resolved and judged
// anywhere; what is not is refused with the name of the file.
func FuzzParseBook(f *testing.F) {
	for _, seed := range []string{full, "", "[]", "settings: {tail_m: -1}", "hazards: {bare-edge: null}", "overrides: [{where: {site: a}}]",
		"conditions: [{code: a, title: b, priority: low, why: c, when: roll.loaded}]", "cases: [{name: a, machine: b, now: 1, given: [{ago: x}]}]",
		"a: &a [*a]", "settings: &s {tail_m: 1}\noverrides: [{where: {site: a}, settings: *s}]", "? {a: b}\n: c", "settings: !!binary aGk=", "version: 1\n---\nversion: 1", "hazards: {? : {}}"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := hazard.ParseBook("book.yaml", data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "book.yaml:") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		s := sound()
		s.Rules = b.Resolve(hazard.Place{Site: "north", Machine: "heron", Stock: mono.Stock, Class: mono.Class})
		for _, r := range b.Rows {
			r.Check(s)
			r.Evidence(s)
			r.Say(s)
		}
		if len(s.Rules.Tunings) != len(b.Rows) {
			t.Fatalf("%d tunings for %d hazards", len(s.Rules.Tunings), len(b.Rows))
		}
		if s.Rules.StaleAfter <= 0 || !(s.Rules.TailM >= 0) {
			t.Fatalf("settings out of range were read: %+v", s.Rules.Settings)
		}
	})
}

// BenchmarkCatalogue checks all hazards of one scene.
func BenchmarkCatalogue(b *testing.B) {
	s := sound()
	b.ReportAllocs()
	for b.Loop() {
		for i := range hazard.Builtin {
			hazard.Builtin[i].Check(s)
		}
	}
}

// BenchmarkCondition evaluates one condition of a shop.
func BenchmarkCondition(b *testing.B) {
	for _, row := range []struct{ name, when string }{
		{"simple", `edge.front_mm < path.cure_exit_mm`},
		{"usual", `run.class == "monomeric" && run.cure_c > 95.0 && climate.rh_pct < 40.0`},
	} {
		b.Run(row.name, func(b *testing.B) {
			r, s := own(b, row.when, ""), sound()
			b.ReportAllocs()
			for b.Loop() {
				r.Check(s)
			}
		})
	}
	b.Run("unknown", func(b *testing.B) {
		r, s := own(b, `edge.front_mm < path.cure_exit_mm`, ""), sound()
		s.Machine.Edge.PositionMM = units.Maybe{}
		b.ReportAllocs()
		for b.Loop() {
			r.Check(s)
		}
	})
}

// BenchmarkResolve lays the rules for one place.
func BenchmarkResolve(b *testing.B) {
	book := parse(b, full)
	b.ReportAllocs()
	for b.Loop() {
		book.Resolve(hazard.Place{Site: "north", Machine: "heron", Stock: mono.Stock, Class: mono.Class})
	}
}
