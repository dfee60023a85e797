package advice

import (
	"math"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/queue"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Answer is what the API says of a machine, as openapi.json has it. Null is what
// nobody knows.
type Answer struct {
	Seq      uint64          `json:"seq"`
	At       time.Time       `json:"at"`
	Site     string          `json:"site"`
	Machine  string          `json:"machine"`
	Decision *decisionAnswer `json:"decision"`
	Heat     *heatAnswer     `json:"heat"`
	Queue    *queueAnswer    `json:"queue"`
}

type decisionAnswer struct {
	Job         string          `json:"job"`
	Part        *string         `json:"part"`
	Phase       string          `json:"phase"`
	BareEdge    bool            `json:"bare_edge"`
	Why         string          `json:"why"`
	Best        string          `json:"best"`
	Informed    *string         `json:"informed_worth"`
	Options     []optionAnswer  `json:"options"`
	Explanation []sectionAnswer `json:"explanation"`
}

type optionAnswer struct {
	Code        string       `json:"code"`
	Text        string       `json:"text"`
	WhyNot      *string      `json:"why_not"`
	Cost        *string      `json:"cost"`
	Parts       []partAnswer `json:"cost_parts"`
	ReachMM     units.Maybe  `json:"reach_mm"`
	Settles     bool         `json:"settles"`
	Odds        *oddsAnswer  `json:"odds"`
	Strike      *string      `json:"strike_cost"`
	Expected    *string      `json:"expected_cost"`
	BreakEven   units.Maybe  `json:"break_even_probability"`
	Pays        bool         `json:"pays"`
	Sure        *float64     `json:"cheapest_probability"`
	Regret      *string      `json:"regret"`
	WorthOfATry *string      `json:"trial_worth"`
}

type partAnswer struct {
	Key    string `json:"key"`
	Amount string `json:"amount"`
}

type oddsAnswer struct {
	P     float64 `json:"probability"`
	Low   float64 `json:"low_probability"`
	High  float64 `json:"high_probability"`
	Basis string  `json:"basis"`
}

type sectionAnswer struct {
	Title string       `json:"title"`
	Lines []lineAnswer `json:"lines"`
}

type lineAnswer struct {
	Name   string `json:"name"`
	Value  string `json:"value"`
	Note   string `json:"note"`
	Source string `json:"source"`
}

type heatAnswer struct {
	Job            *string         `json:"job"`
	Part           *string         `json:"part"`
	Stock          *string         `json:"stock"`
	FilmClass      string          `json:"film_class"`
	Passes         units.Maybe     `json:"passes"`
	CureC          units.Maybe     `json:"cure_c"`
	SpacingMM      units.Maybe     `json:"mark_spacing_mm"`
	ToleranceMM    float64         `json:"tolerance_mm"`
	ResidualMM     *estimateAnswer `json:"residual_mm"`
	LargestMM      *estimateAnswer `json:"largest_mark_spacing_mm"`
	HottestC       units.Maybe     `json:"hottest_cure_c"`
	ScaleFeedPct   *estimateAnswer `json:"print_scale_feed_pct"`
	ScaleCrossPct  *estimateAnswer `json:"print_scale_cross_pct"`
	BeyondMeasured *string         `json:"beyond_measured"`
	Window         []bandAnswer    `json:"window"`
	Explanation    []sectionAnswer `json:"explanation"`
}

// estimateAnswer is a value with its interval. A value that nothing bounds is
// null beside unbounded.
type estimateAnswer struct {
	Value     units.Maybe `json:"value"`
	Low       units.Maybe `json:"low"`
	High      units.Maybe `json:"high"`
	Unbounded bool        `json:"unbounded"`
}

type bandAnswer struct {
	Passes   float64     `json:"passes"`
	CoolestC units.Maybe `json:"coolest_c"`
	HottestC units.Maybe `json:"hottest_c"`
	LimitBy  *string     `json:"limit_by"`
}

type queueAnswer struct {
	Runs        []runAnswer     `json:"runs"`
	Order       []string        `json:"order"`
	UncutBefore []string        `json:"uncut_before"`
	Changes     []string        `json:"changes"`
	Now         planAnswer      `json:"now"`
	Advised     planAnswer      `json:"advised"`
	Saves       string          `json:"saves"`
	Exact       bool            `json:"exact"`
	Gap         string          `json:"gap"`
	Kept        []string        `json:"kept"`
	Aside       []asideAnswer   `json:"aside"`
	Explanation []sectionAnswer `json:"explanation"`
}

type runAnswer struct {
	Name      string      `json:"name"`
	StartAt   *time.Time  `json:"expected_start_at"`
	EarlyAt   *time.Time  `json:"early_start_at"`
	LateAt    *time.Time  `json:"late_start_at"`
	TakesS    units.Maybe `json:"takes_s"`
	TakesLow  units.Maybe `json:"takes_low_s"`
	TakesHigh units.Maybe `json:"takes_high_s"`
	Due       *time.Time  `json:"due"`
}

type planAnswer struct {
	BareEdges   string `json:"bare_edges"`
	RollChanges string `json:"roll_changes"`
	Lateness    string `json:"lateness"`
	Total       string `json:"total"`
	BareStarts  int    `json:"bare_starts"`
	Changes     int    `json:"changes"`
	LateRuns    int    `json:"late_runs"`
}

type asideAnswer struct {
	Name string `json:"name"`
	Why  string `json:"why"`
}

// Answers says of machines in a view what the API says of each.
func Answers(site rules.Site, prices queue.Prices, v *rules.View, now time.Time, machines []*floor.Machine) []Answer {
	b, out := newBureau(site, prices), []Answer{}
	for _, m := range machines {
		out = append(out, answerOf(b.picture(v, now, m.Site, m.Name), m.Site, m.Name))
	}
	return out
}

func answerOf(pic *picture, site, machine string) Answer {
	out := Answer{Seq: pic.seq, At: pic.at.UTC(), Site: site, Machine: machine}
	if pic.decision != nil {
		out.Decision = decisionOf(pic.decision, pic.whys)
	}
	if pic.heat != nil {
		out.Heat = heatOf(pic.heat, pic.heatWhys)
	}
	if pic.queue != nil {
		out.Queue = queueOf(pic)
	}
	return out
}

func decisionOf(d *remedy.Decision, e remedy.Explanation) *decisionAnswer {
	out := &decisionAnswer{
		Job: d.Job, Part: orNull(d.Part), Phase: string(d.Phase), BareEdge: d.Holds, Why: d.Why(), Best: d.Chosen().Code,
		Explanation: []sectionAnswer{},
	}
	if d.Weighed {
		out.Informed = amountOrNull(d.Informed)
	}
	for i := range d.Options {
		out.Options = append(out.Options, optionOf(&d.Options[i], d.Weighed))
	}
	for _, s := range e.Sections {
		section := sectionAnswer{Title: s.Title, Lines: []lineAnswer{}}
		for _, l := range s.Lines {
			section.Lines = append(section.Lines, lineAnswer{l.Name, l.Value, l.Note, l.Source})
		}
		out.Explanation = append(out.Explanation, section)
	}
	return out
}

func optionOf(o *remedy.Option, weighed bool) optionAnswer {
	out := optionAnswer{Code: o.Code, Text: o.Text, WhyNot: orNull(o.WhyNot), Parts: []partAnswer{}, ReachMM: o.Reach, Settles: o.Settles, BreakEven: finite(o.BreakEven), Pays: o.Pays}
	if o.WhyNot != "" {
		return out
	}
	for _, part := range o.Cost.Parts {
		out.Parts = append(out.Parts, partAnswer{part.Key, money(part.Amount)})
	}
	out.Odds = oddsOf(o.Odds)
	if o.Strike.Lacks == "" {
		out.Strike = amountOrNull(o.Strike.Total)
	}
	if !o.Open() {
		return out
	}
	out.Cost, out.Expected = amountOrNull(o.Cost.Total), amountOrNull(o.Expected)
	if weighed {
		out.Sure, out.Regret, out.WorthOfATry = &o.Sure, amountOrNull(o.Regret), amountOrNull(o.Trial)
	}
	return out
}

func oddsOf(e risk.Estimate) *oddsAnswer { return &oddsAnswer{e.P, e.Low, e.High, e.Basis} }

func heatOf(h *rules.Heat, why []units.Explanation) *heatAnswer {
	out := &heatAnswer{
		Job: orNull(h.Job), Part: orNull(h.Part), Stock: orNull(h.Film.Stock), FilmClass: string(h.Film.Class),
		Passes: h.Passes, CureC: h.CureC, SpacingMM: h.SpacingMM, ToleranceMM: h.ToleranceMM,
		ResidualMM: estimateOf(h.Residual), LargestMM: estimateOf(h.LargestSpacing), HottestC: finite(h.HottestC),
		ScaleFeedPct: estimateOf(h.PreScaleFeed), ScaleCrossPct: estimateOf(h.PreScaleCross), BeyondMeasured: orNull(h.Beyond),
		Window: []bandAnswer{}, Explanation: plainSections(why...),
	}
	for _, b := range h.Window {
		band := bandAnswer{Passes: b.Passes, LimitBy: orNull(b.Code)}
		if b.Safe() {
			band.CoolestC, band.HottestC = units.Some(b.LowC), units.Some(b.HighC)
		}
		out.Window = append(out.Window, band)
	}
	return out
}

func estimateOf(e *register.Estimate) *estimateAnswer {
	if e == nil {
		return nil
	}
	return &estimateAnswer{finite(units.Some(e.Value)), finite(e.Low), finite(e.High), math.IsInf(e.Value, 1)}
}

// finite is a value that JSON can carry.
func finite(m units.Maybe) units.Maybe {
	if v, known := m.Get(); known && (math.IsInf(v, 0) || math.IsNaN(v)) {
		return units.Maybe{}
	}
	return m
}

func queueOf(pic *picture) *queueAnswer {
	a := pic.queue
	out := &queueAnswer{
		Runs: []runAnswer{}, Order: a.Order(), UncutBefore: []string{}, Changes: append([]string{}, a.Changes...),
		Now: planOf(a, &a.Present), Advised: planOf(a, &a.Advised), Saves: a.Problem.Money(a.Saves()),
		Exact: a.Exact, Gap: a.Problem.Money(a.Gap()), Kept: []string{}, Aside: []asideAnswer{}, Explanation: plainSections(pic.queueWhys),
	}
	for _, s := range pic.slots {
		out.Runs = append(out.Runs, slotOf(s))
	}
	for k, j := range a.Advised.Order {
		if a.Advised.Uncut[k] {
			out.UncutBefore = append(out.UncutBefore, a.Problem.Jobs[j].Name)
		}
	}
	for i := range a.Problem.Jobs {
		if j := &a.Problem.Jobs[i]; j.Fixed {
			out.Kept = append(out.Kept, j.Name)
		}
	}
	for _, s := range a.Aside {
		out.Aside = append(out.Aside, asideAnswer(s))
	}
	return out
}

func slotOf(s rules.Slot) runAnswer {
	out := runAnswer{
		Name: event.JobName(s.Run.Job, s.Run.Part), StartAt: timeOrNull(s.Expected), EarlyAt: timeOrNull(s.Early), LateAt: timeOrNull(s.Late),
		TakesS: s.TakesS, TakesLow: s.LowS, TakesHigh: s.HighS,
	}
	if t := s.Run.Ticket; t != nil && t.Data.Due != nil {
		out.Due = timeOrNull(*t.Data.Due)
	}
	return out
}

func planOf(a *queue.Advice, p *queue.Plan) planAnswer {
	m := a.Problem.Money
	return planAnswer{m(p.Bare), m(p.Change), m(p.Late), m(p.Cost()), p.BareStarts, p.RollChanges, p.LateRuns}
}

func plainSections(all ...units.Explanation) []sectionAnswer {
	out := []sectionAnswer{}
	for _, e := range all {
		s := sectionAnswer{Title: e.Title, Lines: []lineAnswer{}}
		for _, l := range e.Lines {
			s.Lines = append(s.Lines, lineAnswer{Name: l.Name, Value: l.Value, Note: l.Note})
		}
		out = append(out, s)
	}
	return out
}

func orNull(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func timeOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// amountOrNull is an amount, or null for one without a currency.
func amountOrNull(m currency.Amount) *string {
	if m.CurrencyCode() == "" {
		return nil
	}
	return orNull(money(m))
}
