package signal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// SeenStream is the stream that remembers for debouncing the message that counted last,
// for each row, topic and payload. It outlives the watch: a press that is repeated
// around a restart must not put the edge further than it is. Nothing in it gets too
// old, because signals may have waited as long as the watch was down.
const (
	SeenStream = "SIGNALS-SEEN"
	maxSeen    = 16 << 20 // bytes, some 50000 payloads; the oldest make room
)

// seen is the message that others are held against.
type seen struct {
	ID string    `json:"id"`
	At time.Time `json:"at"`
}

// debouncer lets go of what only repeats a message that came a moment ago.
type debouncer struct {
	js     jetstream.JetStream
	stream jetstream.Stream
}

// openDebouncer makes its stream, or finds it as it was.
func openDebouncer(ctx context.Context, js jetstream.JetStream) (*debouncer, error) {
	stream, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: SeenStream, Description: "Signals that debouncing holds others against", Subjects: []string{SeenStream + ".*"},
		Storage: jetstream.FileStorage, MaxMsgsPerSubject: 1, Discard: jetstream.DiscardOld, MaxBytes: maxSeen,
	})
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", SeenStream, err)
	}
	return &debouncer{js, stream}, nil
}

// again reports whether a message only repeats, for a row, one that counted a moment
// ago; if not, it is the one that counts. One that is delivered again is no
// repetition: it may not have reached the journal.
func (d *debouncer) again(ctx context.Context, r *compiled, msg message) (bool, error) {
	subject := seenSubject(r, msg)
	before, seq, err := d.last(ctx, subject)
	switch {
	case err != nil:
		return false, fmt.Errorf("debounce: %w", err)
	case seq > 0 && before.ID == msg.id:
		return false, nil
	case seq > 0 && msg.at.Sub(before.At).Abs() < r.Debounce:
		return true, nil
	}
	data, err := json.Marshal(seen{msg.id, msg.at})
	if err == nil { // unless another watch was faster
		_, err = d.js.Publish(ctx, subject, data, jetstream.WithExpectLastSequencePerSubject(seq))
	}
	if err != nil {
		return false, fmt.Errorf("debounce: %w", err)
	}
	return false, nil
}

// seenSubject is under what the stream keeps a message for a row. The place of the row
// in its table is no part of it, as a reload may change it.
func seenSubject(r *compiled, msg message) string {
	return SeenStream + "." + event.DerivedID(r.Topic, string(r.Type), r.Debounce.String(), msg.topic, string(msg.data))
}

// last returns what is remembered under a subject; its sequence is 0 when nothing is.
func (d *debouncer) last(ctx context.Context, subject string) (s seen, seq uint64, err error) {
	m, err := d.stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return seen{}, 0, nil
	}
	if err != nil {
		return seen{}, 0, err
	}
	if json.Unmarshal(m.Data, &s) != nil {
		s = seen{} // it is not from here, and must not stop the signals after it
	}
	return s, m.Sequence, nil
}
