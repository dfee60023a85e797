package floor_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// Few names, so that events meet.
var (
	jobs     = rapid.SampledFrom([]string{"a", "b", "c", "d"})
	parts    = rapid.SampledFrom([]string{"", "", "P1"})
	sites    = rapid.SampledFrom([]string{"north", "north", "north", "quay"})
	machines = rapid.SampledFrom([]string{"heron", "heron", "heron", "heron", "wren", event.AnyMachine})
	causes   = rapid.SampledFrom([]string{"head-strike", "other"})
)

func maybe(t *rapid.T, low, high float64, label string) *float64 {
	if rapid.Bool().Draw(t, label+" given") {
		return nil
	}
	v := rapid.Float64Range(low, high).Draw(t, label)
	return &v
}

func maybeTime(t *rapid.T, label string) *time.Time {
	if rapid.Bool().Draw(t, label+" given") {
		return nil
	}
	at := start.Add(time.Duration(rapid.IntRange(-1e6, 1e6).Draw(t, label)) * time.Second)
	return &at
}

func drawRun(t *rapid.T) event.Run {
	return event.Run{Job: jobs.Draw(t, "job"), Part: parts.Draw(t, "part"), Metres: maybe(t, 0, 100, "metres")}
}

// draws makes a payload for every event type.
var draws = map[event.Type]func(*rapid.T) event.Payload{
	"ticket.received": func(t *rapid.T) event.Payload {
		return &event.TicketReceived{
			Job: jobs.Draw(t, "job"), Part: parts.Draw(t, "part"), Priority: maybe(t, 0, 100, "priority"),
			LengthM: maybe(t, 0, 100, "length"), StartAt: maybeTime(t, "start"), Flags: rapid.SliceOfN(rapid.Just("f"), -1, 2).Draw(t, "flags"),
		}
	},
	"ticket.withdrawn": func(t *rapid.T) event.Payload {
		return &event.TicketWithdrawn{Job: jobs.Draw(t, "job"), Part: parts.Draw(t, "part")}
	},
	"ticket.rejected": func(t *rapid.T) event.Payload {
		return &event.TicketRejected{SourceFile: "f", Kind: rapid.SampledFrom(event.RejectKinds).Draw(t, "kind"), Reason: "r"}
	},
	"roll.loaded": func(t *rapid.T) event.Payload {
		return &event.RollLoaded{
			Stock: rapid.SampledFrom([]string{"", "MONO-GLOSS-137", "POLY-GLOSS-137"}).Draw(t, "stock"), FilmClass: rapid.SampledFrom(append(event.Classes, "")).Draw(t, "class"),
			WidthMM: maybe(t, 1, 2000, "width"), LengthM: maybe(t, 0, 100, "length"), ThicknessUM: maybe(t, 1, 1000, "thickness"),
		}
	},
	"roll.removed": func(*rapid.T) event.Payload { return &event.RollRemoved{} },
	"edge.moved": func(t *rapid.T) event.Payload {
		v := rapid.Float64Range(-1e5, 1e5).Draw(t, "mm")
		d := &event.EdgeMoved{PositionMM: &v, Cause: rapid.SampledFrom([]string{"rewind", "advance", "feed", "trim"}).Draw(t, "cause")}
		if rapid.Bool().Draw(t, "by") {
			d.PositionMM, d.ByMM = nil, &v
		}
		return d
	},
	"leader.attached": func(t *rapid.T) event.Payload {
		return &event.LeaderAttached{LengthMM: rapid.Float64Range(1, 900).Draw(t, "length"), ThicknessUM: maybe(t, 0, 500, "thickness")}
	},
	"leader.removed": func(*rapid.T) event.Payload { return &event.LeaderRemoved{} },
	"edge.shaped":    func(*rapid.T) event.Payload { return &event.EdgeShaped{Shape: "rounded"} },
	"run.queued": func(t *rapid.T) event.Payload {
		return &event.RunQueued{Job: jobs.Draw(t, "job"), Part: parts.Draw(t, "part"), Metres: maybe(t, 0, 100, "metres"), Position: maybe(t, 1, 9, "place"), StartAt: maybeTime(t, "start")}
	},
	"run.started":  func(t *rapid.T) event.Payload { return &event.RunStarted{Run: drawRun(t)} },
	"run.progress": func(t *rapid.T) event.Payload { return &event.RunProgress{Run: drawRun(t)} },
	"run.finished": func(t *rapid.T) event.Payload { return &event.RunFinished{Run: drawRun(t)} },
	"run.stopped":  func(t *rapid.T) event.Payload { return &event.RunStopped{Run: drawRun(t)} },
	"cut.finished": func(t *rapid.T) event.Payload {
		return &event.CutFinished{Job: rapid.OneOf(jobs, rapid.Just("")).Draw(t, "job"), Rewound: truth(rapid.Bool().Draw(t, "rewound")), AtMM: maybe(t, 0, 5000, "at")}
	},
	"strike.recorded": func(t *rapid.T) event.Payload {
		return &event.StrikeRecorded{NozzlesLost: maybe(t, 0, 100, "nozzles"), DowntimeS: maybe(t, 0, 9000, "down")}
	},
	"head.checked": func(t *rapid.T) event.Payload {
		return &event.HeadChecked{NozzlesOK: truth(rapid.Bool().Draw(t, "nozzles")), ObstructionClear: truth(rapid.Bool().Draw(t, "clear"))}
	},
	"film.wasted": func(t *rapid.T) event.Payload {
		return &event.FilmWasted{LengthM: rapid.Float64Range(0, 50).Draw(t, "length"), WidthMM: maybe(t, 1, 2000, "width"), Cause: causes.Draw(t, "cause")}
	},
	"job.reprinted": func(t *rapid.T) event.Payload {
		return &event.JobReprinted{Job: jobs.Draw(t, "job"), Cause: causes.Draw(t, "cause"), Copies: maybe(t, 0, 100, "copies")}
	},
	"strip.measured": func(*rapid.T) event.Payload {
		return &event.StripMeasured{Axis: "feed", NominalMM: 500, MeasuredMM: 499, CureC: 93}
	},
	"climate.read": func(t *rapid.T) event.Payload {
		rh := rapid.Float64Range(0, 100).Draw(t, "rh")
		return &event.ClimateRead{RHPct: &rh, TempC: maybe(t, -20, 60, "temp")}
	},
	"machine.reported": func(t *rapid.T) event.Payload {
		return &event.MachineReported{State: rapid.SampledFrom([]string{event.MachineIdle, event.MachineProcessing, event.MachineStopped}).Draw(t, "state"), Reasons: []string{"media-jam"}}
	},
	"change.marked": func(*rapid.T) event.Payload { return &event.ChangeMarked{Label: "l"} },
	"advice.accepted": func(t *rapid.T) event.Payload {
		return &event.AdviceAccepted{
			By: "b", Job: jobs.Draw(t, "job"), Remedy: rapid.SampledFrom([]string{"", "cooler", "leader"}).Draw(t, "remedy"),
			Order: rapid.SliceOfN(jobs, -1, 3).Draw(t, "order"),
		}
	},
	"operator.noted": func(*rapid.T) event.Payload { return &event.OperatorNoted{By: "b", Action: event.ActNote} },
	"entry.undone": func(t *rapid.T) event.Payload {
		return &event.EntryUndone{Event: "1", Type: rapid.SampledFrom(event.Undoable).Draw(t, "type"), By: "b"} // see mistakes
	},
	"alarm.changed": func(*rapid.T) event.Payload {
		return &event.AlarmChanged{Hazard: "h", From: "normal", To: "latched", On: "raise", Priority: "high", Message: "m"}
	},
	"page.sent": func(*rapid.T) event.Payload { return &event.PageSent{Alarm: "a", Channel: "c", Attempt: 1} },
	"page.failed": func(*rapid.T) event.Payload {
		return &event.PageFailed{Alarm: "a", Channel: "c", Attempt: 1, Reason: "r"}
	},
}

// telling are the types that change what others build on. They are drawn more
// often, so that a short journal has stories in it.
var telling = []event.Type{"run.queued", "run.started", "run.progress", "run.finished", "ticket.received", "film.wasted", "cut.finished", "roll.loaded", "edge.moved", "entry.undone"}

// journal draws a sequence of valid events, some of a type outside the
// contract and some from an earlier time.
func journal(t *rapid.T) []event.Event {
	types := []event.Type{"paper.jammed"}
	for _, k := range event.Kinds {
		types = append(types, k.Type)
	}
	for range 5 {
		types = append(types, telling...)
	}
	events := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) event.Event {
		typ := rapid.SampledFrom(types).Draw(t, "type")
		e := event.Event{
			Source: "test", Type: typ, Site: sites.Draw(t, "site"), Machine: machines.Draw(t, "machine"),
			Time: start.Add(time.Duration(rapid.IntRange(0, 1e6).Draw(t, "second")) * time.Second),
		}
		if draw, known := draws[typ]; known {
			e.Data = draw(t)
			if err := e.Data.Check(); err != nil {
				t.Fatalf("the test drew an invalid %s: %v", typ, err)
			}
		} else {
			e.Raw = []byte(`{}`)
		}
		return e
	}), 30, 150).Draw(t, "journal")
	for i := range events {
		events[i].ID = fmt.Sprint(i)
	}
	mistakes(t, events)
	return events
}

// mistakes lets most of the entries that are taken back be ones that were made a
// moment ago.
func mistakes(t *rapid.T, events []event.Event) {
	for i := range events {
		if d, ok := events[i].Data.(*event.EntryUndone); ok && i > 0 {
			of := events[i-rapid.IntRange(1, min(i, 3)).Draw(t, "ago")]
			if slices.Contains(event.Undoable, of.Type) {
				d.Event, d.Type = of.ID, of.Type
				events[i].Site, events[i].Machine = of.Site, of.Machine
				events[i].Time = of.Time.Add(time.Duration(rapid.IntRange(0, 150).Draw(t, "seconds")) * time.Second)
			}
		}
	}
}

func TestEveryTypeIsDrawn(t *testing.T) {
	for _, k := range event.Kinds {
		if draws[k.Type] == nil {
			t.Errorf("the property tests never draw %s", k.Type)
		}
	}
}

// TestFoldHolds checks what must hold after any journal whatever.
func TestFoldHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := journal(t)
		s := floor.New()
		for i, e := range events {
			before := queueOf(s, e)
			s.Apply(uint64(i+1), e)
			for _, m := range s.Sorted() {
				holds(t, m)
			}
			// An entry keeps the queue as it was, and shares its runs: one that put
			// runs in could not be taken back without cutting off what came since.
			if after := queueOf(s, e); slices.Contains(event.Undoable, e.Type) && !among(after, before) {
				t.Fatalf("%s can be taken back and puts a run in the queue: %v became %v", e.Type, before, after)
			}
		}
		if got := s.Counts.Unknown + sum(s.Counts.Events); got != uint64(len(events)) {
			t.Fatalf("%d events were counted of %d", got, len(events))
		}
		again := floor.New()
		for i, e := range events {
			again.Apply(uint64(i+1), e)
		}
		want := stateJSON(t, s)
		if got := stateJSON(t, again); string(got) != string(want) {
			t.Fatalf("the same journal gave two states:\n%s\n%s", want, got)
		}
	})
}

// queueOf is the queue of the machine that an event is about.
func queueOf(s *floor.State, e event.Event) (queue []*floor.Run) {
	if m := s.Machine(e.Site, e.Machine); m != nil {
		queue = m.Queue
	}
	return queue
}

// among reports whether all runs of a queue are those of another.
func among(queue, of []*floor.Run) bool {
	return !slices.ContainsFunc(queue, func(r *floor.Run) bool { return !slices.Contains(of, r) })
}

func holds(t *rapid.T, m *floor.Machine) {
	if left, known := m.Roll.LeftM.Get(); known && left < 0 {
		t.Fatalf("%g m are left on %s", left, m.Name)
	}
	seen := map[[2]string]bool{}
	for _, r := range m.Queue {
		key := [2]string{r.Job, r.Part}
		if seen[key] {
			t.Fatalf("%v is queued twice on %s", key, m.Name)
		}
		seen[key] = true
	}
	if m.Tally.TotalStarts() < uint64(boolInt(m.Run != nil)) {
		t.Fatalf("%s runs without a start", m.Name)
	}
	if m.Name == event.AnyMachine {
		t.Fatal("a whole site became a machine")
	}
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func sum(counts map[event.Type]uint64) (n uint64) {
	for _, v := range counts {
		n += v
	}
	return n
}

// TestSnapshotStays takes a snapshot at a random point, for a reader and for
// the disk: the reader's never changes, and the disk's goes on to the same
// state as the fold that was never interrupted.
func TestSnapshotStays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := journal(t)
		at := rapid.IntRange(0, len(events)).Draw(t, "snapshot at")
		s := floor.New()
		var reader, restored *floor.State
		var before []byte
		for i := range len(events) + 1 {
			if i == at {
				reader = s.Snapshot()
				before = stateJSON(t, reader)
				restored = floor.New()
				if err := json.Unmarshal(before, restored); err != nil {
					t.Fatal(err)
				}
				if got := stateJSON(t, restored); string(got) != string(before) {
					t.Fatalf("a state came back from JSON as another:\n%s\n%s", before, got)
				}
			}
			if i == len(events) {
				break
			}
			s.Apply(uint64(i+1), events[i])
			if i >= at {
				restored.Apply(uint64(i+1), events[i])
			}
		}
		if after := stateJSON(t, reader); string(after) != string(before) {
			t.Fatalf("a snapshot changed under its reader:\n%s\n%s", before, after)
		}
		if got, want := stateJSON(t, restored), stateJSON(t, s); string(got) != string(want) {
			t.Fatalf("the fold from a snapshot differs from the fold from the start:\n%s\n%s", want, got)
		}
	})
}

// BenchmarkApply folds a usual job: ticket, start, ten times progress, end,
// cut, advance. It reports the time per event.
func BenchmarkApply(b *testing.B) {
	var events []event.Event
	add := func(typ event.Type, d event.Payload) {
		events = append(events, event.Event{ID: fmt.Sprint(len(events)), Source: "test", Type: typ, Time: start, Site: "north", Machine: "heron", Data: d})
	}
	add("roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(50)})
	add("edge.moved", &event.EdgeMoved{PositionMM: p(0), Cause: "rewind"})
	add("ticket.received", &event.TicketReceived{Job: "a", LengthM: p(3)})
	add("run.started", &event.RunStarted{Run: event.Run{Job: "a"}})
	for i := range 10 {
		add("run.progress", &event.RunProgress{Run: event.Run{Job: "a", Metres: p(float64(i) * 0.3)}})
	}
	add("run.finished", &event.RunFinished{Run: event.Run{Job: "a", Metres: p(3)}})
	add("cut.finished", &event.CutFinished{Job: "a", Rewound: truth(true)})
	add("edge.moved", &event.EdgeMoved{ByMM: p(365), Cause: "advance"})
	s := floor.New()
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		s.Apply(uint64(i), events[i%len(events)])
	}
}

// BenchmarkApplyWatched folds the same with a reader that takes a snapshot
// after every event, as the watch does.
func BenchmarkApplyWatched(b *testing.B) {
	s := floor.New()
	for i := range 20 {
		s.Apply(uint64(i), event.Event{Type: "climate.read", Time: start, Site: "north", Machine: fmt.Sprint("m", i), Data: &event.ClimateRead{RHPct: p(40)}})
	}
	e := event.Event{Type: "climate.read", Time: start, Site: "north", Machine: "m7", Data: &event.ClimateRead{RHPct: p(41)}}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		s.Apply(uint64(i), e)
		s.Snapshot()
	}
}
