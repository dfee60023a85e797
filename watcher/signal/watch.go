package signal

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// Options say where signals come from and whom to tell.
type Options struct {
	JetStream jetstream.JetStream
	BuiltIn   bool // the server is the built-in one, which nobody else sets up
	Rows      []Row
	Site      string // to which a signal is told that is of no machine

	// Place finds the machine that a signal is about. Either may be empty where the
	// row and its topic say nothing. The error says what is wrong with them.
	Place func(site, machine string) (string, string, error)

	// Publish returns nil only when the journal has stored all events. It may be
	// called again with events that it has stored already.
	Publish func(ctx context.Context, events ...event.Event) error

	// Trouble is told why signals wait, and with an empty text that none does any more.
	// It is not called by two goroutines at once; nil when nobody wants to know.
	Trouble func(why string)

	Log zerolog.Logger
}

// StreamName is the stream in which signals wait; Consumer is who reads it, and the
// MQTT server's own stream.
const (
	StreamName = "SIGNALS"
	Consumer   = "rollwarden-signals"
)

// mqttStream is where nats-server keeps what was published by MQTT with QoS 1 or 2
// while somebody has a consumer there, and mqttPrefix is what its subjects begin
// with. It is there before the acknowledgement is sent. Source: nats-server,
// server/mqtt.go, "$MQTT_msgs"; a test with a real client shows that it holds.
const (
	mqttStream = "$MQTT_msgs"
	mqttPrefix = "$MQTT.msgs."
	mqttQoS    = "Nmqtt-Pub" // the header in which it notes the QoS
)

const (
	maxWaiting  = 256 << 20        // bytes of signals that may wait in each stream; more is not acknowledged
	ackWait     = 5 * time.Second  // before a message is delivered again
	storeWithin = 4 * time.Second  // before a try to store counts as failed
	lastRetry   = 30 * time.Second // longest wait before something is tried again
)

// Watch maps signals until ctx ends, and then returns nil. The only errors are
// options that cannot work; everything that goes wrong later is logged and tried
// again. Without rows it takes away what an earlier watch had set up.
func Watch(ctx context.Context, o Options) error {
	w, err := newWatcher(o)
	if err != nil {
		return err
	}
	if len(o.Rows) == 0 {
		return w.clear(ctx)
	}
	var queues []*queue
	if !w.until(ctx, "open the stream of signals", func() (err error) { queues, err = w.open(ctx); return err }) {
		return nil
	}
	var all sync.WaitGroup
	for _, q := range queues {
		all.Go(func() { q.run(ctx) })
	}
	all.Wait()
	return nil
}

// Prepare makes what signals wait in, so that none is lost that is acknowledged before
// Watch begins to read. What fails is tried again by Watch.
func Prepare(ctx context.Context, o Options) error {
	w, err := newWatcher(o)
	if err != nil || len(o.Rows) == 0 {
		return err
	}
	_, err = w.open(ctx)
	return err
}

type watcher struct {
	Options
	mapper *mapper

	mu    sync.Mutex
	wrong map[string]string // by what cannot be done, why
}

func newWatcher(o Options) (*watcher, error) {
	if o.JetStream == nil || o.Publish == nil || o.Place == nil {
		return nil, errors.New("map signals: options: JetStream, Publish and Place must be set")
	}
	m, err := newMapper(o.Rows, o.Place, o.Site)
	if err != nil {
		return nil, fmt.Errorf("map signals: %w", err)
	}
	if o.Trouble == nil {
		o.Trouble = func(string) {}
	}
	return &watcher{Options: o, mapper: m, wrong: map[string]string{}}, nil
}

// trouble logs and tells once for each new reason what cannot be done, and its end.
func (w *watcher) trouble(what string, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	why := ""
	if err != nil {
		why = fmt.Sprintf("%s: %v", what, err)
	}
	switch {
	case w.wrong[what] == why:
		return
	case err == nil:
		delete(w.wrong, what)
	default:
		w.wrong[what] = why
		w.Log.Warn().Err(err).Msg(what + "; it is tried again")
	}
	w.Trouble(strings.Join(slices.Sorted(maps.Values(w.wrong)), "; "))
}

// until tries until it works; false when ctx ended before.
func (w *watcher) until(ctx context.Context, what string, try func() error) bool {
	_, err := backoff.Retry(ctx, func() (struct{}, error) { return struct{}{}, try() },
		backoff.WithBackOff(delays()), backoff.WithMaxElapsedTime(0),
		backoff.WithNotify(func(err error, _ time.Duration) { w.trouble("cannot "+what, err) }))
	if err != nil {
		return false
	}
	w.trouble("cannot "+what, nil)
	return true
}

func delays() *backoff.ExponentialBackOff {
	b := backoff.NewExponentialBackOff()
	b.MaxInterval = lastRetry
	return b
}

// open sets up the streams and their consumers, or finds them as they were.
func (w *watcher) open(ctx context.Context) ([]*queue, error) {
	if err := w.debounce(ctx); err != nil {
		return nil, err
	}
	filters := subjects(w.mapper.filters())
	mqtt, err := w.openMQTT(ctx, filters)
	if err != nil {
		return nil, err
	}
	stream, err := w.JetStream.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: StreamName, Description: "Signals that wait to be mapped", Subjects: filters,
		Storage: jetstream.FileStorage, Retention: jetstream.WorkQueuePolicy,
		Discard: jetstream.DiscardNew, MaxBytes: maxWaiting,
	})
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", StreamName, err)
	}
	plain := &queue{watcher: w, stream: stream}
	if mqtt != nil {
		plain.skipFrom = mqtt.consumer.CachedInfo().Created
	}
	if err := plain.consume(ctx, jetstream.DeliverAllPolicy, nil); err != nil {
		return nil, err
	}
	if mqtt == nil {
		return []*queue{plain}, nil
	}
	return []*queue{plain, mqtt}, nil
}

// debounce gets ready for rows that are debounced.
func (w *watcher) debounce(ctx context.Context) error {
	if !slices.ContainsFunc(w.Rows, func(r Row) bool { return r.Debounce > 0 }) {
		return nil
	}
	d, err := openDebouncer(ctx, w.JetStream)
	if err == nil && w.mapper.again == nil { // the queues that run already have one
		w.mapper.again = d.again
	}
	return err
}

// openMQTT reads the MQTT server's own stream.
func (w *watcher) openMQTT(ctx context.Context, filters []string) (*queue, error) {
	stream, err := w.mqttStream(ctx)
	if stream == nil || err != nil {
		return nil, err
	}
	var below []string
	for _, s := range filters {
		below = append(below, mqttPrefix+s)
	}
	q := &queue{watcher: w, stream: stream, prefix: mqttPrefix}
	return q, q.consume(ctx, jetstream.DeliverNewPolicy, below)
}

// mqttStream finds the MQTT server's own stream, nil where there is none. The
// built-in server makes it when its first client connects; it is made here, as that
// server would but with a bound, so that not even the first message is missed.
func (w *watcher) mqttStream(ctx context.Context) (jetstream.Stream, error) {
	if !w.BuiltIn {
		stream, err := w.JetStream.Stream(ctx, mqttStream)
		if err != nil {
			w.Log.Debug().Err(err).Msg("no stream of MQTT messages; signals are read as they pass")
			return nil, nil
		}
		return stream, nil
	}
	stream, err := w.JetStream.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: mqttStream, Subjects: []string{mqttPrefix + ">"}, Storage: jetstream.FileStorage,
		Retention: jetstream.InterestPolicy, Replicas: 1, Discard: jetstream.DiscardNew, MaxBytes: maxWaiting,
	})
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", mqttStream, err)
	}
	return stream, nil
}

// clear takes away the consumers and the stream of an earlier watch, which would
// gather messages that nobody reads.
func (w *watcher) clear(ctx context.Context) error {
	if !w.BuiltIn {
		return nil // somebody else's server, and perhaps another watch's signals
	}
	for _, err := range []error{
		w.JetStream.DeleteConsumer(ctx, mqttStream, Consumer),
		w.JetStream.DeleteStream(ctx, StreamName), w.JetStream.DeleteStream(ctx, SeenStream),
	} {
		if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) && !errors.Is(err, jetstream.ErrConsumerNotFound) && ctx.Err() == nil {
			w.Log.Warn().Err(err).Msg("cannot take away the stream of signals that are no longer mapped")
		}
	}
	return nil
}

// queue is one stream that signals wait in.
type queue struct {
	*watcher
	stream   jetstream.Stream
	consumer jetstream.Consumer
	prefix   string    // of its subjects
	skipFrom time.Time // since when what has a QoS above 0 waits in the other one; zero for never
}

// name is that of its stream.
func (q *queue) name() string { return q.stream.CachedInfo().Config.Name }

// consume makes the durable consumer. It hands over one message at a time, in their
// order, and the next one when the journal has it.
func (q *queue) consume(ctx context.Context, from jetstream.DeliverPolicy, filters []string) (err error) {
	q.consumer, err = q.stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
		Durable: Consumer, DeliverPolicy: from, FilterSubjects: filters,
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait, MaxAckPending: 1,
	})
	if err != nil {
		return fmt.Errorf("consumer of %s: %w", q.name(), err)
	}
	return nil
}

// run reads the queue until ctx ends.
func (q *queue) run(ctx context.Context) {
	for ctx.Err() == nil {
		var messages jetstream.MessagesContext
		if !q.until(ctx, "read signals of "+q.name(), func() (err error) { messages, err = q.consumer.Messages(); return err }) {
			return
		}
		err := q.read(ctx, messages)
		messages.Stop()
		if ctx.Err() == nil {
			q.Log.Warn().Err(err).Msg("the stream of signals broke off, reading it anew")
			q.until(ctx, "open the stream of signals again for "+q.name(), func() error {
				_, err := q.open(ctx)
				return err
			})
		}
	}
}

func (q *queue) read(ctx context.Context, messages jetstream.MessagesContext) error {
	for {
		msg, err := messages.Next(jetstream.NextContext(ctx))
		if err != nil {
			return err
		}
		q.handle(ctx, msg)
	}
}

// handle maps one message and acknowledges it when the journal has what it says.
func (q *queue) handle(ctx context.Context, msg jetstream.Msg) {
	err := q.store(ctx, msg)
	if ctx.Err() == nil {
		q.trouble("cannot tell the journal of the signals in "+q.name(), err)
	}
	switch {
	case err == nil:
		err = msg.Ack()
	case ctx.Err() != nil:
		err = msg.Nak() // for the next watch, at once
	default:
		err = msg.NakWithDelay(time.Second)
	}
	if err != nil {
		q.Log.Debug().Err(err).Msg("cannot acknowledge a signal; it comes again and counts once")
	}
}

func (q *queue) store(ctx context.Context, msg jetstream.Msg) error {
	meta, err := msg.Metadata()
	if err != nil {
		return err
	}
	if q.waitsElsewhere(msg, meta.Timestamp) {
		return nil
	}
	// A stream that was made anew counts from 1 again, so its sequence is not enough.
	in := message{
		id:    event.DerivedID(meta.Stream, strconv.FormatUint(meta.Sequence.Stream, 10), meta.Timestamp.UTC().Format(time.RFC3339Nano)),
		topic: topicOf(strings.TrimPrefix(msg.Subject(), q.prefix)), data: msg.Data(), at: meta.Timestamp.UTC(),
	}
	within, cancel := context.WithTimeout(ctx, storeWithin)
	defer cancel()
	events, err := q.mapper.events(within, in)
	if err != nil || len(events) == 0 {
		return err
	}
	return q.Publish(within, slices.Clip(events)...)
}

// waitsElsewhere reports whether a message is a copy of one in the MQTT server's own
// stream.
func (q *queue) waitsElsewhere(msg jetstream.Msg, stored time.Time) bool {
	qos := msg.Headers().Get(mqttQoS)
	return !q.skipFrom.IsZero() && !stored.Before(q.skipFrom) && (strings.HasPrefix(qos, "1") || strings.HasPrefix(qos, "2"))
}
