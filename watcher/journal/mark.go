package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// markEvery is how often Follow writes down how far it has read: a tail that was
// lost is told from there on.
const markEvery = time.Second

// tellLoss says what a journal has lost, as far as it can be seen from outside
// the server. The server repairs files that a crash or a disk has damaged by
// leaving out what it cannot read, and only what is missing shows it: nothing is
// ever deleted from a journal, and age takes entries from its front. It returns the
// same in sentences.
func tellLoss(s jetstream.StreamState, o Options) (lost []string) {
	const next = "what was counted of them stays counted; see whether a backup has them"
	if s.Lost != nil {
		const what = "the journal's files are damaged and entries are lost: restore a copy if there is one"
		o.Log.Error().Int("entries", len(s.Lost.Msgs)).Uint64("bytes", s.Lost.Bytes).Msg(what)
		lost = append(lost, fmt.Sprintf("%s (%d entries)", what, len(s.Lost.Msgs)))
	}
	if missing := missingFrom(s, o.MaxAge == 0); missing > 0 {
		const what = "entries are missing in the journal, whose files were damaged unless an earlier nats.keep let them go: " + next
		o.Log.Error().Uint64("entries", missing).Uint64("first", s.FirstSeq).Uint64("last", s.LastSeq).Msg(what)
		lost = append(lost, fmt.Sprintf("%s (%d entries up to %d)", what, missing, s.LastSeq))
	}
	mark, err := readMark(o.Mark)
	switch {
	case err != nil:
		o.Log.Warn().Err(err).Msg("nobody can tell whether the journal has lost its newest entries")
	case mark > s.LastSeq:
		const what = "the journal ends sooner than it did, so that its newest entries are lost, unless an older copy was put back: " + next
		o.Log.Error().Uint64("ended", mark).Uint64("ends", s.LastSeq).Msg(what)
		lost = append(lost, fmt.Sprintf("%s (it ended at %d and ends at %d)", what, mark, s.LastSeq))
	}
	return lost
}

// Lost says what the journal was seen to have lost when it was opened; nil when
// nothing.
func (j *Journal) Lost() []string { return j.lost }

// missingFrom is how many entries are missing of those up to the last: of all
// when the journal keeps all, and else from the first that it holds.
func missingFrom(s jetstream.StreamState, keepsAll bool) uint64 {
	first := max(s.FirstSeq, 1)
	if keepsAll {
		first = 1
	}
	if s.LastSeq < first {
		return 0 // age has let all of them go, or there never was one
	}
	return s.LastSeq - first + 1 - s.Msgs
}

// readMark returns the sequence that an earlier Follow had read, 0 when there is
// none to know of.
func readMark(path string) (uint64, error) {
	if path == "" {
		return 0, nil
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	seq, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%s: want the number of a journal entry, got %.20q", path, text)
	}
	return seq, nil
}

// writeMark replaces the mark. It need not survive a power cut: a mark that is
// too old only tells less.
func writeMark(path string, seq uint64) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return err
	}
	temp := path + ".tmp"
	if err := os.WriteFile(temp, fmt.Appendln(nil, seq), 0o600); err != nil {
		return err
	}
	return os.Rename(temp, path)
}

// keepMark writes down how far Follow has read, until ctx ends. That it cannot
// is told once: no event depends on it.
func (j *Journal) keepMark(ctx context.Context) {
	tick := time.NewTicker(markEvery)
	defer tick.Stop()
	written, told := uint64(0), false
	for ended := false; !ended; {
		select {
		case <-tick.C:
		case <-ctx.Done():
			ended = true
		}
		seq := j.read.Load()
		if seq == written {
			continue
		}
		err := writeMark(j.mark, seq)
		if err != nil && !told {
			j.log.Warn().Err(err).Msg("cannot write down how far the journal was read: a loss at its end would not be seen")
		}
		written, told = seq, err != nil
	}
}
