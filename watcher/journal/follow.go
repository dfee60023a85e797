package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

const (
	pullExpiry    = 30 * time.Second // of one request to the server
	pullHeartbeat = 2 * time.Second  // twice this without a sign means that the reader is lost
	readerIdle    = time.Minute      // after which the server forgets an abandoned reader
	cleanupWait   = time.Second

	// How long the journal may take to answer a question of the reader. A
	// cluster that has lost its leader does not answer at all, so the first
	// question is short; a slow line gets more time with each one.
	firstLook = 2 * time.Second
	lastLook  = 16 * time.Second

	// settleTime is how long a journal with several copies may seem to have been
	// replaced before it is believed. A server that has just come back, or just
	// become the leader, can be behind what another one has handed out.
	settleTime = 5 * time.Second
)

// readAhead is how much a reader asks for ahead; its largest batch has as many
// entries. On a slow line that stands before everything else that comes over the connection,
// acknowledgements and leases too. Nothing else waits where the server is in this
// program, and there each request costs more than what it asks for.
type readAhead struct {
	entries int
	bytes   int // above the largest message
}

var (
	overLine = readAhead{entries: 100, bytes: 4 << 20}
	inside   = readAhead{entries: 2000, bytes: 16 << 20}
)

var (
	errDelivery     = errors.New("an entry was lost on the way")
	errDisconnected = errors.New("the NATS connection was lost")
)

// Follow hands over every entry after the sequence `after`, in order, without
// repeats, and goes on until the context ends, when it returns nil. It carries
// on by itself across reconnects and server restarts.
//
// Batches are as large as what has come in: one entry when the floor is quiet,
// up to 100 when the reader is behind, or 2000 with Options.Inside. The batch and
// the data in it are valid until handle returns; copy what is kept. An error from
// handle ends Follow and is returned as it is.
//
// Entries that should be there and are not are logged as an error and
// reported to Options.Gap. Follow returns ErrReplaced when the journal is not
// the one that reached the sequence `after`.
func (j *Journal) Follow(ctx context.Context, after uint64, handle func(batch []Entry) error) error {
	noted := func(batch []Entry) error {
		err := handle(batch)
		if err == nil {
			j.read.Store(batch[len(batch)-1].Seq)
		}
		return err
	}
	j.read.Store(after)
	r := &reader{j: j, last: after, whole: true, gap: j.gap, handle: noted, state: func(err error) { j.trouble.Store(&err) }}
	var beside sync.WaitGroup
	defer beside.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	beside.Go(func() { j.watchRoom(ctx) })
	if j.mark != "" {
		beside.Go(func() { j.keepMark(ctx) })
	}
	return r.run(ctx)
}

// Health reports why Follow cannot read the journal at this moment, or that it is
// full, or that its clock is another one than the caller's, or nil. It may take it
// a few seconds to notice.
func (j *Journal) Health() error {
	if err := j.trouble.Load(); err != nil && *err != nil {
		return fmt.Errorf("the journal cannot be read: %w", *err)
	}
	if err := j.clockHealth(); err != nil {
		return err
	}
	return j.roomHealth()
}

// Read hands over the entries from sequence `from` to sequence `to`, both
// included, whose subject matches the filter, and returns when there are no
// more. An empty filter takes every subject; a `to` of 0 means the newest
// entry at the time of the call. The entry is valid until handle returns, and
// an error from handle ends Read and is returned as it is.
func (j *Journal) Read(ctx context.Context, from, to uint64, filterSubject string, handle func(Entry) error) error {
	newest, err := j.Last(ctx)
	if err != nil {
		return err
	}
	if to == 0 || to > newest {
		to = newest
	}
	from = max(from, 1)
	if from > to {
		return nil
	}
	each := func(batch []Entry) error {
		for _, e := range batch {
			if err := handle(e); err != nil {
				return err
			}
		}
		return nil
	}
	r := &reader{j: j, last: from - 1, until: to, whole: filterSubject == "", handle: each, state: func(error) {}}
	if filterSubject != "" {
		r.filter = j.prefix + filterSubject
	}
	if err := r.run(ctx); err != nil {
		return err
	}
	return ctx.Err()
}

// reader walks through the journal by way of one consumer after another. A
// consumer that may have lost something is given up, and the next one starts
// after the last entry that was taken.
type reader struct {
	j      *Journal
	filter string // every subject when empty
	until  uint64 // last sequence wanted; 0 to go on for ever
	whole  bool   // whether every sequence is expected
	gap    func(first, last uint64)
	handle func([]Entry) error
	state  func(error) // told whether the reader reads, and why it does not

	last    uint64  // sequence of the last entry handed over
	batch   []Entry // taken and not yet handed over; the memory is reused
	refusal error   // from handle

	look    time.Duration // how long the next question may take
	doubted time.Time     // since when the journal seems to have been replaced; zero when it does not
}

// run reads until the end, an error that stays, or the end of the context.
func (r *reader) run(ctx context.Context) error {
	delays := retryDelays()
	delays.MaxInterval = time.Second
	r.look = firstLook
	for {
		before := r.last
		done, err := r.session(ctx)
		r.state(err)
		switch {
		case r.refusal != nil:
			return r.refusal
		case done || ctx.Err() != nil:
			return nil
		case r.replaced(err):
			return err
		case errors.Is(err, nats.ErrConnectionClosed):
			return fmt.Errorf("read the journal: %w", err)
		}
		if r.last > before {
			delays.Reset()
		}
		r.look = nextLook(r.look, err)
		wait := delays.NextBackOff()
		r.j.log.Warn().Err(err).Uint64("after", r.last).Dur("retry_in_ms", wait).Msg("reading the journal was interrupted")
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
}

// replaced reports whether the journal is another one for certain.
func (r *reader) replaced(err error) bool {
	if !errors.Is(err, ErrReplaced) {
		r.doubted = time.Time{}
		return false
	}
	if r.doubted.IsZero() {
		r.doubted = time.Now()
	}
	return r.j.copies < 2 || time.Since(r.doubted) > settleTime
}

// nextLook gives a question more time when the last one got no answer.
func nextLook(look time.Duration, err error) time.Duration {
	if errors.Is(err, context.DeadlineExceeded) {
		return min(2*look, lastLook)
	}
	return firstLook
}

// session reads with one consumer until it fails. It reports done when the
// last entry wanted was handed over.
func (r *reader) session(ctx context.Context) (done bool, err error) {
	r.batch = r.batch[:0]
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	defer r.watchConnection(ctx, fail)()
	if err := r.check(ctx); err != nil {
		return false, err
	}
	consumer, err := r.consumer(ctx)
	if err != nil {
		return false, err
	}
	info := consumer.CachedInfo()
	defer r.forget(ctx, info.Name)
	if r.until > 0 && info.NumPending == 0 {
		return true, nil
	}

	queue := make(chan jetstream.Msg, r.j.ahead.entries)
	pull, err := consumer.Consume(
		func(m jetstream.Msg) { offer(ctx, queue, m) },
		jetstream.PullMaxMessagesWithBytesLimit(r.j.ahead.entries, r.j.ahead.bytes),
		jetstream.PullExpiry(pullExpiry),
		jetstream.PullHeartbeat(pullHeartbeat),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) { fail(err) }))
	if err != nil {
		return false, fmt.Errorf("start a journal reader: %w", err)
	}
	r.state(nil)
	defer func() {
		fail(nil) // frees the callback above before its end is waited for
		pull.Stop()
		<-pull.Closed()
	}()
	return r.drain(ctx, queue)
}

// watchConnection fails the session when the connection is lost. What was on
// its way then is lost too, and without a further entry nothing else would
// show it. The function that it returns ends the watch.
func (r *reader) watchConnection(ctx context.Context, fail context.CancelCauseFunc) (stop func()) {
	changed := r.j.conn.StatusChanged(nats.RECONNECTING, nats.CLOSED)
	go func() {
		select {
		case <-changed:
			fail(errDisconnected)
		case <-ctx.Done():
		}
	}()
	return func() { r.j.conn.RemoveStatusListener(changed) }
}

// check finds out what a new consumer would keep quiet about: a start after
// the end of the stream, which simply waits, and one before its beginning,
// which moves up.
func (r *reader) check(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, r.look)
	defer cancel()
	info, err := r.j.stream.Info(ctx)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("%w: its stream is gone: restore it or start again from an empty one", ErrReplaced)
	}
	if err != nil {
		return fmt.Errorf("look at the journal: %w", err)
	}
	if !info.Created.Equal(r.j.created) {
		return fmt.Errorf("%w: its stream was made again at %s: start again from the first entry", ErrReplaced, info.Created.Format(time.RFC3339))
	}
	if r.last > info.State.LastSeq {
		return fmt.Errorf("%w: it ends at entry %d, but entry %d was read before: start again from the first entry", ErrReplaced, info.State.LastSeq, r.last)
	}
	r.skipTo(info.State.FirstSeq)
	return nil
}

// skipTo moves on to the sequence that comes next and reports what is missing
// before it. That a journal does not begin with 1 any more is no gap to
// somebody who has read nothing yet.
func (r *reader) skipTo(next uint64) {
	if next <= r.last+1 {
		return
	}
	first, last := r.last+1, next-1
	r.last = last
	switch {
	case !r.whole:
	case first == 1:
		r.j.log.Info().Uint64("first", next).Msg("the journal begins here: older entries were let go")
	default:
		r.j.log.Error().Uint64("first", first).Uint64("last", last).Msg("journal entries are missing: what was built from it may be wrong")
		if r.gap != nil {
			r.gap(first, last)
		}
	}
}

// consumer makes the consumer of one session.
func (r *reader) consumer(ctx context.Context) (jetstream.Consumer, error) {
	ctx, cancel := context.WithTimeout(ctx, r.look)
	defer cancel()
	c, err := r.j.stream.CreateConsumer(ctx, r.consumerConfig())
	if err != nil {
		return nil, fmt.Errorf("start a journal reader: %w", err)
	}
	return c, nil
}

// consumerConfig asks for each entry once, in order, without acknowledgements:
// the last sequence handed over is all the state there is, and it is ours. A
// loss on the way shows as a jump in the consumer's own sequence (the rule of
// the ordered consumer, NATS ADR-17).
func (r *reader) consumerConfig() jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		FilterSubject:     r.filter,
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       r.last + 1,
		AckPolicy:         jetstream.AckNonePolicy,
		MaxDeliver:        1,
		MemoryStorage:     true,
		Replicas:          1,
		InactiveThreshold: readerIdle,
	}
}

// forget removes the consumer. The server does so by itself after readerIdle,
// so a failure is of no importance.
func (r *reader) forget(ctx context.Context, name string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), cleanupWait)
	defer cancel()
	_ = r.j.stream.DeleteConsumer(ctx, name)
}

// drain takes what the consumer delivers and hands it over whenever nothing
// more is waiting.
func (r *reader) drain(ctx context.Context, queue <-chan jetstream.Msg) (done bool, err error) {
	for delivery := uint64(1); ; delivery++ {
		m, err := next(ctx, queue)
		if err != nil {
			return false, err
		}
		if done, err = r.take(m, delivery); err != nil {
			return false, err
		}
		if !done && len(queue) > 0 && len(r.batch) < r.j.ahead.entries {
			continue
		}
		if err := r.flush(); err != nil || done {
			return done, err
		}
		if ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
	}
}

// offer queues a message unless the context ends first. It looks at the context
// only when there is no room, because a select over both locks both, for every
// message.
func offer(ctx context.Context, queue chan<- jetstream.Msg, m jetstream.Msg) {
	select {
	case queue <- m:
		return
	default:
	}
	select {
	case queue <- m:
	case <-ctx.Done():
	}
}

// next returns the next message of the queue, or why there will be none. It
// looks at the context only when nothing is waiting, for the same reason.
func next(ctx context.Context, queue <-chan jetstream.Msg) (jetstream.Msg, error) {
	select {
	case m := <-queue:
		return m, nil
	default:
	}
	select {
	case m := <-queue:
		return m, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// take puts one delivery in the batch. It reports done when no entry that is
// wanted comes after it.
func (r *reader) take(m jetstream.Msg, delivery uint64) (done bool, err error) {
	meta, err := m.Metadata()
	if err != nil {
		return false, fmt.Errorf("read a journal delivery: %w", err)
	}
	if meta.Sequence.Consumer != delivery {
		return false, errDelivery
	}
	seq := meta.Sequence.Stream
	if r.until > 0 && seq > r.until {
		return true, nil
	}
	if r.whole && seq != r.last+uint64(len(r.batch))+1 {
		if err := r.flush(); err != nil {
			return false, err
		}
		r.skipTo(seq)
	}
	r.batch = append(r.batch, r.j.entry(seq, event.Message{Subject: m.Subject(), Header: m.Headers(), Data: m.Data(), Stored: meta.Timestamp}))
	return r.until > 0 && (seq == r.until || meta.NumPending == 0), nil
}

// flush hands the batch over.
func (r *reader) flush() error {
	if len(r.batch) == 0 {
		return nil
	}
	if r.refusal = r.handle(r.batch); r.refusal != nil {
		return r.refusal
	}
	r.last = r.batch[len(r.batch)-1].Seq
	r.batch = r.batch[:0]
	return nil
}
