// Package demo plays a week of an invented shop into a whole watch, through
// the edges that a real shop uses: ticket files in folders, events over NATS.
// It prints what a supervisor would want to read and scores the watch against a
// truth about lifting edges that the rules never see.
package demo

import (
	"context"
	_ "embed" // the shop and its rule book
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/app"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/rules/remedy"
)

//go:embed shop.yaml
var shopYAML []byte

//go:embed rulebook.yaml
var ruleBookYAML []byte

// Options say how the week is played.
type Options struct {
	Seed    uint64
	Pace    time.Duration // how long the week takes; 0 as fast as it can
	Stay    bool          // keep the watch running until the context ends
	Version string
	Listen  string // address of the board; the shop's own when empty

	Record   func(record any)        // is handed each record of the week, when it is set
	Progress func(done, total int64) // is told how much of the week is played, in seconds, when it is set
}

// weekdays are the days that the shop works.
const weekdays = 5

// Play plays the week and prints it. It returns early when ctx ends.
func Play(ctx context.Context, out io.Writer, o Options) error {
	s, err := open(ctx, out, o)
	if err != nil {
		return err
	}
	err = s.week()
	if err == nil && o.Stay {
		if err = s.nextMonday(); err == nil {
			<-ctx.Done()
		}
	}
	if ctx.Err() != nil {
		err = nil // stopped on purpose
	}
	return errors.Join(err, s.close())
}

// show is the demo on its way: the watch, the shop and what is printed.
type show struct {
	ctx    context.Context
	out    io.Writer
	o      Options
	dir    string
	zone   *time.Location
	clock  *app.ManualClock
	app    *app.App
	nc     *nats.Conn
	js     jetstream.JetStream
	alarms *nats.Subscription
	rng    *rand.Rand

	machines []*machine
	todo     agenda
	began    time.Time // of the playing, real time
	monday   time.Time // of the week, shop time
	serial   int
	score    score
	prices   *remedy.Advisor
}

// open starts the whole watch on free loopback ports in a folder of its own.
func open(ctx context.Context, out io.Writer, o Options) (*show, error) {
	s := &show{ctx: ctx, out: out, o: o, rng: rand.New(rand.NewPCG(o.Seed, 1)), began: time.Now()}
	if err := s.start(); err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func (s *show) start() (err error) {
	if s.dir, err = os.MkdirTemp("", "rollwarden-demo-"); err != nil {
		return err
	}
	cfg, err := s.settings()
	if err != nil {
		return err
	}
	if s.zone, err = cfg.Location(); err != nil {
		return err
	}
	site, err := cfg.Site()
	if err != nil {
		return err
	}
	s.prices = site.Advisor
	s.monday = time.Date(2026, 3, 2, 0, 0, 0, 0, s.zone)
	s.clock = app.NewManualClock(s.monday.Add(7 * time.Hour))
	if s.app, err = app.Start(s.ctx, app.Options{Config: cfg, Clock: s.clock, Log: zerolog.Nop(), Version: s.o.Version}); err != nil {
		return err
	}
	if s.nc, err = nats.Connect(s.app.NATS(), nats.Name("demo")); err != nil {
		return err
	}
	if s.js, err = jetstream.New(s.nc); err != nil {
		return err
	}
	s.alarms, err = s.nc.SubscribeSync("floor.*.*.alarm.changed")
	return err
}

// settings writes the shop's files into the folder and reads them as a real
// watch would. The board's usual port is taken if it is free.
func (s *show) settings() (*config.Config, error) {
	for name, data := range map[string][]byte{"shop.yaml": shopYAML, "rulebook.yaml": ruleBookYAML} {
		if err := os.WriteFile(filepath.Join(s.dir, name), data, 0o600); err != nil {
			return nil, err
		}
	}
	for _, p := range places {
		if err := os.MkdirAll(filepath.Join(s.tickets(), p.name), 0o755); err != nil {
			return nil, err
		}
	}
	cfg, err := config.Load(filepath.Join(s.dir, "shop.yaml"), nil)
	if err != nil {
		return nil, err
	}
	if s.o.Listen != "" {
		cfg.HTTP.Listen = s.o.Listen
	} else if !free(cfg.HTTP.Listen) {
		cfg.HTTP.Listen = "127.0.0.1:0"
	}
	return cfg, nil
}

func (s *show) tickets() string { return filepath.Join(s.dir, "tickets") }

// close ends the watch and removes the folder.
func (s *show) close() error {
	var errs []error
	if s.nc != nil {
		s.nc.Close()
	}
	if s.app != nil {
		errs = append(errs, s.app.Stop())
	}
	if s.dir != "" {
		errs = append(errs, os.RemoveAll(s.dir))
	}
	return errors.Join(errs...)
}

// week plays five days and prints the score.
func (s *show) week() error {
	s.introduce()
	for _, p := range places {
		s.machines = append(s.machines, &machine{place: p})
	}
	n := 0
	for day := range weekdays {
		if err := s.day(s.monday.AddDate(0, 0, day), &n); err != nil {
			return err
		}
	}
	return s.report()
}

// nextMonday leaves the watch with a morning's tickets in, so that the board has
// something to show.
func (s *show) nextMonday() error {
	monday := s.monday.AddDate(0, 0, 7)
	if err := s.until(monday.Add(7*time.Hour + 40*time.Minute)); err != nil {
		return err
	}
	s.say("\n%s", monday.Format("Monday 2 January"))
	n := s.score.tickets
	if err := s.office(planDay(s.rng, monday, &n), monday); err != nil {
		return err
	}
	s.say("\nThe watch goes on until you stop it; the shop's clock stands still. Look at %s/", s.app.URL())
	return nil
}

// say prints one line.
func (s *show) say(format string, args ...any) { fmt.Fprintf(s.out, format+"\n", args...) }

// publish sends an event over NATS and waits until the watch is done with it,
// so that a seed plays the same week however fast this machine is.
func (s *show) publish(site, name string, typ event.Type, p event.Payload) error {
	s.serial++
	e := event.Event{
		ID: fmt.Sprintf("demo-%d", s.serial), Source: "kestrel-lane/" + name, Type: typ, Time: s.clock.Now(),
		Site: site, Machine: name, Data: p,
	}
	data, err := event.Encode(e)
	if err != nil {
		return err
	}
	if _, err := s.js.Publish(s.ctx, e.Subject(), data); err != nil {
		return fmt.Errorf("publish %s: %w", typ, err)
	}
	return s.settle()
}

// settle lets the watch finish with everything so far, and then reads the
// alarms that came of it.
func (s *show) settle() error {
	if err := s.app.Settle(s.ctx); err != nil {
		return err
	}
	// What the server had before the flush has arrived when it returns.
	if err := s.nc.FlushTimeout(10 * time.Second); err != nil {
		return err
	}
	for {
		if n, _, err := s.alarms.Pending(); err != nil || n == 0 {
			return err
		}
		m, err := s.alarms.NextMsg(time.Second)
		if err != nil {
			return err
		}
		e, err := event.Decode(event.Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Stored: time.Now()})
		if err != nil {
			return err
		}
		if d, ok := e.Data.(*event.AlarmChanged); ok {
			s.alarm(e, d)
		}
	}
}

// until moves the shop's clock on to t in steps, so that what the watch does
// by the clock alone happens at its own minute.
func (s *show) until(t time.Time) error {
	for now := s.clock.Now(); now.Before(t); now = s.clock.Now() {
		step := time.Minute
		if h := now.In(s.zone).Hour(); h < 7 || h >= 19 {
			step = time.Hour // nobody is there
		}
		next := now.Add(step)
		if next.After(t) {
			next = t
		}
		s.clock.Set(next)
		if err := s.settle(); err != nil {
			return err
		}
	}
	if s.o.Progress != nil {
		s.o.Progress(int64(s.clock.Now().Sub(s.monday).Seconds()), int64((weekdays * 24 * time.Hour).Seconds()))
	}
	s.keepPace()
	return s.ctx.Err()
}

// keepPace waits until the real time fits the shop's time.
func (s *show) keepPace() {
	if s.o.Pace <= 0 {
		return
	}
	week := float64(weekdays * 24 * time.Hour)
	share := float64(s.clock.Now().Sub(s.monday)) / week
	ahead := time.Duration(share*float64(s.o.Pace)) - time.Since(s.began)
	if ahead <= 0 {
		return
	}
	select {
	case <-time.After(ahead):
	case <-s.ctx.Done():
	}
}
