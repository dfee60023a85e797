package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"rollwarden/watcher/journal"
)

// BackupOptions say what to take. Conn, Data, Now and Free are required.
type BackupOptions struct {
	Conn          *nats.Conn        // of the server that holds the journal
	Stream        string            // journal.StreamName when empty
	Data          string            // data folder of the watch
	Configuration map[string][]byte // files by their names, without secrets
	Program       string            // name and version
	Now           func() time.Time
	Free          func(folder string) (bytes int64, err error) // room on the disk of a folder
	Progress      func(done, total int64)                      // may be nil
	Log           zerolog.Logger
}

// partial begins the names of what is not finished; a crash leaves it behind.
const partial = ".rollwarden-partial-"

// margin is the room that a disk must have besides, bytes.
const margin = 64 << 20

// FileName is the name of a backup in a folder of them.
func FileName(at time.Time) string { return "rollwarden-" + stamp(at) + ".tar" }

// Backup writes an archive. The file gets its name when it is whole, proven and
// on the disk, and never takes the place of another: the error is fs.ErrExist
// when there is one.
func Backup(ctx context.Context, file string, o BackupOptions) (m Manifest, err error) {
	if o.Stream == "" {
		o.Stream = journal.StreamName
	}
	if _, err := os.Lstat(file); err == nil {
		return m, fmt.Errorf("%s: %w: a backup never takes the place of another file", file, fs.ErrExist)
	}
	work, err := os.MkdirTemp(filepath.Dir(file), partial)
	if err != nil {
		return m, fmt.Errorf("make a folder beside the backup: %w: choose a folder that this user can write", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	b := backup{o: o, work: work, steps: steps{tell: o.Progress, of: 3}}
	if m, err = b.write(ctx); err != nil {
		return m, fmt.Errorf("back up the journal: %w", err)
	}
	return m, place(b.archive(), file)
}

// backup is a backup on its way, in a folder of its own.
type backup struct {
	o     BackupOptions
	work  string
	steps steps
}

func (b *backup) archive() string { return filepath.Join(b.work, "archive.tar") }

// write takes the files before the journal, so that no state is of an entry that
// the journal's copy lacks.
func (b *backup) write(ctx context.Context) (m Manifest, err error) {
	out, err := os.OpenFile(b.archive(), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return m, err
	}
	defer out.Close()
	m = Manifest{Version: Version, Made: b.o.Now().UTC(), Program: b.o.Program}
	p := newPacker(out, m.Made)
	if err := b.files(p); err != nil {
		return m, err
	}
	if m.Journal, err = b.journal(ctx, p); err != nil {
		return m, err
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return m, err
	}
	if err := p.addBytes(manifestName, append(text, '\n')); err != nil {
		return m, err
	}
	if err := errors.Join(p.close(), out.Sync()); err != nil {
		return m, err
	}
	_, err = unpack(b.archive(), "", func(int64, int64) {}) // what the disk has, and not what was meant
	return m, err
}

func (b *backup) files(p *packer) error {
	for _, name := range kept {
		if err := p.addFolder(name, filepath.Join(b.o.Data, name)); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(b.o.Configuration)) {
		if err := p.addBytes(path.Join(configFolder, name), b.o.Configuration[name]); err != nil {
			return err
		}
	}
	return nil
}

// journal takes a copy of the stream, proves it and adds it.
func (b *backup) journal(ctx context.Context, p *packer) (j Journal, err error) {
	size, err := b.room(ctx)
	if err != nil {
		return j, err
	}
	b.steps.size = size
	copied := filepath.Join(b.work, "stream.s2")
	d, err := b.copy(ctx, copied)
	if err != nil {
		return j, fmt.Errorf("copy the stream %s: %w", b.o.Stream, err)
	}
	if j, err = try(ctx, filepath.Join(b.work, "nats"), d, copied, b.o.Log, b.steps.part(), b.steps.part()); err != nil {
		return j, fmt.Errorf("prove the copy: %w", err)
	}
	text, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return j, err
	}
	if err := p.addBytes(descriptionName, append(text, '\n')); err != nil {
		return j, err
	}
	f, err := os.Open(copied)
	if err != nil {
		return j, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return j, err
	}
	return j, p.add(streamName, info.Size(), f)
}

// room asks for the size of the journal and wants three times that: for the
// copy, for the archive, and for the folder in which the copy is proven.
func (b *backup) room(ctx context.Context) (size int64, err error) {
	var info struct {
		State struct {
			Bytes int64 `json:"bytes"`
		} `json:"state"`
	}
	if err := ask(ctx, b.o.Conn, "$JS.API.STREAM.INFO."+b.o.Stream, struct{}{}, &info); err != nil {
		return 0, fmt.Errorf("look at the stream %s: %w", b.o.Stream, err)
	}
	return info.State.Bytes, wantRoom(b.o.Free, b.work, 3*info.State.Bytes)
}

// wantRoom wants the disk of a folder to have room for some bytes.
func wantRoom(free func(string) (int64, error), folder string, bytes int64) error {
	there, err := free(folder)
	if err != nil {
		return fmt.Errorf("ask for the room on the disk of %s: %w", folder, err)
	}
	if there < bytes+margin {
		return fmt.Errorf("the disk of %s has %d MiB left: want %d MiB, for the copy and to prove it: choose another disk or free some room", filepath.Dir(folder), there>>20, (bytes+margin)>>20)
	}
	return nil
}

func (b *backup) copy(ctx context.Context, file string) (d description, err error) {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return d, err
	}
	d, err = take(ctx, b.o.Conn, b.o.Stream, f, b.steps.part())
	return d, errors.Join(err, f.Close())
}

// place gives a finished file its name, for good. A link fails where something
// has the name already, and a file system without links gets a rename.
func place(from, to string) error {
	err := os.Link(from, to)
	switch {
	case errors.Is(err, fs.ErrExist):
		return err
	case err != nil:
		if _, there := os.Lstat(to); there == nil {
			return fmt.Errorf("%s: %w", to, fs.ErrExist)
		}
		if err := os.Rename(from, to); err != nil {
			return err
		}
	}
	return syncFolder(filepath.Dir(to))
}

// Prune removes the oldest backups of a folder that have a name as FileName
// gives, until so many are left, and returns what it removed.
func Prune(folder string, keep int) (removed []string, err error) {
	if keep < 1 {
		return nil, fmt.Errorf("backups to keep: want 1 or more, got %d", keep)
	}
	entries, err := os.ReadDir(folder) // sorted by name, and so by time
	if err != nil {
		return nil, err
	}
	var ours []string
	for _, e := range entries {
		middle, ok := strings.CutPrefix(strings.TrimSuffix(e.Name(), ".tar"), "rollwarden-")
		if at, bad := time.Parse("20060102T150405Z", middle); ok && bad == nil && e.Type().IsRegular() && e.Name() == FileName(at) {
			ours = append(ours, filepath.Join(folder, e.Name()))
		}
	}
	for len(ours) > keep {
		if err := os.Remove(ours[0]); err != nil {
			return removed, err
		}
		removed, ours = append(removed, ours[0]), ours[1:]
	}
	return removed, nil
}
