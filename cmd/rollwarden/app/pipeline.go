package app

//	people ─► desk ────────────────────────┐
//	tickets ─► folder ─────────────────────┼─► tell ─┐
//	signals, run logs, printers            │         │
//	            └─► quarantine ────────────┘         │
//	machines ──────────────────────────────────► NATS, which knows the journal of each site
//	                                                 │
//	                ┌──────────────────────────── journal ◄───────────────┐
//	                ▼                                                     │
//	              decode                                                  │
//	                ▼                                                     │
//	snapshots ◄── LOOP ──► alarm.changed ──► publisher ───────────────────┤
//	              Apply                                                   │
//	              Judge ─► pages due ──────► pager ──► page.sent, .failed ┘
//	                │                          └─► channels
//	                ▼
//	              View ──► holding ──► front: board, live pages, metrics
//
// The journal comes first: nothing is true before it is stored there. One
// goroutine, the loop, owns the engine; it never waits for a disk, a network
// or a channel. What it decides goes to the publisher and takes effect when it
// comes back through the journal.
//
// What lies between one journal and its View, with the folders and the sources of
// the journal's sites, is a shard (shard.go). A watch with its own NATS has one.
// With an external one a daemon has one for each lease that it holds (shared.go),
// and the holding shows all of them as one floor. Reports read the journals by
// themselves (report.go).

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
)

// pipeline is the loop of one shard and what it feeds.
type pipeline struct {
	engine    *rules.Engine
	clock     Clock
	log       zerolog.Logger
	publish   func(context.Context, ...event.Event) error // returns once stored
	snapshots *snapshotter
	pages     func([]alarm.Page, map[string][]alarm.Alarm) // takes notes, never waits
	latency   func(took time.Duration, eventID string)     // event to alarm, both as the journal stored them
	shown     func()                                       // told of each new view, never waits
	held      func() bool                                  // whether this daemon is the one to judge

	view  atomic.Pointer[rules.View]
	ready atomic.Bool // the journal has been read up to where it ended at the start
	last  uint64      // where it ended

	batches  chan []entry
	outbox   outbox
	refused  chan event.Event // transitions that the journal can never take
	quiesce  chan quietRequest
	ended    chan struct{} // closed when the loop has ended
	waiting  []quietRequest
	causes   map[string]time.Time // when what led to a transition under way was stored, by its id
	viewedAt time.Time
	changed  bool // alarms or pages changed since they were last handed on
}

// newPipeline returns a pipeline that leads nowhere yet.
func newPipeline(e *rules.Engine, c Clock, log zerolog.Logger) *pipeline {
	return &pipeline{
		engine: e, clock: c, log: log, batches: make(chan []entry, 1), outbox: outbox{filled: make(chan struct{}, 1)},
		refused: make(chan event.Event), quiesce: make(chan quietRequest), ended: make(chan struct{}), causes: map[string]time.Time{}, shown: func() {}, held: always,
	}
}

// always is held by a watch that is alone.
func always() bool { return true }

// entry is one message of the journal, decoded outside the loop.
type entry struct {
	seq     uint64
	stored  time.Time
	subject string
	event   event.Event
	err     error // why it could not be decoded
}

// quietRequest asks to be told when everything up to a sequence is applied and
// nothing that follows from it is under way.
type quietRequest struct {
	seq  uint64
	done chan struct{}
}

// viewEvery bounds how often readers get a new view while events pour in.
const viewEvery = 20 * time.Millisecond

// decode turns a batch of the journal into entries for the loop. It runs in
// the journal's own goroutine, so that decoding and judging share two cores.
func (p *pipeline) decode(ctx context.Context, batch []journal.Entry) error {
	entries := make([]entry, len(batch))
	for i, m := range batch {
		entries[i] = entry{seq: m.Seq, stored: m.Stored, subject: m.Subject}
		entries[i].event, entries[i].err = event.Decode(m.Message)
	}
	select {
	case p.batches <- entries:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// loop owns the engine until ctx ends.
func (p *pipeline) loop(ctx context.Context) error {
	defer close(p.ended)
	p.caughtUp()
	for {
		alarmClock, stop := p.wakeAt(p.judge(time.Time{}))
		p.show()
		p.answerQuiet()
		select {
		case batch := <-p.batches:
			p.apply(batch)
		case <-alarmClock:
		case e := <-p.refused:
			delete(p.causes, e.ID)
			p.engine.Abandon(e)
		case q := <-p.quiesce:
			p.waiting = append(p.waiting, q)
		case <-p.viewDue():
		case <-ctx.Done():
			stop()
			p.snapshots.last(p.engine)
			return nil
		}
		stop()
	}
}

// apply folds a batch. Once the watch is live each event is judged by itself,
// so that a start which is over by the end of the batch is not passed over.
func (p *pipeline) apply(batch []entry) {
	for i := range batch {
		e := &batch[i]
		if e.err != nil {
			p.engine.Refuse(e.seq, e.stored, e.subject, e.err)
			p.log.Warn().Uint64("seq", e.seq).Str("subject", e.subject).Err(e.err).Msg("refused an event; it stays in the journal")
			p.caughtUp() // it may be the last one
			continue
		}
		if p.engine.Apply(e.seq, e.event) && isAlarm(e.event.Type) {
			p.changed = true
			p.arrived(e)
		}
		if p.ready.Load() {
			p.judge(e.stored)
		}
		p.caughtUp()
	}
	p.snapshots.offer(p.engine)
}

// arrived measures how long a transition of this watch took. Both ends are told by
// the clock of the journal, which need not be the one here.
func (p *pipeline) arrived(e *entry) {
	if cause, ok := p.causes[e.event.ID]; ok {
		delete(p.causes, e.event.ID)
		p.latency(e.stored.Sub(cause), e.event.ID)
	}
}

func isAlarm(t event.Type) bool {
	return t == event.AlarmChangedType || t == "page.sent" || t == "page.failed"
}

// caughtUp starts judging once everything that was in the journal at the start
// has been folded. What happened while the watch was down is judged as it now
// stands, once.
func (p *pipeline) caughtUp() {
	if !p.ready.Load() && p.engine.Seq() >= p.last {
		p.ready.Store(true)
		p.changed = true
		p.log.Info().Uint64("seq", p.engine.Seq()).Msg("journal read, watching")
	}
}

// judge hands what is due to the publisher and returns when to judge again, zero
// for never. The cause is when the event was stored that may lead to it, zero when
// time alone does.
func (p *pipeline) judge(cause time.Time) (next time.Time) {
	if !p.ready.Load() || !p.held() {
		return time.Time{}
	}
	due, next := p.engine.Judge(p.clock.Now())
	if len(due) > 0 {
		for i := 0; i < len(due) && !cause.IsZero(); i++ {
			p.causes[due[i].ID] = cause
		}
		p.outbox.put(due)
	}
	return next
}

// wakeAt returns a channel that is ready at a moment, and what lets go of it.
func (p *pipeline) wakeAt(at time.Time) (<-chan time.Time, func()) {
	if at.IsZero() {
		return nil, func() {}
	}
	return p.clock.At(at)
}

// show gives readers a new view, and the pager what is due, when anything
// changed and the last view is not too young.
func (p *pipeline) show() {
	v := p.view.Load()
	if v != nil && v.Seq == p.engine.Seq() && !p.changed || p.young() {
		return
	}
	if !p.ready.Load() {
		return // half a journal is no floor to show
	}
	v = p.engine.View(p.clock.Now())
	p.viewedAt = time.Now()
	p.view.Store(v)
	p.shown()
	if p.changed {
		p.changed = false
		p.pages(v.Alarms.Pages, v.Alarms.Alarms)
	}
}

func (p *pipeline) young() bool { return time.Since(p.viewedAt) < viewEvery && len(p.waiting) == 0 }

// viewDue wakes the loop when a view that was held back is due.
func (p *pipeline) viewDue() <-chan time.Time {
	if v := p.view.Load(); v == nil || v.Seq == p.engine.Seq() && !p.changed {
		return nil
	}
	return time.After(viewEvery)
}

// answerQuiet tells those who wait that nothing is under way any more.
func (p *pipeline) answerQuiet() {
	if len(p.waiting) == 0 || p.engine.Pending() > 0 {
		return
	}
	left := p.waiting[:0]
	for _, q := range p.waiting {
		if p.engine.Seq() >= q.seq && p.ready.Load() {
			close(q.done)
		} else {
			left = append(left, q)
		}
	}
	p.waiting = left
}

var errEnded = errors.New("the watch has ended")

// Quiet waits until everything up to seq is applied, judged and written.
func (p *pipeline) Quiet(ctx context.Context, seq uint64) error {
	q := quietRequest{seq, make(chan struct{})}
	select {
	case p.quiesce <- q:
	case <-p.ended:
		return errEnded
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-q.done:
		return nil
	case <-p.ended:
		return errEnded
	case <-ctx.Done():
		return ctx.Err()
	}
}

// publisher writes transitions to the journal, in order.
func (p *pipeline) publisher(ctx context.Context) error {
	for {
		select {
		case <-p.outbox.filled:
			p.store(ctx, p.outbox.take())
		case <-ctx.Done():
			return nil
		}
	}
}

// outbox holds transitions for the publisher. The loop never waits for it; it
// stays small because an alarm has at most one transition under way.
type outbox struct {
	mu     sync.Mutex
	list   []event.Event
	filled chan struct{} // has room for one
}

func (o *outbox) put(out []event.Event) {
	o.mu.Lock()
	o.list = append(o.list, out...)
	o.mu.Unlock()
	select {
	case o.filled <- struct{}{}:
	default:
	}
}

func (o *outbox) take() []event.Event {
	o.mu.Lock()
	defer o.mu.Unlock()
	out := o.list
	o.list = nil
	return out
}

// store goes on trying until the journal has the transitions: one that is lost
// would be an alarm lost. One that the journal can never take is an error in
// this program, and must not keep the others out.
func (p *pipeline) store(ctx context.Context, events []event.Event) {
	for {
		err := p.publish(ctx, events...)
		var refused *event.Fault
		switch {
		case err == nil:
			return
		case ctx.Err() != nil:
			return // judged again after the restart, since nothing took effect
		case errors.As(err, &refused) && len(events) > 1:
			for i := range events {
				p.store(ctx, events[i:i+1])
			}
			return
		case errors.As(err, &refused):
			p.log.Error().Err(err).Str("subject", events[0].Subject()).Msg("an alarm cannot be written to the journal; please report it")
			p.abandon(ctx, events[0])
			return
		}
		p.log.Error().Err(err).Int("transitions", len(events)).Msg("cannot write alarms to the journal, trying again")
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return
		}
	}
}

// abandon lets the loop wait no longer for a transition.
func (p *pipeline) abandon(ctx context.Context, e event.Event) {
	select {
	case p.refused <- e:
	case <-ctx.Done():
	}
}
