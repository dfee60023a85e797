package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// MaxHistory is the most entries that one Query may ask for.
const MaxHistory = 200

// Query asks for the newest entries of one machine.
type Query struct {
	Site, Machine string
	Types         []event.Type // only these; every type when empty
	Before        uint64       // only entries with a smaller sequence; 0 for no such limit
	N             int          // how many entries, 1 to MaxHistory
}

const (
	historyWait  = 10 * time.Second // for one Newest
	historyTries = 3                // of one Newest, when entries were lost on the way or let go meanwhile
	counterIdle  = 10 * time.Second // after which the server forgets a consumer that Newest left behind
)

// Newest returns the newest entries that a query asks for, newest first, and
// whether there are older ones. Entries that were let go by age are no longer
// among them.
//
// It reads about as many entries as it returns, however old they are: the
// server counts what lies between two sequences, and that tells where to start.
func (j *Journal) Newest(ctx context.Context, q Query) (entries []Entry, more bool, err error) {
	if err := q.check(); err != nil {
		return nil, false, err
	}
	ctx, cancel := context.WithTimeout(ctx, historyWait)
	defer cancel()
	h := history{j: j, subjects: q.subjects(j.prefix), want: q.N + 1} // one more shows whether there are more
	for range historyTries {
		if entries, err = h.newest(ctx, q.Before); !errors.Is(err, errDelivery) {
			break
		}
	}
	if err != nil {
		return nil, false, fmt.Errorf("look back in the journal of %s/%s: %w", q.Site, q.Machine, err)
	}
	more = len(entries) > q.N
	return entries[:min(len(entries), q.N)], more, nil
}

func (q Query) check() error {
	if err := event.CheckName("site", q.Site); err != nil {
		return err
	}
	if err := event.CheckName("machine", q.Machine); err != nil {
		return err
	}
	for _, t := range q.Types {
		if !plainType(t) {
			return &event.Fault{Field: "type", Want: "an event type such as edge.moved", Got: fmt.Sprintf("%q", t)}
		}
	}
	if q.N < 1 || q.N > MaxHistory {
		return &event.Fault{Field: "n", Want: fmt.Sprintf("a number from 1 to %d", MaxHistory), Got: fmt.Sprint(q.N)}
	}
	return nil
}

// subjects are the filters of a consumer, each once: the server refuses
// filters that overlap.
func (q Query) subjects(prefix string) []string {
	if len(q.Types) == 0 {
		return []string{prefix + event.Subject(q.Site, q.Machine, ">")}
	}
	var all []string
	for _, t := range q.Types {
		all = append(all, prefix+event.Subject(q.Site, q.Machine, t))
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// history walks back from the end of the journal.
type history struct {
	j        *Journal
	subjects []string
	want     int // entries
}

// newest returns up to want entries before a sequence, newest first.
func (h *history) newest(ctx context.Context, before uint64) ([]Entry, error) {
	first, last, err := h.j.Span(ctx)
	if err != nil {
		return nil, err
	}
	first = max(first, 1) // of a journal that never held anything it is 0
	end := last + 1
	if before > 0 {
		end = min(end, before)
	}
	var found []Entry
	for len(found) < h.want && end > first {
		begin, err := h.stretch(ctx, first, end, uint64(h.want-len(found)))
		if err != nil {
			return nil, err
		}
		older, err := h.fetch(ctx, begin, end)
		if err != nil {
			return nil, err
		}
		found = append(found, older...)
		end = begin.from
	}
	return found[:min(len(found), h.want)], nil
}

// counter is a consumer and what it would deliver from its start on.
type counter struct {
	consumer jetstream.Consumer
	from     uint64
	entries  uint64 // up to the end of the stretch
}

// stretch finds a start from which there are enough entries up to the end, and
// not many more. It goes back by doubling until they are enough or the journal
// begins, and halves the way where they are too many. Entries that arrive
// meanwhile are counted too, so a stretch may hold fewer than it seemed to; the
// caller then goes on from there.
func (h *history) stretch(ctx context.Context, first, end, enough uint64) (counter, error) {
	after, err := h.count(ctx, end)
	if err != nil {
		return counter{}, err
	}
	most := 2 * enough
	few, many := end, uint64(0) // starts with too few and too many entries; many is 0 while none is known
	from := end - min(enough, end-first)
	for {
		c, err := h.open(ctx, from)
		if err != nil {
			return counter{}, err
		}
		c.entries -= min(after, c.entries)
		switch {
		case c.entries < enough && from > first:
			few = from
		case c.entries > most && few-from > 1:
			many = from
		default:
			c.entries = min(c.entries, most)
			return c, nil
		}
		h.close(ctx, c)
		if many > 0 {
			from = many + (few-many)/2
		} else {
			from = end - min(2*(end-from), end-first)
		}
	}
}

// count returns how many entries there are from a sequence on.
func (h *history) count(ctx context.Context, from uint64) (uint64, error) {
	c, err := h.open(ctx, from)
	if err != nil {
		return 0, err
	}
	h.close(ctx, c)
	return c.entries, nil
}

// open makes a consumer; its answer holds the number of entries.
func (h *history) open(ctx context.Context, from uint64) (counter, error) {
	c, err := h.j.stream.CreateConsumer(ctx, jetstream.ConsumerConfig{
		FilterSubjects:    h.subjects,
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       from,
		AckPolicy:         jetstream.AckNonePolicy,
		MaxDeliver:        1,
		MemoryStorage:     true,
		Replicas:          1,
		InactiveThreshold: counterIdle,
	})
	if err != nil {
		return counter{}, err
	}
	return counter{c, from, c.CachedInfo().NumPending}, nil
}

// close removes the consumer. The server does so by itself after counterIdle,
// so a failure is of no importance.
func (h *history) close(ctx context.Context, c counter) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), cleanupWait)
	defer cancel()
	_ = h.j.stream.DeleteConsumer(ctx, c.consumer.CachedInfo().Name)
}

// fetch reads a stretch up to its end, newest first. What was counted must come;
// what arrived after the end was set may be among it and is left out.
func (h *history) fetch(ctx context.Context, c counter, end uint64) ([]Entry, error) {
	defer h.close(ctx, c)
	if c.entries == 0 {
		return nil, nil
	}
	// Everything asked for is stored, so there is nothing to wait for.
	batch, err := c.consumer.FetchNoWait(int(c.entries))
	if err != nil {
		return nil, err
	}
	var entries []Entry
	came := uint64(0)
	for m := range batch.Messages() {
		meta, err := m.Metadata()
		if err != nil {
			return nil, fmt.Errorf("read a journal delivery: %w", err)
		}
		if came++; meta.Sequence.Consumer != came {
			return nil, errDelivery
		}
		if meta.Sequence.Stream < end {
			entries = append(entries, h.j.entry(meta.Sequence.Stream, event.Message{Subject: m.Subject(), Header: m.Headers(), Data: m.Data(), Stored: meta.Timestamp}))
		}
	}
	if err := batch.Error(); err != nil {
		return nil, err
	}
	if came < c.entries {
		return nil, errDelivery
	}
	slices.Reverse(entries)
	return entries, nil
}
