package pager

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"rollwarden/rules/event"
)

// forgetAfter is how long a page that is done is remembered after it was last
// listed as due, so that a list from before its receipt starts nothing twice.
const forgetAfter = time.Hour

// worker works off the due pages of one channel. Its notes are guarded by a
// lock that is never held while anything is sent or published.
type worker struct {
	options  Options
	channel  Channel
	takes    func(channel string) bool
	receipts *receipts
	wake     chan struct{} // holds one token when the notes have changed

	mu     sync.Mutex
	round  uint64            // counts the offers
	tasks  map[ref]*task     // due and not done
	queue  []*task           // the same in journal order, and settled ones between
	last   map[subject]*task // the latest task of each alarm
	done   map[ref]time.Time // when the page was last listed
	hold   time.Time         // the channel rests until then
	reason string            // why the last try failed
	level  levelNotes
}

// task is one page that is due.
type task struct {
	due     Due
	about   subject
	rank    int
	round   uint64 // the last offer that listed it
	tries   int    // in this process
	first   time.Time
	next    time.Time // not to be tried before
	after   *task     // the page of the same alarm that goes out before
	settled bool      // sent, given up or dropped
	pace    *backoff.ExponentialBackOff
}

func newWorker(o Options, c Channel, r *receipts, takes func(string) bool) *worker {
	w := &worker{
		options: o, channel: c, takes: takes, receipts: r,
		wake:  make(chan struct{}, 1),
		tasks: make(map[ref]*task), last: make(map[subject]*task), done: make(map[ref]time.Time),
	}
	w.level.pace = o.Backoff.pace()
	return w
}

func (w *worker) offer(due []Due, now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.round++
	for i := range due {
		if w.takes(due[i].Channel) {
			w.list(&due[i], now)
		}
	}
	w.dropUnlisted(now)
	w.poke()
}

// list notes that a page is due. The lock is held.
func (w *worker) list(d *Due, now time.Time) {
	r := ref{d.AlarmID, d.Channel}
	if t, ok := w.tasks[r]; ok {
		t.round = w.round
		return
	}
	if _, ok := w.done[r]; ok {
		w.done[r] = now
		return
	}
	t := &task{
		due: *d, about: subjectOf(d.Event), rank: rankOf(d.Event),
		round: w.round, pace: w.options.Backoff.pace(),
	}
	t.after = w.last[t.about]
	w.last[t.about] = t
	w.tasks[r] = t
	w.queue = append(w.queue, t)
}

// dropUnlisted forgets what the last offer no longer listed. The lock is held.
func (w *worker) dropUnlisted(now time.Time) {
	for _, t := range w.queue {
		if t.round != w.round && !t.settled {
			w.remove(t)
		}
	}
	w.queue = slices.DeleteFunc(w.queue, func(t *task) bool { return t.settled })
	for r, listed := range w.done {
		if now.Sub(listed) > forgetAfter {
			delete(w.done, r)
		}
	}
}

// remove takes a task off the notes. The lock is held.
func (w *worker) remove(t *task) {
	t.settled, t.after = true, nil
	if r := t.ref(); w.tasks[r] == t {
		delete(w.tasks, r)
	}
	if w.last[t.about] == t {
		delete(w.last, t.about)
	}
}

func (t *task) ref() ref { return ref{t.due.AlarmID, t.due.Channel} }

func (w *worker) poke() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// run works until ctx ends. What it is sending then goes on until late ends.
func (w *worker) run(ctx, late context.Context) {
	for ctx.Err() == nil {
		if !w.options.Held() {
			<-ctx.Done() // which is about to end, or this process has just woken up
			return
		}
		if active, ok := w.dueLevel(); ok {
			w.sendLevel(late, active)
			continue
		}
		t, at := w.pick()
		if t == nil {
			w.sleep(ctx, at)
			continue
		}
		w.try(late, t)
	}
}

// sleep waits for the time (zero: no time), a poke, or the end of ctx.
func (w *worker) sleep(ctx context.Context, until time.Time) {
	var alarm <-chan time.Time
	if !until.IsZero() {
		timer := time.NewTimer(until.Sub(w.options.Now()))
		defer timer.Stop()
		alarm = timer.C
	}
	select {
	case <-ctx.Done():
	case <-w.wake:
	case <-alarm:
	}
}

// pick returns the page to send now, or else the time of the next thing to do.
func (w *worker) pick() (*task, time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	t, next := w.best(w.options.Now())
	if w.level.known {
		next = earlier(next, later(w.level.next, w.hold))
	}
	return t, next
}

// best returns the most urgent and then the oldest of the pages that may go
// now, or else the time when one may. The lock is held.
func (w *worker) best(now time.Time) (best *task, next time.Time) {
	for len(w.queue) > 0 && w.queue[0].settled {
		w.queue = w.queue[1:]
	}
	for _, t := range w.queue {
		switch at := later(t.next, w.hold); {
		case t.settled || !t.leads():
		case at.After(now):
			next = earlier(next, at)
		case t.rank == 0:
			return t, next
		case best == nil || t.rank < best.rank:
			best = t
		}
	}
	return best, next
}

// leads reports whether no page of the same alarm goes out before this one.
func (t *task) leads() bool {
	if t.after != nil && t.after.settled {
		t.after = nil
	}
	return t.after == nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// earlier returns the earlier time, where a zero first one means never.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

// try sends one page once and notes the outcome.
func (w *worker) try(late context.Context, t *task) {
	if t.tries == 0 {
		t.first = w.options.Now()
	}
	err := w.send(late, t.due)
	if err != nil && late.Err() != nil {
		return // stopped, not failed: the page stays due
	}
	t.tries++
	if err != nil {
		w.failed(t, err)
		return
	}
	w.settle(t, "")
	w.receipts.add(w.receipt(t, "page.sent", &event.PageSent{
		Alarm: t.due.AlarmID, Channel: t.due.Channel, Attempt: float64(t.attempt()),
		Key: IdempotencyKey(t.due.AlarmID, t.due.Channel),
	}))
	w.options.Log.Debug().Str("alarm", t.due.AlarmID).Str("channel", t.due.Channel).Int("attempt", t.attempt()).Msg("page sent")
}

func (w *worker) send(late context.Context, d Due) error {
	p, err := NewPage(d)
	if err != nil {
		return Permanent(err)
	}
	w.options.link(&p)
	ctx, cancel := context.WithTimeout(late, w.options.TryTimeout)
	defer cancel()
	return w.channel.Send(ctx, p)
}

// attempt counts on from what the journal shows of earlier processes.
func (t *task) attempt() int { return t.due.Attempts + t.tries }

func (w *worker) failed(t *task, err error) {
	reason, final := w.plan(t, err)
	if final {
		w.settle(t, reason)
	}
	w.receipts.add(w.receipt(t, "page.failed", &event.PageFailed{
		Alarm: t.due.AlarmID, Channel: t.due.Channel, Attempt: float64(t.attempt()), Reason: reason, Final: final,
	}))
	w.options.Log.Warn().Str("alarm", t.due.AlarmID).Str("channel", t.due.Channel).
		Int("attempt", t.attempt()).Bool("final", final).Str("reason", reason).Msg("page not delivered")
}

// plan sets the time of the next try, or decides that there is none because
// the error is permanent or the next try would come too late.
func (w *worker) plan(t *task, err error) (reason string, final bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.options.Now()
	reason = reasonOf(err)
	w.reason = reason
	if isPermanent(err) {
		return reason, true
	}
	wait := max(t.pace.NextBackOff(), w.rest(err, now))
	t.next = now.Add(wait)
	if spent := now.Sub(t.first); spent+wait > w.options.GiveUpAfter {
		note := fmt.Sprintf("given up after %d tries in %s: ", t.tries, spent.Round(time.Second))
		return oneLine(note+reason, maxReason), true
	}
	return reason, false
}

// longestRest is how long a channel rests at most because it was asked to. One that
// asks for an hour would hold every page back for that long, also those of alarms
// that nobody has seen yet.
const longestRest = 5 * time.Minute

// rest lets the channel rest for as long as an error asks, within bounds, and returns
// how long that is.
func (w *worker) rest(err error, now time.Time) time.Duration {
	asked := min(askedWait(err), longestRest, w.options.GiveUpAfter)
	if asked > 0 {
		w.hold = later(w.hold, now.Add(asked))
	}
	return asked
}

// settle notes that a page is done, for good or for bad.
func (w *worker) settle(t *task, reason string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.remove(t)
	if again, ok := w.tasks[t.ref()]; ok { // dropped and listed again meanwhile
		w.remove(again)
	}
	w.done[t.ref()] = w.options.Now()
	w.reason = reason
}

// receipt builds the event that tells the journal. Its id follows from what
// happened, so that publishing it twice counts once.
func (w *worker) receipt(t *task, typ event.Type, data event.Payload) event.Event {
	return event.Event{
		ID:     event.DerivedID(string(typ), t.due.AlarmID, t.due.Channel, strconv.Itoa(t.attempt())),
		Source: w.options.Source, Type: typ, Time: w.options.Now().UTC(),
		Site: t.due.Event.Site, Machine: t.due.Event.Machine, Data: data,
	}
}

func (w *worker) status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.options.Now()
	t, next := w.best(now)
	if t != nil {
		next = now
	}
	return Status{Channel: w.channel.Name(), Waiting: len(w.tasks), NextTry: next, Reason: w.reason}
}

// levelNotes are the notes of a channel that wants to hear the whole set.
type levelNotes struct {
	known  bool      // whether the set was given yet
	active []Page    // shared, never written to
	next   time.Time // when it is to be told again; zero before the set is known
	pace   *backoff.ExponentialBackOff
}

func (w *worker) setActive(alarms []Page) {
	if _, ok := w.channel.(Leveller); !ok {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.level.known && slices.EqualFunc(w.level.active, alarms, sameAlarm) {
		return
	}
	w.level.known, w.level.active = true, alarms
	w.level.next = w.options.Now()
	w.poke()
}

// sameAlarm reports whether a receiver has nothing new to hear of an alarm.
func sameAlarm(a, b Page) bool {
	return a.AlarmID == b.AlarmID && a.Priority == b.Priority && a.To == b.To && a.Emit == b.Emit
}

// dueLevel returns the set of active alarms when it is time to tell it.
func (w *worker) dueLevel() ([]Page, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.options.Now()
	if !w.level.known || later(w.level.next, w.hold).After(now) {
		return nil, false
	}
	w.level.next = now.Add(w.channel.(Leveller).Every())
	return w.level.active, true
}

// sendLevel tells the set. A failure is logged and tried again sooner than
// Every, but it is no page and leaves no receipt.
func (w *worker) sendLevel(late context.Context, active []Page) {
	ctx, cancel := context.WithTimeout(late, w.options.TryTimeout)
	defer cancel()
	err := w.channel.(Leveller).Level(ctx, active)
	w.mu.Lock()
	defer w.mu.Unlock()
	if err == nil {
		w.level.pace.Reset()
		w.reason = ""
		return
	}
	now := w.options.Now()
	w.reason = reasonOf(err)
	w.level.next = earlier(w.level.next, now.Add(w.level.pace.NextBackOff()))
	w.rest(err, now)
	w.options.Log.Warn().Str("channel", w.channel.Name()).Int("alarms", len(active)).Str("reason", w.reason).Msg("active alarms not delivered")
}
