package remedy_test

import (
	"math"
	"strings"
	"testing"

	"github.com/bojanz/currency"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

func decide(t *testing.T, a *remedy.Advisor, s *hazard.Scene) remedy.Decision {
	t.Helper()
	return a.Decide(row(t, hazard.BareEdge), s)
}

func option(t *testing.T, d remedy.Decision, code string) *remedy.Option {
	t.Helper()
	for i := range d.Options {
		if d.Options[i].Code == code {
			return &d.Options[i]
		}
	}
	t.Fatalf("no option %s", code)
	return nil
}

// learned is the advisor with odds that know how sure they are.
func learned() *remedy.Advisor {
	a := advisor()
	a.Odds = risk.Fit(risk.DefaultPrior(), nil, risk.FitOptions{})
	return a
}

// TestDecisionByHand continues TestExpectedCostsByHand: a strike costs 90.40,
// in four parts, and 93.20 on the better film, whose 2 m² cost 2.80 more. The
// advance costs 0.60 and leaves nothing: it pays from 0.60/90.40 = 0.66 % up.
func TestDecisionByHand(t *testing.T) {
	d := decide(t, advisor(), bare())
	if want := "advance: 0.60 USD against 0.2 × 90.40 USD; pays from a strike chance of 0.7 % up; over 99 % sure to be the cheapest"; d.Why() != want {
		t.Errorf("got  %s\nwant %s", d.Why(), want)
	}
	none, better := d.AsItStands(), option(t, d, "better-film")
	var parts []string
	for _, p := range none.Strike.Parts {
		parts = append(parts, p.Key+" "+p.Amount.String())
	}
	if got := strings.Join(parts, ", "); got != "downtime 30.00 USD, labour 18.00 USD, head 40.00 USD, film 2.40 USD" {
		t.Errorf("a strike costs %s", got)
	}
	if got := better.Strike.Total.String(); got != "93.20 USD" {
		t.Errorf("a strike on better film costs %s", got)
	}
	if got := option(t, d, "advance").BreakEven.Or(-1); math.Abs(got-0.60/90.40) > 1e-12 {
		t.Errorf("an advance pays from %v up", got)
	}
	// A cooler cure leaves nine tenths of the odds, whatever they are: it takes a
	// tenth of a strike away for 3.56, which pays from 3.56/9.04 = 39 % up.
	if o := option(t, d, "cooler"); !(0.2 < o.BreakEven.Or(-1)) || o.Pays || math.Abs(o.BreakEven.Or(-1)-3.56/9.04) > 1e-9 {
		t.Errorf("cooler pays from %v up: %v", o.BreakEven, o.Pays)
	}
}

// TestDecisionAgreesWithTheAdvice under any odds, prices and positions: what
// the alarm calls cheapest is what the decision chooses, for the same money.
func TestDecisionAgreesWithTheAdvice(t *testing.T) {
	book := row(t, hazard.BareEdge)
	rapid.Check(t, func(t *rapid.T) {
		a, s := learned(), bare()
		s.Machine.Edge.PositionMM = units.Some(rapid.Float64Range(-50, 329).Draw(t, "edge"))
		s.Plant.Path.CureExitMM = rapid.Float64Range(330, 2000).Draw(t, "exit")
		s.Plant.Path.GapUM = rapid.Float64Range(500, 2000).Draw(t, "gap")
		s.Machine.Roll.LeftM = units.Some(rapid.Float64Range(2, 8).Draw(t, "left"))
		a.Costs.StrikeDownS = rapid.Float64Range(60, 7200).Draw(t, "standstill")
		if rapid.Bool().Draw(t, "runs") {
			s.Phase = hazard.Running
		}
		advice, d := a.Advise(book, s), a.Decide(book, s)
		sum := 0.0
		for i, o := range d.Options {
			sum += o.Sure
			if o.Sure != 0 && !o.Open() {
				t.Fatalf("%s cannot be taken and may be the cheapest", o.Code)
			}
			if i > 0 {
				r := byCode(advice)[o.Code]
				if r.WhyNot != o.WhyNot || o.Open() && r.Expected != o.Expected.Round().String() {
					t.Fatalf("advice %+v, decision %s %s", r, o.WhyNot, o.Expected)
				}
			}
			if o.Open() && number(d.Informed.Number()) > number(o.Regret.Number())+0.01 {
				t.Fatalf("knowing is worth %s, and choosing %s costs only %s", d.Informed, o.Code, o.Regret)
			}
			if o.Open() && number(o.Trial.Number()) > number(d.Informed.Number())+0.02*number(d.AsItStands().Strike.Total.Number())/100 {
				t.Fatalf("trying %s is worth %s, knowing all %s", o.Code, o.Trial, d.Informed)
			}
		}
		least := number(d.AsItStands().Expected.Number())
		for _, r := range advice {
			if r.Code != "better-film" && r.WhyNot == "" {
				least = min(least, number(strings.TrimSuffix(r.Expected, " USD")))
			}
		}
		if got := a.LeastExpected(book, s); math.Abs(got-least) > 0.005001 {
			t.Fatalf("the least is %v, by the advice %v", got, least)
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("one of all is the cheapest with %v", sum)
		}
		if best := d.Chosen(); d.Best > 0 && (!advice[0].Cheapest || advice[0].Code != best.Code) {
			t.Fatalf("advice %s, decision %s", advice[0].Code, best.Code)
		}
		if best := d.Chosen(); best.WhyNot != "" {
			t.Fatalf("chose %s, which cannot be taken: %s", best.Code, best.WhyNot)
		}
		if s.Phase == hazard.Running && d.Best > 0 && d.Chosen().Code != "pause" {
			t.Fatalf("%s on a running machine", d.Chosen().Code)
		}
	})
}

func number(s string) float64 {
	v := 0.0
	for whole, after := true, 0.1; len(s) > 0; s = s[1:] {
		switch c := s[0]; {
		case c == '.':
			whole = false
		case whole:
			v = v*10 + float64(c-'0')
		default:
			v, after = v+float64(c-'0')*after, after/10
		}
	}
	return v
}

// Odds of what settles the hazard are of where the front will be: with a margin
// that ends short of the exit, an advance is worth nothing.
func TestAnAdvanceThatFallsShortLeavesWhatThereIs(t *testing.T) {
	s := bare()
	rules := *s.Rules
	rules.AdvanceMarginMM = -10
	s.Rules = &rules
	d := decide(t, advisor(), s)
	if o := option(t, d, "advance"); o.Settles || o.Odds.P != 0.2 || o.Pays {
		t.Errorf("%+v", o)
	}
	d = decide(t, advisor(), bare())
	if o := option(t, d, "advance"); !o.Settles || o.Odds.P != 0 || o.Reach.Or(0) <= 330 {
		t.Errorf("%+v", o)
	}
}

// What only helps leaves at most the odds of doing nothing, whatever was done about
// the edge before.
func TestWhatHelpsNeverHarms(t *testing.T) {
	for name, edge := range map[string]func(*hazard.Scene){
		"bare":          func(*hazard.Scene) {},
		"advanced":      func(s *hazard.Scene) { s.Machine.Edge.PositionMM = units.Some(400) },
		"behind a lip":  func(s *hazard.Scene) { s.Machine.Edge.Shape = "rounded" },
		"with a leader": func(s *hazard.Scene) { s.Machine.Leader = floor.Leader{On: true, LengthMM: 500} },
	} {
		s := bare()
		machine := *s.Machine
		s.Machine = &machine
		edge(s)
		d := decide(t, learned(), s)
		for _, o := range d.Options[1:] {
			if !o.Settles && o.Code != "better-film" && o.Open() && o.Odds.P > d.AsItStands().Odds.P {
				t.Errorf("%s: %s leaves %.4f, and doing nothing %.4f", name, o.Code, o.Odds.P, d.AsItStands().Odds.P)
			}
		}
	}
}

// What nobody knows is never a reason to do nothing.
func TestWhatIsNotKnownIsNotSafe(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*remedy.Advisor, *hazard.Scene)
		best   string
		why    string
	}{
		"cost of a strike": {func(a *remedy.Advisor, s *hazard.Scene) {
			a.Costs.DownPerHour, a.Costs.LabourPerHour, a.Costs.HeadShare = usd("0"), usd("0"), usd("0")
			s.Loaded.PricePerM2 = stock("", event.Monomeric, "").PricePerM2
			a.Costs.LeaderTape = usd("1")
		}, "advance", "what a strike costs is not known"},
		"price of the film": {func(a *remedy.Advisor, s *hazard.Scene) {
			s.Loaded.PricePerM2 = stock("", event.Monomeric, "").PricePerM2
			a.Odds = fixed{"none": 0.001, "leader": 0.001, "shaped-edge": 0.001, "cooler": 0.001}
		}, "advance", "the price of the film is not known"},
		"price of the film, which only a strike would cost": {func(a *remedy.Advisor, s *hazard.Scene) {
			s.Loaded.PricePerM2 = stock("", event.Monomeric, "").PricePerM2
			s.Machine.Roll.LeftM = units.Some(0.1) // too little to advance
			a.Odds = fixed{"none": 0.001, "leader": 0.001, "shaped-edge": 0.001, "cooler": 0.001}
		}, "leader", "the price of the film is not known"},
		"thickness": {func(_ *remedy.Advisor, s *hazard.Scene) {
			s.Machine.Roll.ThicknessUM, s.Loaded.ThicknessUM = units.Maybe{}, units.Maybe{}
		}, "advance", "advance: 0.60 USD"},
		"edge": {func(_ *remedy.Advisor, s *hazard.Scene) { s.Machine.Edge.PositionMM = units.Maybe{} }, "advance", "advance: 0.60 USD"},
	} {
		t.Run(name, func(t *testing.T) {
			a, s := advisor(), bare()
			c.change(a, s)
			d := decide(t, a, s)
			if d.Chosen().Code != c.best || !strings.Contains(d.Why(), c.why) {
				t.Errorf("%s", d.Why())
			}
		})
	}
	lost := bare()
	lost.Machine.Edge.PositionMM, lost.Machine.Roll.LeftM = units.Maybe{}, units.Maybe{}
	l := lines(decide(t, advisor(), lost).Explain())
	if l["inputs:front"].Value != "unknown" || l["inputs:edge"].Note == "" || l["inputs:roll-left"].Note == "" {
		t.Errorf("what is not known is not told: %+v", l)
	}
	s := bare()
	s.Machine.Roll.ThicknessUM, s.Loaded.ThicknessUM = units.Maybe{}, units.Maybe{}
	if o := option(t, decide(t, advisor(), s), "leader"); !strings.Contains(o.WhyNot, "thickness is not known") {
		t.Errorf("a leader under a gap that nobody can tell: %+v", o)
	}
}

// Where strikes are rare and cheap, the decision says that nothing pays, and
// what it would take; with no bare edge there is nothing to decide.
func TestWhenNothingPays(t *testing.T) {
	a := advisor()
	a.Odds = fixed{"none": 0.003, "shaped-edge": 0.003, "cooler": 0.003}
	d := decide(t, a, bare())
	if want := "none: no remedy pays; the cheapest, advance, costs 0.60 USD against 0.003 × 90.40 USD and pays from a strike chance of 0.7 % up; over 99 % sure to be the cheapest"; d.Why() != want {
		t.Errorf("got  %s\nwant %s", d.Why(), want)
	}
	s := bare()
	s.Machine.Edge.PositionMM = units.Some(400)
	d = decide(t, advisor(), s)
	if d.Holds || d.Best != 0 || d.AsItStands().Odds.P != 0 || !strings.Contains(d.Why(), "no bare edge") {
		t.Errorf("past the exit: %s", d.Why())
	}
}

func lines(e remedy.Explanation) map[string]remedy.Line {
	m := map[string]remedy.Line{}
	for _, s := range e.Sections {
		for _, l := range s.Lines {
			m[s.Key+":"+l.Key] = l
		}
	}
	return m
}

// TestExplanation wants every number of the line on the page, its parts, and
// what it rests on; and no key twice, since texts are translated by them.
func TestExplanation(t *testing.T) {
	d := decide(t, learned(), bare())
	e := d.Explain()
	got, n := lines(e), 0
	for _, s := range e.Sections {
		n += len(s.Lines)
		if s.Title == "" {
			t.Errorf("section %s has no title", s.Key)
		}
	}
	if len(got) != n {
		t.Errorf("%d of %d keys are their own", len(got), n)
	}
	for key, value := range map[string]string{
		"strike:cost":                 "90.40 USD",
		"strike:cost/downtime":        "30.00 USD",
		"strike:cost/head":            "40.00 USD",
		"option/advance:cost/film":    "0.60 USD",
		"option/advance:left":         "0.2 % (0 % to 2.2 %)",
		"odds:left":                   "19 % (0 % to 42 %)",
		"odds:worth":                  "20 starts",
		"option/no-cut:why-not":       "too late for this start: the edge is free already. Next time leave the job on the film",
		"option/advance:break-even":   "0.9 %",
		"inputs:front":                "0 mm",
		"doubts:independent":          "count as independent",
		"odds:kind/humidity":          "unknown",
		"option/better-film:cost":     "5.75 USD",
		"choice:sure":                 "93 %",
		"option/shaped-edge:expected": "11.01 USD",
	} {
		if got[key].Value != value {
			t.Errorf("%s: got %q, want %q", key, got[key].Value, value)
		}
	}
	if l := got["odds:left"]; !strings.Contains(l.Note, "prior, no data of yours yet") {
		t.Errorf("the odds rest on %q", l.Note)
	}
	if l := got["odds:worth"]; !strings.Contains(l.Note, "as documented") {
		t.Errorf("fit or prior: %q", l.Note)
	}
	if l := got["option/advance:left"]; !strings.Contains(l.Note, "past the cure exit") {
		t.Errorf("what an advance leaves: %q", l.Note)
	}
}

// A running machine is paused first, and the page says so.
func TestTheExplanationOfARunningMachine(t *testing.T) {
	s := bare()
	s.Phase = hazard.Running
	d := decide(t, learned(), s)
	l := lines(d.Explain())
	if d.Chosen().Code != "pause" || l["doubts:running"].Value != "pause it by its own controls first" || l["option/leader:why-not"].Value == "" {
		t.Errorf("%s %+v", d.Why(), l["doubts:running"])
	}
	if !strings.Contains(l["choice:manual"].Value, "manual rules") {
		t.Errorf("%+v", l["choice:manual"])
	}
}

func TestTheLineOfAnAlarmLeavesItsCertaintyOut(t *testing.T) {
	a, s := learned(), bare()
	d, short := decide(t, a, s), a.Why(row(t, hazard.BareEdge), s)
	if long := d.Why(); !strings.HasPrefix(long, short+"; ") || strings.Contains(short, "sure") {
		t.Errorf("short %q, long %q", short, long)
	}
}

func BenchmarkDecide(b *testing.B) {
	a, s := learned(), bare()
	r, _ := hazard.DefaultBook().Row(hazard.BareEdge)
	b.Run("whole", func(b *testing.B) {
		for b.Loop() {
			a.Decide(r, s)
		}
	})
	b.Run("line", func(b *testing.B) {
		for b.Loop() {
			a.Why(r, s)
		}
	})
	b.Run("advise", func(b *testing.B) {
		for b.Loop() {
			a.Advise(r, s)
		}
	})
	d := a.Decide(r, s)
	b.Run("explain", func(b *testing.B) {
		for b.Loop() {
			d.Explain()
		}
	})
}

// TestWhyNamesARival does not let a choice that costs least in expectation pass
// for the one that is most often the cheapest.
func TestWhyNamesARival(t *testing.T) {
	amount := func(text string) currency.Amount {
		a, err := currency.NewAmount(text, "USD")
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	d := remedy.Decision{Holds: true, Weighed: true, Best: 1, Options: []remedy.Option{
		{Code: remedy.None, Strike: remedy.Bill{Total: amount("90.00")}, Odds: risk.Estimate{P: 0.2}},
		{Code: "advance", Cost: remedy.Bill{Total: amount("0.60")}, BreakEven: units.Some(0.007), Sure: 0.12},
		{Code: "leader", Cost: remedy.Bill{Total: amount("0.50")}, Sure: 0.87},
	}}
	if want := "advance: 0.60 USD against 0.2 × 90.00 USD; pays from a strike chance of 0.7 % up; costs least on average, strikes included; leader comes out cheapest more often (87 % against 12 %), but costs more when it does not"; d.Why() != want {
		t.Errorf("want %q\n got %q", want, d.Why())
	}
	d.Best, d.Options[0].Sure = 0, 0.12
	if want := "; doing nothing costs least on average, strikes included; leader comes out"; !strings.Contains(d.Why(), want) {
		t.Errorf("want %q in %q", want, d.Why())
	}
}

// TestAPriceThatNobodyKnowsSpeaksForNothing offers what settles a bare edge first
// when only remedies that leave the danger have a price.
func TestAPriceThatNobodyKnowsSpeaksForNothing(t *testing.T) {
	a, s := learned(), bare()
	s.Loaded.PricePerM2, s.Wanted.PricePerM2 = currency.Amount{}, currency.Amount{}
	s.Machine.Roll.ThicknessUM, s.Loaded.ThicknessUM = units.Maybe{}, units.Maybe{} // no leader without it
	d := decide(t, a, s)
	if best := d.Chosen(); !best.Settles || best.Code != "advance" || d.Forced == "" {
		t.Errorf("chosen: %s, settles %v, because %q", best.Code, best.Settles, d.Forced)
	}
	first := a.Advise(row(t, hazard.BareEdge), s)[0]
	if first.Code != "advance" || !first.Settles || !first.Cheapest {
		t.Errorf("the alarm offers %+v first", first)
	}
}
