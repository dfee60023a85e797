package pager

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// alarm returns an alarm.changed event of the invented shop.
func alarm(id string, change func(*event.AlarmChanged)) event.Event {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	ready := at.Add(12 * time.Minute)
	a := &event.AlarmChanged{
		Hazard: "bare-edge", Job: "K-101", Part: "P1",
		From: "normal", To: "unacknowledged", On: "detect", Emit: "annunciate", Priority: "high",
		Message:  "Bare leading edge of MONO-GLOSS-137 will enter the cure zone.",
		Caution:  "The carriage can hit a lifted edge.",
		Evidence: []event.Evidence{{Name: "edge", Value: "0 mm", Limit: "at least 420 mm"}},
		Remedies: []event.Remedy{
			{Code: "no-cut", Text: "Do not cut the job before off", WhyNot: "it is cut"},
			{Code: "leader", Text: "Tape a leader ahead of the edge", Cost: "0.20 USD", Settles: true, Cheapest: true},
		},
		ReadyAt: &ready,
	}
	if change != nil {
		change(a)
	}
	return event.Event{ID: id, Source: "/rollwarden", Type: event.AlarmChangedType, Time: at, Site: "north", Machine: "heron", Data: a}
}

func due(id, channel string) Due {
	return Due{AlarmID: id, Channel: channel, Event: alarm(id, func(a *event.AlarmChanged) { a.Job = id })}
}

func pageOf(t testing.TB, id string, change func(*event.AlarmChanged)) Page {
	t.Helper()
	p, err := NewPage(Due{AlarmID: id, Channel: "hall", Event: alarm(id, change)})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sending is one call of a fake channel.
type sending struct {
	page Page
	at   time.Time
}

// fakeChannel answers as it is told and remembers what it was sent.
type fakeChannel struct {
	name   string
	answer func(ctx context.Context, try int, p Page) error // try counts from 1, over all pages

	mu   sync.Mutex
	sent []sending
}

func (c *fakeChannel) Name() string { return c.name }

func (c *fakeChannel) Send(ctx context.Context, p Page) error {
	c.mu.Lock()
	c.sent = append(c.sent, sending{p, time.Now()})
	try := len(c.sent)
	c.mu.Unlock()
	if c.answer == nil {
		return nil
	}
	return c.answer(ctx, try, p)
}

func (c *fakeChannel) calls() []sending {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.sent)
}

func (c *fakeChannel) alarms() []string {
	var ids []string
	for _, s := range c.calls() {
		ids = append(ids, s.page.AlarmID)
	}
	return ids
}

// fakeJournal keeps an event once per id, and can be told to fail before or
// after it has stored.
type fakeJournal struct {
	fault func(call int) (stored bool, err error) // call counts from 1

	mu     sync.Mutex
	calls  int
	ids    map[string]bool
	events []event.Event
}

func (j *fakeJournal) publish(_ context.Context, events ...event.Event) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.calls++
	if j.fault != nil {
		if stored, err := j.fault(j.calls); err != nil {
			if stored {
				j.store(events)
			}
			return err
		}
	}
	j.store(events)
	return nil
}

func (j *fakeJournal) store(events []event.Event) {
	if j.ids == nil {
		j.ids = make(map[string]bool)
	}
	for _, e := range events {
		if !j.ids[e.ID] {
			j.ids[e.ID] = true
			j.events = append(j.events, e)
		}
	}
}

func (j *fakeJournal) all() []event.Event {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.Clone(j.events)
}

// lines writes the journal as one line per receipt.
func (j *fakeJournal) lines() []string {
	var lines []string
	for _, e := range j.all() {
		switch d := e.Data.(type) {
		case *event.PageSent:
			lines = append(lines, fmt.Sprintf("sent %s %s %g", d.Alarm, d.Channel, d.Attempt))
		case *event.PageFailed:
			word := "failed"
			if d.Final {
				word = "final"
			}
			lines = append(lines, fmt.Sprintf("%s %s %s %g", word, d.Alarm, d.Channel, d.Attempt))
		}
	}
	return lines
}

func equalLines(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

// running starts a pager in a synctest bubble and returns a function that
// stops it and checks what Run returned.
func running(t *testing.T, o Options) (p *Pager, stop func() error) {
	t.Helper()
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	stopped := false
	stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-ended
	}
	t.Cleanup(func() { _ = stop() })
	return p, stop
}

// bubble runs a test on a fake clock.
func bubble(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

var errBusy = errors.New("busy")

func fails(err error) func(context.Context, int, Page) error {
	return func(context.Context, int, Page) error { return err }
}

// hangs answers only when its context ends.
func hangs(ctx context.Context, _ int, _ Page) error {
	<-ctx.Done()
	return ctx.Err()
}
