package monthly

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/alarm"
	"rollwarden/rules/floor"
	"rollwarden/rules/reliability"
	"rollwarden/watcher/journal"
)

// state is everything as it stood when a month began, so that its report need
// not read the journal from the very start. States are a convenience: whoever
// deletes them only waits longer for the next report.
type state struct {
	Version int       `json:"version"`
	Month   string    `json:"month"`
	Zone    string    `json:"zone"`
	Site    string    `json:"site,omitzero"`
	Journal time.Time `json:"journal,omitzero"` // when it was made, by which it is known again once the entry is gone
	Seq     uint64    `json:"seq"`              // of the last entry before the month
	EntryID entryID   `json:"entry"`            // of that entry, by which the journal is known again

	Floor   *floor.State        `json:"floor"`
	Alarms  *alarm.Book         `json:"alarms"`
	Seen    floor.Memory        `json:"seen"`
	History reliability.History `json:"history"`
}

// stateVersion changes with what is written.
const stateVersion = 3

// keptStates is how many are kept of each site. Each holds the key of every
// event that counts, so that many would be large.
const keptStates = 3

func (s *state) origin() reliability.Origin {
	return reliability.Origin{Floor: s.Floor, Alarms: s.Alarms, Seen: s.Seen, History: s.History}
}

// entryID tells an entry from that of another journal at the same place.
type entryID struct {
	Subject string    `json:"subject"`
	Stored  time.Time `json:"stored"`
}

func idOf(e journal.Entry) entryID { return entryID{e.Subject, e.Stored} }

// is reports whether an entry is the one.
func (id entryID) is(e journal.Entry) bool {
	return id.Subject == e.Subject && id.Stored.Equal(e.Stored)
}

func stateName(site, month string) string {
	if site == "" {
		return "month-" + month + ".json"
	}
	return "month-" + month + "-" + site + ".json"
}

// loadState returns the newest state of a month that does not lie after m and
// that the journal bears out; nil when there is none.
func (b *Books) loadState(ctx context.Context, m Month, site string) *state {
	if b.o.Folder == "" {
		return nil
	}
	names, err := b.states(site)
	if err != nil {
		return nil
	}
	for _, name := range slices.Backward(names) {
		if name > stateName(site, m.String()) {
			continue
		}
		if s, err := b.readState(ctx, name, site); err == nil {
			return s
		} else {
			b.o.Log.Debug().Err(err).Str("file", name).Msg("a month's state is of no use, reading the journal from further back")
		}
	}
	return nil
}

// states lists the files of a site, the oldest month first.
func (b *Books) states(site string) ([]string, error) {
	entries, err := os.ReadDir(b.o.Folder)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		month, ok := strings.CutPrefix(e.Name(), "month-")
		if ok && len(month) >= len(layout) && e.Name() == stateName(site, month[:len(layout)]) {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

func (b *Books) readState(ctx context.Context, name, site string) (*state, error) {
	data, err := os.ReadFile(filepath.Join(b.o.Folder, name))
	if err != nil {
		return nil, err
	}
	s := &state{Floor: floor.New(), Alarms: alarm.NewBook()}
	if err := json.Unmarshal(data, s); err != nil {
		return nil, err
	}
	if s.Version != stateVersion || s.Zone != b.o.Zone.String() || s.Site != site {
		return nil, fmt.Errorf("it is of version %d, zone %s and site %q", s.Version, s.Zone, s.Site)
	}
	source := b.source(site)
	first, last, err := source.Span(ctx)
	if err != nil {
		return nil, err
	}
	if s.Seq > last {
		return nil, errors.New("it is newer than the journal")
	}
	if s.Seq < first { // the journal let that entry go by its age
		if !s.Journal.Equal(source.Created()) {
			return nil, errors.New("nothing shows that it is of this journal")
		}
		return s, nil
	}
	e, err := source.Get(ctx, s.Seq)
	if err != nil {
		return nil, err
	}
	if !s.EntryID.is(e) {
		return nil, errors.New("it is of another journal")
	}
	return s, nil
}

// saveState writes a state beside the others and removes the oldest. That it
// cannot be written is no reason to give no report.
func (b *Books) saveState(s *state) {
	if b.o.Folder == "" || b.o.ReadOnly || s.Seq == 0 {
		return
	}
	if err := b.writeState(s); err != nil {
		b.o.Log.Warn().Err(err).Msg("cannot keep a month's state; reports take longer")
	}
}

func (b *Books) writeState(s *state) error {
	data, err := json.Marshal(s, json.Deterministic(true))
	if err != nil {
		return err
	}
	if err := os.MkdirAll(b.o.Folder, 0o700); err != nil {
		return err
	}
	if err := replaceFile(filepath.Join(b.o.Folder, stateName(s.Site, s.Month)), data, 0o600); err != nil {
		return err
	}
	names, err := b.states(s.Site)
	if err != nil {
		return err
	}
	for _, name := range names[:max(0, len(names)-keptStates)] {
		err = errors.Join(err, os.Remove(filepath.Join(b.o.Folder, name)))
	}
	return err
}

// replaceFile writes a file whole or not at all: a crash leaves the old one.
func replaceFile(path string, data []byte, mode os.FileMode) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	_, err = f.Write(data)
	if err == nil {
		err = errors.Join(f.Chmod(mode), f.Sync())
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
