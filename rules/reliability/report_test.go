package reliability_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

func known(t *testing.T, what string, got units.Maybe, want, tolerance float64) {
	t.Helper()
	v, ok := got.Get()
	if !ok {
		t.Errorf("%s is not known, want %v", what, want)
		return
	}
	near(t, what, v, want, tolerance)
}

// oneDay is a day on heron that can be worked out by hand: a start that was
// warned of, left bare and struck; one that was warned of and treated; one that
// nobody was warned of and that struck; and one that went well.
func oneDay(t testing.TB) *journal {
	j := &journal{t: t}
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	j.alarm(at(2, 8, 30), "heron", "bare-edge", "J1", alarm.Normal, alarm.Condition)
	j.alarm(at(2, 8, 40), "heron", "bare-edge", "J1", alarm.Unacked, alarm.Acknowledge)
	j.start(at(2, 9, 0), "heron", "J1")
	j.say(at(2, 9, 5), "heron", "strike.recorded", &event.StrikeRecorded{Job: "J1", DowntimeS: p(600)})
	j.finish(at(2, 9, 30), "heron", "J1", 4)
	j.cut(at(2, 9, 31), "heron", "J1")
	j.say(at(2, 9, 32), "heron", "film.wasted", &event.FilmWasted{LengthM: 2, Cause: "register"})
	j.alarm(at(2, 10, 0), "heron", "bare-edge", "J2", alarm.Normal, alarm.Condition)
	j.advance(at(2, 10, 10), "heron")
	j.say(at(2, 10, 10), "heron", "film.wasted", &event.FilmWasted{LengthM: 1, Cause: "edge-advance"})
	j.alarm(at(2, 10, 11), "heron", "bare-edge", "J2", alarm.Unacked, alarm.Return)
	j.start(at(2, 10, 20), "heron", "J2")
	j.finish(at(2, 10, 50), "heron", "J2", 6)
	j.cut(at(2, 10, 51), "heron", "J2")
	j.start(at(2, 11, 0), "heron", "J3")
	j.say(at(2, 11, 10), "heron", "strike.recorded", &event.StrikeRecorded{Job: "J3"})
	j.say(at(2, 11, 12), "heron", "run.stopped", &event.RunStopped{Run: event.Run{Job: "J3", Metres: p(2)}})
	j.cut(at(2, 11, 20), "heron", "J3")
	j.say(at(2, 11, 30), "heron", "job.reprinted", &event.JobReprinted{Job: "J3", Cause: "head-strike"})
	j.start(at(2, 11, 40), "heron", "J4")
	j.finish(at(2, 12, 10), "heron", "J4", 5)
	return j
}

// TestReportByHand works the figures of that day out by hand.
//
// Production: J1 30 min less 10 down, J2 30 min, J3 12 min of which 2 down, J4
// 30 min, 5400 s in all. Down: 600 s recorded, 1800 s from 11:10 to the next
// start. Odds by the documented prior, dry because nobody measured: 0.12·1.6
// bare, a hundredth of it advanced; Low a quarter and High three times of each.
func TestReportByHand(t *testing.T) {
	r := reliability.Compute(oneDay(t).fold(reliability.Origin{}, march), params(t))
	f, m := r.Front, r.Machines[0]
	if f.Strikes != 2 || f.Starts != 4 || f.Reprints != 1 || len(r.Machines) != 1 || r.Running {
		t.Errorf("front: %+v", f)
	}
	known(t, "starts between", f.StartsBetween.Value, 2, 0)
	known(t, "starts between, low", f.StartsBetween.Low, 4/7.2247, 1e-4)
	known(t, "starts between, high", f.StartsBetween.High, 4/0.2422, 1e-2)
	near(t, "waste", f.WasteM2, 3*1.37, 1e-9)
	if f.WasteCost.Amount.String() != "4.93 USD" || f.WasteCost.UnpricedM2 != 0 {
		t.Errorf("waste costs %v", f.WasteCost)
	}
	near(t, "printing", m.RunS, 5400, 0)
	near(t, "down", m.DownS, 2400, 0)
	known(t, "MTBF", m.KPIs.MTBFS, 2700, 0)
	known(t, "MTTR", m.KPIs.MTTRS, 1200, 0)
	known(t, "technical efficiency", m.KPIs.TechnicalEfficiency, 5400.0/7800, 1e-12)
	known(t, "scrap", m.KPIs.ScrapRatio, 2.0/17, 1e-12)
	known(t, "quality", m.KPIs.QualityRatio, 15.0/17, 1e-12)
	known(t, "rework", m.KPIs.ReworkRatio, 1.0/3, 1e-12)
	if m.KPIs.Availability.Known() {
		t.Error("availability is known without a planned busy time")
	}
	if r.Strikes[0].DownBy != "recorded" || r.Strikes[1].DownBy != "next print" || !r.Strikes[0].Warned || r.Strikes[1].Warned {
		t.Errorf("strikes: %+v, %+v", r.Strikes[0], r.Strikes[1])
	}

	known(t, "prevented", f.Prevented.Value, 0.192-0.00192, 1e-12)
	known(t, "prevented, low", f.Prevented.Low, 0.19008-math.Hypot(0.144, 0.00384), 1e-12)
	known(t, "prevented, high", f.Prevented.High, 0.19008+math.Hypot(0.384, 0.00144), 1e-12)
	if f.Prevented.Starts != 1 || f.Prevented.Words != reliability.TooFew {
		t.Errorf("prevented: %+v", f.Prevented)
	}

	if len(f.Next) != 3 {
		t.Fatalf("things to do: %+v", f.Next)
	}
	known(t, "strikes saved", f.Next[0].Strikes, 3*(0.192-0.00192), 1e-9)
	if s := f.Next[0].Saving.String(); s != "49.75 USD" { // 0.57024·90.40 - 3·0.60
		t.Errorf("treating saves %s", s)
	}
	if !strings.Contains(f.Next[0].Title, "north/heron") || !strings.Contains(f.Next[1].Title, "register") || !strings.Contains(f.Next[2].Title, "downtime") {
		t.Errorf("things to do: %+v", f.Next)
	}

	q := r.Alarms.BareEdge
	if q.WarnedTreated != 1 || q.WarnedTreatedStruck != 0 || q.WarnedUntreated != 1 || q.WarnedUntreatedStruck != 1 || q.Unwarned != 2 || q.UnwarnedStruck != 1 {
		t.Errorf("bare-edge alarms: %+v", q)
	}
	known(t, "precision", q.Precision.Value, 1, 0)
	known(t, "recall", q.Recall.Value, 0.5, 0)
	if q.Precision.Words != reliability.TooFew || q.Recall.Words != reliability.TooFew || r.Trend.Words != reliability.TooFew {
		t.Errorf("two strikes tell too much: %+v, %q", q, r.Trend.Words)
	}
	h := r.Alarms.Hazards[0]
	if h.Alarms != 2 || h.Acknowledged != 1 || h.Started != 2 || h.Treated != 1 || h.Untreated != 1 || h.Struck != 1 {
		t.Errorf("hazard: %+v", h)
	}
	known(t, "to acknowledge", h.MedianAckS, 600, 0)
	known(t, "lead", h.MedianLeadS, 1200, 0) // of 1200 and 1800, by nearest rank
}

// TestNothingAtAll wants a report of an empty journal to say nothing that it
// does not know.
func TestNothingAtAll(t *testing.T) {
	r := reliability.Compute(reliability.New(march, zone, reliability.Origin{}), reliability.Params{})
	if r.Front.StartsBetween.Value.Known() || r.Front.Before.Words != reliability.NothingElse || r.Trend.Words != reliability.TooFew || len(r.Front.Next) > 0 {
		t.Errorf("%+v", r.Front)
	}
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
}

// TestRunning says that a month is not over, and counts only up to now.
func TestRunning(t *testing.T) {
	now := params(t)
	now.Now = at(2, 11, 15)
	f := oneDay(t).fold(reliability.Origin{}, march)
	r := reliability.Compute(f, now)
	if !r.Running || !strings.Contains(r.Notice, "2026-03-02 11:15") || r.Front.Starts != 3 || !r.Until.Equal(now.Now) {
		t.Errorf("%q: %+v", r.Notice, r.Front)
	}
	now.Now = march.From.Add(-time.Hour)
	if r = reliability.Compute(f, now); r.Front.Starts != 0 || !r.Running {
		t.Errorf("before it began: %+v", r.Front)
	}
}

// TestAlarmRates works the rates of IEC 62682 by hand: 12 annunciations in ten
// minutes start a flood, 6 in the next go on with it and 2 end it; one alarm
// comes three times within a minute; one is gone after half a minute; one
// stands for a day and an hour.
func TestAlarmRates(t *testing.T) {
	j := &journal{t: t}
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	second := func(minute, s int) time.Time { return at(2, 9, minute).Add(time.Duration(s) * time.Second) }
	for minute, n := range map[int]int{0: 12, 10: 6, 20: 2} {
		for i := range n {
			job := fmt.Sprint("J", minute, "-", i)
			j.alarm(second(minute, 30*i), "heron", "short-roll", job, alarm.Normal, alarm.Condition)
			j.alarm(second(minute+9, i), "heron", "short-roll", job, alarm.Unacked, alarm.Return)
		}
	}
	for i := range 3 {
		from := alarm.Returned
		if i == 0 {
			from = alarm.Normal
		}
		j.alarm(second(40, 20*i), "heron", "dry-air", "", from, alarm.Condition)
		j.alarm(second(40, 20*i+10), "heron", "dry-air", "", alarm.Unacked, alarm.Return)
	}
	j.alarm(at(3, 9, 0), "heron", "stale-floor", "", alarm.Normal, alarm.Condition)
	j.alarm(at(4, 10, 0), "heron", "stale-floor", "", alarm.Unacked, alarm.Return)
	slices.SortStableFunc(j.events, func(a, b event.Event) int { return a.Time.Compare(b.Time) })

	a := reliability.Compute(j.fold(reliability.Origin{}, march), params(t)).Alarms
	if a.Annunciations != 24 || a.Peak != 12 || !a.PeakAt.Equal(at(2, 9, 0)) || a.Floods != 1 || a.Chattering != 1 || a.Fleeting != 3 || a.Stale != 1 {
		t.Errorf("%+v", a)
	}
	known(t, "average", a.PerTenMinutes, 24.0/(31*144), 1e-12)
	known(t, "in flood", a.FloodShare, 2.0/(31*144), 1e-12)
	known(t, "top ten", a.TopTenShare, 1, 0)
	if a.Top[0].Name != "short-roll on north/heron" || a.Top[0].Value != 20 {
		t.Errorf("most frequent: %+v", a.Top)
	}
}

// TestStandingAlarmCountsOn lets an alarm stand over the month's start: it is
// no annunciation of the month, and stale in it.
func TestStandingAlarmCountsOn(t *testing.T) {
	j := &journal{t: t}
	j.load(march.From.Add(-3*time.Hour), "heron", "MONO-GLOSS-137", event.Monomeric)
	j.alarm(march.From.Add(-2*time.Hour), "heron", "stale-floor", "", alarm.Normal, alarm.Condition)
	february := reliability.MonthOf(march.From.Add(-time.Hour), zone)
	f := reliability.New(march, zone, saved(t, j.fold(reliability.Origin{}, february).Next()))
	a := reliability.Compute(f, params(t)).Alarms
	if a.Annunciations != 0 || a.Stale != 1 {
		t.Errorf("%+v", a)
	}
}

// TestMarkedChange compares the days before a change with those from it on:
// 30 strikes in 200 starts, then 5 in 200.
func TestMarkedChange(t *testing.T) {
	j := &journal{t: t}
	j.load(at(1, 0, 0), "heron", "POLY-GLOSS-137", event.Polymeric)
	for i := range 400 {
		day, job := 1+i/20, fmt.Sprint("J", i)
		now := at(day, 6, 0).Add(time.Duration(i%20) * 30 * time.Minute)
		if day == 11 && i%20 == 0 {
			j.say(now.Add(-time.Minute), "heron", "change.marked", &event.ChangeMarked{Label: "leaders on every start"})
		}
		j.start(now, "heron", job)
		if i < 200 && i%20 < 3 || i >= 200 && i%40 == 0 {
			j.say(now.Add(time.Minute), "heron", "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(60)})
		}
		j.finish(now.Add(10*time.Minute), "heron", job, 1)
	}
	r := reliability.Compute(j.fold(reliability.Origin{}, march), params(t))
	e := r.Changes[0].Effect
	if e.Strikes != 5 || e.Starts != 200 || e.BeforeStrikes != 30 || e.BeforeStarts != 200 {
		t.Errorf("%+v", e)
	}
	known(t, "ratio", e.Ratio.Value, 1.0/6, 1e-12)
	if !strings.HasPrefix(e.Words, "fewer strikes per start than before") || !strings.Contains(e.Words, "cannot tell") {
		t.Errorf("%q", e.Words)
	}
	if r.Trend.Words != reliability.TrendBetter && r.Trend.Words != reliability.TrendNotPower {
		t.Errorf("trend: %+v", r.Trend)
	}
	if names := seriesNames(r); !slices.Equal(names, []string{"g", "t", "u", "p-prime", "individuals", "ewma"}) {
		t.Errorf("charts: %v", names)
	}
	if u := r.Charts[2]; len(u.Points) != 4 || u.Points[0].Label != "2026-02-23" || u.Words != reliability.TooFew { // the Mondays up to 16 March; 1 March is a Sunday
		t.Errorf("weeks: %+v", u)
	}
}

func seriesNames(r reliability.Report) (names []string) {
	for _, c := range r.Charts {
		names = append(names, c.Name)
	}
	return names
}

// TestHistoryIsBounded runs through seven years, and wants the oldest to go and
// the trend to count on from what was dropped.
func TestHistoryIsBounded(t *testing.T) {
	j := &journal{t: t}
	from := time.Date(2019, 1, 1, 8, 0, 0, 0, zone)
	j.load(from, "heron", "MONO-GLOSS-137", event.Monomeric)
	n := 0
	for now := from.Add(time.Hour); now.Before(march.To); now = now.Add(4 * time.Hour) {
		job := fmt.Sprint("J", n)
		j.start(now, "heron", job)
		j.say(now.Add(time.Minute), "heron", "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(1)})
		n++
	}
	r := reliability.Compute(j.fold(reliability.Origin{}, march), params(t))
	if len(r.Months) != 60 || r.Trend.Strikes != 10_000 || r.Trend.Starts != uint64(n) || r.Trend.SinceStart != uint64(n-10_000) {
		t.Errorf("%d months, trend %+v", len(r.Months), r.Trend)
	}
	if math.Abs(r.Trend.Beta.Value.Or(0)-1) > 0.001 {
		t.Errorf("a strike at every start has β = %v", r.Trend.Beta.Value)
	}
}

// TestLateEvents counts what came too late for the figures it belongs to.
func TestLateEvents(t *testing.T) {
	f := reliability.New(march, zone, reliability.Origin{History: reliability.History{Months: []reliability.Summary{{Period: reliability.MonthOf(march.From.Add(-time.Hour), zone), Starts: 5}}, Starts: 5}})
	f.Apply(1, event.Event{ID: "1", Source: "s", Type: "run.started", Time: march.From.Add(-time.Hour), Site: "north", Machine: "heron", Data: &event.RunStarted{Run: event.Run{Job: "J1"}}})
	r := reliability.Compute(f, params(t))
	if r.Front.Starts != 0 || len(r.Months) != 2 || r.Months[0].Starts != 5 || r.Trend.Starts != 5 {
		t.Errorf("%+v, %+v", r.Front, r.Months)
	}
	if !slices.ContainsFunc(r.Quality, func(d reliability.Doubt) bool { return d.Code == "late-event" && d.Count == 1 }) {
		t.Errorf("%+v", r.Quality)
	}
}

// TestForecast carries a calibration over, without the empty bins, whose rates
// are no numbers. What the average would have scored is worked out by hand: the
// prior says 0.192 of bare starts and 0.00192 of the advanced one, the strikes
// came at the first and third start, and so the average of the starts before
// says 0.192, (1+0.00192)/2, (1+0.192)/3 and (2+0.192)/4.
func TestForecast(t *testing.T) {
	with := params(t)
	with.Calibration = func(outcomes []risk.Outcome) risk.Record {
		fit := func(cells []risk.Cell) func(risk.Start) float64 {
			return risk.Fit(risk.DefaultPrior(), cells, risk.FitOptions{}).Mean
		}
		return risk.Score(risk.Walk{Fit: fit, StrikeFits: len(outcomes)}.Foretell(outcomes), risk.DefaultEdges())
	}
	r := reliability.Compute(oneDay(t).fold(reliability.Origin{}, march), with)
	f := r.Forecast
	if f.Starts != 4 || f.Strikes != 2 || len(f.Bins) != 3 || f.Words != reliability.TooFew {
		t.Errorf("%+v", f)
	}
	near(t, "Brier of the average", f.AverageBrier, (0.808*0.808+0.50096*0.50096+math.Pow(1-1.192/3, 2)+0.548*0.548)/4, 1e-12)
	near(t, "Murphy's parts", f.Reliability-f.Resolution+f.Uncertainty+f.Within, f.Brier, 1e-12)
	known(t, "skill", f.AgainstAverage, 1-f.Brier/f.AverageBrier, 1e-12)
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
	if empty := reliability.Compute((&journal{t: t}).fold(reliability.Origin{}, march), with); empty.Forecast != nil {
		t.Errorf("odds of no starts were right: %+v", empty.Forecast)
	}
}

// TestPreventedLiesInItsInterval lets the odds be any, learnt ones that make a
// treated start look worse included: the figure never lies outside its interval,
// and what reaches zero says that nothing is shown.
func TestPreventedLiesInItsInterval(t *testing.T) {
	j := &journal{t: t}
	j.season(3, at(2, 8, 0), at(6, 8, 0))
	f, with := j.fold(reliability.Origin{}, march), params(t)
	below := false
	rapid.Check(t, func(t *rapid.T) {
		odds := map[string]risk.Estimate{}
		for _, treatment := range []string{"none", "advance"} {
			p := rapid.Float64Range(0, 1).Draw(t, treatment)
			odds[treatment] = risk.Estimate{P: p, Low: p * rapid.Float64Range(0, 1).Draw(t, "low"), High: p + (1-p)*rapid.Float64Range(0, 1).Draw(t, "high")}
		}
		with.Odds = func(s risk.Start) risk.Estimate { return odds[s.Treatment] }
		got := reliability.Compute(f, with).Front.Prevented
		value, low, high := got.Value.Or(math.NaN()), got.Low.Or(math.NaN()), got.High.Or(math.NaN())
		if got.Starts < 10 || !(low <= value && value <= high) {
			t.Fatalf("over %d starts: %v (%v to %v)", got.Starts, value, low, high)
		}
		if shown := low > 0; shown != (got.Words == "") || !shown && got.Words != reliability.NotShown {
			t.Fatalf("%v (%v to %v): %q", value, low, high, got.Words)
		}
		below = below || value < 0
	})
	if !below {
		t.Error("no odds put the figure below zero, where the question is")
	}
}

// TestPreventedAgainstNewcombe takes the odds of the one start that was treated
// from the example of 56 in 70 against 48 in 80, with Wilson's intervals. By
// method 10 the difference of 0.2 lies between 0.0524 and 0.3339: Newcombe, as
// at difference, table II, values from memory.
func TestPreventedAgainstNewcombe(t *testing.T) {
	wilson := func(k, n float64) risk.Estimate {
		const z = 1.959964
		p, shrink := k/n, 1+z*z/n
		middle, wide := (p+z*z/(2*n))/shrink, z*math.Sqrt(p*(1-p)/n+z*z/(4*n*n))/shrink
		return risk.Estimate{P: p, Low: middle - wide, High: middle + wide}
	}
	with := params(t)
	with.Odds = func(s risk.Start) risk.Estimate {
		if s.Treatment == "none" {
			return wilson(56, 70)
		}
		return wilson(48, 80)
	}
	got := reliability.Compute(oneDay(t).fold(reliability.Origin{}, march), with).Front.Prevented
	known(t, "difference", got.Value, 0.2, 1e-12)
	known(t, "low", got.Low, 0.0524, 5e-5)
	known(t, "high", got.High, 0.3339, 5e-5)
}

// TestPreventedKnowsTheMonth estimates by the odds that the month has taught,
// and holds what was expected of a treatment against those of before it.
func TestPreventedKnowsTheMonth(t *testing.T) {
	with := params(t)
	with.Learnt = func(outcomes []risk.Outcome) func(risk.Start) risk.Estimate {
		if c := outcomes[0].Cell(); len(outcomes) != 4 || c.Class != event.Monomeric || c.Treatment != "none" || c.Machine != "heron" || c.Starts != 1 || c.Strikes != 1 {
			t.Errorf("learnt from %+v", outcomes)
		}
		return func(s risk.Start) risk.Estimate {
			if s.Treatment == "none" {
				return risk.Estimate{P: 0.5, Low: 0.4, High: 0.6}
			}
			return risk.Estimate{P: 0.1, Low: 0.07, High: 0.14}
		}
	}
	r := reliability.Compute(oneDay(t).fold(reliability.Origin{}, march), with)
	known(t, "prevented", r.Front.Prevented.Value, 0.4, 1e-12)
	known(t, "strikes saved by the first step", r.Front.Next[0].Strikes, 3*0.4, 1e-12)
	for _, m := range r.Remedies {
		if m.Treatment == "advance" {
			known(t, "expected", m.Expected, 0.00192, 1e-12)
		}
	}
}

// TestTrendPoints wants every strike of a short life in the trend, few of a long
// one and the last always, and the curve to have all strikes at the end, as the
// maximum likelihood has it: λ·T^β = N.
func TestTrendPoints(t *testing.T) {
	j := &journal{t: t}
	j.season(5, at(2, 8, 0), at(20, 8, 0))
	origin := reliability.Origin{}
	trend := reliability.Compute(j.fold(origin, march), params(t)).Trend
	if trend.Strikes < 5 || len(trend.Points) != trend.Strikes {
		t.Fatalf("%d strikes, %d points", trend.Strikes, len(trend.Points))
	}
	near(t, "the curve at the end", trend.Lambda.Or(0)*math.Pow(float64(trend.Starts), trend.Beta.Value.Or(0)), float64(trend.Strikes), 1e-9)
	for i, p := range trend.Points {
		if p.Strikes != i+1 || i > 0 && p.Starts <= trend.Points[i-1].Starts {
			t.Errorf("point %d: %+v", i, p)
		}
	}
	for i := range 5000 {
		origin.History.Strikes = append(origin.History.Strikes, reliability.Position{At: march.From, Starts: uint64(10*i + 1)})
	}
	origin.History.Starts = 60_000
	long := reliability.Compute(j.fold(origin, march), params(t)).Trend
	if last := long.Points[len(long.Points)-1]; len(long.Points) > 200 || len(long.Points) < 190 || last.Strikes != long.Strikes {
		t.Errorf("%d points of %d strikes, the last one %+v", len(long.Points), long.Strikes, last)
	}
}

// TestSilence finds the machine that nothing was heard of.
func TestSilence(t *testing.T) {
	j := &journal{t: t}
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	j.load(at(2, 8, 0), "wren", "MONO-GLOSS-137", event.Monomeric)
	for day := 3; day <= 31; day++ {
		j.say(at(day, 8, 0), "wren", "climate.read", &event.ClimateRead{RHPct: p(45)})
	}
	r := reliability.Compute(j.fold(reliability.Origin{}, march), params(t))
	if !r.Machines[0].Silent || r.Machines[1].Silent || r.Machines[1].SilentS != 24*3600 {
		t.Errorf("%+v", r.Machines)
	}
	near(t, "silence", r.Machines[0].SilentS, march.To.Sub(at(2, 8, 0)).Seconds(), 0)
}

// TestAnnouncedAgain lets an alarm be announced a second time when its risky
// start comes: two annunciations of one alarm, which led the start by ten
// minutes.
func TestAnnouncedAgain(t *testing.T) {
	j := &journal{t: t}
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	j.alarm(at(2, 8, 50), "heron", "bare-edge", "J1", alarm.Normal, alarm.Condition)
	j.alarm(at(2, 8, 55), "heron", "bare-edge", "J1", alarm.Unacked, alarm.Acknowledge)
	j.start(at(2, 9, 0), "heron", "J1")
	j.alarm(at(2, 9, 0), "heron", "bare-edge", "J1", alarm.Acked, alarm.Escalate)
	j.alarm(at(2, 9, 1), "heron", "bare-edge", "J1", alarm.Acked, alarm.Return) // not from the state it is in: nothing
	a := reliability.Compute(j.fold(reliability.Origin{}, march), params(t)).Alarms
	h := a.Hazards[0]
	if a.Annunciations != 2 || h.Alarms != 1 || h.Started != 1 || h.Untreated != 1 || h.Acknowledged != 1 || a.Stale != 1 {
		t.Errorf("%+v", a)
	}
	known(t, "lead", h.MedianLeadS, 600, 0)
}
