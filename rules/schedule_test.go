package rules_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/queue"
)

// queued queues a ticket of so many metres and returns it to be changed before.
func (d *desk) queued(job string, change func(*event.TicketReceived)) {
	d.t.Helper()
	t := ticket(job)
	if change != nil {
		change(t)
	}
	d.say("ticket.received", t)
}

// finish lets a run of 3 m take so long.
func (d *desk) finish(job string, takes time.Duration) {
	d.t.Helper()
	d.queued(job, nil)
	d.say("run.started", &event.RunStarted{Run: run(job, nil)})
	d.wait(takes)
	d.say("run.finished", &event.RunFinished{Run: run(job, p(3))})
}

func (d *desk) reader() rules.Reader {
	return rules.Read(shop(d.t, nil), d.engine.View(d.now))
}

// Three metres in 12 passes of a swath of 54 mm are 666.7 strokes of 1.6 s: the
// computed time of a ticket is 1066.7 s.
const computed = 3000 * 12 / 54.0 * 1.6

func lasting(times float64) time.Duration {
	return time.Duration(times * computed * float64(time.Second))
}

// TestScheduleFollowsThePace lets every run take half as long again as computed.
// With 9 of them the learnt ratio counts 9 of 12 on the scale of logarithms:
// 1.5 to the power of 3/4 is 1.3554.
func TestScheduleFollowsThePace(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	for i := range 9 {
		d.finish("F"+string(rune('1'+i)), lasting(1.5))
	}
	d.queued("J1", nil)
	d.queued("J2", nil)
	d.queued("J3", nil)
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	slots := d.reader().Schedule(d.now, "north", "heron")
	if len(slots) != 2 {
		t.Fatalf("got %d slots, want one for each queued run", len(slots))
	}
	want := math.Pow(1.5, 0.75) * computed
	for i, s := range slots {
		if got := s.Expected.Sub(d.now).Seconds(); math.Abs(got-want*float64(i+1)) > 1 {
			t.Errorf("%s is expected in %.0f s, want %.0f", s.Run.Job, got, want*float64(i+1))
		}
		if takes, _ := s.TakesS.Get(); math.Abs(takes-want) > 1 {
			t.Errorf("%s takes %.0f s, want %.0f", s.Run.Job, takes, want)
		}
	}
	// The alarms go by the same.
	for i, at := range d.reader().ReadyAt(d.now, "north", "heron") {
		if !at.Equal(slots[i].Expected) {
			t.Errorf("the alarms expect %s at %v, the schedule at %v", slots[i].Run.Job, at, slots[i].Expected)
		}
	}
	// Each interval holds what is expected and is wider than the one before, by
	// less than twice because runs vary by themselves.
	first, second := slots[0].Late.Sub(slots[0].Early), slots[1].Late.Sub(slots[1].Early)
	if second <= first || second >= 2*first {
		t.Errorf("intervals of %v and %v", first, second)
	}
	for _, s := range slots {
		if s.Early.After(s.Expected) || s.Late.Before(s.Expected) || s.Early.Before(d.now) {
			t.Errorf("%s: early %v, expected %v, late %v", s.Run.Job, s.Early, s.Expected, s.Late)
		}
	}
}

// TestPlannedStartsFloorTheSchedule: no run starts before its planned start, and
// one that waits for it starts on time.
func TestPlannedStartsFloorTheSchedule(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	soon, far := start.Add(lasting(1.1)), start.Add(10*time.Hour)
	d.queued("J1", nil)
	d.queued("J2", func(t *event.TicketReceived) { t.StartAt = &soon })
	d.queued("J3", func(t *event.TicketReceived) { t.StartAt = &far })
	d.queued("J4", func(t *event.TicketReceived) { t.StartAt = &far })
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	s := d.reader().Schedule(d.now, "north", "heron")
	if !s[0].Early.Equal(soon) || !s[0].Expected.Equal(soon) || !s[0].Late.After(soon) {
		t.Errorf("J2, planned shortly after J1: early %v, expected %v, late %v, planned %v", s[0].Early, s[0].Expected, s[0].Late, soon)
	}
	if !s[1].Early.Equal(far) || !s[1].Late.Equal(far) {
		t.Errorf("J3, planned long after: early %v, late %v, planned %v", s[1].Early, s[1].Late, far)
	}
	if wide := s[2].Late.Sub(s[2].Early).Seconds(); !(wide > 0 && wide < 2*computed) {
		t.Errorf("J4 behind it: the interval of %.0f s must be that of one run", wide)
	}
}

// TestNobodyCanTellHowLate: behind a run of unknown length nothing has a latest
// start, whatever is planned.
func TestNobodyCanTellHowLate(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	far := start.Add(10 * time.Hour)
	d.queued("J1", nil)
	d.queued("J2", func(t *event.TicketReceived) { t.LengthM = nil })
	d.queued("J3", func(t *event.TicketReceived) { t.StartAt = &far })
	d.queued("J4", nil)
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	s := d.reader().Schedule(d.now, "north", "heron")
	if s[0].Late.IsZero() || s[0].TakesS.Known() {
		t.Errorf("J2 itself follows a known run: %+v", s[0])
	}
	for _, after := range s[1:] {
		if !after.Late.IsZero() {
			t.Errorf("%s behind it starts at %v at the latest", after.Run.Job, after.Late)
		}
	}
	if last := s[2]; last.Run.Job != "J3" || !last.Expected.Equal(far) {
		t.Errorf("last is %s, expected at %v; want J3, planned %v", last.Run.Job, last.Expected, far)
	}
	if d.reader().Schedule(d.now, "north", "nobody") != nil {
		t.Error("a machine that nobody knows has a schedule")
	}
}

// poly makes a ticket one for film that lies flat.
func poly(t *event.TicketReceived) { t.Stock, t.FilmClass = "POLY-GLOSS-137", event.Polymeric }

// due sets a due time.
func due(in time.Duration) func(*event.TicketReceived) {
	at := start.Add(in)
	return func(t *event.TicketReceived) { t.Due = &at }
}

// TestQueueAdviceGroupsStocks works a small queue out by hand. J1 runs on cheap
// film; behind it wait a flat film, cheap film, and cheap film again, all due
// tomorrow. Taken in that order the roll is changed twice. Cheap film first
// needs one change, and no cut: nothing of it starts bare.
//
// A change takes 10 minutes of labour and standstill at 30 and 60 USD an hour,
// 15.00, and half a metre of film 1.37 m wide: 0.82 at 1.20 USD for cheap film,
// 1.78 at 2.60 for flat. The start on a bare edge costs an advance, 0.365 m of
// film for 0.60 and 10 s of labour for 0.08, and the odds that it leaves.
func TestQueueAdviceGroupsStocks(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	d.queued("J1", due(24*time.Hour))
	d.queued("J2", func(t *event.TicketReceived) { poly(t); due(24 * time.Hour)(t) })
	d.queued("J3", due(24*time.Hour))
	d.queued("J4", due(24*time.Hour))
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	a, ok := d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
	if !ok || !a.Exact || len(a.Aside) != 0 {
		t.Fatalf("no exact advice on all three: %+v", a)
	}
	if got, want := strings.Join(a.Order(), " "), "J3/P1 J4/P1 J2/P1"; got != want {
		t.Errorf("order %s, want %s", got, want)
	}
	if !slices.Equal(a.Advised.Uncut, []bool{true, true, false}) {
		t.Errorf("uncut: %v, want J3 behind J1 and J4 behind J3", a.Advised.Uncut)
	}
	edge := a.Problem.Jobs[1].BareCost
	for name, v := range map[string][2]float64{
		"change now": {a.Present.Change, 30 + 1.781 + 0.822}, "change advised": {a.Advised.Change, 15 + 1.781},
		"edges now": {a.Present.Bare, 2 * edge}, "edges advised": {a.Advised.Bare, 0}, "late": {a.Present.Late + a.Advised.Late, 0},
	} {
		if math.Abs(v[0]-v[1]) > 0.005 {
			t.Errorf("%s: %.3f USD, want %.3f", name, v[0], v[1])
		}
	}
	if edge < 0.68 || edge > 1.00 {
		t.Errorf("a bare edge costs %.2f USD, want 0.68 for an advance and little more", edge)
	}
	text := strings.Join(a.Changes, "\n")
	for _, want := range []string{"run J2/P1 as number 3 instead of 1", "do not cut between J1/P1 and J3/P1", "do not cut between J3/P1 and J4/P1"} {
		if !strings.Contains(text, want) {
			t.Errorf("the advice does not say %q:\n%s", want, text)
		}
	}
	if v := d.engine.View(d.now).Floor.Machine("north", "heron").Queue; v[0].Job != "J2" {
		t.Error("the queue was changed, and nobody had accepted anything")
	}
}

// TestQueueAdviceKeepsWhatAPersonDecided pins the flat film to its place.
func TestQueueAdviceKeepsWhatAPersonDecided(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	d.queued("J1", nil)
	d.queued("J2", poly)
	d.queued("J3", nil)
	d.say("run.queued", &event.RunQueued{Job: "J2", Part: "P1", Position: p(1)})
	a, _ := d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
	if got := a.Order()[0]; got != "J2/P1" || !a.Problem.Jobs[0].Fixed {
		t.Errorf("the pinned run gave its place to %s", got)
	}
}

// TestQueueAdviceOnWhatIsNotKnown: a run of unknown length, or that asks for no
// film, ends what can be told, and what is due at no known time is neither late
// nor left uncut.
func TestQueueAdviceOnWhatIsNotKnown(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*event.TicketReceived)
		why    string
	}{
		"length": {func(t *event.TicketReceived) { t.LengthM = nil }, "its length is not known"},
		"film":   {func(t *event.TicketReceived) { t.Stock, t.FilmClass = "", "" }, "neither a stock nor a film class"},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, shop(t, nil))
			d.monoRoll(0)
			d.queued("J1", poly)
			d.queued("J2", nil)
			d.queued("J3", c.change)
			d.queued("J4", due(time.Minute))
			a, ok := d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
			if !ok || len(a.Aside) != 2 || !strings.Contains(a.Aside[0].Why, c.why) || !strings.Contains(a.Aside[1].Why, "stands behind") {
				t.Fatalf("aside: %+v", a.Aside)
			}
			if got := strings.Join(a.Order(), " "); got != "J2/P1 J1/P1 J3/P1 J4/P1" {
				t.Errorf("order %s, want the two known ones by stock and the others behind them", got)
			}
			if slices.Contains(a.Advised.Uncut, true) || a.Advised.Late != 0 {
				t.Errorf("without a due time: %+v", a.Advised)
			}
		})
	}
	d := newDesk(t, shop(t, nil))
	d.monoRoll(400)
	d.queued("J1", func(t *event.TicketReceived) { t.LengthM = nil })
	d.queued("J2", nil)
	d.say("run.started", &event.RunStarted{Run: run("J1", nil)})
	a, ok := d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
	if !ok || len(a.Aside) != 1 || !strings.Contains(a.Aside[0].Why, "nobody can tell when the machine is free") || a.Saves() != 0 {
		t.Errorf("behind a run of unknown length: %+v", a)
	}
	if _, ok := d.reader().QueueAdvice(d.now, "north", "nobody", queue.DefaultPrices()); ok {
		t.Error("an advice on a machine that nobody knows")
	}
}

// TestQueueAdviceOnAnUnknownEdge: an edge that nobody knows is a bare one, and
// an unknown rest of the roll keeps nothing uncut.
func TestQueueAdviceOnAnUnknownEdge(t *testing.T) {
	d := newDesk(t, shop(t, nil))
	d.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370)})
	d.queued("J1", due(24*time.Hour))
	d.queued("J2", due(24*time.Hour))
	a, _ := d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
	if a.Advised.BareStarts != 2 || a.Advised.RollChanges != 0 || slices.Contains(a.Advised.Uncut, true) {
		t.Errorf("got %+v", a.Advised)
	}
	d.monoRoll(400) // now both are known, and the first start is past the zone
	a, _ = d.reader().QueueAdvice(d.now, "north", "heron", queue.DefaultPrices())
	if a.Present.BareStarts != 1 || a.Advised.BareStarts != 0 || !a.Advised.Uncut[1] {
		t.Errorf("got %+v", a.Advised)
	}
}
