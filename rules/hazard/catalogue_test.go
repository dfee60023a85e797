package hazard_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/units"
)

func TestCatalogueIsWhole(t *testing.T) {
	codes := map[hazard.Code]bool{}
	for _, r := range hazard.Builtin {
		if codes[r.Code] {
			t.Errorf("%s is there twice", r.Code)
		}
		codes[r.Code] = true
		for name, text := range map[string]string{
			"code": string(r.Code), "title": r.Title, "priority": string(r.Priority), "knows": r.Knows, "when": r.When, "why": r.Why, "caution": r.Caution,
		} {
			if strings.TrimSpace(text) == "" {
				t.Errorf("%s has no %s", r.Code, name)
			}
		}
		if len(r.Remedies) == 0 || r.Check == nil || r.Evidence == nil || r.Say == nil {
			t.Errorf("%s lacks remedies, check, evidence or say", r.Code)
		}
		if err := event.CheckName("code", string(r.Code)); err != nil {
			t.Error(err)
		}
	}
	for _, r := range hazard.Builtin {
		for _, cause := range r.HiddenBy {
			if !codes[cause] || cause == r.Code {
				t.Errorf("%s is hidden by %s, which is no other hazard", r.Code, cause)
			}
			if c, _ := hazard.DefaultBook().Row(cause); c != nil {
				for _, back := range c.HiddenBy {
					if back == r.Code {
						t.Errorf("%s and %s hide each other", r.Code, cause)
					}
				}
			}
		}
	}
	if len(codes) != 11 {
		t.Errorf("the catalogue has %d hazards, this test knows 11", len(codes))
	}
}

func TestNothingIsWrongInASoundScene(t *testing.T) {
	for _, r := range hazard.Builtin {
		if got := r.Check(sound()); got != hazard.Clear {
			t.Errorf("%s: want clear, got %s: %s", r.Code, got, r.Say(sound()))
		}
	}
}

// verdicts runs a table of one hazard: each row changes the sound scene.
func verdicts(t *testing.T, code hazard.Code, rows []verdictRow) {
	t.Helper()
	r := row(t, code)
	for _, v := range rows {
		s := sound()
		v.edit(s)
		if got := r.Check(s); got != v.want {
			t.Errorf("%s: want %s, got %s", v.name, v.want, got)
		}
		if len(r.Evidence(s)) == 0 && code != hazard.StaleFloor || r.Say(s) == "" {
			t.Errorf("%s: nothing to show", v.name)
		}
	}
}

type verdictRow struct {
	name string
	want hazard.Verdict
	edit func(*hazard.Scene)
}

const (
	clear  = hazard.Clear
	unsure = hazard.Unsure
	holds  = hazard.Holds
)

func at(mm float64) func(*hazard.Scene) {
	return func(s *hazard.Scene) { s.Machine.Edge.PositionMM = units.Some(mm) }
}

func all(edits ...func(*hazard.Scene)) func(*hazard.Scene) {
	return func(s *hazard.Scene) {
		for _, edit := range edits {
			edit(s)
		}
	}
}

func lost(s *hazard.Scene) { s.Machine.Edge.PositionMM = units.Maybe{} }

func leader(mm float64) func(*hazard.Scene) {
	return func(s *hazard.Scene) {
		s.Machine.Leader = floor.Leader{On: true, LengthMM: mm, ThicknessUM: units.Some(120)}
	}
}

func TestBareEdge(t *testing.T) {
	verdicts(t, hazard.BareEdge, []verdictRow{
		{"short of the exit", holds, at(329.9)},
		{"at the exit", clear, at(330)},
		{"past an exit that nobody has measured", unsure, all(at(2000), guessed)},
		{"short of an exit that nobody has measured", holds, all(at(0), guessed)},
		{"flat film on a machine that nobody has measured", clear, all(at(0), guessed, load(poly))},
		{"at the print line", holds, at(0)},
		{"behind the print line", holds, at(-50)},
		{"nobody knows where", holds, lost},
		{"a leader that reaches", clear, all(at(0), leader(330))},
		{"a leader that is too short", holds, all(at(0), leader(329))},
		{"a leader on an edge nobody knows", holds, all(lost, leader(900))},
		{"polymeric lies flat", clear, all(at(0), load(poly))},
		{"cast lies flat", clear, all(at(0), load(cast))},
		{"polymeric lies flat wherever its edge is", clear, all(lost, load(poly))},
		{"a film nobody knows is judged like the cheapest", holds, all(at(0), load(nobodys))},
		{"no roll that anybody knows of", holds, func(s *hazard.Scene) {
			s.Machine.Roll, s.Machine.Edge, s.Loaded = floor.Roll{}, floor.Edge{}, nobodys
		}},
		{"a shaped lip does not settle it", holds, func(s *hazard.Scene) { at(0)(s); s.Machine.Edge.Shape = "rounded" }},
		{"while another run feeds, nothing is bare", clear, func(s *hazard.Scene) { at(0)(s); s.Machine.Run = &floor.Run{Job: "J0"} }},
		{"running, and the edge is on its way", holds, func(s *hazard.Scene) { at(200)(s); running(s, 0.2) }},
		{"running, and the edge is through", clear, func(s *hazard.Scene) { at(330)(s); running(s, 0.33) }},
		{"running from nobody knows where, not far enough", holds, func(s *hazard.Scene) { lost(s); running(s, 0.329) }},
		{"running from nobody knows where, far enough", clear, func(s *hazard.Scene) { lost(s); running(s, 0.33) }},
		{"a fresh roll within the run", holds, func(s *hazard.Scene) { lost(s); running(s, 5); s.Machine.Roll.At = now }},
	})
}

// TestCommonPractice holds the checks to what crews say: common practice, no
// source. 195 to 200 °F do not keep the edge of monomeric film down; 10 or 12
// passes at about 200 °F cure 90 to 110 percent ink and keep the film flat for
// the cutter; 8 passes do not cure it; 8 passes at 240 °F do, but deform it.
func TestCommonPractice(t *testing.T) {
	f := units.FahrenheitToC
	judge := func(code hazard.Code, edit func(*hazard.Scene)) hazard.Verdict {
		s := sound()
		edit(s)
		return row(t, code).Check(s)
	}
	recipe := func(passes, c, ink float64) func(*hazard.Scene) {
		return func(s *hazard.Scene) { d := order(s); d.Passes, d.CureC, d.InkDensityPct = &passes, &c, &ink }
	}
	for _, c := range []float64{f(195), f(200), 20} {
		if got := judge(hazard.BareEdge, all(at(0), recipe(12, c, 100))); got != holds {
			t.Errorf("a bare monomeric edge at %.0f °C: want holds, got %s", c, got)
		}
		if got := judge(hazard.BareEdge, all(at(0), load(poly), recipe(12, c, 100))); got != clear {
			t.Errorf("a bare polymeric edge at %.0f °C: want clear, got %s", c, got)
		}
	}
	for _, row := range []struct {
		passes, c        float64
		weak, hot, drift hazard.Verdict
	}{
		{12, f(200), clear, clear, clear},
		{10, f(200), clear, clear, clear},
		{12, 93, clear, clear, clear},
		{8, 93, holds, clear, clear},
		{8, f(240), clear, holds, holds},
	} {
		for _, ink := range []float64{90, 100, 110} {
			edit := recipe(row.passes, row.c, ink)
			for code, want := range map[hazard.Code]hazard.Verdict{hazard.WeakCure: row.weak, hazard.HotRecipe: row.hot, hazard.RegisterDrift: row.drift} {
				if got := judge(code, edit); got != want {
					t.Errorf("%s, %g passes at %.0f °C with %g %% ink, marks 400 mm apart: want %s, got %s", code, row.passes, row.c, ink, want, got)
				}
			}
		}
	}
}

func TestWrongStock(t *testing.T) {
	verdicts(t, hazard.WrongStock, []verdictRow{
		{"another code", holds, func(s *hazard.Scene) { order(s).Stock = "MONO-MATT-137" }},
		{"another class", holds, func(s *hazard.Scene) { s.Wanted.Class = event.Cast }},
		{"another class by a ticket without a code", holds, func(s *hazard.Scene) { order(s).Stock = ""; s.Wanted = cast }},
		{"a width within the slack", clear, func(s *hazard.Scene) { order(s).RollWidthMM = p(1375) }},
		{"a width beyond the slack", holds, func(s *hazard.Scene) { order(s).RollWidthMM = p(1375.1) }},
		{"narrower beyond the slack", holds, func(s *hazard.Scene) { order(s).RollWidthMM = p(1364.9) }},
		{"no width known", clear, func(s *hazard.Scene) { s.Machine.Roll.WidthMM = units.Maybe{} }},
		{"a roll without a code, where a code is asked for", unsure, func(s *hazard.Scene) { s.Machine.Roll.Stock = "" }},
		{"a roll without a code, where only a class is asked for", clear, func(s *hazard.Scene) { s.Machine.Roll.Stock, order(s).Stock = "", "" }},
		{"a roll that nobody named", unsure, func(s *hazard.Scene) { s.Machine.Roll.Stock, s.Loaded = "", nobodys }},
		{"no ticket", unsure, noTicket},
		{"no roll", unsure, func(s *hazard.Scene) { s.Machine.Roll = floor.Roll{} }},
		{"a ticket that asks for nothing", unsure, func(s *hazard.Scene) { order(s).Stock, order(s).FilmClass = "", "" }},
	})
}

func cure(c float64) func(*hazard.Scene) {
	return func(s *hazard.Scene) { order(s).CureC = &c }
}

func TestHotRecipe(t *testing.T) {
	plain := func(s *hazard.Scene) { order(s).ContourCut = false }
	verdicts(t, hazard.HotRecipe, []verdictRow{
		{"contour-cut at its ceiling", clear, cure(mono.ContourCeilingC)},
		{"contour-cut above its ceiling", holds, cure(mono.ContourCeilingC + 0.1)},
		{"plain above the contour ceiling", clear, all(plain, cure(mono.ContourCeilingC+0.1))},
		{"plain above the ceiling", holds, all(plain, cure(mono.CeilingC+0.1))},
		{"the ticket's film counts, not the loaded one", clear, func(s *hazard.Scene) { cure(110)(s); s.Wanted = poly }},
		{"a film nobody knows bears least", holds, func(s *hazard.Scene) { cure(94)(s); s.Wanted = nobodys }},
		{"no cure temperature", unsure, func(s *hazard.Scene) { order(s).CureC = nil }},
		{"no ticket", unsure, noTicket},
	})
	s := sound()
	if r := row(t, hazard.HotRecipe); !r.Worse(s) {
		t.Error("contour-cut work must make it worse")
	}
	plain(s)
	if row(t, hazard.HotRecipe).Worse(s) {
		t.Error("plain work makes it no worse")
	}
}

func TestWeakCure(t *testing.T) {
	// At the ink's own reference the dwell needs no conversion: 12 passes give
	// 53.33 s, and 40 s are needed for 100 percent ink, so 133.33 percent is the
	// most that is cured.
	verdicts(t, hazard.WeakCure, []verdictRow{
		{"just enough", clear, func(s *hazard.Scene) { order(s).InkDensityPct = p(133.3) }},
		{"just too much ink", holds, func(s *hazard.Scene) { order(s).InkDensityPct = p(133.4) }},
		{"the same ink in more passes", clear, func(s *hazard.Scene) { order(s).InkDensityPct, order(s).Passes = p(133.4), p(13) }},
		{"the same ink at more heat", clear, func(s *hazard.Scene) { order(s).InkDensityPct, order(s).CureC = p(133.4), p(95) }},
		{"an ink density nobody knows counts as the upper end", holds, func(s *hazard.Scene) { order(s).InkDensityPct, order(s).Passes = nil, p(9.8) }},
		{"no passes", unsure, func(s *hazard.Scene) { order(s).Passes = nil }},
		{"no cure temperature", unsure, func(s *hazard.Scene) { order(s).CureC = nil }},
		{"no ticket", unsure, noTicket},
		{"a machine whose stroke nobody knows cures nothing", holds, func(s *hazard.Scene) { s.Plant.StrokeS = 0 }},
	})
}

func TestRegisterDrift(t *testing.T) {
	// A fifth of 1e-4 per °C above 70 °C for 23 °C is 0.046 percent: 0.3 mm are
	// reached at 652.17 mm between the marks.
	verdicts(t, hazard.RegisterDrift, []verdictRow{
		{"within the tolerance", clear, func(s *hazard.Scene) { order(s).MarkSpacingMM = p(652.1) }},
		{"beyond the tolerance", holds, func(s *hazard.Scene) { order(s).MarkSpacingMM = p(652.3) }},
		{"below onset nothing drifts", clear, func(s *hazard.Scene) { order(s).MarkSpacingMM, order(s).CureC = p(1e5), p(70) }},
		{"not contour-cut", clear, func(s *hazard.Scene) { order(s).MarkSpacingMM, order(s).ContourCut = p(1e5), false }},
		{"cast hardly drifts", clear, func(s *hazard.Scene) { order(s).MarkSpacingMM = p(5000); s.Wanted = cast }},
		{"no mark spacing", unsure, func(s *hazard.Scene) { order(s).MarkSpacingMM = nil }},
		{"no cure temperature", unsure, func(s *hazard.Scene) { order(s).CureC = nil }},
		{"no ticket", unsure, noTicket},
	})
}

func TestLowClearance(t *testing.T) {
	thick := func(um float64) func(*hazard.Scene) {
		return func(s *hazard.Scene) { s.Machine.Roll.ThicknessUM = units.Some(um) }
	}
	// The gap is 1500 µm and the lift allowance 600 µm.
	verdicts(t, hazard.LowClearance, []verdictRow{
		{"as high as the gap", clear, thick(900)},
		{"higher than the gap", holds, thick(901)},
		{"a leader that still fits", clear, all(thick(780), leader(400))},
		{"a leader that does not fit", holds, all(thick(781), leader(400))},
		{"a leader nobody measured", unsure, func(s *hazard.Scene) { s.Machine.Leader = floor.Leader{On: true, LengthMM: 400} }},
		{"a roll nobody measured takes its stock's thickness", clear, func(s *hazard.Scene) { s.Machine.Roll.ThicknessUM = units.Maybe{} }},
		{"a film nobody knows", unsure, func(s *hazard.Scene) { s.Machine.Roll.ThicknessUM, s.Loaded = units.Maybe{}, nobodys }},
	})
}

func TestShortRoll(t *testing.T) {
	left := func(m float64) func(*hazard.Scene) {
		return func(s *hazard.Scene) { s.Machine.Roll.LeftM = units.Some(m) }
	}
	// 3 m are planned and 1 m is the tail; from the print line 0.365 m of advance
	// come on top.
	verdicts(t, hazard.ShortRoll, []verdictRow{
		{"just enough", clear, left(4)},
		{"just too little", holds, left(3.999)},
		{"just enough with the advance", clear, all(at(0), left(4.366))},
		{"too little with the advance", holds, all(at(0), left(4.364))},
		{"an unknown edge needs the whole path", holds, all(lost, left(4.364))},
		{"flat film needs no advance", clear, all(at(0), load(poly), left(4))},
		{"what was fed is off the roll already", clear, func(s *hazard.Scene) { left(2)(s); running(s, 2) }},
		{"too little for the rest", holds, func(s *hazard.Scene) { left(1.999)(s); running(s, 2) }},
		{"the length from the ticket's area", holds, func(s *hazard.Scene) {
			order(s).LengthM, order(s).AreaM2 = nil, p(4.11) // 3 m at 1.37 m
			left(3.999)(s)
		}},
		{"the queue's own length goes first", clear, func(s *hazard.Scene) { s.Run.PlanM = units.Some(1); left(2)(s) }},
		{"nobody knows how long", unsure, func(s *hazard.Scene) { order(s).LengthM = nil }},
		{"nobody knows what is left", unsure, func(s *hazard.Scene) { s.Machine.Roll.LeftM = units.Maybe{} }},
	})
}

func TestDryAir(t *testing.T) {
	rh := func(pct float64) func(*hazard.Scene) {
		return func(s *hazard.Scene) { s.Climate.RHPct = units.Some(pct) }
	}
	verdicts(t, hazard.DryAir, []verdictRow{
		{"at the limit", clear, rh(35)},
		{"below the limit", holds, rh(34.9)},
		{"flat film does not mind", clear, all(rh(10), load(poly))},
		{"no film, nothing to lift", clear, func(s *hazard.Scene) { rh(10)(s); s.Machine.Roll = floor.Roll{} }},
		{"nobody knows", unsure, func(s *hazard.Scene) { s.Climate.RHPct = units.Maybe{} }},
	})
	s := sound()
	if row(t, hazard.DryAir).Worse(s) {
		t.Error("an edge past the cure exit makes dry air no worse")
	}
	at(0)(s)
	if !row(t, hazard.DryAir).Worse(s) {
		t.Error("a bare edge must make dry air worse")
	}
}

func guessed(s *hazard.Scene) { s.Plant.Path.Assumed = true }

func TestUnprovenHead(t *testing.T) {
	struck := func(nozzles, path bool) func(*hazard.Scene) {
		return func(s *hazard.Scene) {
			s.Machine.Head = floor.Head{Unproven: true, StruckAt: now.Add(-time.Hour), NozzlesOK: nozzles, Clear: path, CheckedAt: now}
		}
	}
	unchecked := func(s *hazard.Scene) {
		s.Machine.Head = floor.Head{Unproven: true, StruckAt: now, CheckedAt: now.Add(-time.Hour)}
	}
	without := func(s *hazard.Scene) { s.Machine.Head = floor.Head{Unproven: true, CheckedAt: now} }
	verdicts(t, hazard.UnprovenHead, []verdictRow{
		{"struck", holds, unchecked},
		{"not well, and no strike was told", holds, without},
		{"nothing in order", holds, struck(false, false)},
		{"nozzles alone", holds, struck(true, false)},
		{"path alone", holds, struck(false, true)},
		{"proven again", clear, func(s *hazard.Scene) {
			s.Machine.Head = floor.Head{StruckAt: now, NozzlesOK: true, Clear: true}
		}},
	})
	said := map[string]bool{}
	for _, edit := range []func(*hazard.Scene){unchecked, struck(false, false), struck(true, false), struck(false, true)} {
		s := sound()
		edit(s)
		said[row(t, hazard.UnprovenHead).Say(s)] = true
	}
	if len(said) != 4 {
		t.Errorf("four states of the head are told in %d ways", len(said))
	}
	s := sound()
	without(s)
	if text := fmt.Sprint(row(t, hazard.UnprovenHead).Say(s), row(t, hazard.UnprovenHead).Evidence(s)); strings.Contains(text, "0001") || strings.Contains(text, "since") {
		t.Errorf("it tells of a strike that nobody told: %s", text)
	}
}

func TestEarlyFinish(t *testing.T) {
	// 3 m at 12 passes feed at 2.8125 mm/s: printed in 1066.67 s, laminated 2 h
	// later at the earliest, which is 8266.67 s from now.
	laminate := func(s *hazard.Scene) { order(s).Laminate = true }
	finish := func(after time.Duration) func(*hazard.Scene) {
		return func(s *hazard.Scene) { laminate(s); at := now.Add(after); order(s).FinishAt = &at }
	}
	due := func(after time.Duration) func(*hazard.Scene) {
		return func(s *hazard.Scene) { laminate(s); at := now.Add(after); order(s).Due = &at }
	}
	verdicts(t, hazard.EarlyFinish, []verdictRow{
		{"in time", clear, finish(8267 * time.Second)},
		{"too early", holds, finish(8266 * time.Second)},
		{"due too early", holds, due(8266 * time.Second)},
		{"the planned finish goes before the due time", clear, all(due(time.Second), finish(9*time.Hour))},
		{"a later start", holds, func(s *hazard.Scene) { finish(8267 * time.Second)(s); s.ReadyAt = now.Add(2 * time.Second) }},
		{"a start in the past is now", clear, func(s *hazard.Scene) { finish(8267 * time.Second)(s); s.ReadyAt = now.Add(-time.Hour) }},
		{"nobody said when", clear, laminate},
		{"nothing to finish", clear, func(s *hazard.Scene) { finish(0)(s); order(s).Laminate, order(s).ContourCut = false, false }},
		{"cutting needs no rest of this ink", clear, func(s *hazard.Scene) { finish(0)(s); order(s).Laminate = false }},
		{"the ticket's own rest", holds, func(s *hazard.Scene) {
			finish(8267 * time.Second)(s)
			order(s).RestS = p(7202)
		}},
		{"nobody knows how long it prints", unsure, func(s *hazard.Scene) { finish(9 * time.Hour)(s); order(s).LengthM = nil }},
		{"too early however long it prints", holds, func(s *hazard.Scene) { finish(time.Hour)(s); order(s).LengthM = nil }},
		{"running late", holds, func(s *hazard.Scene) {
			finish(7199 * time.Second)(s)
			running(s, 3)
			s.Run.Started = now.Add(-5 * time.Hour)
		}},
		{"resting, planned before it is over", holds, func(s *hazard.Scene) { finish(59 * time.Minute)(s); resting(s, time.Hour) }},
		{"resting, planned when it is over", clear, func(s *hazard.Scene) { finish(time.Hour)(s); resting(s, time.Hour) }},
		{"rested, and the time has come", clear, func(s *hazard.Scene) { finish(-time.Hour)(s); resting(s, 2*time.Hour) }},
		{"cut off already", clear, func(s *hazard.Scene) { finish(0)(s); resting(s, time.Hour); s.Run.Cut = true }},
		{"no ticket", unsure, noTicket},
	})
}

func TestStaleFloor(t *testing.T) {
	heard := func(ago time.Duration) func(*hazard.Scene) {
		return func(s *hazard.Scene) { s.Machine.LastHeard = now.Add(-ago) }
	}
	verdicts(t, hazard.StaleFloor, []verdictRow{
		{"heard in time", clear, heard(4*time.Hour - time.Second)},
		{"not heard for too long", holds, heard(4 * time.Hour)},
		{"never heard", holds, func(s *hazard.Scene) { s.Machine.LastHeard = time.Time{} }},
		{"not configured", holds, func(s *hazard.Scene) { s.Plant.Configured = false }},
		{"no work is planned", clear, func(s *hazard.Scene) { heard(99 * time.Hour)(s); s.Run = nil }},
		{"a leader that is not on needs no height", clear, func(s *hazard.Scene) { s.Machine.Leader = floor.Leader{} }},
		{"plain work needs no mark spacing", clear, func(s *hazard.Scene) { order(s).ContourCut, order(s).MarkSpacingMM = false, nil }},
		{"nothing required", clear, func(s *hazard.Scene) { noTicket(s); s.Rules = &hazard.Rules{Settings: hazard.DefaultSettings()} }},
	})
}

// TestUnknownIsNeverSafe takes each required fact away in turn. The floor is
// then not known, and the message says which fact it is.
func TestUnknownIsNeverSafe(t *testing.T) {
	forget := map[string]func(*hazard.Scene){
		"roll.class": func(s *hazard.Scene) {
			s.Machine.Roll.Class, s.Loaded.Class = event.Unknown, event.Unknown
		},
		"roll.stock":  func(s *hazard.Scene) { s.Machine.Roll.Stock = "" },
		"roll.left_m": func(s *hazard.Scene) { s.Machine.Roll.LeftM = units.Maybe{} },
		"roll.thickness_um": func(s *hazard.Scene) {
			s.Machine.Roll.ThicknessUM, s.Loaded.ThicknessUM = units.Maybe{}, units.Maybe{}
		},
		"edge.front_mm": lost,
		"leader.thickness_um": func(s *hazard.Scene) {
			s.Machine.Leader = floor.Leader{On: true, LengthMM: 400}
		},
		"run.film":            func(s *hazard.Scene) { order(s).Stock, order(s).FilmClass = "", "" },
		"run.length_m":        func(s *hazard.Scene) { order(s).LengthM = nil },
		"run.passes":          func(s *hazard.Scene) { order(s).Passes = nil },
		"run.cure_c":          func(s *hazard.Scene) { order(s).CureC = nil },
		"run.mark_spacing_mm": func(s *hazard.Scene) { order(s).MarkSpacingMM = nil },
	}
	r := row(t, hazard.StaleFloor)
	for _, name := range hazard.DefaultSettings().Require {
		fact, ok := hazard.FactByName(name)
		if !ok || fact.Learn == "" {
			t.Errorf("%s is required, but is no fact that anybody could learn", name)
			continue
		}
		edit, ok := forget[name]
		if !ok {
			t.Errorf("this test does not know how to forget %s", name)
			continue
		}
		s := sound()
		edit(s)
		if got := r.Check(s); got != holds {
			t.Errorf("without %s: want holds, got %s", name, got)
		}
		if said := r.Say(s); !strings.Contains(said, fact.Doc) {
			t.Errorf("without %s the alarm says only %q", name, said)
		}
		learn := ""
		for _, e := range r.Evidence(s) {
			learn += e.Limit
		}
		if !strings.Contains(learn, fact.Learn) {
			t.Errorf("without %s the evidence does not say how to learn it: %q", name, learn)
		}
	}
	s := sound()
	noTicket(s)
	if got := r.Check(s); got != holds {
		t.Errorf("without a ticket: want holds, got %s", got)
	}
}

// TestAnyScene draws scenes of which anything is missing. Nothing panics, a
// hazard that cannot be judged makes the floor unknown, and a bare edge of
// cheap film that nobody can place always holds.
func TestAnyScene(t *testing.T) {
	book := hazard.DefaultBook()
	stale := row(t, hazard.StaleFloor)
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t)
		own := s // the floor is known or not by the run that is on, if one is
		if on := s.Machine.Run; on != nil && on != s.Run {
			running := *s
			running.Run, running.Phase, running.Next, running.ReadyAt = on, hazard.Running, true, on.Started
			own = &running
		}
		for _, r := range book.Rows {
			v := r.Check(s)
			said := r.Say(s)
			for _, e := range r.Evidence(s) {
				if e.Name == "" || e.Value == "" {
					t.Fatalf("%s shows empty evidence %+v", r.Code, e)
				}
			}
			if v == holds && (said == "" || strings.Contains(said, "NaN") || strings.Contains(said, "%!")) {
				t.Fatalf("%s holds and says %q", r.Code, said)
			}
			if r.Worse != nil {
				r.Worse(s)
			}
			// Humidity is not required: an unknown one counts as dry in the odds.
			if s.Run != nil && v == unsure && r.Code != hazard.DryAir && stale.Check(s) != holds && stale.Check(own) != holds {
				t.Fatalf("%s cannot be judged, but nothing says what is unknown", r.Code)
			}
		}
		bare := book.Rows[0].Check(s)
		if s.Loaded.LiesFlat && bare != clear {
			t.Fatal("film that lies flat lifts")
		}
		if front, known := s.FrontMM().Get(); s.Phase == hazard.Running && !s.Loaded.LiesFlat && (!known || front < s.Plant.Path.CureExitMM) != (bare == holds) {
			t.Fatalf("front at %v %v, and bare-edge is %s", front, known, bare)
		}
	})
}

// TestWake lets time go by without any event: no verdict may change before
// the moment that Wake names. Most scenes here have a finish that is near.
func TestWake(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t)
		if s.Run != nil && s.Run.Ticket != nil && rapid.IntRange(0, 4).Draw(t, "finish is near") > 0 {
			at := now.Add(time.Duration(rapid.IntRange(-4000, 12000).Draw(t, "finish at")) * time.Second)
			order(s).Laminate, order(s).FinishAt, order(s).RestS = true, &at, p(rapid.Float64Range(0, 7200).Draw(t, "rests"))
		}
		wake := hazard.Wake(s)
		if !wake.IsZero() && !wake.After(s.Now) {
			t.Fatalf("woken at %v, which is not after %v", wake, s.Now)
		}
		later := *s
		later.Now = now.Add(time.Duration(rapid.Int64Range(1, int64(6*time.Hour)).Draw(t, "later")))
		if !wake.IsZero() && !later.Now.Before(wake) {
			later.Now = wake.Add(-time.Nanosecond)
		}
		for _, r := range hazard.Builtin {
			if before, after := r.Check(s), r.Check(&later); before != after {
				t.Fatalf("%s goes from %s to %s at %v, but the wake is at %v", r.Code, before, after, later.Now, wake)
			}
		}
	})
}

// TestWakeIsInTime goes to the moment that Wake names. The verdict is there,
// and it was not a nanosecond before.
func TestWakeIsInTime(t *testing.T) {
	finish := func(after time.Duration) func(*hazard.Scene) {
		return func(s *hazard.Scene) {
			at := now.Add(after)
			order(s).Laminate, order(s).FinishAt = true, &at
		}
	}
	for _, v := range []struct {
		name         string
		code         hazard.Code
		edit         func(*hazard.Scene)
		after        time.Duration
		before, then hazard.Verdict
	}{
		// 3 m at 2.8125 mm/s print for 1066.67 s, and 2 h are the ink's rest.
		{"a start that is put off", hazard.EarlyFinish, finish(3 * time.Hour), 3*time.Hour - 2*time.Hour - 3200*time.Second/3, clear, holds},
		{"a run that goes on too long", hazard.EarlyFinish, func(s *hazard.Scene) {
			finish(3 * time.Hour)(s)
			running(s, 3)
			s.Run.Started = now.Add(-time.Hour)
		}, time.Hour, clear, holds},
		{"a rest that ends too late", hazard.EarlyFinish, func(s *hazard.Scene) { finish(0)(s); resting(s, time.Hour) }, time.Hour, holds, clear},
		{"a machine that falls silent", hazard.StaleFloor, func(s *hazard.Scene) {}, 4*time.Hour - time.Minute, clear, holds},
	} {
		s := sound()
		v.edit(s)
		r := row(t, v.code)
		wake := hazard.Wake(s)
		if off := wake.Sub(now.Add(v.after)); off < -time.Microsecond || off > time.Microsecond {
			t.Errorf("%s: want a wake after %v, got %v", v.name, v.after, wake.Sub(now))
		}
		if s.Now = wake.Add(-time.Nanosecond); r.Check(s) != v.before {
			t.Errorf("%s: want %s just before, got %s", v.name, v.before, r.Check(s))
		}
		if s.Now = wake; r.Check(s) != v.then {
			t.Errorf("%s: want %s at the wake, got %s", v.name, v.then, r.Check(s))
		}
	}
	s := sound()
	s.Run = nil
	if at := hazard.Wake(s); !at.IsZero() {
		t.Errorf("nothing is planned, but time is waited for: %v", at)
	}
}

func TestSceneGeometry(t *testing.T) {
	s := sound()
	at(0)(s)
	if got := s.ClearAdvanceMM(); got != 365 {
		t.Errorf("advance from the print line: want 365 mm, got %v", got)
	}
	lost(s)
	if got := s.ClearAdvanceMM(); got != 365 {
		t.Errorf("advance from nobody knows where: want the whole 365 mm, got %v", got)
	}
	if got := s.WidthMM(); got != 1370 {
		t.Errorf("width: want 1370, got %v", got)
	}
	// A run of 3 m on film of 1370 mm: marks can stand no further apart than that.
	for spacing, want := range map[float64][2]float64{400: {400, 400}, 2000: {2000, 1370}, 5000: {3000, 1370}} {
		if feed, cross := s.Spans(spacing); feed != want[0] || cross != want[1] {
			t.Errorf("marks %v mm apart: want spans %v, got %v and %v", spacing, want, feed, cross)
		}
	}
	if d, ok := s.DurationS().Get(); !ok || math.Abs(d-3000/2.8125) > 1e-9 {
		t.Errorf("duration: want 1066.67 s, got %v %v", d, ok)
	}
	if m, area := s.PlannedM(); m != units.Some(3) || area {
		t.Errorf("planned: want 3 m from the length, got %v, %v", m, area)
	}
	order(s).LengthM, order(s).AreaM2 = nil, p(2.74)
	if m, area := s.PlannedM(); !area || math.Abs(m.Or(0)-2) > 1e-12 {
		t.Errorf("planned: want 2 m from the area, got %v, %v", m, area)
	}
	s.Run = nil
	if m, _ := s.PlannedM(); m.Known() || s.DurationS().Known() || s.CureC().Known() {
		t.Error("without a run something is planned")
	}
}

func TestWords(t *testing.T) {
	for v, want := range map[fmt.Stringer]string{clear: "clear", unsure: "unsure", holds: "holds", hazard.OnNext: "next run", hazard.OnQueued: "every queued run", hazard.OnMachine: "machine"} {
		if v.String() != want {
			t.Errorf("want %s, got %s", want, v)
		}
	}
	for p, want := range map[hazard.Priority]hazard.Priority{hazard.Low: hazard.Medium, hazard.Medium: hazard.High, hazard.High: hazard.High} {
		if got := p.Raised(); got != want {
			t.Errorf("%s raised: want %s, got %s", p, want, got)
		}
	}
}
