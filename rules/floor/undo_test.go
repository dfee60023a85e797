package floor_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// stands is a state without the marks that taking an entry back leaves: the list of
// entries, when a machine was heard, and the counts of the journal. Tallies are net.
// Of the timeline it keeps what is younger than 36 hours at the given time, since
// older marks are let go at the next one.
func stands(s *floor.State, now time.Time) *floor.State {
	c := floor.New()
	c.Rooms, c.Tickets, c.Strips, c.Rejects = s.Rooms, s.Tickets, s.Strips, s.Rejects
	for key, machine := range s.Machines {
		m := *machine
		m.Entries, m.LastHeard, m.Touched, m.Marks = nil, time.Time{}, time.Time{}, nil
		for _, k := range machine.Marks {
			if !k.At.Before(now.Add(-36 * time.Hour)) {
				m.Marks = append(m.Marks, k)
			}
		}
		m.Tally = rounded(m.Tally.Net())
		c.Machines[key] = &m
	}
	return c
}

// rounded is a tally to the micrometre, for a sum of metres is not exact in binary.
func rounded(t floor.Tally) floor.Tally {
	amounts := []*float64{&t.PrintedM, &t.PrintedM2, &t.DownS}
	for i := range t.WasteM2 {
		amounts = append(amounts, &t.WasteM2[i], &t.Copies[i])
	}
	t.WasteBy = slices.Clone(t.WasteBy)
	for i := range t.WasteBy {
		amounts = append(amounts, &t.WasteBy[i].M2)
	}
	for _, a := range amounts {
		*a = math.Round(*a*1e6) / 1e6
	}
	t.WasteBy = slices.DeleteFunc(t.WasteBy, func(w floor.StockArea) bool { return w.M2 == 0 })
	if len(t.WasteBy) == 0 {
		t.WasteBy = nil
	}
	return t
}

// differ shows where two states differ.
func differ(t *rapid.T, a, b []byte) string {
	var x, y any
	if err := errors.Join(json.Unmarshal(a, &x), json.Unmarshal(b, &y)); err != nil {
		t.Fatal(err)
	}
	return cmp.Diff(x, y)
}

// newest is the time of the newest event about a machine.
func newest(s *floor.State, e event.Event) time.Time {
	if m := s.Machine(e.Site, e.Machine); m != nil && m.Touched.After(e.Time) {
		return m.Touched
	}
	return e.Time
}

// mistake draws an entry of the type on a machine that is known, a moment after all
// that was told of it.
func mistake(t *rapid.T, s *floor.State, typ event.Type, seq uint64) event.Event {
	e := event.Event{ID: fmt.Sprint("mistake ", seq), Source: "test", Type: typ, Site: "north", Machine: "heron", Data: draws[typ](t)}
	if err := e.Data.Check(); err != nil {
		t.Fatal(err)
	}
	s.Apply(seq, event.Event{ID: fmt.Sprint("air ", seq), Source: "test", Type: "climate.read", Time: start, Site: e.Site, Machine: e.Machine, Data: &event.ClimateRead{RHPct: p(40)}})
	e.Time = newest(s, e).Add(time.Second)
	return e
}

func takeBack(e event.Event, after time.Duration) event.Event {
	return event.Event{
		ID: "undo " + e.ID, Source: "test", Type: "entry.undone", Time: e.Time.Add(after), Site: e.Site, Machine: e.Machine,
		Data: &event.EntryUndone{Event: e.ID, Type: e.Type, By: "ada"},
	}
}

// TestUndoLeavesNothingBehind makes entries of every kind in any state and takes
// each back: all is as it was.
func TestUndoLeavesNothingBehind(t *testing.T) {
	changed := map[event.Type]bool{}
	rapid.Check(t, func(t *rapid.T) {
		s := floor.New()
		for i, e := range journal(t) {
			s.Apply(uint64(i+1), e)
		}
		for i, typ := range event.Undoable {
			if thereAndBack(t, s, typ, uint64(1000+10*i)) {
				changed[typ] = true
			}
		}
	})
	for _, typ := range event.Undoable {
		if !changed[typ] {
			t.Errorf("%s never changed anything: the test tries nothing", typ)
		}
	}
}

// thereAndBack makes one entry and takes it back, and reports whether it had
// changed anything.
func thereAndBack(t *rapid.T, s *floor.State, typ event.Type, seq uint64) (changed bool) {
	e := mistake(t, s, typ, seq)
	m := s.Machine(e.Site, e.Machine)
	if len(m.Notes) == 5 && typ == "operator.noted" {
		return false // the note that made room is gone for good
	}
	now := newest(s, takeBack(e, time.Minute))
	before, gross := stateJSON(t, stands(s, now)), m.Tally
	s.Apply(seq+1, e)
	changed = !bytes.Equal(before, stateJSON(t, stands(s, now)))
	s.Apply(seq+2, takeBack(e, time.Minute))
	if after := stateJSON(t, stands(s, now)); !bytes.Equal(before, after) {
		t.Fatalf("%s left something behind (-before +after):\n%s", typ, differ(t, before, after))
	}
	tally := &s.Machine(e.Site, e.Machine).Tally
	neverFell(t, &gross, tally)
	if n := tally.Undone[typ]; n != gross.Undone[typ]+1 {
		t.Fatalf("%d of %s are counted as taken back, after %d", n, typ, gross.Undone[typ])
	}
	return changed
}

// neverFell compares what feeds counters.
func neverFell(t *rapid.T, before, after *floor.Tally) {
	for c := range before.Starts {
		for k := range before.Starts[c] {
			if after.Starts[c][k] < before.Starts[c][k] || after.Strikes[c][k] < before.Strikes[c][k] {
				t.Fatal("a count of starts or strikes fell")
			}
		}
	}
	for i := range before.WasteM2 {
		if after.WasteM2[i] < before.WasteM2[i] || after.Reprints[i] < before.Reprints[i] || after.Copies[i] < before.Copies[i] {
			t.Fatal("a count of waste or reprints fell")
		}
	}
	if after.Finished < before.Finished || after.Stopped < before.Stopped || after.PrintedM2 < before.PrintedM2 || after.DownS < before.DownS {
		t.Fatal("a count of runs, areas or downtime fell")
	}
}

// TestUndoAfterAnotherEvent lets something happen in between. Either the entry is
// taken back all the same, and what it had changed is as it was, or nothing is.
func TestUndoAfterAnotherEvent(t *testing.T) {
	taken, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		s := floor.New()
		for i, e := range journal(t) {
			s.Apply(uint64(i+1), e)
		}
		e := mistake(t, s, rapid.SampledFrom(event.Undoable).Draw(t, "mistake"), 1000)
		was := *s.Snapshot().Machine(e.Site, e.Machine)
		s.Apply(1001, e)
		told := *s.Snapshot().Machine(e.Site, e.Machine)
		other := mistake(t, s, rapid.SampledFrom(append([]event.Type{"run.progress", "run.queued", "ticket.received", "ticket.withdrawn", "climate.read"}, event.Undoable...)).Draw(t, "other"), 1002)
		s.Apply(1003, other)
		before := stateJSON(t, stands(s, other.Time))
		tooLate := s.Anomalies.Total["undo-too-late"]
		touched := false
		for part := range told.Changed {
			touched = touched || told.Changed[part] == 1001 && s.Machine(e.Site, e.Machine).Changed[part] == 1003
		}
		s.Apply(1004, takeBack(e, 90*time.Second))
		if got := s.Anomalies.Total["undo-too-late"] > tooLate; got != touched {
			t.Fatalf("%s after %s is too late: %v, want %v", e.Type, other.Type, got, touched)
		}
		if touched {
			refused++
			if after := stateJSON(t, stands(s, other.Time)); !bytes.Equal(before, after) {
				t.Fatalf("%s was refused after %s, and yet changed something (-before +after):\n%s", e.Type, other.Type, differ(t, before, after))
			}
			return
		}
		taken++
		m := s.Machine(e.Site, e.Machine)
		for part, name := range map[int][3]any{0: {was.Roll, told.Roll, m.Roll}, 1: {was.Edge, told.Edge, m.Edge}, 2: {was.Leader, told.Leader, m.Leader}, 6: {was.Head, told.Head, m.Head}} {
			if told.Changed[part] == 1001 && name[2] != name[0] {
				t.Fatalf("%s was taken back after %s, and left %+v for %+v", e.Type, other.Type, name[2], name[0])
			}
		}
	})
	if taken == 0 || refused == 0 {
		t.Errorf("%d were taken back and %d refused: the test compares nothing", taken, refused)
	}
}

// TestUndoReaches shows how far back a person can go, and what stands in the way.
func TestUndoReaches(t *testing.T) {
	for _, row := range []struct {
		name string
		do   []func(*crew)
		want want
	}{
		{"one after the other, the newest first", []func(*crew){loadTo(0), by(100, "advance"), by(200, "advance"), undo(1, "edge.moved"), wait(-time.Minute), undo(3, "edge.moved")}, want{edge: known(0)}},
		{"the older one first", []func(*crew){loadTo(0), by(100, "advance"), by(200, "advance"), undo(2, "edge.moved")}, want{edge: known(300), anomalies: []string{"undo-too-late"}}},
		{"a leader that was taped on since", []func(*crew){loadTo(0), by(100, "advance"), leader(300), undo(2, "edge.moved")}, want{edge: known(0),
			check: func(m *floor.Machine) string { return unless(m.Leader.On, "the leader went too") }}},
		{"a trim takes the leader along", []func(*crew){loadTo(0), leader(300), by(-10, "trim"), undo(1, "edge.moved")}, want{edge: known(0),
			check: func(m *floor.Machine) string { return unless(m.Leader.On, "the leader did not come back") }}},
		{"two minutes", []func(*crew){loadTo(0), by(100, "advance"), wait(time.Minute), undo(1, "edge.moved")}, want{edge: known(0)}},
		{"two minutes and a second", []func(*crew){loadTo(0), by(100, "advance"), wait(time.Minute + time.Second), undo(1, "edge.moved")}, want{edge: known(100), anomalies: []string{"undo-too-late"}}},
		{"a start that the machine confirmed", []func(*crew){loadTo(0), queue("a", nil), run("run.started", "a", nil), run("run.started", "a", nil), undo(2, "run.started")}, want{queue: []string{"a"}, edge: known(0),
			anomalies: []string{"run-without-ticket"}, check: func(m *floor.Machine) string { return unless(m.Run == nil, "it still runs") }}},
		{"a start over another run", []func(*crew){loadTo(0), ticket("a", 3, 50), ticket("b", 3, 50), run("run.started", "a", p(1)), run("run.started", "b", nil), undo(1, "run.started")}, want{queue: []string{"b"}, edge: known(1000), left: known(49),
			anomalies: []string{"run-overlap"}, check: func(m *floor.Machine) string {
				return unless(m.Run != nil && m.Run.Job == "a" && m.Last == nil && len(m.Marks) == 2 && m.Marks[1].Until.IsZero(), "a does not run on")
			}}},
		{"an end, and the run goes on", []func(*crew){loadTo(0), ticket("a", 3, 50), run("run.started", "a", p(1)), run("run.finished", "a", nil), undo(1, "run.finished"), run("run.progress", "a", p(2))}, want{edge: known(2000), left: known(48),
			check: func(m *floor.Machine) string {
				return unless(m.Run != nil && m.Last == nil && len(m.Paces) == 0, "the run did not come back")
			}}},
		{"a strike, and what its start is learnt as", []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil), strike, undo(1, "strike.recorded")}, want{check: func(m *floor.Machine) string {
			k, net := m.Tally.Kinds, m.Tally.Net()
			return unless(!m.Head.Unproven && !m.Run.Struck && len(k) == 1 && k[0].Starts == 1 && k[0].Strikes == 0 && m.Tally.TotalStrikes() == 1 && net.TotalStrikes() == 0 && net.TotalStarts() == 1, "the strike stands")
		}}},
		{"another type of that id", []func(*crew){loadTo(0), by(100, "advance"), undo(1, "edge.shaped")}, want{edge: known(100), anomalies: []string{"undo-of-unknown-entry"}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := newCrew(t)
			for _, do := range row.do {
				do(c)
			}
			var kinds []string
			for _, a := range c.Anomalies.Newest {
				kinds = append(kinds, a.Kind)
			}
			if !slices.Equal(kinds, row.want.anomalies) {
				t.Errorf("anomalies: want %v, got %v", row.want.anomalies, kinds)
			}
			checkMachine(t, c.heron(), row.want)
		})
	}
}

// TestAnEntryToldLateCanBeTakenBack: a tablet that was offline tells in the evening
// of a strike at noon. What counts is how long ago it was told.
func TestAnEntryToldLateCanBeTakenBack(t *testing.T) {
	for after, want := range map[time.Duration]uint64{time.Minute: 0, 3 * time.Minute: 1} {
		c := newCrew(t)
		load(c)
		strike := event.Event{
			ID: "late", Source: "test", Type: "strike.recorded", Time: c.at, Stored: c.at.Add(8 * time.Hour), Site: "north", Machine: "heron",
			Data: &event.StrikeRecorded{},
		}
		undo := takeBack(strike, 8*time.Hour+after)
		undo.Stored = undo.Time
		c.Apply(100, strike)
		c.Apply(101, undo)
		tally := c.heron().Tally.Net()
		if got := tally.TotalStrikes(); got != want || c.heron().Head.Unproven != (want > 0) {
			t.Errorf("taken back %v after it was told: %d strikes stand, want %d; %+v", after, got, want, c.Anomalies.Newest)
		}
	}
}

// wait moves the crew's clock.
func wait(d time.Duration) func(*crew) { return func(c *crew) { c.at = c.at.Add(d) } }

// TestEntriesAreBounded keeps the newest eight, and of those the young ones.
func TestEntriesAreBounded(t *testing.T) {
	c := newCrew(t)
	for range 20 {
		c.at = c.at.Add(-50 * time.Second) // ten seconds apart
		leader(300)(c)
	}
	entries := c.heron().Entries
	if len(entries) != 8 || entries[0].Seq != 13 || entries[7].Seq != 20 {
		t.Errorf("want the newest eight, got %d", len(entries))
	}
	c.at = c.at.Add(time.Minute)
	leader(300)(c)
	if entries := c.heron().Entries; len(entries) != 2 || entries[0].Seq != 20 {
		t.Errorf("two minutes later: want the newest and the one before, got %d", len(entries))
	}
}

// TestUsualEventsCostNoMemory: what comes all day makes the key of its machine, and
// progress a new run, because a reader may share the old one.
func TestUsualEventsCostNoMemory(t *testing.T) {
	c := newCrew(t)
	for _, do := range []func(*crew){load, edge(0, "rewind"), ticket("a", 3, 50), run("run.started", "a", nil)} {
		do(c)
	}
	metres := 0.0
	at := func(typ event.Type, d event.Payload) event.Event {
		return event.Event{Source: "test", Type: typ, Time: c.at, Site: "north", Machine: "heron", Data: d}
	}
	progress, air := at("run.progress", &event.RunProgress{Run: event.Run{Job: "a", Metres: &metres}}), at("climate.read", &event.ClimateRead{RHPct: p(40)})
	if n := testing.AllocsPerRun(100, func() { metres += 0.001; c.Apply(99, progress) }); n > 2 {
		t.Errorf("progress makes %v values", n)
	}
	if n := testing.AllocsPerRun(100, func() { c.Apply(99, air) }); n > 1 {
		t.Errorf("a reading of the air makes %v values", n)
	}
}
