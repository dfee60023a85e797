package floor_test

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

func p(v float64) *float64 { return &v }

func truth(b bool) *bool { return &b }

// crew applies events on heron, a minute apart.
type crew struct {
	t testing.TB
	*floor.State
	seq     uint64
	at      time.Time
	machine string // heron when empty
}

func newCrew(t testing.TB) *crew { return &crew{t: t, State: floor.New(), at: start} }

func (c *crew) say(typ event.Type, d event.Payload) { c.on(cmp.Or(c.machine, "heron"), typ, d) }

func (c *crew) on(machine string, typ event.Type, d event.Payload) {
	c.t.Helper()
	if d != nil {
		if err := d.Check(); err != nil {
			c.t.Fatal(err)
		}
	}
	c.seq++
	c.at = c.at.Add(time.Minute)
	c.Apply(c.seq, event.Event{ID: fmt.Sprint(c.seq), Source: "test", Type: typ, Time: c.at, Site: "north", Machine: machine, Data: d})
}

func (c *crew) heron() *floor.Machine { return c.Machine("north", "heron") }

// The shorthand of the table below.

func load(c *crew) {
	c.say("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50)})
}

func loadTo(mm float64) func(*crew) {
	return func(c *crew) { c.say("roll.loaded", &event.RollLoaded{LengthM: p(50), EdgeMM: &mm}) }
}

func edge(mm float64, cause string) func(*crew) {
	return func(c *crew) { c.say("edge.moved", &event.EdgeMoved{PositionMM: &mm, Cause: cause}) }
}

func by(mm float64, cause string) func(*crew) {
	return func(c *crew) { c.say("edge.moved", &event.EdgeMoved{ByMM: &mm, Cause: cause}) }
}

func ticket(job string, lengthM, priority float64) func(*crew) {
	return func(c *crew) {
		c.say("ticket.received", &event.TicketReceived{Job: job, LengthM: &lengthM, Priority: &priority})
	}
}

func queue(job string, place *float64) func(*crew) {
	return func(c *crew) { c.say("run.queued", &event.RunQueued{Job: job, Position: place}) }
}

func run(typ event.Type, job string, metres *float64) func(*crew) {
	r := event.Run{Job: job, Metres: metres}
	return func(c *crew) {
		switch typ {
		case "run.started":
			c.say(typ, &event.RunStarted{Run: r})
		case "run.progress":
			c.say(typ, &event.RunProgress{Run: r})
		case "run.finished":
			c.say(typ, &event.RunFinished{Run: r})
		default:
			c.say(typ, &event.RunStopped{Run: r})
		}
	}
}

func cut(job string, rewound bool, atMM *float64) func(*crew) {
	return func(c *crew) { c.say("cut.finished", &event.CutFinished{Job: job, Rewound: &rewound, AtMM: atMM}) }
}

func leader(mm float64) func(*crew) {
	return func(c *crew) { c.say("leader.attached", &event.LeaderAttached{LengthMM: mm}) }
}

func shape(c *crew) { c.say("edge.shaped", &event.EdgeShaped{Shape: "rounded"}) }

func strike(c *crew) { c.say("strike.recorded", &event.StrikeRecorded{DowntimeS: p(60)}) }

// want is what a row of the table expects of heron; nil and "" are not looked
// at, and unknown is the value that is not known.
type want struct {
	edge, left *units.Maybe
	cause      string
	queue      []string
	check      func(*floor.Machine) string // what is wrong, or ""
	anomalies  []string
}

func known(v float64) *units.Maybe { m := units.Some(v); return &m }

var unknown = &units.Maybe{}

// TestTransitions holds every transition of the model, in the order in which
// events should come and in others, with the anomaly that each records.
func TestTransitions(t *testing.T) {
	rows := []struct {
		name string
		do   []func(*crew)
		want want
	}{
		{"a fresh roll has an unknown edge", []func(*crew){edge(0, "rewind"), load}, want{edge: unknown, left: known(50)}},
		{"a fresh roll whose threading is told", []func(*crew){loadTo(120)}, want{edge: known(120), left: known(50)}},
		{"a fresh roll takes leader and shape away", []func(*crew){load, shape, leader(300), load}, want{
			anomalies: []string{"roll-replaced"},
			check: func(m *floor.Machine) string {
				return unless(!m.Leader.On && m.Edge.Shape == "", "leader or shape stayed")
			}}},
		{"a roll without a class is unknown", []func(*crew){func(c *crew) { c.say("roll.loaded", &event.RollLoaded{Stock: "X"}) }}, want{
			left: unknown, check: func(m *floor.Machine) string {
				return unless(m.Roll.Class == event.Unknown, "class "+string(m.Roll.Class))
			}}},
		{"a removed roll leaves nothing", []func(*crew){load, edge(0, "rewind"), func(c *crew) { c.say("roll.removed", &event.RollRemoved{}) }}, want{
			edge: unknown, left: unknown, check: func(m *floor.Machine) string { return unless(!m.Roll.Loaded, "still loaded") }}},
		{"no roll to remove", []func(*crew){func(c *crew) { c.say("roll.removed", &event.RollRemoved{}) }}, want{anomalies: []string{"roll-absent"}}},

		{"an advance comes off the roll", []func(*crew){load, edge(0, "rewind"), by(365, "advance")}, want{edge: known(365), left: known(49.635), cause: "advance"}},
		{"a rewind goes back on the roll", []func(*crew){load, edge(0, "advance"), edge(2000, "feed"), edge(500, "rewind")}, want{edge: known(500), left: known(49.5), cause: "rewind",
			check: func(m *floor.Machine) string { return unless(m.Edge.Rewound, "not reversed") }}},
		{"a first position moves no film", []func(*crew){load, edge(900, "advance")}, want{edge: known(900), left: known(50)}},
		{"a trim cuts film off below the roll", []func(*crew){load, edge(900, "advance"), shape, leader(200), by(-100, "trim")}, want{edge: known(800), left: known(50), cause: "trim",
			check: func(m *floor.Machine) string {
				return unless(!m.Leader.On && m.Edge.Shape == "", "leader or shape stayed")
			}}},
		{"a movement from nowhere leads nowhere", []func(*crew){load, by(100, "advance")}, want{edge: unknown, left: known(49.9), anomalies: []string{"move-of-unknown-edge"}}},
		{"more film than the roll has", []func(*crew){load, edge(0, "rewind"), by(90000, "feed")}, want{left: known(0), anomalies: []string{"moved-too-far"}}},

		{"a leader reaches ahead of the edge", []func(*crew){load, edge(50, "advance"), leader(300)}, want{check: func(m *floor.Machine) string {
			return unless(floor.FrontMM(m.Edge, m.Leader) == units.Some(350), "front is not at 350")
		}}},
		{"a leader on an unknown edge reaches nobody knows where", []func(*crew){load, leader(300)}, want{check: func(m *floor.Machine) string {
			return unless(!floor.FrontMM(m.Edge, m.Leader).Known(), "front is known")
		}}},
		{"a second leader", []func(*crew){load, leader(300), leader(400)}, want{anomalies: []string{"leader-replaced"},
			check: func(m *floor.Machine) string { return unless(m.Leader.LengthMM == 400, "old leader stayed") }}},
		{"no leader to remove", []func(*crew){func(c *crew) { c.say("leader.removed", &event.LeaderRemoved{}) }}, want{anomalies: []string{"leader-absent"}}},

		{"tickets queue by priority, then by arrival", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), ticket("c", 1, 90), ticket("d", 1, 10)}, want{queue: []string{"c", "a", "b", "d"}}},
		{"a place that was given is kept", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), queue("b", p(1)), ticket("c", 1, 100)}, want{queue: []string{"b", "c", "a"}}},
		{"a place beyond the end is the end", []func(*crew){ticket("a", 1, 50), queue("b", p(9))}, want{queue: []string{"a", "b"}}},
		{"queued twice is queued once", []func(*crew){queue("a", nil), queue("b", nil), queue("a", nil)}, want{queue: []string{"b", "a"}}},
		{"a revised ticket keeps a given place", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), queue("b", p(1)), ticket("b", 7, 1)}, want{queue: []string{"b", "a"},
			check: func(m *floor.Machine) string { return unless(m.Queue[0].LengthM() == units.Some(7), "old length") }}},
		{"an earlier planned start goes first", []func(*crew){startAt("a", 3), startAt("b", 2), startAt("c", 4)}, want{queue: []string{"b", "a", "c"}}},
		{"a ticket that comes late reaches the waiting run", []func(*crew){queue("a", nil), site("a", 4)}, want{queue: []string{"a"},
			check: func(m *floor.Machine) string { return unless(m.Queue[0].LengthM() == units.Some(4), "no ticket") }}},
		{"a ticket that comes late reaches the running run", []func(*crew){queue("a", nil), run("run.started", "a", nil), site("a", 4)}, want{anomalies: []string{"run-without-ticket"},
			check: func(m *floor.Machine) string { return unless(m.Run.LengthM() == units.Some(4), "no ticket") }}},
		{"a ticket of no machine", []func(*crew){ticket("a", 1, 50), site("b", 4)}, want{queue: []string{"a"}, anomalies: []string{"ticket-without-machine"}}},
		{"a machine's own ticket goes before the site's", []func(*crew){ticket("a", 1, 50), site("a", 4)}, want{
			check: func(m *floor.Machine) string { return unless(m.Queue[0].LengthM() == units.Some(1), "the site's won") }}},
		{"a ticket withdrawn leaves the queue", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), withdraw("a")}, want{queue: []string{"b"}}},
		{"an unknown ticket withdrawn", []func(*crew){load, withdraw("a")}, want{anomalies: []string{"withdrawal-of-unknown-ticket"}}},
		{"a running ticket withdrawn", []func(*crew){ticket("a", 1, 50), run("run.started", "a", nil), withdraw("a")}, want{anomalies: []string{"withdrawal-of-running-job"},
			check: func(m *floor.Machine) string { return unless(m.Run != nil, "the run was stopped") }}},

		{"a run takes film and moves the edge", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.progress", "a", p(1.5))}, want{
			edge: known(1500), left: known(48.5), cause: "feed", queue: []string{}}},
		{"a finished run fed what it says", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", p(3.2))}, want{edge: known(3200), left: known(46.8)}},
		{"a finished run fed what was planned", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", nil)}, want{edge: known(3000), left: known(47)}},
		{"a finished run fed at least what it said before", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", p(5)), run("run.finished", "a", nil)}, want{edge: known(5000), left: known(45)}},
		{"a stopped run fed nobody knows what", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.stopped", "a", nil)}, want{edge: unknown, left: unknown}},
		{"a finished run without any length", []func(*crew){load, edge(0, "rewind"), queue("a", nil), run("run.started", "a", nil), run("run.finished", "a", nil)}, want{
			edge: unknown, left: unknown, anomalies: []string{"run-without-ticket"}}},
		{"the machine says a start twice", []func(*crew){ticket("a", 1, 50), run("run.started", "a", nil), run("run.started", "a", nil)}, want{
			check: func(m *floor.Machine) string { return unless(m.Tally.TotalStarts() == 1, "counted twice") }}},
		{"a run that nobody queued", []func(*crew){run("run.started", "a", nil)}, want{anomalies: []string{"run-not-queued", "run-without-ticket"}}},
		{"a run over another", []func(*crew){load, edge(0, "rewind"), ticket("a", 1, 50), ticket("b", 1, 50), run("run.started", "a", p(1)), run("run.started", "b", nil)}, want{
			edge: unknown, left: unknown, anomalies: []string{"run-overlap"}}},
		{"progress of nothing", []func(*crew){load, run("run.progress", "a", p(1))}, want{left: known(50), anomalies: []string{"progress-without-run"}}},
		{"progress backwards", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", p(2)), run("run.progress", "a", p(1))}, want{
			edge: known(2000), left: known(48), anomalies: []string{"metres-went-back"}}},
		{"an end with fewer metres", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", p(2)), run("run.finished", "a", p(1))}, want{
			edge: known(2000), left: known(48), anomalies: []string{"metres-went-back"}}},
		{"an end without a start", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.finished", "a", p(3))}, want{
			edge: known(3000), left: known(47), queue: []string{}, anomalies: []string{"end-without-start"}}},
		{"an end without start and metres", []func(*crew){load, edge(0, "rewind"), run("run.stopped", "a", nil)}, want{
			edge: unknown, left: unknown, anomalies: []string{"end-without-start"}}},
		{"an end of another run", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), run("run.started", "a", nil), run("run.finished", "b", nil)}, want{
			queue: []string{}, anomalies: []string{"end-of-other-run"}, check: func(m *floor.Machine) string { return unless(m.Run != nil && m.Run.Job == "a", "a does not run") }}},
		{"an end told twice", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", p(3)), run("run.finished", "a", p(3))}, want{
			edge: known(3000), left: known(47), anomalies: []string{"end-repeated"}}},
		{"a roll changed within a run", []func(*crew){load, edge(0, "rewind"), ticket("a", 9, 50), run("run.started", "a", p(2)), load, run("run.progress", "a", p(3))}, want{
			edge: unknown, left: known(49), anomalies: []string{"roll-replaced"}}},
		{"a cut within a run", []func(*crew){load, edge(0, "rewind"), ticket("a", 9, 50), ticket("b", 9, 50), run("run.started", "a", nil), run("run.finished", "a", p(9)),
			run("run.started", "b", p(1)), cut("a", false, p(800)), run("run.progress", "b", p(1.5))}, want{edge: known(800), left: known(39.5)}},
		{"a cut within a run, and on", []func(*crew){load, ticket("b", 9, 50), run("run.started", "b", p(1)), cut("a", false, p(800)), run("run.progress", "b", p(1.5)), run("run.progress", "b", p(2))}, want{
			edge: known(1300), anomalies: []string{"cut-without-run"}}},
		{"a cut told before the end of its run", []func(*crew){loadTo(0), by(365, "advance"), ticket("a", 2, 50), run("run.started", "a", nil), cut("a", true, nil), run("run.finished", "a", p(2))}, want{
			edge: known(0), anomalies: []string{"cut-without-run"}}},
		{"an edge seen within a run", []func(*crew){load, ticket("a", 9, 50), run("run.started", "a", p(2)), edge(2100, "feed"), run("run.progress", "a", p(3)), run("run.progress", "a", p(3.5))}, want{edge: known(2600)}},
		{"an advance by more than the roll", []func(*crew){load, edge(0, "rewind"), by(99_999, "advance")}, want{edge: unknown, left: known(0), anomalies: []string{"moved-too-far"}}},
		{"an advance to beyond the roll", []func(*crew){load, edge(0, "rewind"), edge(99_999, "advance")}, want{edge: unknown, anomalies: []string{"moved-too-far"}}},
		{"an undated ticket goes before one that is not due", []func(*crew){planned("a", 10*time.Hour), ticket("b", 1, 10)}, want{queue: []string{"b", "a"}}},
		{"an undated ticket waits for one that is due soon", []func(*crew){planned("a", 50*time.Minute), ticket("b", 1, 10)}, want{queue: []string{"a", "b"}}},

		{"a cut that rewinds", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", nil), shape, leader(100), cut("a", true, p(900))}, want{
			edge: known(0), left: known(47.9), cause: "rewind", check: func(m *floor.Machine) string {
				return unless(m.Last.Cut && !m.Leader.On && m.Edge.Shape == "", "not a bare cut edge")
			}}},
		{"a cut that stays", []func(*crew){load, ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", nil), cut("", false, p(900))}, want{edge: known(900), left: known(47), cause: "trim"}},
		{"a cut nobody knows where", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", nil), cut("a", false, nil)}, want{edge: unknown, left: known(47)}},
		{"a cut of another job", []func(*crew){load, ticket("a", 3, 50), run("run.started", "a", nil), run("run.finished", "a", nil), cut("b", true, nil)}, want{
			anomalies: []string{"cut-without-run"}, check: func(m *floor.Machine) string { return unless(!m.Last.Cut, "the wrong job was cut") }}},

		{"a strike unproves the head", []func(*crew){strike}, want{check: func(m *floor.Machine) string { return unless(m.Head.Unproven, "proven") }}},
		{"half a check proves nothing", []func(*crew){strike, headCheck(true, false), headCheck(false, true)}, want{check: func(m *floor.Machine) string { return unless(m.Head.Unproven, "proven") }}},
		{"a whole check proves the head", []func(*crew){strike, headCheck(true, true)}, want{check: func(m *floor.Machine) string { return unless(!m.Head.Unproven, "unproven") }}},
		{"a check before the strike proves nothing", []func(*crew){headCheck(true, true), strike}, want{check: func(m *floor.Machine) string {
			return unless(m.Head.Unproven && !m.Head.NozzlesOK && !m.Head.Clear, "the old check counts")
		}}},
		{"a check that finds something unproves the head", []func(*crew){headCheck(true, true), headCheck(false, false)}, want{check: func(m *floor.Machine) string {
			return unless(m.Head.Unproven, "proven")
		}}},
		{"a strike belongs to the run at hand", []func(*crew){ticket("a", 1, 50), run("run.started", "a", nil), strike}, want{check: func(m *floor.Machine) string { return unless(m.Run.Struck, "not struck") }}},
		{"a strike after the end belongs to the last run", []func(*crew){ticket("a", 1, 50), run("run.started", "a", nil), run("run.finished", "a", nil), strike}, want{
			check: func(m *floor.Machine) string { return unless(m.Last.Struck, "not struck") }}},

		{"waste without a width", []func(*crew){func(c *crew) { c.say("film.wasted", &event.FilmWasted{LengthM: 2, Cause: "other"}) }}, want{anomalies: []string{"waste-without-width"}}},
		{"a whole site has no edge", []func(*crew){func(c *crew) { c.on("any", "edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: "rewind"}) }}, want{anomalies: []string{"no-machine"}}},
		{"a strip of nobody knows what", []func(*crew){strip("", 499)}, want{anomalies: []string{"strip-without-stock"}}},
		{"an order that names a run nobody queued", []func(*crew){queue("a", nil), order("x")}, want{queue: []string{"a"}, anomalies: []string{"advice-of-unknown-run"}}},
		{"an order for a machine nobody heard of", []func(*crew){order("x"), load}, want{anomalies: []string{"advice-of-unknown-run"}}},
		{"an order for a whole site", []func(*crew){load, func(c *crew) {
			c.on("any", "advice.accepted", &event.AdviceAccepted{By: "ada", Order: []string{"a"}})
		}}, want{anomalies: []string{"no-machine"}}},
		{"an accepted order is kept", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), ticket("c", 1, 50), order("c", "a", "c"), ticket("d", 1, 100)}, want{queue: []string{"c", "a", "d", "b"}}},
		{"nothing to take back", []func(*crew){load, undo(0, "roll.loaded")}, want{anomalies: []string{"undo-of-unknown-entry"}, left: known(50)}},
		{"taken back twice", []func(*crew){load, undo(1, "roll.loaded"), undo(2, "roll.loaded")}, want{anomalies: []string{"undo-repeated"}, left: unknown}},
		{"taken back too late", []func(*crew){load, undo(1, "roll.loaded"), edge(0, "rewind"), by(100, "advance"), undo(2, "edge.moved")}, want{anomalies: []string{"undo-too-late"}, edge: known(100)}},
		{"what is told of the roll before", []func(*crew){load, edge(0, "rewind"), told(2*time.Hour, edge(400, "advance"))}, want{edge: known(0), anomalies: []string{"told-late"}}},
		{"a later ticket says when", []func(*crew){queue("a", p(1)), planned("a", 10*time.Hour), planned("a", time.Hour)}, want{queue: []string{"a"}, check: startsIn(time.Hour)}},
		{"a later ticket says when no longer", []func(*crew){planned("a", 48*time.Hour), ticket("a", 1, 50)}, want{queue: []string{"a"}, check: startsIn(0)}},
		{"a ticket of the site says when", []func(*crew){queue("a", nil), func(c *crew) { on(c, "any", planned("a", time.Hour)) }}, want{queue: []string{"a"}, check: startsIn(time.Hour)}},
		{"a ticket of the site puts its run in its place", []func(*crew){queue("a", nil), planned("b", 2*time.Hour), func(c *crew) { on(c, "any", planned("a", 3*time.Hour)) }}, want{queue: []string{"b", "a"}}},
		{"a ticket that comes again keeps its place", []func(*crew){ticket("a", 1, 50), ticket("b", 1, 50), ticket("a", 2, 50)}, want{queue: []string{"a", "b"}}},
		{"what was ordered once holds up nothing that is due sooner", []func(*crew){planned("a", 10*time.Hour), planned("b", 11*time.Hour), order("b", "a"), planned("c", time.Hour), ticket("d", 1, 100)},
			want{queue: []string{"c", "b", "a", "d"}}},
		{"a type outside the contract", []func(*crew){func(c *crew) { c.say("paper.jammed", nil) }}, want{anomalies: []string{"unknown-type"}}},
		{"a message that cannot be decoded", []func(*crew){func(c *crew) { c.Refuse(1, c.at, "floor.north.heron.edge.moved", errors.New("no cause")) }}, want{anomalies: []string{"refused-event"}}},
	}
	provoked := map[string]bool{}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			c := newCrew(t)
			for _, do := range row.do {
				do(c)
			}
			var kinds []string
			for _, a := range c.Anomalies.Newest {
				kinds = append(kinds, a.Kind)
				provoked[a.Kind] = true
			}
			if !slices.Equal(kinds, row.want.anomalies) {
				t.Errorf("anomalies: want %v, got %v", row.want.anomalies, kinds)
			}
			checkMachine(t, c.heron(), row.want)
		})
	}
	for _, k := range floor.AnomalyKinds {
		if !provoked[k.Code] {
			t.Errorf("no row provokes %s", k.Code)
		}
	}
}

func checkMachine(t *testing.T, m *floor.Machine, w want) {
	t.Helper()
	if w.edge != nil && !near(m.Edge.PositionMM, *w.edge) {
		t.Errorf("edge: want %v, got %v", *w.edge, m.Edge.PositionMM)
	}
	if w.left != nil && !near(m.Roll.LeftM, *w.left) {
		t.Errorf("left: want %v, got %v", *w.left, m.Roll.LeftM)
	}
	if w.cause != "" && m.Edge.Cause != w.cause {
		t.Errorf("cause: want %s, got %s", w.cause, m.Edge.Cause)
	}
	if w.queue != nil {
		var jobs []string
		for _, r := range m.Queue {
			jobs = append(jobs, r.Job)
		}
		if !slices.Equal(jobs, w.queue) {
			t.Errorf("queue: want %v, got %v", w.queue, jobs)
		}
	}
	if w.check != nil {
		if wrong := w.check(m); wrong != "" {
			t.Error(wrong)
		}
	}
}

// near compares lengths to the last micrometre, for sums of metres are not
// exact in binary.
func near(a, b units.Maybe) bool {
	x, okX := a.Get()
	y, okY := b.Get()
	return okX == okY && x-y < 1e-6 && y-x < 1e-6
}

func unless(ok bool, wrong string) string {
	if ok {
		return ""
	}
	return wrong
}

func startAt(job string, hour int) func(*crew) {
	at := start.Add(time.Duration(hour) * time.Hour)
	return func(c *crew) { c.say("ticket.received", &event.TicketReceived{Job: job, StartAt: &at}) }
}

func site(job string, lengthM float64) func(*crew) {
	return func(c *crew) { c.on("any", "ticket.received", &event.TicketReceived{Job: job, LengthM: &lengthM}) }
}

func withdraw(job string) func(*crew) {
	return func(c *crew) { c.say("ticket.withdrawn", &event.TicketWithdrawn{Job: job}) }
}

func headCheck(nozzles, clear bool) func(*crew) {
	return func(c *crew) {
		c.say("head.checked", &event.HeadChecked{NozzlesOK: &nozzles, ObstructionClear: &clear})
	}
}

func strip(stock string, mm float64) func(*crew) {
	return func(c *crew) {
		c.say("strip.measured", &event.StripMeasured{Axis: "feed", NominalMM: 500, MeasuredMM: mm, CureC: 93, Stock: stock})
	}
}

// told has what is said happen a while before.
func told(ago time.Duration, say func(*crew)) func(*crew) {
	return func(c *crew) {
		now := c.at
		c.at = now.Add(-ago)
		say(c)
		c.at = now
	}
}

// on has a machine's events happen on another.
func on(c *crew, machine string, say func(*crew)) {
	other := *c
	other.machine = machine
	say(&other)
	c.seq, c.at = other.seq, other.at
}

// planned is a ticket that is to start so long after the first event.
func planned(job string, after time.Duration) func(*crew) {
	at := start.Add(after)
	return func(c *crew) { c.say("ticket.received", &event.TicketReceived{Job: job, StartAt: &at}) }
}

// startsIn wants the first run to start so long after the first event; zero wants no
// start to be known.
func startsIn(after time.Duration) func(*floor.Machine) string {
	want := start.Add(after)
	if after == 0 {
		want = time.Time{}
	}
	return func(m *floor.Machine) string {
		at := m.Queue[0].PlannedStart()
		return unless(at.Equal(want), "it starts at "+at.String())
	}
}

func order(names ...string) func(*crew) {
	return func(c *crew) { c.say("advice.accepted", &event.AdviceAccepted{By: "ada", Order: names}) }
}

func advise(job, remedy string) func(*crew) {
	return func(c *crew) {
		c.say("advice.accepted", &event.AdviceAccepted{By: "ada", Job: job, Remedy: remedy})
	}
}

func note(text string) func(*crew) {
	return func(c *crew) {
		c.say("operator.noted", &event.OperatorNoted{By: "ada", Action: event.ActNote, Reason: text})
	}
}

// undo takes back the entry that was made so many events ago.
func undo(ago uint64, typ event.Type) func(*crew) {
	return func(c *crew) {
		c.say("entry.undone", &event.EntryUndone{Event: fmt.Sprint(c.seq + 1 - ago), Type: typ, By: "ada"})
	}
}

// TestTreatments shows what counts as done about the edge at a start.
func TestTreatments(t *testing.T) {
	for _, row := range []struct {
		want string
		do   []func(*crew)
	}{
		{"none", nil},
		{"none", []func(*crew){edge(0, "rewind")}},
		{"none", []func(*crew){edge(0, "rewind"), by(400, "advance"), edge(0, "rewind")}},
		{"advance", []func(*crew){edge(0, "rewind"), by(400, "advance")}},
		{"leader", []func(*crew){edge(0, "rewind"), leader(400)}},
		{"leader", []func(*crew){edge(0, "rewind"), by(40, "advance"), shape, leader(300)}},
		{"shaped-edge", []func(*crew){edge(0, "rewind"), shape}},
		{"none", []func(*crew){edge(0, "rewind"), shape, by(-10, "trim")}},
		{"no-cut", []func(*crew){ticket("z", 1, 50), run("run.started", "z", nil), run("run.finished", "z", nil)}},
		{"none", []func(*crew){ticket("z", 1, 50), run("run.started", "z", nil), run("run.finished", "z", nil), cut("z", true, nil)}},
		{"cooler", []func(*crew){edge(0, "rewind"), queue("new", nil), advise("new", "cooler")}},
		{"none", []func(*crew){edge(0, "rewind"), queue("new", nil), advise("other", "cooler")}},
		{"none", []func(*crew){edge(0, "rewind"), queue("new", nil), advise("new", "cooler"), advise("new", "better-film")}},
		{"shaped-edge", []func(*crew){edge(0, "rewind"), shape, queue("new", nil), advise("new", "cooler")}},
		{"advance", []func(*crew){edge(0, "rewind"), queue("new", nil), advise("new", "cooler"), by(400, "advance")}},
	} {
		c := newCrew(t)
		load(c)
		for _, do := range row.do {
			do(c)
		}
		before := c.heron().Tally
		run("run.started", "new", nil)(c)
		strike(c)
		class, treatment := slices.Index(event.Classes, event.Monomeric), slices.Index(floor.Treatments, row.want)
		after := c.heron().Tally
		if after.Starts[class][treatment] != before.Starts[class][treatment]+1 || after.Strikes[class][treatment] != before.Strikes[class][treatment]+1 {
			t.Errorf("want a start and a strike under %s, got %v and %v", row.want, after.Starts[class], after.Strikes[class])
		}
		if after.TotalStarts() != before.TotalStarts()+1 || after.TotalStrikes() != before.TotalStrikes()+1 {
			t.Errorf("%s: want one more start and strike in all", row.want)
		}
	}
}

// TestTables holds the sizes of the tally's tables to the tables that label
// them.
func TestTables(t *testing.T) {
	var tally floor.Tally
	for _, row := range []struct {
		name        string
		size, names int
	}{
		{"starts by class", len(tally.Starts), len(event.Classes)},
		{"strikes by class", len(tally.Strikes), len(event.Classes)},
		{"starts by treatment", len(tally.Starts[0]), len(floor.Treatments)},
		{"strikes by treatment", len(tally.Strikes[0]), len(floor.Treatments)},
		{"treatment constants", int(floor.Cooler) + 1, len(floor.Treatments)},
		{"waste by cause", len(tally.WasteM2), len(event.WasteCauses)},
		{"reprints by cause", len(tally.Reprints), len(event.WasteCauses)},
		{"copies by cause", len(tally.Copies), len(event.WasteCauses)},
	} {
		if row.size != row.names {
			t.Errorf("%s: the table has %d places for %d names", row.name, row.size, row.names)
		}
	}
	for i, name := range floor.Treatments {
		if got := floor.Treatment(i).String(); got != name {
			t.Errorf("treatment %d: want %s, got %s", i, name, got)
		}
	}
	if last := event.WasteCauses[len(event.WasteCauses)-1]; last != "other" {
		t.Errorf("the last waste cause is %s, but what is in no list counts as the last", last)
	}
}

// TestClimate shows which reading of the air holds for a machine.
func TestClimate(t *testing.T) {
	c := newCrew(t)
	c.say("climate.read", &event.ClimateRead{TempC: p(20), RHPct: p(40)})
	c.on("any", "climate.read", &event.ClimateRead{RHPct: p(30)})
	air := c.State.Climate(c.heron(), c.at)
	if air.RHPct != units.Some(30) || air.TempC != units.Some(20) {
		t.Errorf("want the room's newer humidity and the machine's temperature, got %+v", air)
	}
	c.say("climate.read", &event.ClimateRead{RHPct: p(50)})
	if air := c.State.Climate(c.heron(), c.at); air.RHPct != units.Some(50) || air.TempC != units.Some(20) {
		t.Errorf("want the machine's newer humidity, got %+v", air)
	}
	told(10*time.Minute, func(c *crew) { c.say("climate.read", &event.ClimateRead{RHPct: p(20), TempC: p(10)}) })(c)
	if air := c.State.Climate(c.heron(), c.at); air.RHPct != units.Some(50) || air.TempC != units.Some(20) {
		t.Errorf("want no reading that is older than the one that is known, got %+v", air)
	}
	c.at = c.at.Add(12 * time.Hour)
	c.say("climate.read", &event.ClimateRead{TempC: p(22)})
	if air := c.State.Climate(c.heron(), c.at); air.RHPct.Known() || air.TempC != units.Some(22) {
		t.Errorf("want no humidity of half a day ago, whatever was read since, got %+v", air)
	}
}

// TestAnomaliesAreBounded counts all and keeps the newest.
func TestAnomaliesAreBounded(t *testing.T) {
	c := newCrew(t)
	for range 300 {
		c.say("leader.removed", &event.LeaderRemoved{})
	}
	early := c.Snapshot()
	before := stateJSON(t, early)
	for range 300 {
		c.say("leader.removed", &event.LeaderRemoved{})
	}
	if got := c.Anomalies.Total["leader-absent"]; got != 600 {
		t.Errorf("want 600 counted, got %d", got)
	}
	if n := len(c.Anomalies.Newest); n != 200 || c.Anomalies.Newest[n-1].Seq != 600 || c.Anomalies.Newest[0].Seq != 401 {
		t.Errorf("want the newest 200, got %d from %d on", n, c.Anomalies.Newest[0].Seq)
	}
	if string(before) != string(stateJSON(t, early)) {
		t.Error("a snapshot's anomalies changed under its reader")
	}
}

// TestTicketsAreBounded forgets the oldest first.
func TestTicketsAreBounded(t *testing.T) {
	c := newCrew(t)
	for i := range floor.MaxTickets + 10 {
		c.on("any", "ticket.received", &event.TicketReceived{Job: fmt.Sprint("j", i)})
	}
	if n := len(c.Tickets.All()); n != floor.MaxTickets {
		t.Errorf("want %d tickets, got %d", floor.MaxTickets, n)
	}
	if c.Tickets.Find("north", "heron", "j9", "") != nil || c.Tickets.Find("north", "heron", "j10", "") == nil {
		t.Error("want j9 forgotten and j10 known")
	}
}

func stateJSON(t interface{ Fatal(...any) }, s *floor.State) []byte {
	b, err := json.Marshal(s, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return b
}
