// Package pager delivers alarm pages to the channels outside: Alertmanager,
// a signed webhook, e-mail and the log.
//
// A page is delivered at least once. It is due until the journal holds
// page.sent, or page.failed with final set, for its alarm event and channel;
// the fold of the journal keeps the list of due pages, and the pager works
// that list off. A restart therefore neither loses a page nor repeats one that
// the journal shows as sent. A crash between sending and journalling repeats
// the page with the same idempotency key, by which the receiver can tell.
//
// The pager never slows the watch: Offer and Active only take notes, every
// channel has its own worker, and receipts are journalled from a queue of
// their own. Pages of one alarm go out in order on each channel, so that no
// receiver hears "cleared" before "raised"; between alarms the more urgent
// goes first.
package pager

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// Channel delivers pages to one receiver. The pager calls the methods of one
// channel from one goroutine at a time.
type Channel interface {
	// Name is the name by which alarms ask for the channel.
	Name() string
	// Send delivers the page or says why not. The error may wrap Permanent or
	// RetryAfter, and must not contain a secret. Send returns when ctx ends.
	Send(ctx context.Context, p Page) error
}

// Leveller is a Channel whose receiver wants to hear again and again which
// alarms stand, not only when one changes.
type Leveller interface {
	Channel
	// Level delivers the present set of active alarms. It is called soon after
	// the set has changed and at least once in every Every.
	Level(ctx context.Context, active []Page) error
	Every() time.Duration
}

// Backoff says how long to wait between the tries of one page. A zero field
// takes its default.
type Backoff struct {
	Initial    time.Duration // wait after the first failed try; 2 s
	Max        time.Duration // longest wait; 2 min
	Multiplier float64       // growth from one wait to the next; 2
	Jitter     float64       // random share of the wait, 0 to 1; 0.3; negative for none
}

// Options configure a Pager. Publish is required.
type Options struct {
	Channels []Channel // besides the log channel, which is always there
	// Publish writes events to the journal. It must be safe for use from
	// another goroutine, and publishing an id twice must count once.
	Publish func(ctx context.Context, events ...event.Event) error
	Now     func() time.Time // time.Now; it must tick as real time does
	Log     zerolog.Logger   // its writer must be safe for concurrent use
	Source  string           // CloudEvents source of the receipts; "/rollwarden/pager"
	// Links returns the addresses of the operator page and of the hazard's
	// instructions for a page; nil when there are none.
	Links       func(Page) (board, runbook string)
	GiveUpAfter time.Duration // from the first try in this process; 1 h
	TryTimeout  time.Duration // for one try; 30 s
	Grace       time.Duration // for what is under way when Run must end; 3 s
	Backoff     Backoff
	// Held reports whether this process may page at this very moment, for one of
	// several that take turns. What it must not send waits for Run to end. It may
	// when nil.
	Held func() bool
}

// Grace is the default of Options.Grace.
const Grace = 3 * time.Second

func (o Options) withDefaults() Options {
	if o.Now == nil {
		o.Now = time.Now
	}
	o.Source = cmp.Or(o.Source, "/rollwarden/pager")
	o.GiveUpAfter = cmp.Or(o.GiveUpAfter, time.Hour)
	o.TryTimeout = cmp.Or(o.TryTimeout, 30*time.Second)
	o.Grace = cmp.Or(o.Grace, Grace)
	if o.Held == nil {
		o.Held = func() bool { return true }
	}
	o.Backoff.Initial = cmp.Or(o.Backoff.Initial, 2*time.Second)
	o.Backoff.Max = cmp.Or(o.Backoff.Max, 2*time.Minute)
	o.Backoff.Multiplier = cmp.Or(o.Backoff.Multiplier, 2)
	o.Backoff.Jitter = cmp.Or(o.Backoff.Jitter, 0.3)
	return o
}

// pace returns a fresh row of waits.
func (b Backoff) pace() *backoff.ExponentialBackOff {
	return &backoff.ExponentialBackOff{
		InitialInterval: b.Initial, MaxInterval: b.Max,
		Multiplier: b.Multiplier, RandomizationFactor: max(b.Jitter, 0),
	}
}

// Pager delivers due pages. Create it with New and start it with Run.
type Pager struct {
	options  Options
	workers  []*worker
	receipts *receipts
}

// New returns a pager over the given channels and the log channel. It fails
// when two channels share a name or when Publish is missing.
func New(o Options) (*Pager, error) {
	if o.Publish == nil {
		return nil, errors.New("pager: publish is missing: want a function that writes to the journal")
	}
	o = o.withDefaults()
	p := &Pager{options: o, receipts: newReceipts(o)}
	channels := append(slices.Clone(o.Channels), logChannel{o.Log})
	names := make(map[string]bool, len(channels))
	for _, c := range channels {
		name := c.Name()
		if name == "" || names[name] {
			return nil, fmt.Errorf("pager: channel name %q: want a name of its own for every channel (%q is taken by the log)", name, LogName)
		}
		names[name] = true
		p.workers = append(p.workers, newWorker(o, c, p.receipts, func(asked string) bool { return asked == name }))
	}
	p.workers = append(p.workers, newWorker(o, missing{}, p.receipts, func(asked string) bool { return !names[asked] }))
	return p, nil
}

// Offer takes the present list of due pages, in journal order. Pages that are
// under way or done in this process are not started twice, and pages that are
// no longer listed are dropped. It takes notes and returns: it does not wait
// for any channel, and it keeps no reference to the list.
func (p *Pager) Offer(due []Due) {
	now := p.options.Now()
	for _, w := range p.workers {
		w.offer(due, now)
	}
}

// Active takes the present set of active alarms: every alarm that has not
// cleared, the acknowledged, shelved and suppressed ones too, because an alarm
// that leaves the set counts as cleared. Before the first call nothing is said
// about the set. It takes notes and returns.
func (p *Pager) Active(alarms []Page) {
	alarms = slices.Clone(alarms)
	for i := range alarms {
		p.options.link(&alarms[i])
	}
	for _, w := range p.workers {
		w.setActive(alarms)
	}
}

func (o Options) link(p *Page) {
	if o.Links != nil {
		p.BoardURL, p.RunbookURL = o.Links(*p)
	}
}

// Run delivers pages until ctx ends. What is under way then may take Grace to
// finish. It returns an error when receipts could not be journalled in that
// time: those pages are sent again after the next start. Call it once.
func (p *Pager) Run(ctx context.Context) error {
	late, cancel := outlive(ctx, p.options.Grace)
	defer cancel()
	var workers, journal sync.WaitGroup
	drained := make(chan struct{})
	journal.Go(func() { p.receipts.run(late, drained) })
	for _, w := range p.workers {
		workers.Go(func() { w.run(ctx, late) })
	}
	workers.Wait()
	close(drained)
	journal.Wait()
	if n := p.receipts.waiting(); n > 0 {
		return fmt.Errorf("pager: %d receipts did not reach the journal; their pages may be sent again after the next start", n)
	}
	return nil
}

// outlive returns a context that ends grace after ctx does.
func outlive(ctx context.Context, grace time.Duration) (context.Context, context.CancelFunc) {
	late, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() {
		timer := time.NewTimer(grace)
		defer timer.Stop()
		select {
		case <-timer.C:
			cancel()
		case <-late.Done():
		}
	})
	return late, func() { stop(); cancel() }
}

// Status is what the board shows of one channel.
type Status struct {
	Channel string
	Waiting int       // pages that are due and not delivered
	NextTry time.Time // when the next of them is tried; zero when none waits
	Reason  string    // why the last try failed; empty after one that worked
}

// Status returns the state of every configured channel, the log last.
func (p *Pager) Status() []Status {
	all := make([]Status, 0, len(p.workers))
	for _, w := range p.workers[:len(p.workers)-1] {
		all = append(all, w.status())
	}
	return all
}

// missing stands for every channel that an alarm asks for and that is not
// configured: each page fails for good and says so, instead of waiting for ever.
type missing struct{}

// Name implements Channel.
func (missing) Name() string { return "" }

// Send implements Channel.
func (missing) Send(context.Context, Page) error {
	return Permanent(errors.New("no channel of this name is configured: add the channel, or take its name out of the hazard's pages"))
}
