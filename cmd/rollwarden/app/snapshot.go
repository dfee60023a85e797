package app

import (
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules"
)

// snapshotter saves the state of the engine now and then, so that a restart
// need not fold the whole journal.
type snapshotter struct {
	write  func(seq uint64, state []byte) error
	every  uint64        // events between two snapshots
	after  time.Duration // longest time between two, if anything happened
	log    zerolog.Logger
	seq    uint64
	at     time.Time
	took   atomic.Int64 // ns to encode and write the last one
	saving chan rules.Frozen
}

// snapshotShare bounds the time spent on snapshots: after one the watch goes on for
// so many times as long as that took. A state grows with its journal, and would
// otherwise be written more and more of the time while a long one is read.
const snapshotShare = 50

// newSnapshotter takes snapshots of what comes after the sequence seq.
func newSnapshotter(write func(uint64, []byte) error, seq uint64, log zerolog.Logger) *snapshotter {
	return &snapshotter{write: write, every: 20_000, after: 5 * time.Minute, log: log, seq: seq, at: time.Now(), saving: make(chan rules.Frozen, 1)}
}

// offer takes a snapshot if one is due. The loop only pays for freezing the
// state; run encodes and writes it, and none is taken while one waits.
func (s *snapshotter) offer(e *rules.Engine) {
	fresh, age := e.Seq()-s.seq, time.Since(s.at)
	if fresh < s.every && (fresh == 0 || age < s.after) || age < snapshotShare*time.Duration(s.took.Load()) || len(s.saving) > 0 {
		return
	}
	s.seq, s.at = e.Seq(), time.Now()
	s.saving <- e.Freeze()
}

// last takes a final snapshot when the loop ends.
func (s *snapshotter) last(e *rules.Engine) {
	if e.Seq() != s.seq {
		s.saving <- e.Freeze()
	}
	close(s.saving)
}

// run writes snapshots until the loop has ended.
func (s *snapshotter) run() {
	for f := range s.saving {
		began := time.Now()
		state, err := f.Encode()
		if err == nil {
			err = s.write(f.Seq(), state)
		}
		if err != nil {
			s.log.Error().Err(err).Msg("cannot save a snapshot; the journal is whole, a restart takes longer")
		}
		s.took.Store(int64(time.Since(began)))
	}
}
