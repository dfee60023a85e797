package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// fate is what a faulty server does with one message.
type fate string

const (
	storedAcked  fate = "stored and acknowledged"
	storedFailed fate = "stored but reported as failed"
	storedSilent fate = "stored, acknowledgement lost"
	lostFailed   fate = "not stored, reported as failed"
	lostSilent   fate = "not stored, no answer"
	refused      fate = "not sent"
)

var fates = []fate{storedAcked, storedFailed, storedSilent, lostFailed, lostSilent, refused}

// faulty is a publisher that plays a script of fates, one for each message
// sent, and acknowledges everything once the script is over.
type faulty struct {
	script []fate
	err    error // of what is reported as failed or not sent
	stored []string
	acked  []string
	sent   int
}

func (f *faulty) PublishMsgAsync(m *nats.Msg, _ ...jetstream.PublishOpt) (jetstream.PubAckFuture, error) {
	e, err := event.Decode(event.Message{Subject: m.Subject, Data: m.Data})
	if err != nil {
		return nil, err
	}
	what := storedAcked
	if f.sent < len(f.script) {
		what = f.script[f.sent]
	}
	f.sent++
	if what == refused {
		return nil, f.err
	}
	if what == storedAcked || what == storedFailed || what == storedSilent {
		f.stored = append(f.stored, e.ID)
	}
	a := &future{msg: m, ok: make(chan *jetstream.PubAck, 1), err: make(chan error, 1)}
	switch what {
	case storedAcked:
		f.acked = append(f.acked, e.ID)
		a.ok <- &jetstream.PubAck{Stream: StreamName, Sequence: uint64(len(f.stored))}
	case storedFailed, lostFailed:
		a.err <- f.err
	}
	return a, nil
}

type future struct {
	msg *nats.Msg
	ok  chan *jetstream.PubAck
	err chan error
}

func (a *future) Ok() <-chan *jetstream.PubAck { return a.ok }
func (a *future) Err() <-chan error            { return a.err }
func (a *future) Msg() *nats.Msg               { return a.msg }

func TestPublishThroughEachFate(t *testing.T) {
	tests := []struct {
		name   string
		script []fate
		err    error
		copies int           // of the one event
		took   time.Duration // at most
	}{
		{"at once", nil, nil, 1, 0},
		{"persisted but reported failed", []fate{storedFailed}, nats.ErrDisconnected, 2, time.Second},
		{"acknowledgement lost", []fate{storedSilent}, nil, 2, ackWait + time.Second},
		{"timeout, then success", []fate{lostSilent, lostSilent}, nil, 1, 2*ackWait + 2*time.Second},
		{"no stream for a moment", []fate{lostFailed}, jetstream.ErrNoStreamResponse, 1, time.Second},
		{"no connection for a moment", []fate{refused, refused}, nats.ErrReconnectBufExceeded, 1, time.Second},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &faulty{script: tt.script, err: tt.err}
				began := time.Now()
				if err := (&Journal{out: f, log: noLog}).Publish(t.Context(), moved(1)); err != nil {
					t.Fatalf("publish: %v", err)
				}
				if len(f.stored) != tt.copies || !slices.Contains(f.acked, moved(1).ID) {
					t.Errorf("stored %v, acknowledged %v; want %d copies", f.stored, f.acked, tt.copies)
				}
				if took := time.Since(began); took > tt.took {
					t.Errorf("took %s, want at most %s", took, tt.took)
				}
			})
		})
	}
}

// Whatever the server does, nil means that every event was acknowledged, and
// therefore stored, at the sequence that is said; no copy is sent of what was
// acknowledged.
func TestPublishReturnsNilOnlyWhenStored(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		script := rapid.SliceOfN(rapid.SampledFrom(fates), 0, 60).Draw(rt, "script")
		count := rapid.IntRange(1, 12).Draw(rt, "events")
		events := moves(1, count)
		synctest.Test(t, func(t *testing.T) {
			f := &faulty{script: script, err: nats.ErrDisconnected}
			seqs, err := (&Journal{out: f, log: noLog}).Store(t.Context(), events...)
			if sorted := slices.Sorted(slices.Values(f.acked)); len(slices.Compact(sorted)) != len(f.acked) {
				rt.Fatalf("an acknowledged event was sent again: %v", f.acked)
			}
			if all := len(f.acked) == count; all != (err == nil) {
				rt.Fatalf("%d of %d acknowledged, yet the error is %v", len(f.acked), count, err)
			}
			for i, seq := range seqs {
				if got := f.stored[seq-1]; got != events[i].ID {
					rt.Fatalf("%s is said to be stored at %d, where %s is", events[i].ID, seq, got)
				}
			}
			for _, id := range f.acked {
				if !slices.Contains(f.stored, id) {
					rt.Fatalf("the fake acknowledged %s without storing it", id)
				}
			}
		})
	})
}

func TestPublishKeepsOrderWithoutFaults(t *testing.T) {
	f := &faulty{}
	count := 2*windowCount + 7
	if err := (&Journal{out: f, log: noLog}).Publish(t.Context(), moves(1, count)...); err != nil {
		t.Fatal(err)
	}
	if len(f.stored) != count || !slices.IsSorted(f.stored) {
		t.Errorf("stored %d events, sorted: %t; want %d in order", len(f.stored), slices.IsSorted(f.stored), count)
	}
}

func TestPublishGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &faulty{err: nats.ErrReconnectBufExceeded} // as the library calls a connection that is down
		f.script = append([]fate{storedAcked}, slices.Repeat([]fate{refused}, 1000)...)
		began := time.Now()
		err := (&Journal{out: f, log: noLog}).Publish(t.Context(), moves(1, 3)...)
		if !errors.Is(err, nats.ErrReconnectBufExceeded) {
			t.Errorf("error = %v, want the last reason", err)
		}
		wantError(t, err, "2 of 3 events are not stored", "the NATS server cannot be reached")
		if took := time.Since(began); took < patience/2 || took > patience+lastRetry {
			t.Errorf("gave up after %s, want about %s", took, patience)
		}
	})
}

func TestPublishEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &faulty{script: slices.Repeat([]fate{lostSilent}, 1000)}
		ctx, cancel := context.WithTimeout(t.Context(), 7*time.Second)
		defer cancel()
		err := (&Journal{out: f, log: noLog}).Publish(ctx, moved(1))
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error = %v, want the deadline", err)
		}
	})
}

// What cannot get better is not tried twice. The codes and texts are those of
// nats-server, server/errors.json and server/store.go (ErrMaxBytes).
func TestPublishDoesNotRetryTheHopeless(t *testing.T) {
	full := &jetstream.APIError{Code: 503, ErrorCode: 10077, Description: "maximum bytes exceeded"}
	tests := []struct {
		name string
		err  error
		full bool
	}{
		{"stream full", full, true},
		{"wrapped", fmt.Errorf("nats: %w", full), true},
		{"server full", &jetstream.APIError{Code: 500, ErrorCode: 10047, Description: "insufficient storage resources available"}, true},
		{"too large for the stream", &jetstream.APIError{Code: 400, ErrorCode: 10054, Description: "message size exceeds maximum allowed"}, false},
		{"too large for the server", nats.ErrMaxPayload, false},
		{"closed", nats.ErrConnectionClosed, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := &faulty{script: slices.Repeat([]fate{lostFailed}, 100), err: tt.err}
			err := (&Journal{out: f, max: 4096, log: noLog}).Publish(t.Context(), moved(1))
			if f.sent != 1 {
				t.Errorf("sent %d times, want once", f.sent)
			}
			if err == nil || errors.Is(err, ErrFull) != tt.full {
				t.Errorf("error = %v; want full: %t", err, tt.full)
			}
			if tt.full {
				wantError(t, err, "limit 4096 bytes", "raise the journal's size limit")
			}
		})
	}
	other := &jetstream.APIError{Code: 503, ErrorCode: 10077, Description: "store is closed"}
	if hopeless(other) {
		t.Error("a store that is closed for a moment was given up")
	}
}

func TestPublishRefusesWhatCouldNotBeRead(t *testing.T) {
	tests := []struct {
		name   string
		change func(*event.Event)
		want   string
	}{
		{"no id", func(e *event.Event) { e.ID = "" }, "id: want an id"},
		{"no source", func(e *event.Event) { e.Source = "" }, "source: want a URI"},
		{"no time", func(e *event.Event) { e.Time = time.Time{} }, "time is missing"},
		{"no machine", func(e *event.Event) { e.Machine = "" }, "subject machine is missing"},
		{"wildcard site", func(e *event.Event) { e.Site = "*" }, "subject site"},
		{"wildcard type", func(e *event.Event) { e.Type = "edge.>" }, "words separated by single dots"},
		{"space in the type", func(e *event.Event) { e.Type = "edge moved" }, "words separated by single dots"},
		{"empty word in the type", func(e *event.Event) { e.Type = "edge..moved" }, "words separated by single dots"},
		{"no data", func(e *event.Event) { e.Data = nil }, "data"},
		{"bad data", func(e *event.Event) { e.Data = &event.EdgeMoved{Cause: "rewind"} }, "data.position_mm is missing"},
		{"too large", func(e *event.Event) {
			e.Type, e.Data, e.Raw = "shop.own", nil, []byte(`"`+strings.Repeat("x", event.MaxData)+`"`)
		}, "at most 1048576 bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bad := moved(2)
			tt.change(&bad)
			f := &faulty{}
			err := (&Journal{out: f, log: noLog}).Publish(t.Context(), moved(1), bad)
			wantError(t, err, "event 2 of 2", tt.want)
			if f.sent != 0 {
				t.Errorf("%d events were sent although one is bad", f.sent)
			}
		})
	}
}

func TestWindow(t *testing.T) {
	of := func(bytes int) *letter { return &letter{Msg: &nats.Msg{Data: make([]byte, bytes)}} }
	small, large := of(100), of(windowBytes+1)
	tests := []struct {
		name    string
		letters []*letter
		want    int
	}{
		{"none", nil, 0},
		{"few", []*letter{small, small}, 2},
		{"full", slices.Repeat([]*letter{small}, windowCount), windowCount},
		{"too many", slices.Repeat([]*letter{small}, windowCount+1), windowCount},
		{"one too large goes alone", []*letter{large, small}, 1},
		{"up to the large one", []*letter{small, small, large}, 2},
	}
	for _, tt := range tests {
		if got := window(tt.letters); got != tt.want {
			t.Errorf("%s: window = %d, want %d", tt.name, got, tt.want)
		}
	}
}
