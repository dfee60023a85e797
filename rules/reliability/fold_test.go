package reliability_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/bojanz/currency"
	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/reliability"
	"rollwarden/rules/risk"
)

func p(v float64) *float64 { return &v }

// march is the month of most tests, in the shop's time zone.
var (
	zone  = time.FixedZone("shop", -5*3600)
	march = reliability.MonthOf(time.Date(2026, 3, 10, 12, 0, 0, 0, zone), zone)
)

// at is a moment of March by the shop's clock.
func at(day, hour, minute int) time.Time {
	return time.Date(2026, 3, day, hour, minute, 0, 0, zone).UTC()
}

// journal writes events down as they come.
type journal struct {
	t      testing.TB
	events []event.Event
}

func (j *journal) say(when time.Time, machine string, typ event.Type, p event.Payload) string {
	j.t.Helper()
	if err := p.Check(); err != nil {
		j.t.Fatal(err)
	}
	id := fmt.Sprint("e", len(j.events))
	j.events = append(j.events, event.Event{ID: id, Source: "test", Type: typ, Time: when, Site: "north", Machine: machine, Data: p})
	return id
}

func (j *journal) fold(origin reliability.Origin, period reliability.Period) *reliability.Fold {
	f := reliability.New(period, zone, origin)
	for i, e := range j.events {
		f.Apply(uint64(i+1), e)
	}
	return f
}

// load puts a roll on, with a bare edge at the print line.
func (j *journal) load(when time.Time, machine, stock string, class event.Class) {
	j.t.Helper()
	j.say(when, machine, "roll.loaded", &event.RollLoaded{Stock: stock, FilmClass: class, WidthMM: p(1370), LengthM: p(1e4), ThicknessUM: p(220), EdgeMM: p(0)})
}

func (j *journal) start(when time.Time, machine, job string) string {
	j.t.Helper()
	return j.say(when, machine, "run.started", &event.RunStarted{Run: event.Run{Job: job}})
}

func (j *journal) finish(when time.Time, machine, job string, metres float64) string {
	j.t.Helper()
	return j.say(when, machine, "run.finished", &event.RunFinished{Run: event.Run{Job: job, Metres: p(metres)}})
}

func (j *journal) cut(when time.Time, machine, job string) {
	j.t.Helper()
	rewound := true
	j.say(when, machine, "cut.finished", &event.CutFinished{Job: job, Rewound: &rewound})
}

func (j *journal) advance(when time.Time, machine string) {
	j.t.Helper()
	j.say(when, machine, "edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
}

// alarm lets an alarm change its state by a row of the lifecycle.
func (j *journal) alarm(when time.Time, machine, hazard, job string, from alarm.State, on alarm.Input) {
	j.t.Helper()
	tr, ok := alarm.Step(from, on)
	if !ok {
		j.t.Fatalf("no row from %s on %s", from, on)
	}
	j.say(when, machine, event.AlarmChangedType, &event.AlarmChanged{
		Hazard: hazard, Job: job, From: string(from), To: string(tr.To), On: string(on), Emit: tr.Emit, Phase: "queued", Priority: "high", Message: "m",
	})
}

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

func params(t testing.TB) reliability.Params {
	t.Helper()
	films, err := film.NewCatalogue(nil, []film.Film{
		{Stock: "MONO-GLOSS-137", Class: event.Monomeric, PricePerM2: usd("1.20")}, {Stock: "POLY-GLOSS-137", Class: event.Polymeric, PricePerM2: usd("2.60")},
	})
	if err != nil {
		t.Fatal(err)
	}
	return reliability.Params{
		Films: films, Odds: risk.DefaultPrior().Strike, StrikeCost: usd("90.40"),
		TreatmentCost: func(_ *reliability.Start, treatment string) (currency.Amount, bool) {
			a, ok := map[string]currency.Amount{"advance": usd("0.60"), "leader": usd("0.65")}[treatment]
			return a, ok
		},
	}
}

func compute(t testing.TB, f *reliability.Fold, p reliability.Params) string {
	t.Helper()
	b, err := json.Marshal(reliability.Compute(f, p), json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// season writes a busy random season, seeded: machines start, print, strike,
// waste, reprint and raise alarms. It ends where to says.
func (j *journal) season(seed uint64, from, to time.Time) {
	rng := rand.New(rand.NewPCG(seed, 1))
	machines := []string{"heron", "wren", "plover"}
	for _, m := range machines {
		j.load(from, m, "MONO-GLOSS-137", event.Monomeric)
	}
	n := 0
	for now := from.Add(time.Hour); now.Before(to); now = now.Add(time.Duration(rng.IntN(200)+20) * time.Minute) {
		m, job := machines[rng.IntN(3)], fmt.Sprint("J", n)
		n++
		if rng.IntN(3) > 0 {
			j.alarm(now.Add(-15*time.Minute), m, "bare-edge", job, alarm.Normal, alarm.Condition)
			if rng.IntN(2) == 0 {
				j.advance(now.Add(-5*time.Minute), m)
				j.alarm(now.Add(-4*time.Minute), m, "bare-edge", job, alarm.Unacked, alarm.Return)
				j.alarm(now.Add(-3*time.Minute), m, "bare-edge", job, alarm.Returned, alarm.Acknowledge)
			}
		}
		j.start(now, m, job)
		j.say(now.Add(5*time.Minute), m, "run.progress", &event.RunProgress{Run: event.Run{Job: job, Metres: p(1)}})
		switch rng.IntN(12) {
		case 0:
			id := j.say(now.Add(6*time.Minute), m, "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(1200)})
			if rng.IntN(4) == 0 {
				j.say(now.Add(7*time.Minute), m, "entry.undone", &event.EntryUndone{Event: id, Type: "strike.recorded", By: "ann"})
			}
		case 1:
			j.say(now.Add(6*time.Minute), m, "strike.recorded", &event.StrikeRecorded{Job: job})
		case 2:
			j.say(now.Add(6*time.Minute), m, "film.wasted", &event.FilmWasted{LengthM: 1.5, Cause: "register"})
		case 3:
			j.say(now.Add(6*time.Minute), m, "job.reprinted", &event.JobReprinted{Job: job, Cause: "misprint"})
		case 4:
			j.events = append(j.events, j.events[len(j.events)-1]) // a copy
		}
		j.finish(now.Add(12*time.Minute), m, job, 3)
		j.cut(now.Add(14*time.Minute), m, job)
	}
}

// TestFoldFromASnapshot wants the report of a month that starts from what was
// saved at its beginning to be, byte for byte, that of the whole journal.
func TestFoldFromASnapshot(t *testing.T) {
	j := &journal{t: t}
	j.season(3, time.Date(2025, 11, 4, 8, 0, 0, 0, zone), march.To)
	want := compute(t, j.fold(reliability.Origin{}, march), params(t))

	february := reliability.MonthOf(march.From.Add(-time.Hour), zone)
	f := reliability.New(february, zone, reliability.Origin{})
	cut := 0
	for i, e := range j.events {
		if !e.Time.Before(march.From) {
			cut = i
			break
		}
		f.Apply(uint64(i+1), e)
	}
	g := reliability.New(march, zone, saved(t, f.Next()))
	for i, e := range j.events[cut:] {
		g.Apply(uint64(cut+i+1), e)
	}
	if diff := cmp.Diff(want, compute(t, g, params(t))); diff != "" {
		t.Error(diff)
	}
}

// saved writes an origin down and reads it again.
func saved(t *testing.T, o reliability.Origin) reliability.Origin {
	t.Helper()
	again := reliability.Origin{Floor: floor.New(), Alarms: alarm.NewBook()}
	for _, part := range []struct{ from, to any }{{o.Floor, again.Floor}, {o.Alarms, again.Alarms}, {o.Seen, &again.Seen}, {o.History, &again.History}} {
		b, err := json.Marshal(part.from)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, part.to); err != nil {
			t.Fatal(err)
		}
	}
	return again
}

// TestReportAgreesWithTheFloor holds the totals of all months against the
// tallies that the watch itself shows. What is taken back counts in neither.
func TestReportAgreesWithTheFloor(t *testing.T) {
	j := &journal{t: t}
	j.season(4, time.Date(2025, 12, 2, 8, 0, 0, 0, zone), march.To)
	state, seen := floor.New(), floor.Memory{}
	for i, e := range j.events {
		if seen.Add(e) {
			state.Apply(uint64(i+1), e)
		}
	}
	var want, got reliability.Summary
	for _, m := range state.Machines {
		net := m.Tally.Net()
		want.Starts += net.TotalStarts()
		want.Strikes += net.TotalStrikes()
		want.Finished += net.Finished
		want.PrintedM2 += net.PrintedM2
		for i := range event.WasteCauses {
			want.Reprints += net.Reprints[i]
			want.RunS += net.WasteM2[i] // stands for the area here
		}
	}
	for _, m := range reliability.Compute(j.fold(reliability.Origin{}, march), params(t)).Months {
		got.Starts += m.Starts
		got.Strikes += m.Strikes
		got.Finished += m.Finished
		got.PrintedM2 += m.PrintedM2
		got.Reprints += m.Reprints
		got.RunS += m.WasteM2
	}
	near(t, "m² printed", got.PrintedM2, want.PrintedM2, 1e-6)
	near(t, "m² wasted", got.RunS, want.RunS, 1e-6)
	got.PrintedM2, got.RunS, want.PrintedM2, want.RunS = 0, 0, 0, 0
	if diff := cmp.Diff(want, got); diff != "" || state.Counts.Events["entry.undone"] == 0 || len(state.Anomalies.Total) != 2 { // nothing queued, no tickets
		t.Errorf("%v\n%s", state.Anomalies.Total, diff)
	}
}

// TestCopiesChangeNothing applies every event twice at once, and once more after
// all others what is no fleeting report.
func TestCopiesChangeNothing(t *testing.T) {
	j := &journal{t: t}
	j.season(5, at(1, 8, 0), march.To)
	want := compute(t, j.fold(reliability.Origin{}, march), params(t))
	told := j.events
	j.events = nil
	for _, e := range told {
		j.events = append(j.events, e, e)
	}
	for _, e := range told {
		if !event.Fleeting(e.Type) {
			j.events = append(j.events, e)
		}
	}
	if diff := cmp.Diff(want, compute(t, j.fold(reliability.Origin{}, march), params(t))); diff != "" {
		t.Error(diff)
	}
}

// TestTheFoldRemembersAsTheWatchDoes lets a machine chatter for a month and repeat
// itself at every distance: the fold takes for new what the watch takes for new,
// and holds no more.
func TestTheFoldRemembersAsTheWatchDoes(t *testing.T) {
	j := &journal{t: t}
	for hour := range 30 * 24 {
		j.say(at(1, hour, 0), "heron", "climate.read", &event.ClimateRead{RHPct: p(45)})
		if hour%7 == 0 {
			j.events = append(j.events, j.events[hour/2])
		}
	}
	watch, taken := floor.Memory{}, uint64(0)
	for _, e := range j.events {
		if watch.Add(e) {
			taken++
		}
	}
	f := j.fold(reliability.Origin{}, march)
	if r := reliability.Compute(f, params(t)); r.Events != taken || taken == 30*24 {
		t.Errorf("%d events, want the %d that the watch took", r.Events, taken)
	}
	seen := f.Next().Seen
	if got, want := seen.Lasting.Len()+seen.Young.Len()+seen.Old.Len(), watch.Young.Len()+watch.Old.Len(); got != want || got > 2*24 {
		t.Errorf("%d keys, want %d", got, want)
	}
}

// TestComputeChangesNothing asks for the report twice, and goes on.
func TestComputeChangesNothing(t *testing.T) {
	j := &journal{t: t}
	j.season(6, time.Date(2026, 1, 5, 8, 0, 0, 0, zone), march.To)
	f := reliability.New(march, zone, reliability.Origin{})
	running := params(t)
	running.Now = at(20, 12, 0)
	for i, e := range j.events {
		f.Apply(uint64(i+1), e)
		if i%500 == 0 {
			if first := compute(t, f, running); first != compute(t, f, running) {
				t.Fatalf("after %d events two reports differ", i)
			}
		}
	}
	if diff := cmp.Diff(compute(t, j.fold(reliability.Origin{}, march), params(t)), compute(t, f, params(t))); diff != "" {
		t.Error(diff)
	}
}

// TestUndone takes each kind of record back, one of them in the next month, and
// wants figures as if it had never been made.
func TestUndone(t *testing.T) {
	j := &journal{t: t}
	undo := func(when time.Time, machine, id string, typ event.Type) {
		j.say(when, machine, "entry.undone", &event.EntryUndone{Event: id, Type: typ, By: "ann"})
	}
	now := params(t)
	report := func() reliability.Report { return reliability.Compute(j.fold(reliability.Origin{}, march), now) }
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	j.start(at(2, 9, 0), "heron", "J1")
	strike := j.say(at(2, 9, 5), "heron", "strike.recorded", &event.StrikeRecorded{})
	waste := j.say(at(2, 9, 5), "heron", "film.wasted", &event.FilmWasted{LengthM: 2, Cause: "cure"})
	reprint := j.say(at(31, 23, 59), "heron", "job.reprinted", &event.JobReprinted{Job: "J1", Cause: "cure"})
	late := j.say(at(31, 23, 59), "heron", "job.reprinted", &event.JobReprinted{Job: "J1", Cause: "misprint"})
	if r := report(); r.Front.Strikes != 1 || r.Starts[0].Strikes != 1 || r.Front.Reprints != 2 || r.Front.WasteM2 == 0 || r.Machines[0].DownS == 0 {
		t.Fatalf("before: %+v", r.Front)
	}
	undo(march.To.Add(time.Minute/2), "heron", reprint, "job.reprinted")
	undo(march.To.Add(time.Hour), "heron", late, "job.reprinted") // too late, says the floor
	if r := report(); r.Front.Reprints != 1 || r.Reprints[0].Name != "misprint" {
		t.Errorf("reprint undone in the next month: %+v", r.Reprints)
	}
	j.events = j.events[:4]
	undo(at(2, 9, 6), "wren", strike, "strike.recorded") // of another machine: no effect
	undo(at(2, 9, 6), "heron", waste, "film.wasted")
	if r := report(); r.Front.Strikes != 1 || r.Front.WasteM2 != 0 {
		t.Errorf("waste undone: %+v", r.Front)
	}
	undo(at(2, 9, 6), "heron", strike, "strike.recorded")
	undo(at(2, 9, 6), "heron", strike, "strike.recorded") // twice is once
	r := report()
	if r.Front.Strikes != 0 || r.Starts[0].Strikes != 0 || r.Machines[0].DownS != 0 || r.Front.Starts != 1 {
		t.Errorf("strike undone: %+v", r.Front)
	}
}

// TestUndoneRun takes an end back, so that the run goes on, and a start.
func TestUndoneRun(t *testing.T) {
	j := &journal{t: t}
	now := params(t)
	now.Now = at(2, 10, 0)
	j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
	first := j.start(at(2, 9, 0), "heron", "J1")
	end := j.say(at(2, 9, 10), "heron", "run.stopped", &event.RunStopped{Run: event.Run{Job: "J1", Metres: p(1)}})
	j.say(at(2, 9, 11), "heron", "entry.undone", &event.EntryUndone{Event: end, Type: "run.stopped", By: "ann"})
	r := reliability.Compute(j.fold(reliability.Origin{}, march), now)
	near(t, "run time, still running", r.Machines[0].RunS, 3600, 0)
	near(t, "m printed", r.Machines[0].PrintedM, 0, 1e-9)
	j.events = j.events[:2]
	j.say(at(2, 9, 1), "heron", "entry.undone", &event.EntryUndone{Event: first, Type: "run.started", By: "ann"})
	r = reliability.Compute(j.fold(reliability.Origin{}, march), now)
	if r.Front.Starts != 0 || r.Machines[0].RunS != 0 {
		t.Errorf("start undone: %+v", r.Machines[0])
	}
}

// TestAStartTakenBackLeavesWhatWasBefore starts a run by mistake while another
// runs and stands still after a strike, and takes that back.
func TestAStartTakenBackLeavesWhatWasBefore(t *testing.T) {
	report := func(mistake bool) reliability.Report {
		j := &journal{t: t}
		j.load(at(2, 8, 0), "heron", "MONO-GLOSS-137", event.Monomeric)
		j.alarm(at(2, 8, 30), "heron", "bare-edge", "A", alarm.Normal, alarm.Condition)
		j.alarm(at(2, 8, 40), "heron", "bare-edge", "B", alarm.Normal, alarm.Condition)
		j.start(at(2, 9, 0), "heron", "A")
		j.say(at(2, 9, 10), "heron", "strike.recorded", &event.StrikeRecorded{})
		if mistake {
			id := j.start(at(2, 9, 20), "heron", "B")
			j.say(at(2, 9, 21), "heron", "entry.undone", &event.EntryUndone{Event: id, Type: "run.started", By: "ann"})
		}
		j.say(at(2, 9, 25), "heron", "strike.recorded", &event.StrikeRecorded{DowntimeS: p(60)})
		j.say(at(2, 9, 30), "heron", "run.progress", &event.RunProgress{Run: event.Run{Job: "A", Metres: p(1)}})
		j.finish(at(2, 10, 0), "heron", "A", 3)
		j.start(at(2, 10, 30), "heron", "B")
		j.finish(at(2, 10, 40), "heron", "B", 3)
		r := reliability.Compute(j.fold(reliability.Origin{}, march), params(t))
		for i := range r.Strikes {
			r.Strikes[i].ID = ""
		}
		for i := range r.Starts {
			r.Starts[i].ID = ""
		}
		r.Events, r.Quality = 0, nil // the mistake and its undoing are told there
		return r
	}
	got, want := report(true), report(false)
	if m := want.Machines[0]; m.RunS != 3000 || m.DownS != 1200 || len(want.Strikes) != 2 || !want.Strikes[1].Warned {
		t.Fatalf("without the mistake: %+v", m)
	}
	var texts [2]string
	for i, r := range []reliability.Report{got, want} {
		b, err := json.Marshal(r, json.Deterministic(true))
		if err != nil {
			t.Fatal(err)
		}
		texts[i] = string(b)
	}
	if diff := cmp.Diff(texts[1], texts[0]); diff != "" {
		t.Error(diff)
	}
}

// TestAWarningOutlivesItsMonth warns of two starts in February, both heeded, of
// which one comes before the month's end and one after it. Either ends in a strike
// of March.
func TestAWarningOutlivesItsMonth(t *testing.T) {
	j := &journal{t: t}
	end := march.From
	for m, job := range map[string]string{"heron": "A", "wren": "B"} {
		j.load(end.Add(-3*time.Hour), m, "MONO-GLOSS-137", event.Monomeric)
		j.alarm(end.Add(-2*time.Hour), m, "bare-edge", job, alarm.Normal, alarm.Condition)
		j.alarm(end.Add(-2*time.Hour), m, "bare-edge", job, alarm.Unacked, alarm.Acknowledge)
		j.alarm(end.Add(-2*time.Hour), m, "bare-edge", job, alarm.Acked, alarm.Return)
	}
	j.start(end.Add(-time.Hour), "heron", "A")
	february := len(j.events)
	j.say(end.Add(time.Minute), "heron", "strike.recorded", &event.StrikeRecorded{})
	j.start(end.Add(time.Minute), "wren", "B")
	j.say(end.Add(time.Minute), "wren", "strike.recorded", &event.StrikeRecorded{})
	all := reliability.Compute(j.fold(reliability.Origin{}, march), params(t)).Strikes

	before := &journal{t: t, events: j.events[:february]}
	f := reliability.New(march, zone, saved(t, before.fold(reliability.Origin{}, reliability.MonthOf(end.Add(-time.Hour), zone)).Next()))
	for i, e := range j.events[february:] {
		f.Apply(uint64(february+i+1), e)
	}
	for _, strikes := range [][]*reliability.Strike{all, reliability.Compute(f, params(t)).Strikes} {
		if len(strikes) != 2 || !strikes[0].Warned || !strikes[1].Warned {
			t.Errorf("%d strikes, want two that were warned of: %+v", len(strikes), strikes)
		}
	}
}

// TestMetricsAndReportAgreeOnWarnings counts the strikes of random journals by
// whether they were warned of, as the metrics do and as the report does. Alarms
// change at random, starts come with and without a warning, are said twice, and
// are taken back.
func TestMetricsAndReportAgreeOnWarnings(t *testing.T) {
	var warned, unwarned, undone uint64
	rapid.Check(t, func(r *rapid.T) {
		j := &journal{t: t}
		state, book, seen := floor.New(), alarm.NewBook(), floor.Memory{}
		now := at(2, 8, 0)
		j.load(now, "heron", "MONO-GLOSS-137", event.Monomeric)
		applied := 0
		for range rapid.IntRange(1, 150).Draw(r, "steps") {
			for ; applied < len(j.events); applied++ {
				if e := j.events[applied]; seen.Add(e) {
					state.Apply(uint64(applied+1), e)
					book.Apply(uint64(applied+1), e, state)
				}
			}
			now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 5, 40, 600}).Draw(r, "seconds")) * time.Second)
			j.step(r, now, state.Machine("north", "heron"), book)
		}
		j.events = j.events[:applied]
		warned, unwarned, undone = warned+book.Totals.Warned, unwarned+book.Totals.Unwarned, undone+state.Machines["north/heron"].Tally.Undone["run.started"]
		var got alarm.Totals
		for _, s := range reliability.Compute(j.fold(reliability.Origin{}, march), params(t)).Strikes {
			if s.Warned {
				got.Warned++
			} else {
				got.Unwarned++
			}
		}
		if got.Warned != book.Totals.Warned || got.Unwarned != book.Totals.Unwarned {
			r.Fatalf("the report has %d warned and %d unwarned strikes, the metrics %d and %d", got.Warned, got.Unwarned, book.Totals.Warned, book.Totals.Unwarned)
		}
	})
	if warned == 0 || unwarned == 0 || undone == 0 {
		t.Errorf("%d warned strikes, %d unwarned ones and %d starts taken back: want some of each", warned, unwarned, undone)
	}
}

// step lets one thing happen on heron.
func (j *journal) step(r *rapid.T, now time.Time, m *floor.Machine, book *alarm.Book) {
	j.t.Helper()
	job := rapid.SampledFrom([]string{"A", "B"}).Draw(r, "job")
	switch rapid.IntRange(0, 9).Draw(r, "what") {
	case 0, 1, 2:
		j.transition(r, now, m, book, job)
	case 3, 4:
		j.start(now, "heron", job)
	case 5:
		j.say(now, "heron", "strike.recorded", &event.StrikeRecorded{Job: job})
	case 6:
		j.finish(now, "heron", job, rapid.Float64Range(0, 3).Draw(r, "metres"))
	case 7, 8:
		of := j.events[len(j.events)-rapid.IntRange(1, min(2, len(j.events))).Draw(r, "ago")]
		if of.Type == "run.started" || of.Type == "run.finished" {
			j.say(now, "heron", "entry.undone", &event.EntryUndone{Event: of.ID, Type: of.Type, By: "ann"})
		}
	case 9:
		j.events = append(j.events, j.events[rapid.IntRange(0, len(j.events)-1).Draw(r, "copy")])
	}
}

// transition takes any row that the state of a job's alarm allows.
func (j *journal) transition(r *rapid.T, now time.Time, m *floor.Machine, book *alarm.Book, job string) {
	j.t.Helper()
	hazard := rapid.SampledFrom([]string{"bare-edge", "bare-edge", "dry-air"}).Draw(r, "hazard")
	from := book.StateOf("north", "heron", alarm.Key{Hazard: hazard, Job: job})
	rows := slices.DeleteFunc(slices.Clone(alarm.Lifecycle), func(row alarm.Transition) bool { return row.From != from })
	row := rapid.SampledFrom(rows).Draw(r, "row")
	phase := "queued"
	if m.Run != nil && m.Run.Same(job, "") {
		phase = "running"
	}
	j.say(now, "heron", event.AlarmChangedType, &event.AlarmChanged{
		Hazard: hazard, Job: job, From: string(row.From), To: string(row.To), On: string(row.On), Emit: row.Emit, Phase: phase, Priority: "high", Message: "m",
	})
}
