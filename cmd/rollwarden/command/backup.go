package command

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/archive"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/journal"
)

type backupCommand struct {
	To            string `arg:"" help:"File to write, or a folder, in which the file is named by the time. Nothing is ever written over." type:"path"`
	Configuration bool   `help:"Take the configuration and the rule book too, without secrets." default:"true" negatable:""`
	Keep          int    `help:"Only with a folder: remove the oldest backups in it, until so many are left; 0 removes none." placeholder:"N"`
	Stream        string `help:"Stream to take, where the journal is divided among several." placeholder:"NAME"`
	NATS          string `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// backupDocument is what a backup holds.
type backupDocument struct {
	File    string          `json:"file"`
	Bytes   int64           `json:"bytes"`
	Made    time.Time       `json:"made"`
	Journal journalDocument `json:"journal"`
	Removed []string        `json:"removed" jsonschema:"older backups that --keep removed"`
}

// journalDocument is what was read from end to end.
type journalDocument struct {
	Stream  string `json:"stream"`
	Entries uint64 `json:"entries"`
	First   uint64 `json:"first" jsonschema:"sequence of the oldest entry"`
	Last    uint64 `json:"last" jsonschema:"sequence of the newest entry that ever was"`
	Digest  string `json:"digest" jsonschema:"SHA-256 of all entries"`
}

func journalOf(j archive.Journal) journalDocument {
	return journalDocument{j.Stream, j.Entries, j.First, j.Last, j.Digest}
}

func (j journalDocument) String() string {
	if j.Entries == 0 {
		return "no entries"
	}
	return fmt.Sprintf("%d entries, %d to %d", j.Entries, j.First, j.Last)
}

// Run takes a backup while the watch runs, or of one that does not run.
func (b backupCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	file, folder, err := b.target(time.Now())
	if err != nil {
		return usageError{err}
	}
	if b.Stream, err = streamOf(cfg, b.Stream); err != nil {
		return usageError{err}
	}
	o := archive.BackupOptions{
		Stream: b.Stream, Data: cfg.DataFolder(), Program: "rollwarden " + Version(), Now: time.Now, Free: doctor.Free, Log: zerolog.Nop(),
	}
	if b.Configuration {
		if o.Configuration, err = configuration(cfg); err != nil {
			return err
		}
	}
	m, err := b.take(e, cfg, file, o)
	if err != nil {
		return err
	}
	d := backupDocument{File: file, Made: m.Made, Journal: journalOf(m.Journal), Removed: []string{}}
	if info, err := os.Stat(file); err == nil {
		d.Bytes = info.Size()
	}
	if b.Keep > 0 {
		removed, err := archive.Prune(folder, b.Keep)
		if d.Removed = append(d.Removed, removed...); err != nil {
			return fmt.Errorf("%s is written, but older backups cannot be removed: %w", file, err)
		}
	}
	return e.answer(d, d.text)
}

func (d backupDocument) text(w io.Writer) error {
	_, err := fmt.Fprintf(w, "wrote %s: %s, restored once and read again\n", d.File, d.Journal)
	for _, old := range d.Removed {
		fmt.Fprintf(w, "removed %s\n", old)
	}
	return err
}

// target is the file to write, and its folder.
func (b backupCommand) target(now time.Time) (file, folder string, err error) {
	info, err := os.Stat(b.To)
	switch {
	case err == nil && info.IsDir():
		return filepath.Join(b.To, archive.FileName(now)), b.To, nil
	case b.Keep != 0:
		return "", "", fmt.Errorf("--keep: want a folder that is there, got %s", b.To)
	case err == nil:
		return "", "", fmt.Errorf("%s is there already: give another name, or a folder", b.To)
	case !errors.Is(err, fs.ErrNotExist):
		return "", "", err
	case strings.HasSuffix(b.To, string(filepath.Separator)):
		return "", "", fmt.Errorf("%s is not there: make the folder, or name a file", b.To)
	}
	return b.To, filepath.Dir(b.To), nil
}

// streamOf is the stream of the journal. One that is divided among several has
// to be named.
func streamOf(cfg *config.Config, name string) (string, error) {
	partitions, err := cfg.Partitions()
	if err != nil || partitions.Len() == 1 {
		return cmp.Or(name, journal.StreamName), err
	}
	var all []string
	for n := range partitions.Len() {
		if all = append(all, partitions.Stream(n)); all[n] == name {
			return name, nil
		}
	}
	return "", fmt.Errorf("--stream: the journal is divided, and each part has a backup of its own: want one of %s, got %q", strings.Join(all, ", "), name)
}

// take opens the journal and takes the backup.
func (b backupCommand) take(e *env, cfg *config.Config, file string, o archive.BackupOptions) (archive.Manifest, error) {
	server, err := openBus(e.ctx, cfg, b.NATS)
	if err != nil {
		return archive.Manifest{}, err
	}
	defer closeBus(server)
	tick, end := e.progress("backup")
	defer end()
	o.Conn, o.Progress = server.Conn(), tick
	return archive.Backup(e.ctx, file, o)
}

// configuration is the shop's own files, without secrets.
func configuration(cfg *config.Config) (map[string][]byte, error) {
	files := map[string][]byte{}
	if cfg.File != "" {
		text, err := os.ReadFile(cfg.File)
		if err != nil {
			return nil, err
		}
		if text, err = config.WithoutSecrets(text); err != nil {
			return nil, fmt.Errorf("%s: %w (or give --no-configuration)", cfg.File, err)
		}
		files[filepath.Base(cfg.File)] = text
	}
	if book := cfg.Rules.Book; book != "" {
		text, err := os.ReadFile(cfg.Path(book))
		if err != nil {
			return nil, err
		}
		files["rules-"+filepath.Base(book)] = text
	}
	return files, nil
}
