package reliability

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// view is what the parts of a report are computed from: the records of the
// period, and what was before.
type view struct {
	Params
	fold   *Fold
	period Period // up to now
	tally  *tally
	before History
	all    History // with the period

	starts   []*Start
	strikes  []*Strike
	wastes   []*waste
	reprints []*reprint
	rings    []*ring
	machines []MachineFigures
	outcomes []risk.Outcome
	learnt   func(risk.Start) risk.Estimate // the best that is known; nil without odds
}

// Compute makes the report of a fold's period. The fold goes on as it was, and
// shares nothing with the report.
func Compute(f *Fold, params Params) Report {
	p := f.bounds(params.Now)
	if params.SilentAfter == 0 {
		params.SilentAfter = 72 * time.Hour
	}
	if params.Films == nil {
		params.Films = &film.Catalogue{}
	}
	v := &view{
		Params: params, fold: f, period: p, tally: f.ofPeriod(), before: f.before(),
		starts: copies(in(f.starts, p)), strikes: copies(in(f.strikes, p)), wastes: in(f.wastes, p), reprints: in(f.reprints, p), rings: in(f.rings, p),
	}
	v.settleDowntimes()
	v.all = v.before.clone()
	v.all.take(f, p, p.To)
	v.machines = v.eachMachine()
	v.learn()
	r := Report{
		Period: f.period, Zone: f.zone.String(), Until: p.To, Running: p.To.Before(f.period.To), Confidence: Confidence, Events: v.tally.events,
		Front: v.front(), Machines: v.machines, Kinds: v.kinds(), Remedies: v.remedies(), Waste: v.waste(), Reprints: v.reprinted(),
		Trend: v.trend(), Charts: v.charts(), Months: v.months(), Changes: v.changes(), Alarms: v.alarms(), Tickets: v.tickets(),
		Forecast: v.forecast(), Strikes: v.strikes, Starts: v.starts, Quality: v.doubts(),
	}
	if r.Running {
		r.Notice = fmt.Sprintf("This period is still running: figures are up to %s.", p.To.In(f.zone).Format("2006-01-02 15:04"))
	}
	return r
}

// learn takes the odds that the period's own starts have taught.
func (v *view) learn() {
	v.outcomes = make([]risk.Outcome, len(v.starts))
	for i, s := range v.starts {
		v.outcomes[i] = risk.Outcome{Start: s.Case(s.Treatment), Struck: s.Strikes > 0, At: s.At}
	}
	v.learnt = v.Odds
	if v.Learnt != nil {
		v.learnt = v.Learnt(v.outcomes)
	}
}

func copies[T any](list []*T) []*T {
	out := make([]*T, len(list))
	for i, r := range list {
		c := *r
		out[i] = &c
	}
	return out
}

// settleDowntimes measures those that nobody recorded.
func (v *view) settleDowntimes() {
	for _, s := range v.strikes {
		if s.DownBy != downRecorded && !s.back.IsZero() {
			s.DownS, s.DownBy = units.Some(s.back.Sub(s.At).Seconds()), downNextPrint
		}
	}
}

// estimated is a figure whose interval is known as far as it is finite.
func estimated(value float64, i Interval) Estimate {
	return Estimate{Value: finite(value), Low: finite(i.Low), High: finite(i.High)}
}

func finite(v float64) units.Maybe {
	if v-v != 0 { // NaN or infinite
		return units.Maybe{}
	}
	return units.Some(v)
}

// between estimates the starts between strikes.
func between(starts, strikes uint64) Estimate {
	if starts == 0 {
		return Estimate{Words: "no starts"}
	}
	value, i := Between(float64(starts), strikes, Confidence)
	e := estimated(value, i)
	switch {
	case strikes == 0:
		e.Words = "no strike; at least the lower limit"
	case strikes < fewEvents:
		e.Words = "few strikes: only the interval tells"
	}
	return e
}

// fewEvents is below how many a count is called small: its 95 % interval then
// spans more than a factor of seven.
const fewEvents = 5

// share estimates a probability.
func share(k, n uint64) Estimate {
	if n == 0 {
		return Estimate{Words: TooFew}
	}
	e := estimated(float64(k)/float64(n), ClopperPearson(k, n, Confidence))
	if k < fewEvents && n < 4*fewEvents {
		e.Words = TooFew
	}
	return e
}

// Money.

// price adds the cost of film up.
func (v *view) price(list []floor.StockArea) (c Cost) {
	for _, w := range list {
		cost, err := v.Films.Lookup(w.Stock, w.Class).Cost(w.M2)
		if err != nil || cost.CurrencyCode() == "" {
			c.UnpricedM2 += w.M2
			continue
		}
		sum := cost
		if c.Amount != nil {
			if sum, err = c.Amount.Add(cost); err != nil { // of another currency
				c.UnpricedM2 += w.M2
				continue
			}
		}
		c.Amount = &sum
	}
	if c.Amount != nil {
		rounded := c.Amount.Round()
		c.Amount = &rounded
	}
	return c
}

func amount(a currency.Amount) float64 {
	x, err := strconv.ParseFloat(a.Number(), 64)
	if err != nil {
		return 0
	}
	return x
}

// money rounds an amount to the currency's own digits; nil without a currency.
func money(x float64, code string) *currency.Amount {
	a, err := currency.NewAmount(strconv.FormatFloat(x, 'f', 6, 64), code)
	if err != nil {
		return nil
	}
	a = a.Round()
	return &a
}

// treating adds up what a treatment of starts costs; ok is false when one of
// them has no price.
func (v *view) treating(treatment string, starts []*Start) (sum float64, code string, ok bool) {
	if v.TreatmentCost == nil || len(starts) == 0 {
		return 0, "", false
	}
	for _, s := range starts {
		cost, known := v.TreatmentCost(s, treatment)
		if !known {
			return 0, "", false
		}
		sum, code = sum+amount(cost), cost.CurrencyCode()
	}
	return sum, code, true
}

// meanCost is what one treatment costs, by the mean of starts; nil when not
// known.
func (v *view) meanCost(treatment string, starts []*Start) *currency.Amount {
	sum, code, ok := v.treating(treatment, starts)
	if !ok {
		return nil
	}
	return money(sum/float64(len(starts)), code)
}

// Tables.

func (v *view) eachMachine() []MachineFigures {
	keys := maps.Clone(v.tally.printed)
	if keys == nil {
		keys = map[string]*printed{}
	}
	for key := range v.fold.floor.Machines {
		keys[key] = cmp.Or(keys[key], &printed{})
	}
	var out []MachineFigures
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		site, name, _ := strings.Cut(key, "/")
		out = append(out, v.machine(site, name, *keys[key]))
	}
	return out
}

func (v *view) machine(site, name string, film printed) MachineFigures {
	at := func(r recorded) bool { h := r.head(); return h.Site == site && h.Machine == name }
	m := MachineFigures{Site: site, Machine: name, PrintedM: film.m, PrintedM2: film.m2}
	m.Starts, m.Strikes, m.Reprints = count(v.starts, at), count(v.strikes, at), count(v.reprints, at)
	m.StartsBetween = between(m.Starts, m.Strikes)
	waste := areas(where(v.wastes, at))
	m.WasteCost = v.price(waste)
	q := Quantities{ProducedM2: film.m2, Reprinted: m.Reprints}
	for _, w := range waste {
		m.WasteM2 += w.M2
		if printedFirst(event.WasteCauses[w.Cause]) {
			q.ScrapM2 += w.M2
		}
	}
	t := v.times(at, &q)
	if v.PlannedBusyS != nil {
		t.PlannedBusyS = v.PlannedBusyS(site, name)
	}
	t.Failures = m.Strikes
	m.RunS, m.DownS, m.KPIs = t.ProductionS, t.DownS, Indicate(t, q)
	v.silence(&m)
	return m
}

// printedFirst reports whether film thrown away for a cause had been printed
// on. What nobody can tell counts as printed.
func printedFirst(cause string) bool {
	return !slices.Contains([]string{"edge-advance", "make-ready", "trim", "roll-end"}, cause)
}

// times adds up a machine's runs and downtimes. What was down within a run is
// no production.
func (v *view) times(at func(recorded) bool, q *Quantities) (t Times) {
	var down []Period
	for _, s := range v.fold.strikes {
		if at(s) {
			down = append(down, Period{s.At, ended(s.up(), v.period.To)})
		}
	}
	down = joined(down)
	for _, d := range down {
		t.DownS += v.period.Overlap(d.From, d.To).Seconds()
	}
	for _, r := range v.fold.runs {
		if !at(r) {
			continue
		}
		if r.finished && v.period.Has(r.until) {
			q.Finished++
		}
		on := Period{later(r.At, v.period.From), earlier(ended(r.until, v.period.To), v.period.To)}
		t.ProductionS += max(0, on.To.Sub(on.From)).Seconds()
		for _, d := range down {
			t.ProductionS -= on.Overlap(d.From, d.To).Seconds()
		}
	}
	for _, s := range v.strikes {
		if seconds, known := s.DownS.Get(); known && at(s) {
			t.Restored++
			t.RestoringS += seconds
		}
	}
	return t
}

// joined merges spans that overlap.
func joined(spans []Period) (out []Period) {
	slices.SortFunc(spans, func(a, b Period) int { return a.From.Compare(b.From) })
	for _, s := range spans {
		if n := len(out); n > 0 && !s.From.After(out[n-1].To) {
			out[n-1].To = later(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// silence says for how long nothing was heard of a machine at a stretch.
func (v *view) silence(m *MachineFigures) {
	key := floor.Key(m.Site, m.Machine)
	longest := v.fold.machine(key).silent
	if f := v.fold.floor.Machines[key]; f != nil {
		m.LastHeard = f.LastHeard
		longest = max(longest, v.period.Overlap(later(f.LastHeard, v.period.From), v.period.To))
	}
	m.SilentS, m.Silent = longest.Seconds(), longest > v.SilentAfter
}

func where[T recorded](list []T, match func(recorded) bool) (out []T) {
	for _, r := range list {
		if match(r) {
			out = append(out, r)
		}
	}
	return out
}

func count[T recorded](list []T, match func(recorded) bool) (n uint64) {
	for _, r := range list {
		if match(r) {
			n++
		}
	}
	return n
}

// kinds counts starts and strikes by film class and treatment, in the order of
// the tables that name them.
func (v *view) kinds() (out []Outcome) {
	treatments := append(slices.Clone(floor.Treatments), notSeen)
	for _, class := range event.Classes {
		for _, treatment := range treatments {
			o := Outcome{Class: class, Treatment: treatment}
			struck := uint64(0)
			for _, s := range v.starts {
				if s.Class == class && s.Treatment == treatment {
					o.Starts++
					struck += min(s.Strikes, 1)
				}
			}
			for _, s := range v.strikes {
				if s.Class == class && s.Treatment == treatment {
					o.Strikes++
				}
			}
			if o.Starts+o.Strikes > 0 {
				o.Odds = share(struck, o.Starts)
				out = append(out, o)
			}
		}
	}
	return out
}

// remedies is the league table: what was done about the edge of low-grade film,
// the fewest strikes per start first.
func (v *view) remedies() (out []Remedy) {
	byName := map[string]*Remedy{}
	for _, s := range v.starts {
		if !s.Class.LowGrade() {
			continue
		}
		r := byName[s.Treatment]
		if r == nil {
			r = &Remedy{Treatment: s.Treatment}
			byName[s.Treatment] = r
		}
		r.Starts++
		r.Struck += min(s.Strikes, 1)
		if v.Odds != nil {
			r.Expected = units.Some(r.Expected.Or(0) + v.Odds(s.Case(s.Treatment)).P)
		}
	}
	none := cmp.Or(byName[untreated], &Remedy{})
	for _, name := range slices.Sorted(maps.Keys(byName)) {
		r := byName[name]
		r.Odds = share(r.Struck, r.Starts)
		if name != untreated {
			against := compare(r.Struck, r.Starts, none.Struck, none.Starts, "than with nothing done")
			r.Against = &against
		}
		r.Cost = v.meanCost(name, where(v.starts, func(r recorded) bool { s := r.(*Start); return s.Class.LowGrade() && s.Treatment == name }))
		out = append(out, *r)
	}
	slices.SortStableFunc(out, func(a, b Remedy) int {
		return cmp.Or(cmp.Compare(a.Odds.Value.Or(1), b.Odds.Value.Or(1)), cmp.Compare(b.Starts, a.Starts))
	})
	return out
}

// compare holds strikes per start against others, and is never sure of what
// the exact test does not bear out.
func compare(strikes, starts, beforeStrikes, beforeStarts uint64, than string) Comparison {
	c := Comparison{Strikes: strikes, Starts: starts, BeforeStrikes: beforeStrikes, BeforeStarts: beforeStarts, Words: TooFew}
	switch {
	case beforeStarts == 0:
		c.Words = NothingElse
		return c
	case starts == 0 || strikes+beforeStrikes == 0:
		return c
	}
	r := RateRatio(strikes, float64(starts), beforeStrikes, float64(beforeStarts), Confidence)
	c.Ratio, c.P = estimated(r.Value, r.Interval), units.Some(r.P)
	switch {
	case r.Differs() && r.Interval.High < 1:
		c.Words = "fewer strikes per start " + than
	case r.Differs():
		c.Words = "more strikes per start " + than
	case strikes+beforeStrikes >= 4*fewEvents:
		c.Words = "no difference to be seen"
	}
	return c
}

// waste is the Pareto chart of film thrown away.
func (v *view) waste() (out []Cause) {
	list := areas(v.wastes)
	m2 := map[string]float64{}
	for _, w := range list {
		m2[event.WasteCauses[w.Cause]] += w.M2
	}
	for _, s := range Pareto(m2) {
		of := slices.DeleteFunc(slices.Clone(list), func(w floor.StockArea) bool { return event.WasteCauses[w.Cause] != s.Name })
		out = append(out, Cause{s, v.price(of)})
	}
	return out
}

func (v *view) reprinted() []Bar {
	causes := map[string]float64{}
	for _, r := range v.reprints {
		causes[r.cause]++
	}
	return Pareto(causes)
}

func (v *view) months() (out []MonthFigures) {
	for _, s := range v.all.Months {
		out = append(out, MonthFigures{s, between(s.Starts, s.Strikes), s.wasteM2(), v.price(s.Waste)})
	}
	return out
}

// changes compares the days before a marked change with those from it on.
func (v *view) changes() (out []ChangeEffect) {
	for _, c := range v.fold.changes {
		if !v.period.Has(c.At) && !v.period.Has(c.since) {
			continue
		}
		day := c.since.In(v.fold.zone).Format(time.DateOnly)
		var n [2]struct{ starts, strikes uint64 }
		for _, d := range v.all.Days {
			if d.Site != c.Site || c.Machine != event.AnyMachine && d.Machine != c.Machine {
				continue
			}
			i := 0
			if d.Date >= day {
				i = 1
			}
			n[i].starts += d.Starts
			n[i].strikes += d.Strikes
		}
		effect := compare(n[1].strikes, n[1].starts, n[0].strikes, n[0].starts, "than before")
		if effect.Words != TooFew && effect.P.Or(1) < 1-Confidence {
			effect.Words += "; what else changed then, figures cannot tell"
		}
		out = append(out, ChangeEffect{c.label, c.Site, c.Machine, c.since, effect})
	}
	return out
}

func (v *view) tickets() TicketFigures {
	t := TicketFigures{Received: v.tally.received, Withdrawn: v.tally.withdrawn, Kinds: shares(v.tally.rejected), Advice: shares(v.tally.advice)}
	for _, n := range v.tally.rejected {
		t.Rejected += n
	}
	return t
}

func shares(counts map[string]uint64) []Bar {
	values := make(map[string]float64, len(counts))
	for name, n := range counts {
		values[name] = float64(n)
	}
	return Pareto(values)
}

func (v *view) forecast() *Forecast {
	if v.Calibration == nil || len(v.starts) == 0 {
		return nil
	}
	return forecastOf(v.Calibration(v.outcomes))
}

func forecastOf(r risk.Record) *Forecast {
	c := &r.Model
	f := &Forecast{
		Starts: c.Starts, Strikes: c.Strikes, Brier: c.Brier, AverageBrier: r.Average.Brier,
		Reliability: c.Reliability, Resolution: c.Resolution, Uncertainty: c.Uncertainty, Within: c.Within, Skill: c.Skill, Words: TooFew,
	}
	if f.AverageBrier > 0 {
		f.AgainstAverage = units.Some(1 - f.Brier/f.AverageBrier)
	}
	switch {
	case f.Strikes < fewEvents:
	case f.Brier < f.AverageBrier:
		f.Words = "the odds told more than the average of the starts before"
	default:
		f.Words = "the odds told no more than the average of the starts before"
	}
	for _, b := range c.Bins {
		if b.Starts > 0 {
			f.Bins = append(f.Bins, ForecastBin{b.Low, b.High, b.MeanP, b.Starts, b.Strikes, share(uint64(b.Strikes), uint64(b.Starts))})
		}
	}
	return f
}

// LetGo is the code of the doubt that a journal which lets entries go leaves.
const LetGo = "entries-let-go"

// doubts lists what makes figures less sure.
func (v *view) doubts() (out []Doubt) {
	add := func(code string, n uint64, words string) {
		if n > 0 {
			out = append(out, Doubt{code, n, words})
		}
	}
	add(LetGo, v.LetGo, "entries that the journal no longer held: what happened in them is in no figure")
	by := map[string]uint64{}
	for _, s := range v.strikes {
		by[s.DownBy]++
		if s.start == nil {
			by[notSeen]++
		}
	}
	add("downtime-measured", by[downNextPrint], "strikes without a downtime: it was taken as the time until the machine printed again, closed hours included")
	add("downtime-open", by[downStill], "strikes without a downtime and nothing printed since: the machine counts as down to the end, and they are in no mean time to restoration")
	add("strike-without-start", by[notSeen], "strikes on a run that was not seen to start in what was read")
	add("waste-without-width", count(v.wastes, func(r recorded) bool { return !r.(*waste).m2.Known() }), "waste whose width nobody knew: it is in no area")
	add("class-unknown", count(v.starts, func(r recorded) bool { return r.(*Start).Class == event.Unknown }), "starts on film of unknown class: they count as low-grade")
	silent := uint64(0)
	for _, m := range v.machines {
		if m.Silent {
			silent++
		}
	}
	add("silent-machine", silent, "machines that said nothing for long: what happened there then is in no figure")
	add("unknown-type", v.tally.unknown, "events of types outside the contract")
	add("undone-entry", v.tally.undone, "entries that were taken back; they count in nothing")
	add("late-event", v.fold.late, "events of a time whose figures were final when they came; of earlier periods")
	for _, kind := range floor.AnomalyKinds {
		if kind.Code != "unknown-type" && kind.Code != "waste-without-width" {
			add(kind.Code, v.tally.anomalies[kind.Code], kind.Doc)
		}
	}
	return out
}
