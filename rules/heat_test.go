package rules_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
	"rollwarden/rules/units"
)

// strips tells lengths of 1000 mm that a cure has changed by perC for each °C
// above 70 °C.
func (d *desk) strips(stock string, perC float64) {
	d.t.Helper()
	for _, axis := range []string{"feed", "cross"} {
		for i, c := range []float64{80, 93, 93, 116} {
			measured := 1000 * (1 + perC*(c-70) + 1e-5*float64(i%2))
			d.say("strip.measured", &event.StripMeasured{Axis: axis, NominalMM: 1000, MeasuredMM: measured, CureC: c, Passes: p(12), Stock: stock})
		}
	}
}

func (d *desk) heat(site rules.Site) rules.Heat {
	d.t.Helper()
	h, ok := rules.Read(site, d.engine.View(d.now)).Heat(d.now, "north", "heron")
	if !ok {
		d.t.Fatal("nothing is known about cure and register")
	}
	return h
}

// TestStripsMoveTheAlarm lets a stock strain four times as much as its class:
// what registers by the class no longer does, and strips of another stock or too
// few of them change nothing.
func TestStripsMoveTheAlarm(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(400)
	if c := only(d.say("ticket.received", ticket("J1")), hazard.RegisterDrift); len(c) != 0 {
		t.Fatalf("by its class the film registers, got %+v", c)
	}
	d.strips("POLY-GLOSS-137", -4e-4)
	d.say("strip.measured", &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 990, CureC: 93, Stock: "MONO-GLOSS-137"})
	if h := d.heat(site); math.Abs(h.Residual.Value-0.184) > 1e-9 || h.Residual.Low.Known() {
		t.Errorf("one strip: want the class's 0.184 mm and no interval, got %+v", h.Residual)
	}
	var changes []event.AlarmChanged
	for _, axis := range []string{"feed", "cross"} {
		for _, c := range []float64{80, 93, 116} {
			changes = append(changes, d.say("strip.measured", &event.StripMeasured{Axis: axis, NominalMM: 1000, MeasuredMM: 1000 * (1 - 4e-4*(c-70)), CureC: c})...)
		}
	}
	raised := only(append(changes, d.wait(0)...), hazard.RegisterDrift)
	if len(raised) == 0 {
		t.Fatal("the strips show that the film strains, and no alarm says so")
	}
	last := raised[len(raised)-1]
	basis := last.Evidence[slices.IndexFunc(last.Evidence, func(e event.Evidence) bool { return e.Name == "basis" })]
	if !strings.Contains(basis.Value, "measured lengths") {
		t.Errorf("basis: %+v", basis)
	}
	h := d.heat(site)
	if want := 0.2 * 400 * 4e-4 * 23; math.Abs(h.Residual.Value-want) > 0.05*want || !h.Residual.Low.Known() {
		t.Errorf("want about %.3f mm with an interval, got %+v", want, h.Residual)
	}
}

// TestAStripTakenBack goes back to the class when the last strip that made a
// line is undone.
func TestAStripTakenBack(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(400)
	d.say("ticket.received", ticket("J1"))
	for _, c := range []float64{80, 93, 116} {
		d.say("strip.measured", &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 1000 * (1 - 4e-4*(c-70)), CureC: c})
	}
	last := d.journal[slices.IndexFunc(d.journal, func(e event.Event) bool {
		s, is := e.Data.(*event.StripMeasured)
		return is && s.CureC == 116
	})]
	if h := d.heat(site); h.Forecast.Stock.Feed.Line == nil {
		t.Fatal("three strips at three temperatures make no line")
	}
	d.say("entry.undone", &event.EntryUndone{Event: last.ID, Type: "strip.measured", By: "Ada"})
	if h := d.heat(site); h.Forecast.Stock.Feed.Line != nil || math.Abs(h.Residual.Value-0.184) > 1e-9 {
		t.Errorf("want the class's 0.184 mm, got %+v", h.Residual)
	}
}

// TestARestartKnowsTheStrips goes on from a snapshot, where only the strips are
// kept and the line is fitted again.
func TestARestartKnowsTheStrips(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(400)
	d.say("ticket.received", ticket("J1"))
	d.strips("MONO-GLOSS-137", -2e-4)
	data, err := d.engine.Freeze().Encode()
	if err != nil {
		t.Fatal(err)
	}
	again := rules.New(site)
	if err := again.Restore(data); err != nil {
		t.Fatal(err)
	}
	h, ok := rules.Read(site, again.View(d.now)).Heat(d.now, "north", "heron")
	if want := d.heat(site); !ok || *h.Residual != *want.Residual || h.Residual.Value == 0 {
		t.Errorf("want %+v, got %+v", want.Residual, h.Residual)
	}
}

// TestTheWindowAgreesWithTheAlarms puts recipes all over the window: what it
// calls too cold or too hot is what the hazards say of the run, with strips and
// without.
func TestTheWindowAgreesWithTheAlarms(t *testing.T) {
	site := shop(t, nil)
	plain, measured := newDesk(t, site), newDesk(t, site)
	for _, d := range []*desk{plain, measured} {
		d.monoRoll(400)
	}
	measured.strips("MONO-GLOSS-137", -2e-4)
	job := 0
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom([]*desk{plain, measured}).Draw(t, "desk")
		job++
		order := ticket(fmt.Sprint("J", job))
		order.Passes, order.CureC = p(float64(rapid.IntRange(4, 24).Draw(t, "passes"))), p(rapid.Float64Range(60, 140).Draw(t, "cure"))
		order.InkDensityPct, order.MarkSpacingMM = p(rapid.Float64Range(20, 200).Draw(t, "ink")), p(rapid.Float64Range(100, 1500).Draw(t, "spacing"))
		order.ContourCut = rapid.Bool().Draw(t, "contour")
		d.append(event.Event{ID: fmt.Sprint("t", job), Source: "test", Type: "ticket.received", Time: d.now, Site: "north", Machine: "heron", Data: order})
		reader := rules.Read(site, d.engine.View(d.now))
		h, _ := reader.Heat(d.now, "north", "heron")
		holds := map[hazard.Code]bool{}
		for _, s := range reader.Hazards(d.now, "north", "heron") {
			if s.Key.Job == order.Job {
				holds[s.Row.Code] = true
			}
		}
		d.append(event.Event{ID: fmt.Sprint("w", job), Source: "test", Type: "ticket.withdrawn", Time: d.now, Site: "north", Machine: "heron", Data: &event.TicketWithdrawn{Job: order.Job, Part: order.Part}})
		if h.Job != order.Job || h.Band == nil {
			t.Fatalf("spoke of %q, want %q", h.Job, order.Job)
		}
		if cold := h.Band.TooCold(*order.CureC); cold != holds[hazard.WeakCure] {
			t.Fatalf("too cold: %v, weak-cure: %v (%+v)", cold, holds[hazard.WeakCure], h.Band)
		}
		if hot := h.Band.TooHot(*order.CureC); hot != (holds[hazard.HotRecipe] || holds[hazard.RegisterDrift]) {
			t.Fatalf("too hot: %v, hazards %v (%+v)", hot, holds, h.Band)
		}
		for _, b := range h.Window {
			if b.Passes == *order.Passes && b != *h.Band {
				t.Fatalf("the window has %+v, the recipe %+v", b, h.Band)
			}
		}
	})
}

// TestHeatOfCommonPractice: 12 or 10 passes at about 200 °F and 90 to 110 percent
// ink keep monomeric film flat for the cutter, 8 passes at 240 °F deform it.
// Common practice, no source.
func TestHeatOfCommonPractice(t *testing.T) {
	for _, row := range []struct {
		passes, c float64
		hot       bool
	}{{12, units.FahrenheitToC(200), false}, {10, units.FahrenheitToC(200), false}, {8, units.FahrenheitToC(240), true}} {
		for _, ink := range []float64{90, 100, 110} {
			site := shop(t, nil)
			d := newDesk(t, site)
			d.monoRoll(400)
			order := ticket("J1")
			order.Passes, order.CureC, order.InkDensityPct = &row.passes, &row.c, &ink
			d.say("ticket.received", order)
			h := d.heat(site)
			if h.Band.TooHot(row.c) != row.hot || h.Band.TooCold(row.c) {
				t.Errorf("%g passes at %.0f °C with %g %% ink: want too hot %v, got %+v", row.passes, row.c, ink, row.hot, h.Band)
			}
		}
	}
}

// TestHeatWithoutATicket says what is assumed and what is not known.
func TestHeatWithoutATicket(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	if _, ok := rules.Read(site, d.engine.View(d.now)).Heat(d.now, "north", "heron"); ok {
		t.Error("nothing was heard of the machine, and yet there is something to say")
	}
	d.monoRoll(400)
	h := d.heat(site)
	if h.Residual != nil || h.LargestSpacing != nil || h.Band != nil || h.HottestC.Known() || !h.DensityAssumed || !h.ContourAssumed || !h.ContourCut {
		t.Errorf("a roll alone: %+v", h)
	}
	if len(h.Window) != 21 || h.Window[0].Code != "hot-recipe" {
		t.Errorf("window: %+v", h.Window)
	}
	text := explained(&h)
	for _, want := range []string{"residual: not known (the ticket gives no cure temperature and no mark spacing)", "window: not known for this run", "contour cut: yes (assumed"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func explained(h *rules.Heat) string {
	var b strings.Builder
	for _, e := range h.Explain(units.Display{}) {
		fmt.Fprintln(&b, e.Title)
		for _, l := range e.Lines {
			fmt.Fprintf(&b, "%s: %s", l.Name, l.Value)
			if l.Note != "" {
				fmt.Fprintf(&b, " (%s)", l.Note)
			}
			b.WriteByte('\n')
		}
	}
	return b.String()
}

// TestHeatExplainsItself wants input, formula, result, uncertainty and source.
func TestHeatExplainsItself(t *testing.T) {
	site := shop(t, nil)
	d := newDesk(t, site)
	d.monoRoll(400)
	d.say("ticket.received", ticket("J1"))
	d.strips("MONO-GLOSS-137", -2e-4)
	d.say("strip.measured", &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 1050, CureC: 93, Stock: "MONO-GLOSS-137"})
	h := d.heat(site)
	text := explained(&h)
	for _, want := range []string{
		"feed, 93 °C: 1000 mm became 1050 mm: +5.000 %", "an outlier", "lies far off the others: measure it again",
		"cross, slope: -0.01997 ± 0.00002 %/°C", "ISO 11501", "share × |strain| × span between marks", "uncompensated share: 0.20",
		"by the strips; the next one falls within with 95 %", "print scale, cross: 100.4", "largest mark spacing: ", "hottest cure for the marks: ",
		"needed: 40 s at 93 °C", "dwell in the cure zone: 53 s at 12 passes", "Ea = 60 kJ/mol", "window: ", "this recipe: ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
}
