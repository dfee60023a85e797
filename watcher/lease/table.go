package lease

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
	"golang.org/x/sync/errgroup"
)

// Work does what a share needs until ctx ends, whose cause then says why. What
// must not be done by two daemons asks held right before it is done. The share
// is given back when the work returns; an error ends Run.
type Work func(ctx context.Context, share int, held func() bool) error

// Table is the open table. One goroutine runs it; the other methods are safe for
// concurrent use.
type Table struct {
	o   Options
	js  jetstream.JetStream
	kv  jetstream.KeyValue
	run string // that tells this process from others of the same daemon
	row []byte // what this daemon writes

	mu       sync.Mutex
	workedAt time.Time           // when the table could be written and read last
	calm     time.Time           // until then nobody is blamed for being silent
	seen     map[string]sighting // by key
	terms    map[int]*term       // of this daemon, until their work has ended
}

// sighting is a row as it was seen, and since when it is as it is.
type sighting struct {
	row
	rev  uint64
	at   time.Time
	gone bool // given back
}

func shareKey(n int) string { return "share." + strconv.Itoa(n) }

const daemonPrefix = "daemon."

func (t *Table) myKey() string { return daemonPrefix + t.o.Me.ID }

// Run holds this daemon's fair share of the table, and does the work of each
// share in a goroutine of its own, until ctx ends. It then gives everything back
// and says that it leaves, so that the others need not wait.
func (t *Table) Run(ctx context.Context, work Work) error {
	works, ctx := errgroup.WithContext(ctx)
	tick := time.NewTicker(t.o.TTL / roundsPerTTL)
	defer tick.Stop()
	for ctx.Err() == nil {
		t.round(ctx, works, work)
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
	}
	t.leave(ctx)
	return works.Wait()
}

// round writes what is this daemon's, reads what is the others', and takes or
// gives back what makes the shares fair.
func (t *Table) round(ctx context.Context, works *errgroup.Group, work Work) {
	if err := errors.Join(t.renew(ctx), t.read(ctx)); err != nil {
		if ctx.Err() == nil && !closed(err) {
			t.o.Log.Warn().Err(err).Msg("cannot tell the other daemons of this one, or hear of them")
		}
		return
	}
	t.worked()
	most, order := t.fair()
	t.giveBack(most, order)
	t.take(ctx, most, order, func(share int, rev uint64, until time.Time) { t.begin(ctx, works, work, share, rev, until) })
}

// step bounds one write or reading of the table.
func (t *Table) step(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, t.o.TTL/roundsPerTTL)
}

// worked notes that the table can be written and read. After a time in which it
// could not, the others have a moment to be heard of again.
func (t *Table) worked() {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	if now.Sub(t.workedAt) > t.o.TTL/2 {
		t.calm = now.Add(2 * t.o.TTL / roundsPerTTL)
	}
	t.workedAt = now
}

// renew writes this daemon's rows, and returns why the one that says that it is
// there could not be written. What fails is written again in the next round, the
// rows of shares for as long as their terms have time.
func (t *Table) renew(ctx context.Context) error {
	ctx, cancel := t.step(ctx)
	defer cancel()
	var writes errgroup.Group
	writes.SetLimit(16)
	writes.Go(func() error {
		_, err := t.kv.Put(ctx, t.myKey(), t.row)
		return err
	})
	for _, term := range t.running() {
		writes.Go(func() error { t.renewOne(ctx, term); return nil })
	}
	return writes.Wait()
}

func (t *Table) renewOne(ctx context.Context, term *term) {
	term.check()
	term.writing.Lock()
	defer term.writing.Unlock()
	if !term.active() {
		return
	}
	until := t.until()
	rev, err := t.kv.Update(ctx, shareKey(term.share), t.row, term.rev)
	if err != nil {
		t.o.Log.Debug().Err(err).Int("share", term.share).Msg("cannot renew a lease, trying again")
		return
	}
	term.rev = rev
	term.extend(until)
}

// until is how long a row is good for that is written now.
func (t *Table) until() time.Time { return time.Now().Add(t.o.TTL - Margin(t.o.TTL)) }

// running are the terms whose work goes on, in order.
func (t *Table) running() (list []*term) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, n := range slices.Sorted(maps.Keys(t.terms)) {
		if t.terms[n].active() {
			list = append(list, t.terms[n])
		}
	}
	return list
}

// read looks at all rows at once. Any server of the cluster may answer, also one
// that lags: a row that goes back to an older revision is no news.
func (t *Table) read(ctx context.Context) error {
	ctx, cancel := t.step(ctx)
	defer cancel()
	stream, prefix := "KV_"+t.o.Bucket, "$KV."+t.o.Bucket+"."
	rows, err := jetstreamext.GetLastMsgsFor(ctx, t.js, stream, []string{prefix + ">"})
	if err != nil {
		return fmt.Errorf("read %s: %w", t.o.Bucket, err)
	}
	fresh := map[string]sighting{}
	for m, err := range rows {
		if errors.Is(err, jetstreamext.ErrNoMessages) {
			break // an empty table
		}
		if err != nil {
			return fmt.Errorf("read %s: %w", t.o.Bucket, err)
		}
		s := sighting{rev: m.Sequence, gone: m.Header.Get("KV-Operation") != ""}
		if !s.gone && json.Unmarshal(m.Data, &s.row) != nil {
			s.row = row{Holder: Holder{Name: "a daemon that cannot be read"}} // and yet it holds the row
		}
		fresh[strings.TrimPrefix(m.Subject, prefix)] = s
	}
	t.note(fresh)
	return nil
}

// note keeps what was read.
func (t *Table) note(fresh map[string]sighting) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	for key, s := range fresh {
		old, known := t.seen[key]
		if known && s.rev <= old.rev {
			s = old
		} else {
			s.at = now
		}
		fresh[key] = s
	}
	t.seen = fresh
	for _, term := range t.terms {
		t.settle(term, t.seen[shareKey(term.share)])
	}
}

// settle compares a term with its row. A newer revision that is of this process is
// a write of which the answer was lost.
func (t *Table) settle(term *term, s sighting) {
	if !term.writing.TryLock() {
		return // it is being given back
	}
	defer term.writing.Unlock()
	switch {
	case s.rev <= term.rev:
	case s.Run == t.run && !s.gone:
		term.rev = s.rev
	default:
		term.stop(ErrLost)
	}
}

// alive reports whether a row was written of late, or nobody could have. The lock
// is held.
func (t *Table) alive(s sighting) bool {
	return !s.gone && (time.Since(s.at) < t.o.TTL || time.Now().Before(t.calm))
}

// fair returns how many shares this daemon should hold at the most, and all
// shares in the order in which it should take them: each daemon begins
// elsewhere, so that they seldom want the same one.
func (t *Table) fair() (most int, order []int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	daemons := []string{t.myKey()}
	for key, s := range t.seen {
		if strings.HasPrefix(key, daemonPrefix) && t.alive(s) {
			daemons = append(daemons, key)
		}
	}
	slices.Sort(daemons)
	daemons = slices.Compact(daemons)
	rank := slices.Index(daemons, t.myKey())
	for n := range t.o.Shares {
		order = append(order, n)
	}
	// Its own in a round of dealing come first.
	mine := func(n int) int { return (n + len(daemons) - rank) % len(daemons) }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(mine(a), mine(b)) })
	return (t.o.Shares + len(daemons) - 1) / len(daemons), order
}

// giveBack stops what is more than this daemon's part, the last in order first.
func (t *Table) giveBack(most int, order []int) {
	running := t.running()
	for _, n := range slices.Backward(order) {
		if len(running) <= most {
			return
		}
		if i := slices.IndexFunc(running, func(term *term) bool { return term.share == n }); i >= 0 {
			t.o.Log.Info().Int("share", n).Msg("giving a share back, since another daemon has less")
			running[i].stop(ErrGivenBack)
			running = slices.Delete(running, i, i+1)
		}
	}
}

// take takes free shares until this daemon has its part, as many as it can in one
// step: over a slow line the terms of those that it has would run out meanwhile.
func (t *Table) take(ctx context.Context, most int, order []int, begin func(share int, rev uint64, until time.Time)) {
	ctx, cancel := t.step(ctx)
	defer cancel()
	have := len(t.running())
	for _, n := range order {
		if have >= most || ctx.Err() != nil {
			return
		}
		was, free := t.free(n)
		if !free {
			continue
		}
		until := t.until()
		rev, err := t.write(ctx, n, was)
		if err != nil {
			if !wrongRevision(err) && ctx.Err() == nil && !closed(err) {
				t.o.Log.Warn().Err(err).Int("share", n).Msg("cannot take a share, trying again")
			}
			continue
		}
		if was.rev > 0 && was.ID != t.o.Me.ID && !was.gone {
			t.o.Log.Warn().Int("share", n).Str("from", was.Name).Msg("taking over from a daemon that is silent")
		}
		have++
		begin(n, rev, until)
	}
}

// free reports whether a share may be taken: it was given back, its holder is
// silent, or its holder is this daemon before it was restarted. That one has been
// silent for two rounds at least, unless there is a copy of this daemon elsewhere.
func (t *Table) free(n int) (was sighting, free bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	was, known := t.seen[shareKey(n)]
	if t.terms[n] != nil {
		return was, false
	}
	mine := was.ID == t.o.Me.ID && (was.Run == t.run || time.Since(was.at) > 2*t.o.TTL/roundsPerTTL)
	return was, !known || mine || !t.alive(was)
}

// write writes the row of a share if it is still as it was seen.
func (t *Table) write(ctx context.Context, n int, was sighting) (rev uint64, err error) {
	if was.rev == 0 || was.gone {
		return t.kv.Create(ctx, shareKey(n), t.row)
	}
	return t.kv.Update(ctx, shareKey(n), t.row, was.rev)
}

// begin starts the work of a share.
func (t *Table) begin(ctx context.Context, works *errgroup.Group, work Work, share int, rev uint64, until time.Time) {
	ctx, end := context.WithCancelCause(ctx)
	term := newTerm(share, rev, until, end)
	t.mu.Lock()
	t.terms[share] = term
	t.seen[shareKey(share)] = sighting{row: row{t.o.Me, t.run}, rev: rev, at: time.Now()}
	t.mu.Unlock()
	works.Go(func() error {
		defer end(nil)
		err := work(ctx, share, term.held)
		t.release(ctx, term)
		return err
	})
}

// release lets go of a share whose work has ended.
func (t *Table) release(ctx context.Context, term *term) {
	term.stop(ErrGivenBack)
	ctx, cancel := t.step(context.WithoutCancel(ctx))
	defer cancel()
	term.writing.Lock()
	// A failure costs the others the wait of a TTL, and no more: the row says
	// who it was, and nobody writes it again.
	_ = t.kv.Delete(ctx, shareKey(term.share), jetstream.LastRevision(term.rev))
	term.writing.Unlock()
	t.mu.Lock()
	delete(t.terms, term.share)
	t.mu.Unlock()
}

// leave takes this daemon off the list, so that the others count without it.
func (t *Table) leave(ctx context.Context) {
	ctx, cancel := t.step(context.WithoutCancel(ctx))
	defer cancel()
	_ = t.kv.Delete(ctx, t.myKey()) // or its row grows old
}

// Holders are who holds each share, as was seen last; the zero Holder where
// nobody does.
func (t *Table) Holders() []Holder {
	t.mu.Lock()
	defer t.mu.Unlock()
	all := make([]Holder, t.o.Shares)
	for n := range all {
		if s := t.seen[shareKey(n)]; t.alive(s) {
			all[n] = s.Holder
		}
	}
	return all
}

// Me is this daemon, as the others know it.
func (t *Table) Me() Holder { return t.o.Me }
