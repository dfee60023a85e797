// Package journal keeps the events of the floor in one JetStream stream, which
// is the only truth: every state of the watch is a fold of it.
//
// Publish returns only when every event is stored, Follow hands every entry
// over once and in order, and Snapshots shorten a restart. The stream refuses
// new events when it is full rather than dropping old ones, and nothing in it
// can be deleted or purged; only MaxAge, when it is set, lets entries go.
package journal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// StreamName is the name of the stream unless Options say otherwise.
const StreamName = "FLOOR"

// Options describe the stream.
type Options struct {
	Stream   string        // name; StreamName when empty
	Shop     string        // whose journal it is, for Shop to tell; empty leaves it unsaid
	MaxBytes int64         // most that the journal may hold, bytes; above 0
	MaxAge   time.Duration // entries older than this are let go; 0 keeps them for ever
	Replicas int           // copies in a cluster; 0 for as many as there are, and 1 for a new journal

	// Gap, when set, is called by Follow for every run of sequences, first
	// and last included, that should be in the journal and is not. It is
	// called before the entries that come after the gap are handed over.
	Gap func(first, last uint64)

	// Mark, when set, is a file in which Follow writes down how far it has read.
	// The next Open then sees that entries were lost from the end.
	Mark string

	// Inside says that the server is in this program, so that readers may ask for
	// much ahead.
	Inside bool

	// Now, when set, is the clock of the caller, whose times are held against those
	// of a server with another clock.
	Now func() time.Time

	Log zerolog.Logger

	prefix string // of the stored subjects, that NATS puts there; see Partitions
}

// The errors that a caller may want to tell apart with errors.Is.
var (
	// ErrFull means that the journal has no room for a new event.
	ErrFull = errors.New("the journal is full")
	// ErrReplaced means that the stream is no longer the one whose sequences
	// the caller has: it was removed, or put back from an older copy.
	ErrReplaced = errors.New("the journal was replaced")
	// ErrNotFound means that the journal has no entry with that sequence.
	ErrNotFound = errors.New("no such journal entry")
)

// Entry is one message of the journal and its place in it.
type Entry struct {
	Seq uint64 // 1 for the first entry ever
	event.Message
}

// Journal is the open stream. It is safe for concurrent use.
type Journal struct {
	out     publisher
	conn    *nats.Conn
	stream  jetstream.Stream
	created time.Time // tells a stream from its successor of the same name
	copies  int       // of the stream, in a cluster
	ahead   readAhead // of its readers
	max     int64     // bytes
	gap     func(first, last uint64)
	log     zerolog.Logger
	lost    []string              // what it was seen to have lost when it was opened
	mark    string                // where Follow writes down how far it has read; empty for nowhere
	read    atomic.Uint64         // the last entry that Follow has handed over
	prefix  string                // of stored subjects; nobody outside sees it
	trouble atomic.Pointer[error] // why Follow cannot read; nil before it begins
	room    atomic.Value          // a room, as Follow saw it last; nil before it begins
	now     func() time.Time      // the clock of the caller; nil where it is the server's as well
	skew    atomic.Int64          // how far that was ahead of the server's when last seen, ns
}

// dedupeWindow is how long the server remembers the Nats-Msg-Id headers of
// senders that set one. The fold knows events by their own ids for ever, so
// the window is only a courtesy and is kept short.
const dedupeWindow = 30 * time.Second

// Open makes the stream, or checks that the one that is there is fit to be a
// journal and gives it the limits of the options.
func Open(ctx context.Context, js jetstream.JetStream, o Options) (*Journal, error) {
	if o.MaxBytes <= 0 {
		return nil, fmt.Errorf("journal size: want a number of bytes above 0, got %d", o.MaxBytes)
	}
	if o.MaxAge < 0 || o.MaxAge > 0 && o.MaxAge < time.Minute {
		return nil, fmt.Errorf("journal age: want 0 to keep everything, or at least %s, got %s", time.Minute, o.MaxAge)
	}
	if o.Stream == "" {
		o.Stream = StreamName
	}
	stream, err := openStream(ctx, js, o)
	if err != nil {
		return nil, explainOpen(o, err)
	}
	return journalOf(js, stream, o), nil
}

// Look opens the journal for reading only: it makes no stream, and leaves the
// limits of the one that is there as they are.
func Look(ctx context.Context, js jetstream.JetStream, o Options) (*Journal, error) {
	if o.Stream == "" {
		o.Stream = StreamName
	}
	stream, err := js.Stream(ctx, o.Stream)
	if err != nil {
		return nil, explainOpen(o, err)
	}
	return journalOf(js, stream, o), nil
}

func journalOf(js jetstream.JetStream, stream jetstream.Stream, o Options) *Journal {
	info := stream.CachedInfo()
	ahead := overLine
	if o.Inside {
		ahead = inside
	}
	j := &Journal{out: js, ahead: ahead, conn: js.Conn(), stream: stream, created: info.Created, copies: info.Config.Replicas, max: o.MaxBytes, gap: o.Gap, log: o.Log, mark: o.Mark, prefix: o.prefix, now: o.Now}
	j.lost = tellLoss(info.State, o)
	j.compareClocks(info.TimeStamp)
	return j
}

// openStream creates the stream, or updates what differs in the one there is.
func openStream(ctx context.Context, js jetstream.JetStream, o Options) (jetstream.Stream, error) {
	stream, err := js.Stream(ctx, o.Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		config := shape(jetstream.StreamConfig{Name: o.Stream}, o)
		config.Metadata = metadataOf(nil, o.Shop)
		return js.CreateStream(ctx, config)
	}
	if err != nil {
		return nil, err
	}
	info := stream.CachedInfo()
	if err := fit(info.Config); err != nil {
		return nil, err
	}
	// The server would cut the journal down to a smaller limit at once.
	if held := info.State.Bytes; held > uint64(o.MaxBytes) {
		return nil, fmt.Errorf("it holds %d bytes, more than the %d that are allowed: raise the limit, or let old entries go by age", held, o.MaxBytes)
	}
	config := shape(info.Config, o)
	if !reflect.DeepEqual(config, info.Config) {
		if stream, err = js.UpdateStream(ctx, config); err != nil {
			return nil, err
		}
	}
	return nameShop(ctx, js, stream, o), nil
}

// shape gives a stream what makes it a journal and leaves the rest, such as
// placement and compression, to the operator of the server. The fields are
// described in the NATS documentation, JetStream concepts, "Streams".
func shape(c jetstream.StreamConfig, o Options) jetstream.StreamConfig {
	c.Subjects = []string{o.prefix + event.SubjectRoot + ".>"}
	c.Storage = jetstream.FileStorage
	c.Retention = jetstream.LimitsPolicy
	c.Discard = jetstream.DiscardNew // when full, refuse the new rather than drop the old
	c.MaxBytes = o.MaxBytes
	c.MaxAge = o.MaxAge
	c.MaxMsgs = -1
	c.MaxMsgsPerSubject = -1
	c.MaxMsgSize = event.MaxData
	if c.Replicas = cmp.Or(o.Replicas, c.Replicas); c.Replicas == 0 {
		c.Replicas = 1
	}
	c.Duplicates = dedupeWindow
	c.DenyDelete = true
	c.DenyPurge = true
	c.AllowRollup = false // a roll-up is a purge by header
	c.AllowDirect = true
	return c
}

// fit refuses a stream that loses events whatever limits it is given.
func fit(c jetstream.StreamConfig) error {
	switch {
	case c.Storage != jetstream.FileStorage:
		return errors.New("it keeps its messages in memory: want file storage")
	case c.Retention != jetstream.LimitsPolicy:
		return fmt.Errorf("it lets messages go by %s: want retention by limits", c.Retention)
	case c.NoAck:
		return errors.New("it acknowledges nothing: want no_ack off")
	case c.Sealed:
		return errors.New("it is sealed: want a stream that can be written")
	case c.Mirror != nil || len(c.Sources) > 0:
		return errors.New("it copies another stream: want one of its own")
	case c.AllowMsgTTL:
		return errors.New("its senders can let messages expire: want per-message TTL off")
	case c.SubjectTransform != nil:
		return errors.New("it changes subjects: want no subject transform")
	case c.PersistMode == jetstream.AsyncPersistMode:
		return errors.New("it acknowledges before it stores: want the default persist mode")
	}
	return nil
}

// explainOpen says what to do when there can be no journal.
func explainOpen(o Options, err error) error {
	err = fmt.Errorf("open journal stream %s: %w", o.Stream, err)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		return fmt.Errorf("%w: no watch has kept its journal there yet", err)
	case hasCode(err, codeStorageExceeded):
		return fmt.Errorf("%w: NATS may store less than the %d bytes that the journal asks for: raise its store limit or lower the journal's", err, o.MaxBytes)
	case errors.Is(err, jetstream.ErrJetStreamNotEnabled), errors.Is(err, jetstream.ErrJetStreamNotEnabledForAccount), errors.Is(err, nats.ErrNoResponders):
		return fmt.Errorf("%w: switch JetStream on in that NATS server", err)
	}
	return err
}

// Last returns the sequence of the newest entry, 0 when there never was one.
func (j *Journal) Last(ctx context.Context) (uint64, error) {
	_, last, err := j.Span(ctx)
	return last, err
}

// Span returns the sequences of the oldest entry that the journal still holds
// and of the newest that it ever held. When all were let go, first is the one
// after last.
func (j *Journal) Span(ctx context.Context) (first, last uint64, err error) {
	info, err := j.stream.Info(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("look at the journal: %w", err)
	}
	return info.State.FirstSeq, info.State.LastSeq, nil
}

// directHeaders are what the server adds to an answer to a direct get
// (NATS ADR-31, "Response Format"). They are no part of the message.
var directHeaders = []string{"Nats-Stream", "Nats-Subject", "Nats-Sequence", "Nats-Time-Stamp"}

// Created is when the journal's stream was made. It tells the journal from another
// one that was made in its place.
func (j *Journal) Created() time.Time { return j.created }

// Get returns one entry; the error is ErrNotFound when it is not there. In a
// cluster an entry may take a moment to be found on every server.
func (j *Journal) Get(ctx context.Context, seq uint64) (Entry, error) {
	m, err := j.stream.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Entry{}, fmt.Errorf("entry %d: %w", seq, ErrNotFound)
	}
	if err != nil {
		return Entry{}, fmt.Errorf("read journal entry %d: %w", seq, err)
	}
	for _, name := range directHeaders {
		m.Header.Del(name)
	}
	if len(m.Header) == 0 {
		m.Header = nil
	}
	return j.entry(m.Sequence, event.Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Stored: m.Time}), nil
}

// entry is a stored message under the subject that its sender gave it.
func (j *Journal) entry(seq uint64, m event.Message) Entry {
	m.Subject = strings.TrimPrefix(m.Subject, j.prefix)
	return Entry{seq, m}
}
