package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// publisher is what Publish needs of JetStream.
type publisher interface {
	PublishMsgAsync(*nats.Msg, ...jetstream.PublishOpt) (jetstream.PubAckFuture, error)
}

const (
	windowCount = 1000            // messages that wait for their acknowledgement at one time
	windowBytes = 4 << 20         // and their size
	ackWait     = 5 * time.Second // without a single acknowledgement, before the rest counts as failed
	firstRetry  = 100 * time.Millisecond
	lastRetry   = 5 * time.Second
	patience    = 30 * time.Second // of trying again, for each window
)

// Publish stores events. It returns nil only when every one of them is
// acknowledged as stored.
//
// All events are checked before the first is sent, so a bad one keeps the
// others out. Failures that may pass are retried for 30 s or until the context
// ends. After an error any of the events may be stored all the same: publish
// them again with the same ids, and the fold counts each once. The events of
// one call are stored in their order unless some had to be sent again. One whose
// time lies ahead of the server's clock because the caller's is wrong happens now.
func (j *Journal) Publish(ctx context.Context, events ...event.Event) error {
	_, err := j.Store(ctx, events...)
	return err
}

// Store is Publish that says where each event lies: its sequence in the journal that
// its site is in.
func (j *Journal) Store(ctx context.Context, events ...event.Event) ([]uint64, error) {
	letters := make([]*letter, len(events))
	for i, e := range events {
		m, err := encode(j.believable(e))
		if err != nil {
			return nil, fmt.Errorf("event %d of %d (%s %s): %w", i+1, len(events), e.Type, e.ID, err)
		}
		letters[i] = &letter{Msg: m}
	}
	for rest := letters; len(rest) > 0; {
		n := window(rest)
		left, err := j.store(ctx, rest[:n])
		rest = rest[n:]
		if err != nil {
			return nil, j.explainStore(fmt.Errorf("%d of %d events are not stored: %w", left+len(rest), len(letters), err))
		}
	}
	seqs := make([]uint64, len(letters))
	for i, l := range letters {
		seqs[i] = l.seq
	}
	return seqs, nil
}

// letter is a message on its way, and where it was stored.
type letter struct {
	*nats.Msg
	seq uint64 // 0 until it is acknowledged
}

// encode makes the message of an event and reads it back, so that nothing
// enters the journal that could not be read from it.
func encode(e event.Event) (*nats.Msg, error) {
	if e.Time.IsZero() {
		return nil, &event.Fault{Field: "time", Want: "when it happened"}
	}
	if !plainType(e.Type) {
		return nil, &event.Fault{Field: "type", Want: "words separated by single dots", Got: fmt.Sprintf("%q", e.Type)}
	}
	data, err := event.Encode(e)
	if err != nil {
		return nil, err
	}
	subject := e.Subject()
	if _, err := event.Decode(event.Message{Subject: subject, Data: data}); err != nil {
		return nil, err
	}
	return &nats.Msg{Subject: subject, Data: data}, nil
}

// plainType reports whether a type can end a subject: NATS gives a meaning to
// white space, wildcards and empty tokens.
func plainType(t event.Type) bool {
	return !strings.ContainsAny(string(t), " \t\r\n*>") && !slices.Contains(strings.Split(string(t), "."), "")
}

// window returns how many of the messages may be under way together: at least
// one, at most windowCount, and no more than windowBytes of them.
func window(letters []*letter) int {
	size := 0
	for i, l := range letters {
		size += l.Size()
		if i == windowCount || i > 0 && size > windowBytes {
			return i
		}
	}
	return len(letters)
}

// store sends messages until all are acknowledged. Those that failed are sent
// again, those that did not are left alone. It returns how many are left.
func (j *Journal) store(ctx context.Context, letters []*letter) (left int, err error) {
	attempt := func() (struct{}, error) {
		var err error
		if letters, err = j.send(ctx, letters); hopeless(err) {
			err = backoff.Permanent(err)
		}
		return struct{}{}, err
	}
	_, err = backoff.Retry(ctx, attempt,
		backoff.WithBackOff(retryDelays()),
		backoff.WithMaxElapsedTime(patience),
		backoff.WithNotify(func(err error, wait time.Duration) {
			j.log.Warn().Err(err).Int("events", len(letters)).Dur("retry_in_ms", wait).Msg("the journal did not take every event, trying again")
		}))
	return len(letters), err
}

func retryDelays() *backoff.ExponentialBackOff {
	b := backoff.NewExponentialBackOff()
	b.InitialInterval = firstRetry
	b.MaxInterval = lastRetry
	return b
}

// send publishes every message once and waits for the answers. It returns the
// messages without an acknowledgement and the reason for the first of them.
func (j *Journal) send(ctx context.Context, letters []*letter) ([]*letter, error) {
	futures := make([]jetstream.PubAckFuture, 0, len(letters))
	var broken error
	for _, l := range letters {
		f, err := j.out.PublishMsgAsync(l.Msg)
		if err != nil {
			broken = reach(err)
			break
		}
		futures = append(futures, f)
	}
	failed, err := wait(ctx, letters, futures)
	failed = append(failed, letters[len(futures):]...)
	if err == nil {
		err = broken
	}
	return failed, err
}

// reach says what the library means when it has no room for a message: it keeps
// none back while its connection is down.
func reach(err error) error {
	if errors.Is(err, nats.ErrReconnectBufExceeded) {
		return fmt.Errorf("the NATS server cannot be reached: %w", err)
	}
	return err
}

// wait collects the answers. The clock starts again with every
// acknowledgement that had to be waited for: a slow disk is no failure as long
// as it goes on.
func wait(ctx context.Context, letters []*letter, futures []jetstream.PubAckFuture) (failed []*letter, first error) {
	silence := time.NewTimer(ackWait)
	defer silence.Stop()
	for i, f := range futures {
		ack, err := answer(ctx, f, silence)
		if err != nil {
			failed = append(failed, letters[i])
			if first == nil {
				first = err
			}
			continue
		}
		letters[i].seq = ack.Sequence
	}
	return failed, first
}

// answer returns the acknowledgement of a message. An answer that is there
// counts, whatever the clock says.
func answer(ctx context.Context, f jetstream.PubAckFuture, silence *time.Timer) (*jetstream.PubAck, error) {
	select {
	case ack := <-f.Ok():
		return ack, nil
	case err := <-f.Err():
		return nil, err
	default:
	}
	select {
	case ack := <-f.Ok():
		silence.Reset(ackWait)
		return ack, nil
	case err := <-f.Err():
		return nil, err
	case <-silence.C:
		silence.Reset(0) // it is over for the messages after this one as well
		return nil, fmt.Errorf("no acknowledgement within %s: %w", ackWait, nats.ErrTimeout)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Codes of the JetStream API. Source: the error list of nats-server,
// server/errors.json.
const (
	codeStorageExceeded jetstream.ErrorCode = 10047 // JSStorageResourcesExceededErr
	codeStoreFailed     jetstream.ErrorCode = 10077 // JSStreamStoreFailedF, with the store's own words
)

// maxBytesText is the store's own word for a stream that has reached its
// max_bytes (server.ErrMaxBytes); it has no code of its own.
const maxBytesText = "maximum bytes exceeded"

func hasCode(err error, code jetstream.ErrorCode) bool {
	var js jetstream.JetStreamError
	return errors.As(err, &js) && js.APIError() != nil && js.APIError().ErrorCode == code
}

// full reports whether the server has no room by its own limits.
func full(err error) bool {
	return hasCode(err, codeStorageExceeded) ||
		hasCode(err, codeStoreFailed) && strings.Contains(err.Error(), maxBytesText)
}

// hopeless reports whether sending the same messages again cannot help.
func hopeless(err error) bool {
	return full(err) ||
		errors.Is(err, jetstream.ErrStreamMessageExceedsMaximum) ||
		errors.Is(err, nats.ErrMaxPayload) ||
		errors.Is(err, nats.ErrBadSubject) ||
		errors.Is(err, nats.ErrConnectionClosed) ||
		errors.Is(err, nats.ErrConnectionDraining)
}

// explainStore adds the next step where there is one.
func (j *Journal) explainStore(err error) error {
	switch {
	case full(err):
		return fmt.Errorf("%w (limit %d bytes): raise the journal's size limit and that of NATS, or let old entries go by age: %w", ErrFull, j.max, err)
	case errors.Is(err, jetstream.ErrNoStreamResponse):
		return fmt.Errorf("%w: the NATS server runs without the journal: look at its log for a full disk or a missing stream", err)
	}
	return err
}
