package monthly

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/reliability"
	"rollwarden/watcher/journal"
)

// Source is the journal as reports read it.
type Source interface {
	Read(ctx context.Context, from, to uint64, filterSubject string, handle func(journal.Entry) error) error
	Get(ctx context.Context, seq uint64) (journal.Entry, error)
	Span(ctx context.Context) (first, last uint64, err error)
	Created() time.Time // tells it from another that was made in its place
}

// BooksOptions say what books are made of. Source, Zone, Now and Params are
// required.
type BooksOptions struct {
	Source Source
	// SourceOf is the journal of one site, for a floor that is kept in several
	// journals. There is then no report of all sites, and Source is not read.
	SourceOf func(site string) Source
	Zone     *time.Location // the shop's
	Now      func() time.Time
	Params   func(before *floor.State) reliability.Params // by the floor as the month began; it must not be kept
	Folder   string                                       // where states of months are kept; empty for nowhere
	ReadOnly bool                                         // use the states that are there, and write none
	Log      zerolog.Logger
}

// Books make the reports of months from the journal. Any number of goroutines
// may ask; one at a time is served, since each may read much.
type Books struct {
	o    BooksOptions
	turn chan struct{} // holds one token
	open *page         // the page that was read last; owned by who has the token
}

// page is a month that is being read, or was. Reading on goes on where it
// stopped, so that a month that is still running is not read again and again.
type page struct {
	month  Month
	site   string
	fold   *reliability.Fold
	params reliability.Params
	seq    uint64  // of the last entry taken
	last   entryID // of that entry
	closed bool    // an entry of a later month has come
	letGo  uint64  // entries of this month, or from before it, that the journal no longer held
}

// source is the journal that the report of a site, or of all, is made from.
func (b *Books) source(site string) Source {
	if b.o.SourceOf != nil {
		return b.o.SourceOf(site)
	}
	return b.o.Source
}

// NewBooks returns books that have read nothing yet.
func NewBooks(o BooksOptions) *Books {
	b := &Books{o: o, turn: make(chan struct{}, 1)}
	b.turn <- struct{}{}
	return b
}

// ErrNotYet says that a month has not begun.
var ErrNotYet = errors.New("this month has not begun")

// Report makes the report of a month, of one site or of all. What the journal
// tells of a month that is not over is in it up to now.
func (b *Books) Report(ctx context.Context, m Month, site string) (reliability.Report, error) {
	now := b.o.Now()
	if MonthOf(now, b.o.Zone).Before(m) {
		return reliability.Report{}, fmt.Errorf("report of %s: %w", m, ErrNotYet)
	}
	select {
	case <-b.turn:
		defer func() { b.turn <- struct{}{} }()
	case <-ctx.Done():
		return reliability.Report{}, ctx.Err()
	}
	p := b.open
	b.open = nil // a reading that fails half-way is of no use
	if p == nil || p.month != m || p.site != site {
		p = b.start(ctx, m, site)
	}
	if err := b.read(ctx, p, m); err != nil {
		return reliability.Report{}, fmt.Errorf("read the journal for the report of %s: %w", m, err)
	}
	b.open = p
	params := p.params
	params.Now, params.LetGo = now, p.letGo
	return reliability.Compute(p.fold, params), nil
}

// start opens the newest month that can be started from, up to m.
func (b *Books) start(ctx context.Context, m Month, site string) *page {
	s := b.loadState(ctx, m, site)
	if s == nil {
		return &page{site: site} // its month is that of the first entry
	}
	began, err := ParseMonth(s.Month)
	if err != nil {
		return &page{site: site}
	}
	p := &page{site: site, seq: s.Seq, last: s.EntryID}
	b.turnTo(p, began, s.origin())
	return p
}

// turnTo begins a month.
func (b *Books) turnTo(p *page, m Month, origin reliability.Origin) {
	p.month, p.params, p.letGo = m, b.o.Params(origin.Floor), 0
	p.fold = reliability.New(m.In(b.o.Zone), b.o.Zone, origin)
}

// told is an entry of the journal and what it tells.
type told struct {
	journal.Entry // without its data, which is only good while it is read
	event         event.Event
	err           error // why it could not be decoded
}

// toldAtOnce is how many entries are decoded before they are folded, so that the
// two go on side by side. A few times as many may be read beyond the end of a month.
const toldAtOnce = 64

// decode reads and decodes the journal from a sequence on until its end, or that of
// ctx. The function that it returns says what went wrong, once the channel is closed.
func decode(ctx context.Context, source Source, from uint64) (<-chan []told, func() error) {
	out := make(chan []told, 1)
	var failed error
	go func() {
		defer close(out)
		var batch []told
		hand := func() error {
			select {
			case out <- batch:
				batch = make([]told, 0, toldAtOnce)
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		failed = source.Read(ctx, from, 0, "", func(e journal.Entry) error {
			t := told{Entry: e}
			t.event, t.err = event.Decode(e.Message)
			t.Header, t.Data = nil, nil
			if batch = append(batch, t); len(batch) < toldAtOnce {
				return nil
			}
			return hand()
		})
		if failed == nil {
			failed = hand()
		}
	}()
	return out, func() error { return failed }
}

// read takes what the journal has of month m, turning over the months before.
func (b *Books) read(ctx context.Context, p *page, m Month) error {
	if p.closed {
		return nil
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	batches, failed := decode(ctx, b.source(p.site), p.seq+1)
	for batch := range batches {
		for i := 0; i < len(batch) && !p.closed; i++ {
			b.take(p, m, batch[i])
		}
		if p.closed {
			stop() // there may be years to come
		}
	}
	if p.closed {
		return nil
	}
	if err := failed(); err != nil {
		return err
	}
	b.turnUntil(p, m) // nothing came in it yet
	return nil
}

// take takes one entry, or closes the page when it is of a later month.
func (b *Books) take(p *page, m Month, t told) {
	in := b.monthOf(t)
	if p.fold != nil && (t.err != nil || ofPages(t.event)) {
		in = p.month // what cannot be read ends no month, nor what only says who was told
	}
	if p.fold == nil {
		first := in
		if m.Before(first) {
			first = m
		}
		b.turnTo(p, first, reliability.Origin{})
	}
	missing := t.Seq - p.seq - 1
	if m.Before(in) {
		b.turnUntil(p, m)
		p.letGo += missing
		p.closed = true
		return
	}
	b.turnUntil(p, in)
	p.letGo += missing
	p.seq, p.last = t.Seq, idOf(t.Entry)
	switch {
	case t.err != nil:
		if site, _, _, bad := event.ParseSubject(t.Subject); p.site == "" || bad == nil && site == p.site {
			p.fold.Refuse(t.Seq, t.Stored, t.Subject, t.err)
		}
	case p.site == "" || t.event.Site == p.site:
		p.fold.Apply(t.Seq, t.event)
	}
}

// ofPages reports whether an event is of the pager, whose clock is that of its
// channels.
func ofPages(e event.Event) bool {
	switch e.Data.(type) {
	case *event.PageSent, *event.PageFailed:
		return true
	}
	return false
}

// monthOf is the month that an entry counts in: that in which it happened, but no
// later one than that in which it was stored, so that one machine whose clock
// runs ahead does not end the month for all.
func (b *Books) monthOf(t told) Month {
	if t.err == nil && t.event.Time.Before(t.Stored) {
		return MonthOf(t.event.Time, b.o.Zone)
	}
	return MonthOf(t.Stored, b.o.Zone)
}

// turnUntil turns page after page until month m lies open, and keeps the state
// at which each begins.
func (b *Books) turnUntil(p *page, m Month) {
	if p.fold == nil {
		b.turnTo(p, m, reliability.Origin{})
	}
	for p.month.Before(m) {
		next, origin := p.month.Add(1), p.fold.Next()
		if m.Before(next.Add(keptStates)) {
			b.saveState(&state{
				Version: stateVersion, Month: next.String(), Zone: b.o.Zone.String(), Site: p.site,
				Journal: b.source(p.site).Created(), Seq: p.seq, EntryID: p.last,
				Floor: origin.Floor, Alarms: origin.Alarms, Seen: origin.Seen, History: origin.History,
			})
		}
		b.turnTo(p, next, origin)
	}
}

// mostMonths is how many months are listed.
const mostMonths = 60

// Months lists those that the journal of a site, or of all, tells of, the newest
// first.
func (b *Books) Months(ctx context.Context, site string) ([]Month, error) {
	source := b.source(site)
	first, last, err := source.Span(ctx)
	if err != nil {
		return nil, fmt.Errorf("ask the journal for its months: %w", err)
	}
	if first > last || last == 0 {
		return nil, nil
	}
	entry, err := source.Get(ctx, first)
	if err != nil {
		return nil, fmt.Errorf("ask the journal for its months: %w", err)
	}
	e, unreadable := event.Decode(entry.Message)
	oldest := b.monthOf(told{entry, e, unreadable})
	var list []Month
	for m := MonthOf(b.o.Now(), b.o.Zone); !m.Before(oldest) && len(list) < mostMonths; m = m.Add(-1) {
		list = append(list, m)
	}
	return list, nil
}
