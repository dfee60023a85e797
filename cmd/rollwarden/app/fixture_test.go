package app

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
)

// shopOf is a shop with n measured machines m0, m1, … on site north, with
// everything on free loopback ports and in the test's own folder.
func shopOf(tb testing.TB, n int) *config.Config {
	tb.Helper()
	cfg := config.Default()
	cfg.Data.Folder, cfg.Tickets.Folder = tb.TempDir(), tb.TempDir()
	cfg.Tickets.Settle, cfg.Tickets.Poll = 100*time.Millisecond, time.Second
	cfg.NATS.Listen, cfg.NATS.SyncAlways = "127.0.0.1:0", false
	cfg.HTTP.Listen = "127.0.0.1:0"
	cfg.Pager.Routes = config.Routes{}
	cfg.Machines = nil
	for i := range n {
		cfg.Machines = append(cfg.Machines, config.Machine{
			Site: "north", Name: fmt.Sprint("m", i), SwathMM: f(54), StrokeS: f(1.6), MaxWidthMM: f(1370), ToleranceMM: f(0.3),
			Path: config.Path{CureEntryMM: f(180), CureExitMM: f(330), TakeUpMM: f(900), CarriageGapUM: f(1500)},
		})
	}
	return cfg
}

func f(v float64) *float64 { return &v }

// startApp starts a watch that ends with the test.
func startApp(tb testing.TB, o Options) *App {
	tb.Helper()
	if o.Log.GetLevel() == zerolog.TraceLevel {
		o.Log = zerolog.Nop()
	}
	a, err := Start(context.Background(), o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := a.Stop(); err != nil {
			tb.Errorf("stop: %v", err)
		}
	})
	if err := a.Settle(deadline(tb)); err != nil {
		tb.Fatal(err)
	}
	return a
}

func deadline(tb testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	tb.Cleanup(cancel)
	return ctx
}

var serial int

// say makes an event of machine m with an id of its own.
func say(machine string, at time.Time, typ event.Type, p event.Payload) event.Event {
	serial++
	return event.Event{ID: fmt.Sprint("t", serial), Source: "test", Type: typ, Time: at, Site: "north", Machine: machine, Data: p}
}

func publish(tb testing.TB, a *App, events ...event.Event) {
	tb.Helper()
	if err := a.journals[0].Publish(deadline(tb), events...); err != nil {
		tb.Fatal(err)
	}
	if err := a.Settle(deadline(tb)); err != nil {
		tb.Fatal(err)
	}
}

// loaded is what a machine says to have a roll of cheap film at an edge.
func loaded(machine string, at time.Time, edgeMM float64) []event.Event {
	return []event.Event{
		say(machine, at, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: f(1370), LengthM: f(1e4), ThicknessUM: f(220)}),
		say(machine, at, "edge.moved", &event.EdgeMoved{PositionMM: f(edgeMM), Cause: event.CauseAdvance}),
	}
}

func ticketFor(job string) *event.TicketReceived {
	return &event.TicketReceived{
		Job: job, Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: f(1370), LengthM: f(3),
		Passes: f(12), InkDensityPct: f(100), CureC: f(93),
	}
}
