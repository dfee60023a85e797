// Package archive keeps copies of what a watch must not lose: the journal, the
// snapshots of its fold, the reports and what they rest on. Backup writes one
// file while the watch runs or when it is stopped, and Restore makes a data
// folder of it.
//
// The journal is taken and put back by JetStream's own backup (NATS API,
// STREAM.SNAPSHOT and STREAM.RESTORE), so every entry keeps its sequence, the
// time it was stored and its bytes. A copy of the journal on the way is never
// believed: each backup is restored once into a temporary folder and read from
// end to end before it gets its name, and so is each archive that is restored.
//
// An archive is a plain POSIX tar that other programs can open:
//
//	snapshots/ months/ reports/ run-logs/
//	                                files of the data folder
//	configuration/                  configuration and rule book, without secrets
//	journal/                        backup.json and stream.arc.s2, as "nats stream restore" reads them
//	manifest.json                   what the journal held
//	SHA256SUMS                      of all of these, as sha256sum -c reads them
//
// The sums find what was torn or damaged by accident. They are no signature:
// who can write to an archive can also make another one.
package archive

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Version is the version of the archive's layout that is written, and the
// newest that is read.
const Version = 1

// Manifest says what an archive holds. It is what was read back from the copy of
// the journal, not what the server said of the original.
type Manifest struct {
	Version int       `json:"version"`
	Made    time.Time `json:"made"`
	Program string    `json:"program"` // and its version
	Journal Journal   `json:"journal"`
}

// Journal is what a journal held, read from end to end.
type Journal struct {
	Stream      string    `json:"stream"`
	Entries     uint64    `json:"entries"`
	First       uint64    `json:"first"` // sequence of the oldest entry; above Last when all were let go
	Last        uint64    `json:"last"`  // sequence of the newest entry that ever was
	FirstStored time.Time `json:"first_stored,omitzero"`
	LastStored  time.Time `json:"last_stored,omitzero"`
	// Digest is the SHA-256 of all entries in their order, in hexadecimal: their
	// sequences, times, subjects, headers and bytes.
	Digest string `json:"digest"`
}

// same reports whether another reading found the same entries.
func (j Journal) same(o Journal) error {
	switch {
	case j.Stream != o.Stream:
		return fmt.Errorf("want the stream %s, got %s", j.Stream, o.Stream)
	case j.Entries != o.Entries || j.First != o.First || j.Last != o.Last:
		return fmt.Errorf("want %d entries from %d to %d, got %d from %d to %d", j.Entries, j.First, j.Last, o.Entries, o.First, o.Last)
	case j.Digest != o.Digest:
		return fmt.Errorf("want entries with the digest %s, got %s", j.Digest, o.Digest)
	}
	return nil
}

// ErrDamaged says that an archive is not whole, or not what it was.
var ErrDamaged = errors.New("the archive is damaged")

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %w: take an older one", ErrDamaged, fmt.Errorf(format, args...))
}

// parseManifest refuses what a newer program has written, since it may mean
// something that this one does not know.
func parseManifest(text []byte) (m Manifest, err error) {
	if err := json.Unmarshal(text, &m); err != nil {
		return m, damaged("%s: %w", manifestName, err)
	}
	if m.Version < 1 || m.Version > Version {
		return m, fmt.Errorf("the archive has the layout version %d and this program reads up to %d: use the program that wrote it, %s, or a newer one", m.Version, Version, m.Program)
	}
	if m.Journal.Stream == "" || m.Journal.Digest == "" {
		return m, damaged("%s: want a stream and a digest", manifestName)
	}
	return m, nil
}

// steps turns the progress of several parts, which weigh the same, into one.
type steps struct {
	tell func(done, total int64)
	size int64 // of one part
	of   int64 // parts
	now  int64
}

// part is the progress of the next part: done of total.
func (s *steps) part() func(done, total int64) {
	before := s.now * s.size
	s.now++
	return func(done, total int64) {
		if s.tell != nil && total > 0 {
			s.tell(before+int64(float64(s.size)*min(1, float64(done)/float64(total))), s.size*s.of)
		}
	}
}
