package journal

import (
	"context"
	"fmt"
	"time"

	"rollwarden/rules/event"
)

// roomEvery is how often Follow looks how much room there is, and what the time is
// at the server. What it finds is at most so old in Health.
const roomEvery = 10 * time.Second

// room says how much of the journal is taken.
type room string

// Nearly full is for a person to hear of while there is time. Full means that
// an event may be refused.
const (
	hasRoom    room = "has room"
	nearlyFull room = "nearly full"
	isFull     room = "full"
)

// roomOf judges the bytes that are taken of a limit. The largest event has to
// find room; in a journal that is small beside it, a sixteenth is kept for that.
func roomOf(used, limit int64) room {
	switch left := limit - used; {
	case limit <= 0:
		return hasRoom
	case left < min(event.MaxData, limit/16):
		return isFull
	case left < limit/10:
		return nearlyFull
	}
	return hasRoom
}

// watchRoom looks again and again how the server is off, until ctx ends.
// Machines write to the journal too, so what the watch itself could store last
// does not tell.
func (j *Journal) watchRoom(ctx context.Context) {
	tick := time.NewTicker(roomEvery)
	defer tick.Stop()
	for {
		j.lookForRoom(ctx)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// lookForRoom leaves everything as it is when the journal does not answer, which
// is for the reader to tell.
func (j *Journal) lookForRoom(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, firstLook)
	defer cancel()
	info, err := j.stream.Info(ctx)
	if err != nil {
		return
	}
	j.compareClocks(info.TimeStamp)
	used, limit := int64(info.State.Bytes), info.Config.MaxBytes
	now := roomOf(used, limit)
	before, _ := j.room.Swap(now).(room)
	if now == before {
		return
	}
	const next = "raise nats.max_store, or let old entries go by nats.keep"
	switch now {
	case isFull:
		j.log.Error().Int64("bytes", used).Int64("limit", limit).Msg("the journal is full and refuses events: " + next)
	case nearlyFull:
		j.log.Warn().Int64("bytes", used).Int64("limit", limit).Msg("the journal is nearly full, and will then refuse events: " + next)
	case hasRoom:
		if before != "" {
			j.log.Info().Int64("bytes", used).Int64("limit", limit).Msg("the journal has room again")
		}
	}
}

// roomHealth reports that an event may be refused.
func (j *Journal) roomHealth() error {
	if now, _ := j.room.Load().(room); now == isFull {
		return fmt.Errorf("%w: raise nats.max_store, or let old entries go by nats.keep", ErrFull)
	}
	return nil
}
