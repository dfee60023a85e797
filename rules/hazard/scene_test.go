package hazard_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/units"
)

var now = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func p(v float64) *float64 { return &v }

func stock(class event.Class, code string) film.Film {
	f := film.Defaults[class]
	f.Class, f.Stock, f.WidthMM = class, code, units.Some(1370)
	return f
}

var (
	mono    = stock(event.Monomeric, "MONO-GLOSS-137")
	poly    = stock(event.Polymeric, "POLY-GLOSS-137")
	cast    = stock(event.Cast, "CAST-WRAP-152")
	nobodys = stock(event.Unknown, "")
)

func heron() *plant.Machine {
	return &plant.Machine{
		Site: "north", Name: "heron", Configured: true,
		Path:    plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500},
		SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk, ToleranceMM: 0.3,
	}
}

// sound is a scene in which nothing is wrong and everything is known: cheap
// film past the cure exit, its ticket's run next in the queue.
func sound() *hazard.Scene {
	ticket := &floor.Ticket{Site: "north", Machine: "heron", Data: event.TicketReceived{
		Job: "J1", Part: "P1", Stock: mono.Stock, FilmClass: mono.Class, RollWidthMM: p(1370), LengthM: p(3),
		Passes: p(12), CureC: p(93), InkDensityPct: p(100), ContourCut: true, MarkSpacingMM: p(400),
	}}
	m := &floor.Machine{
		Site: "north", Name: "heron", LastHeard: now.Add(-time.Minute),
		Roll:  floor.Roll{Loaded: true, Stock: mono.Stock, Class: mono.Class, WidthMM: units.Some(1370), LeftM: units.Some(50), ThicknessUM: units.Some(220), At: now.Add(-time.Hour)},
		Edge:  floor.Edge{PositionMM: units.Some(400), Cause: event.CauseAdvance, At: now.Add(-time.Minute)},
		Queue: []*floor.Run{{Job: "J1", Part: "P1", Ticket: ticket}},
	}
	return &hazard.Scene{
		Now: now, Machine: m, Plant: heron(), Climate: floor.Climate{TempC: units.Some(21), RHPct: units.Some(50), At: now},
		Rules: hazard.DefaultBook().Resolve(hazard.Place{}), Drift: register.Learn(register.ClassDefault{Share: 0.2}, nil),
		Loaded: mono, Wanted: mono, Run: m.Queue[0], Phase: hazard.Queued, Next: true,
	}
}

// order is the ticket of the scene's run.
func order(s *hazard.Scene) *event.TicketReceived { return &s.Run.Ticket.Data }

// running lets the scene's run print, fed metres far, for the last minute.
func running(s *hazard.Scene, fedM float64) {
	r := *s.Run
	r.Started, r.FedM = now.Add(-time.Minute), units.Some(fedM)
	s.Machine.Run, s.Machine.Queue, s.Run, s.Phase = &r, nil, &r, hazard.Running
}

// resting lets the scene's run have ended some time ago, not yet cut off.
func resting(s *hazard.Scene, ago time.Duration) {
	r := *s.Run
	r.Started, r.Ended, r.FedM = now.Add(-ago-time.Hour), now.Add(-ago), units.Some(3)
	s.Machine.Last, s.Machine.Queue, s.Run, s.Phase, s.Next = &r, nil, &r, hazard.Resting, false
}

func noTicket(s *hazard.Scene) { s.Run.Ticket = nil }

func load(f film.Film) func(*hazard.Scene) {
	return func(s *hazard.Scene) {
		s.Loaded = f
		s.Machine.Roll.Loaded, s.Machine.Roll.Stock, s.Machine.Roll.Class = true, f.Stock, f.Class
	}
}

func row(t testing.TB, code hazard.Code) *hazard.Row {
	t.Helper()
	r, ok := hazard.DefaultBook().Row(code)
	if !ok {
		t.Fatalf("no hazard %s", code)
	}
	return r
}

// drawScene draws a scene of which anything may be missing, but which hangs
// together as the engine's scenes do.
func drawScene(t *rapid.T) *hazard.Scene {
	maybe := func(low, high float64, name string) units.Maybe {
		if rapid.Bool().Draw(t, name+" unknown") {
			return units.Maybe{}
		}
		return units.Some(rapid.Float64Range(low, high).Draw(t, name))
	}
	pointer := func(low, high float64, name string) *float64 {
		if v, ok := maybe(low, high, name).Get(); ok {
			return &v
		}
		return nil
	}
	flag := func(name string) bool { return rapid.Bool().Draw(t, name) }
	moment := func(name string) time.Time {
		if flag(name + " unknown") {
			return time.Time{}
		}
		return now.Add(time.Duration(rapid.IntRange(-20000, 20000).Draw(t, name)) * time.Second)
	}
	instant := func(name string) *time.Time {
		if at := moment(name); !at.IsZero() {
			return &at
		}
		return nil
	}
	anyFilm := func(name string) film.Film {
		return rapid.SampledFrom([]film.Film{mono, poly, cast, nobodys}).Draw(t, name)
	}

	loaded, wanted := anyFilm("loaded film"), anyFilm("wanted film")
	m := &floor.Machine{
		Site: "north", Name: "heron", LastHeard: moment("heard"),
		Edge: floor.Edge{PositionMM: maybe(-100, 2000, "edge"), Rewound: flag("rewound")},
		Head: floor.Head{Unproven: flag("unproven"), StruckAt: moment("struck"), NozzlesOK: flag("nozzles ok"), Clear: flag("path clear"), NozzlesLost: maybe(0, 50, "lost")},
	}
	if flag("a roll is loaded") {
		m.Roll = floor.Roll{
			Loaded: true, Stock: loaded.Stock, Class: loaded.Class,
			WidthMM: maybe(500, 1600, "width"), LeftM: maybe(0, 50, "left"), ThicknessUM: maybe(50, 2000, "thickness"), At: moment("roll"),
		}
	} else {
		loaded = nobodys
	}
	if flag("a leader is on") {
		m.Leader = floor.Leader{On: true, LengthMM: rapid.Float64Range(1, 900).Draw(t, "leader"), ThicknessUM: maybe(1, 2000, "leader height")}
	}
	s := &hazard.Scene{
		Now: now, Machine: m, Plant: heron(), Climate: floor.Climate{TempC: maybe(0, 40, "air"), RHPct: maybe(0, 100, "rh")},
		Rules: hazard.DefaultBook().Resolve(hazard.Place{}), Drift: register.Learn(register.ClassDefault{Share: 0.2}, nil), Loaded: loaded, Wanted: wanted,
		Display: units.Display{Fahrenheit: flag("fahrenheit"), Imperial: flag("imperial")},
	}
	s.Plant.Configured = flag("configured")
	if flag("no run") {
		return s
	}
	run := &floor.Run{Job: "J1", PlanM: maybe(0, 60, "plan")}
	if flag("ticket") {
		run.Ticket = &floor.Ticket{Data: event.TicketReceived{
			Job: "J1", Stock: wanted.Stock, FilmClass: wanted.Class, RollWidthMM: pointer(500, 1600, "wanted width"),
			LengthM: pointer(0, 60, "length"), AreaM2: pointer(0, 60, "area"), Passes: pointer(1, 32, "passes"), CureC: pointer(20, 150, "cure"),
			InkDensityPct: pointer(0, 200, "density"), ContourCut: flag("contour"), Laminate: flag("laminate"), MarkSpacingMM: pointer(1, 3000, "spacing"),
			RestS: pointer(0, 20000, "rest"), FinishAt: instant("finish"), Due: instant("due"),
		}}
	}
	s.Run, s.Next = run, flag("next")
	switch s.Phase = rapid.SampledFrom([]hazard.Phase{hazard.Queued, hazard.Running, hazard.Resting}).Draw(t, "phase"); s.Phase {
	case hazard.Queued:
		s.ReadyAt = moment("ready")
		if flag("another runs") {
			m.Run = &floor.Run{Job: "J0", Started: now.Add(-time.Hour), FedM: maybe(0, 10, "other fed")}
			m.Run.Ticket = &floor.Ticket{Data: event.TicketReceived{
				Job: "J0", Stock: loaded.Stock, FilmClass: loaded.Class, Passes: pointer(1, 32, "other passes"), CureC: pointer(20, 150, "other cure"),
				LengthM: pointer(0, 60, "other length"), AreaM2: pointer(0, 60, "other area"), RollWidthMM: pointer(500, 1600, "other width"),
			}}
		}
	case hazard.Running:
		m.Run, s.Next = run, true
		run.Started, run.FedM = now.Add(-time.Duration(rapid.IntRange(0, 9000).Draw(t, "since"))*time.Second), maybe(0, 60, "fed")
		s.ReadyAt = run.Started
	case hazard.Resting:
		m.Last, s.Next = run, false
		run.Ended, run.Cut = now.Add(-time.Duration(rapid.IntRange(0, 20000).Draw(t, "ended"))*time.Second), flag("cut")
	}
	return s
}
