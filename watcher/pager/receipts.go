package pager

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// The queue of receipts is written in groups, because the journal syncs once
// for a group. When the journal has been down for so long that the queue is
// full, tries that decide nothing are no longer noted; what was sent or given
// up always is.
const (
	maxGroup    = 64
	maxReceipts = 10_000
	publishTime = 10 * time.Second
)

// receipts writes page.sent and page.failed to the journal, in order, and
// tries again for as long as the journal refuses: a page that went out is
// never sent again because its receipt could not be written.
type receipts struct {
	publish func(context.Context, ...event.Event) error
	log     zerolog.Logger
	pace    *backoff.ExponentialBackOff
	wake    chan struct{} // holds one token when the queue has grown

	mu    sync.Mutex
	queue []event.Event
}

func newReceipts(o Options) *receipts {
	return &receipts{publish: o.Publish, log: o.Log, pace: o.Backoff.pace(), wake: make(chan struct{}, 1)}
}

func (r *receipts) add(e event.Event) {
	if err := checkReceipt(e); err != nil {
		// One receipt that the journal can never take must not block the others.
		r.log.Error().Err(err).Str("type", string(e.Type)).Msg("receipt cannot be journalled; please report it")
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.queue) >= maxReceipts && !decides(e) {
		r.log.Warn().Str("type", string(e.Type)).Msg("the journal is behind: a failed try is not noted")
		return
	}
	r.queue = append(r.queue, e)
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func checkReceipt(e event.Event) error {
	if err := event.CheckName("site", e.Site); err != nil {
		return fmt.Errorf("alarm event: %w", err)
	}
	if err := event.CheckName("machine", e.Machine); err != nil {
		return fmt.Errorf("alarm event: %w", err)
	}
	return e.Data.Check()
}

func decides(e event.Event) bool {
	failed, ok := e.Data.(*event.PageFailed)
	return !ok || failed.Final
}

// run publishes until the workers are through and the queue is empty, or until
// ctx ends.
func (r *receipts) run(ctx context.Context, drained <-chan struct{}) {
	for {
		group := r.head()
		if len(group) == 0 {
			select {
			case <-r.wake:
				continue
			case <-drained:
				if r.waiting() == 0 {
					return
				}
				continue
			case <-ctx.Done():
				return
			}
		}
		if !r.write(ctx, group) {
			return
		}
	}
}

func (r *receipts) head() []event.Event {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.queue[:min(len(r.queue), maxGroup)])
}

// write publishes one group, or waits before it is tried again. It returns
// false when ctx has ended.
func (r *receipts) write(ctx context.Context, group []event.Event) bool {
	once, cancel := context.WithTimeout(ctx, publishTime)
	err := r.publish(once, group...)
	cancel()
	if err == nil {
		r.pace.Reset()
		r.mu.Lock()
		r.queue = r.queue[len(group):]
		r.mu.Unlock()
		return true
	}
	wait := r.pace.NextBackOff()
	r.log.Error().Err(err).Int("receipts", r.waiting()).Dur("wait", wait).Msg("page receipts not journalled; trying again")
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

func (r *receipts) waiting() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.queue)
}
