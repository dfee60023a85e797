package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/watcher/bus"
)

// RestoreOptions say where to. Data, Now and Free are required.
type RestoreOptions struct {
	Data     string   // data folder to make
	Replace  bool     // move a data folder that is there aside
	Bus      *bus.Bus // the journal's server when it is not the built-in one
	Now      func() time.Time
	Free     func(folder string) (bytes int64, err error)
	Progress func(done, total int64) // may be nil
	Log      zerolog.Logger
}

// Restored says what was done.
type Restored struct {
	Manifest
	Aside string // where the data folder is that was there before; empty for none
}

// ErrOccupied means that something is where the archive would go.
var ErrOccupied = errors.New("there is something already")

// Check proves an archive: its sums, and its journal by restoring it into a
// temporary folder beside the archive. Nothing stays.
func Check(ctx context.Context, file string, o RestoreOptions) (m Manifest, err error) {
	work, err := os.MkdirTemp(filepath.Dir(file), partial)
	if err != nil {
		return m, fmt.Errorf("make a folder beside the archive: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	r := restore{o: o, file: file, work: work, steps: steps{tell: o.Progress, of: 3}}
	return r.unpackAndProve(ctx)
}

// Restore makes a data folder of an archive. All is made and proven in a folder
// beside it, which takes the place of the data folder in the end: whatever goes
// wrong before, the data folder stays as it is.
//
// With a server of somebody else the journal goes there, where it must not be
// yet, and the rest into the data folder.
func Restore(ctx context.Context, file string, o RestoreOptions) (done Restored, err error) {
	o.Data = filepath.Clean(o.Data)
	if err := free(o); err != nil {
		return done, err
	}
	if err := os.MkdirAll(filepath.Dir(o.Data), 0o750); err != nil {
		return done, fmt.Errorf("make the folder for the data folder: %w", err)
	}
	work, err := os.MkdirTemp(filepath.Dir(o.Data), partial)
	if err != nil {
		return done, fmt.Errorf("make a folder beside the data folder: %w: choose one that this user can write", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	r := restore{o: o, file: file, work: work, steps: steps{tell: o.Progress, of: 3}}
	if o.Bus != nil {
		r.steps.of = 5
	}
	if done.Manifest, err = r.unpackAndProve(ctx); err != nil {
		return done, err
	}
	if o.Bus != nil {
		if err := r.hand(ctx, done.Journal); err != nil {
			return done, err
		}
	}
	if err := r.assemble(); err != nil {
		return done, fmt.Errorf("put the data folder together: %w", err)
	}
	done.Aside, err = r.swap()
	return done, err
}

// free wants the data folder to be missing or empty, unless it may be moved.
func free(o RestoreOptions) error {
	entries, err := os.ReadDir(o.Data)
	if errors.Is(err, fs.ErrNotExist) || err == nil && (len(entries) == 0 || o.Replace) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look at the data folder: %w", err)
	}
	return fmt.Errorf("data folder %s: %w: restore into another one, or with --replace to move this one aside", o.Data, ErrOccupied)
}

// restore is a restore on its way, in a folder of its own.
type restore struct {
	o     RestoreOptions
	file  string
	work  string
	steps steps
}

func (r *restore) unpacked() string { return filepath.Join(r.work, "unpacked") }
func (r *restore) stream() string   { return filepath.Join(r.unpacked(), filepath.FromSlash(streamName)) }
func (r *restore) fresh() string    { return filepath.Join(r.work, "data") }

// unpackAndProve leaves the files of the archive in one folder and a store of
// its journal in another.
func (r *restore) unpackAndProve(ctx context.Context) (m Manifest, err error) {
	info, err := os.Stat(r.file)
	if err != nil {
		return m, err
	}
	r.steps.size = info.Size()
	if err := wantRoom(r.o.Free, r.work, 2*info.Size()); err != nil {
		return m, err
	}
	if m, err = unpack(r.file, r.unpacked(), r.steps.part()); err != nil {
		return m, err
	}
	d, err := r.description()
	if err != nil {
		return m, err
	}
	if err := wantRoom(r.o.Free, r.work, 2*d.bytes()); err != nil {
		return m, err
	}
	j, err := try(ctx, filepath.Join(r.fresh(), "nats"), d, r.stream(), r.o.Log, r.steps.part(), r.steps.part())
	if err != nil {
		return m, err
	}
	if err := m.Journal.same(j); err != nil {
		return m, damaged("the journal in it: %w", err)
	}
	return m, nil
}

func (r *restore) description() (d description, err error) {
	text, err := os.ReadFile(filepath.Join(r.unpacked(), filepath.FromSlash(descriptionName)))
	if err != nil {
		return d, err
	}
	if err := json.Unmarshal(text, &d); err != nil || d.name() == "" {
		return d, damaged("%s: want the description of a stream: %w", descriptionName, err)
	}
	return d, nil
}

// hand puts the proven journal on the server of somebody else, and reads it
// there once more.
func (r *restore) hand(ctx context.Context, want Journal) error {
	d, err := r.description()
	if err != nil {
		return err
	}
	got, err := putAndRead(ctx, r.o.Bus, d.keepingAll(false), r.stream(), r.steps.part(), r.steps.part())
	if err != nil {
		return err
	}
	if err := want.same(got); err != nil {
		return fmt.Errorf("the journal on the NATS server is not the one of the archive: %w: remove its stream there and try again", err)
	}
	return os.RemoveAll(filepath.Join(r.fresh(), "nats")) // only the proof of it
}

// assemble moves what was unpacked to its place in the new data folder, and has
// the disk take all of it.
func (r *restore) assemble() error {
	if err := os.MkdirAll(r.fresh(), 0o750); err != nil {
		return err
	}
	for _, name := range kept {
		err := os.Rename(filepath.Join(r.unpacked(), name), filepath.Join(r.fresh(), name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return syncTree(r.fresh())
}

// swap puts the new data folder in its place, and what is there aside.
func (r *restore) swap() (aside string, err error) {
	entries, err := os.ReadDir(r.o.Data)
	switch {
	case err == nil && len(entries) == 0:
		if err := os.Remove(r.o.Data); err != nil {
			return "", err
		}
	case err == nil:
		release, err := bus.Hold(filepath.Join(r.o.Data, "nats"))
		if err != nil {
			return "", err
		}
		defer func() { _ = release() }()
		if aside, err = r.moveAside(release); err != nil {
			return "", fmt.Errorf("move the data folder aside: %w", err)
		}
	}
	if err := os.Rename(r.fresh(), r.o.Data); err != nil {
		if aside != "" {
			err = errors.Join(err, os.Rename(aside, r.o.Data))
		}
		return "", fmt.Errorf("put the new data folder in its place: %w", err)
	}
	return aside, syncFolder(filepath.Dir(r.o.Data))
}

// moveAside moves the data folder while its journal is held, so that no watch runs on
// it. Windows moves no folder in which a file is open: there the journal is let go
// before, and a watch that starts in that moment makes the move fail.
func (r *restore) moveAside(release func() error) (aside string, err error) {
	aside = r.o.Data + ".before-" + stamp(r.o.Now())
	if _, err := os.Lstat(aside); err == nil {
		return "", fmt.Errorf("%s: %w: try again in a second", aside, ErrOccupied)
	}
	if runtime.GOOS == "windows" {
		if err := release(); err != nil {
			return "", err
		}
	}
	return aside, os.Rename(r.o.Data, aside)
}

// syncTree has the disk take every file and folder of a folder.
func syncTree(folder string) error {
	return filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir():
			return syncFolder(path)
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}

// syncFolder makes a rename last. Windows offers no such call and keeps its
// folders in a journal of its own.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
