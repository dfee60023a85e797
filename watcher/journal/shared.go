package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// Shared keeps the newest state of the fold in a JetStream object store, so that
// another watch than the one that saved it can start from it. Like Snapshots it
// is a convenience: a state that is not whole is passed over. Beside the states it
// keeps notes of what need not be done again, and what else the next watch must know.
type Shared struct {
	store   jetstream.ObjectStore
	name    string
	created string // of the stream, that tells its states from those of a predecessor
	log     zerolog.Logger
}

const (
	sharedBucket  = "FLOOR-SNAPSHOTS"
	sharedCreated = "stream-created" // metadata of an object
	sharedWait    = 20 * time.Second // for one Save or Load
)

// OpenShared opens the object store of the journal's NATS, and makes it if need
// be, with that many copies; 0 leaves them as they are, and 1 for a new one.
func (j *Journal) OpenShared(ctx context.Context, js jetstream.JetStream, replicas int) (Shared, error) {
	info := j.stream.CachedInfo()
	s := Shared{name: info.Config.Name, created: j.created.UTC().Format(time.RFC3339Nano), log: j.log}
	var err error
	s.store, err = js.ObjectStore(ctx, sharedBucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		s.store, err = js.CreateObjectStore(ctx, jetstream.ObjectStoreConfig{
			Bucket: sharedBucket, Description: "states of the watch, one for each journal", Replicas: max(1, replicas),
		})
	}
	if errors.Is(err, jetstream.ErrBucketExists) { // another watch was faster
		s.store, err = js.ObjectStore(ctx, sharedBucket)
	}
	if err != nil {
		return Shared{}, fmt.Errorf("open the store of snapshots %s: %w", sharedBucket, err)
	}
	return s, nil
}

// Save replaces the state by the one after the entry seq.
func (s Shared) Save(seq uint64, state []byte) error {
	if seq == 0 {
		return errors.New("save snapshot: want the sequence of a journal entry, got 0")
	}
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	_, err := s.store.Put(ctx, jetstream.ObjectMeta{Name: s.name, Metadata: map[string]string{sharedCreated: s.created}},
		bytes.NewReader(append(snapshotHeader(seq, state), state...)))
	if err != nil {
		return fmt.Errorf("save snapshot of %s: %w", s.name, err)
	}
	return nil
}

// Load returns the state that was saved last. The sequence is 0 when there is
// none of this journal.
func (s Shared) Load() (seq uint64, state []byte, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	info, err := s.store.GetInfo(ctx, s.name)
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return 0, nil, nil
	}
	if err != nil {
		return 0, nil, fmt.Errorf("load snapshot of %s: %w", s.name, err)
	}
	if info.Metadata[sharedCreated] != s.created {
		s.log.Warn().Str("snapshot", info.Metadata[sharedCreated]).Str("journal", s.created).Msg("the snapshot is of an earlier journal of the same name, passing it over")
		return 0, nil, nil
	}
	file, err := s.store.GetBytes(ctx, s.name)
	if err == nil {
		seq, state, err = parseSnapshot(file)
	}
	if err != nil {
		return 0, nil, fmt.Errorf("load snapshot of %s: %w", s.name, err)
	}
	return seq, state, nil
}

// notePrefix keeps the names of notes apart from those of journals.
const notePrefix = "note "

// Note leaves a note beside the states, for whichever watch asks for it later.
func (s Shared) Note(name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	if _, err := s.store.PutBytes(ctx, notePrefix+name, nil); err != nil {
		return fmt.Errorf("leave the note %q: %w", name, err)
	}
	return nil
}

// Noted reports whether there is such a note.
func (s Shared) Noted(name string) (bool, error) {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	_, err := s.store.GetInfo(ctx, notePrefix+name)
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("look for the note %q: %w", name, err)
	}
	return true, nil
}

// keptPrefix keeps the names of what else is kept apart from those of journals.
const keptPrefix = "kept "

// Keep replaces what is kept of the journal under a name.
func (s Shared) Keep(name string, data []byte) error {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	if _, err := s.store.PutBytes(ctx, keptPrefix+s.name+" "+name, data); err != nil {
		return fmt.Errorf("keep %q of %s: %w", name, s.name, err)
	}
	return nil
}

// Kept returns what was kept last of the journal under a name; the error is
// fs.ErrNotExist when nothing was.
func (s Shared) Kept(name string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	data, err := s.store.GetBytes(ctx, keptPrefix+s.name+" "+name)
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		err = fs.ErrNotExist
	}
	if err != nil {
		return nil, fmt.Errorf("look for what was kept, %q of %s: %w", name, s.name, err)
	}
	return data, nil
}

// Remove removes the state. The fold then starts from the first entry.
func (s Shared) Remove() error {
	ctx, cancel := context.WithTimeout(context.Background(), sharedWait)
	defer cancel()
	if err := s.store.Delete(ctx, s.name); err != nil && !errors.Is(err, jetstream.ErrObjectNotFound) {
		return fmt.Errorf("remove snapshot of %s: %w", s.name, err)
	}
	return nil
}
