package monthly_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/bojanz/currency"
	"github.com/rs/zerolog"

	"rollwarden/metrics/monthly"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/watcher/journal"
)

// berlin sets its clocks forward within March, so that the month ends an hour
// sooner than it began by universal time.
var berlin = must(time.LoadLocation("Europe/Berlin"))

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func p(v float64) *float64 { return &v }

// march is the month of most tests.
var march = monthly.Month{Year: 2026, Month: time.March}

// at is a moment of 2026 by the shop's clock.
func at(month time.Month, day, hour, minute int) time.Time {
	return time.Date(2026, month, day, hour, minute, 0, 0, berlin).UTC()
}

// memory is a journal in memory.
type memory struct {
	t       testing.TB
	entries []journal.Entry
	made    time.Time
	read    int // entries handed over
	away    error
}

func (m *memory) say(when time.Time, machine string, typ event.Type, data event.Payload) string {
	m.t.Helper()
	return m.sayAt("north", when, machine, typ, data)
}

func (m *memory) sayAt(site string, when time.Time, machine string, typ event.Type, data event.Payload) string {
	m.t.Helper()
	if err := data.Check(); err != nil {
		m.t.Fatal(err)
	}
	seq := uint64(len(m.entries) + 1)
	e := event.Event{ID: fmt.Sprint("e", seq), Source: "test", Type: typ, Time: when, Site: site, Machine: machine, Data: data}
	m.entries = append(m.entries, journal.Entry{Seq: seq, Message: event.Message{Subject: e.Subject(), Data: must(event.Encode(e)), Stored: when.Add(time.Second)}})
	return e.ID
}

// Read implements monthly.Source.
func (m *memory) Read(ctx context.Context, from, to uint64, _ string, handle func(journal.Entry) error) error {
	if m.away != nil {
		return m.away
	}
	for _, e := range m.entries[min(from-1, uint64(len(m.entries))):] {
		if to > 0 && e.Seq > to || ctx.Err() != nil {
			break
		}
		m.read++
		if err := handle(e); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// Get implements monthly.Source.
func (m *memory) Get(_ context.Context, seq uint64) (journal.Entry, error) {
	if seq == 0 || seq > uint64(len(m.entries)) {
		return journal.Entry{}, journal.ErrNotFound
	}
	return m.entries[seq-1], nil
}

// Created implements monthly.Source.
func (m *memory) Created() time.Time { return m.made }

// Span implements monthly.Source.
func (m *memory) Span(context.Context) (first, last uint64, err error) {
	return 1, uint64(len(m.entries)), m.away
}

func (m *memory) load(when time.Time, machine string) {
	m.t.Helper()
	m.say(when, machine, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: p(1370), LengthM: p(1e4), ThicknessUM: p(220), EdgeMM: p(0)})
}

// alarm lets an alarm change its state by a row of the lifecycle.
func (m *memory) alarm(when time.Time, machine, job string, from alarm.State, on alarm.Input) {
	m.t.Helper()
	row, ok := alarm.Step(from, on)
	if !ok {
		m.t.Fatalf("no row from %s on %s", from, on)
	}
	m.say(when, machine, event.AlarmChangedType, &event.AlarmChanged{
		Hazard: "bare-edge", Job: job, From: string(from), To: string(row.To), On: string(on), Emit: row.Emit, Phase: "queued", Priority: "high", Message: "m",
	})
}

// season writes a busy season, seeded, on three machines: they start, print,
// strike, waste and raise alarms, and from the middle of March on strike less.
func (m *memory) season(from, to time.Time) {
	rng := rand.New(rand.NewPCG(7, 1))
	machines := []string{"heron", "wren", "plover"}
	for _, name := range machines {
		m.load(from, name)
	}
	n := 0
	for now := from.Add(time.Hour); now.Before(to); now = now.Add(time.Duration(rng.IntN(300)+40) * time.Minute) {
		name, job := machines[rng.IntN(3)], fmt.Sprint("KL-", n)
		n++
		what := rng.IntN(14)
		if rng.IntN(3) > 0 {
			m.alarm(now.Add(-15*time.Minute), name, job, alarm.Normal, alarm.Condition)
			if rng.IntN(2) == 0 {
				what = max(2, what) // a treated start does not strike
				m.say(now.Add(-5*time.Minute), name, "edge.moved", &event.EdgeMoved{PositionMM: p(400), Cause: event.CauseAdvance})
				m.alarm(now.Add(-4*time.Minute), name, job, alarm.Unacked, alarm.Return)
				m.alarm(now.Add(-3*time.Minute), name, job, alarm.Returned, alarm.Acknowledge)
			}
		}
		run := event.Run{Job: job, Metres: p(3)}
		m.say(now, name, "run.started", &event.RunStarted{Run: event.Run{Job: job}})
		switch what {
		case 0:
			m.say(now.Add(6*time.Minute), name, "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(1200)})
			m.say(now.Add(7*time.Minute), name, "film.wasted", &event.FilmWasted{LengthM: 3, Cause: "head-strike"})
		case 1:
			m.say(now.Add(6*time.Minute), name, "strike.recorded", &event.StrikeRecorded{Job: job, Note: "=1+1"})
		case 2, 3:
			m.say(now.Add(6*time.Minute), name, "film.wasted", &event.FilmWasted{LengthM: 1.5, Cause: "register"})
		case 4:
			m.say(now.Add(6*time.Minute), name, "job.reprinted", &event.JobReprinted{Job: job, Cause: "misprint"})
		}
		m.say(now.Add(12*time.Minute), name, "run.finished", &event.RunFinished{Run: run})
		rewound := true
		m.say(now.Add(14*time.Minute), name, "cut.finished", &event.CutFinished{Job: job, Rewound: &rewound})
	}
}

// busy is a journal from the middle of January to the middle of April.
func busy(t testing.TB) *memory {
	t.Helper()
	m := &memory{t: t}
	m.season(at(time.January, 15, 8, 0), at(time.March, 16, 8, 0))
	m.say(at(time.March, 16, 8, 0), "any", "change.marked", &event.ChangeMarked{Label: `=HYPERLINK("http://evil.example")`})
	m.sayAt("quay", at(time.March, 16, 9, 0), "heron", "roll.loaded", &event.RollLoaded{Stock: "CAST-WRAP-152", FilmClass: event.Cast, WidthMM: p(1520)})
	m.season(at(time.March, 16, 10, 0), at(time.April, 15, 8, 0))
	return m
}

func usd(n string) currency.Amount { return must(currency.NewAmount(n, "USD")) }

// site is the invented shop's.
func site() rules.Site {
	films := must(film.NewCatalogue(nil, []film.Film{
		{Stock: "MONO-GLOSS-137", Class: event.Monomeric, PricePerM2: usd("1.20")}, {Stock: "POLY-GLOSS-137", Class: event.Polymeric, PricePerM2: usd("2.60")},
	}))
	prior := risk.DefaultPrior()
	costs := plant.Costs{
		Currency: "USD", LabourPerHour: usd("30"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.15"),
		StrikeDownS: 2700, StrikeReprint: 3, LeaderWorkS: 60, AdvanceWorkS: 10, ShapeWorkS: 60,
	}
	return rules.Site{
		Machines: []plant.Machine{{Site: "north", Name: "heron", Path: plant.Path{CureEntryMM: 180, CureExitMM: 330}, MaxWidthMM: 1370}},
		Films:    films, Book: hazard.DefaultBook(),
		Advisor: &remedy.Advisor{Odds: prior, Costs: costs, Films: films},
		Learn:   func(c []risk.Cell) remedy.Odds { return risk.Fit(prior, c, risk.FitOptions{}) },
	}
}

// books are those of a journal, read at a moment, with states in a folder.
func books(m monthly.Source, now time.Time, folder string) *monthly.Books {
	return monthly.NewBooks(monthly.BooksOptions{
		Source: m, Zone: berlin, Now: func() time.Time { return now }, Params: monthly.ParamsOf(site()), Folder: folder, Log: zerolog.Nop(),
	})
}

func kit(t testing.TB, now time.Time) *web.Kit {
	t.Helper()
	k, err := web.New(web.Options{Shop: "Kestrel Lane Decals", Zone: berlin, Now: func() time.Time { return now }, Machines: []web.Place{{Site: "north", Machine: "heron"}}})
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// edition is the busy March.
func edition(t testing.TB) *monthly.Edition {
	t.Helper()
	r, err := books(busy(t), at(time.May, 1, 8, 0), "").Report(t.Context(), march, "")
	if err != nil {
		t.Fatal(err)
	}
	return &monthly.Edition{Report: r, Month: march, Shop: "Kestrel Lane Decals"}
}
