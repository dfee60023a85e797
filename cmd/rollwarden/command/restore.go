package command

import (
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/archive"
	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/bus"
)

type restoreCommand struct {
	Archive string `arg:"" help:"File that rollwarden backup has written." type:"existingfile"`
	Replace bool   `help:"Move a data folder that is there aside. The watch must not run."`
	Check   bool   `help:"Only prove the archive: restore it into a temporary folder beside it and read it."`
}

// restoreDocument is what was restored, or proven.
type restoreDocument struct {
	Archive string          `json:"archive"`
	Made    time.Time       `json:"made" jsonschema:"when the backup was taken"`
	Program string          `json:"program" jsonschema:"what took it"`
	Journal journalDocument `json:"journal"`
	Folder  string          `json:"folder,omitzero" jsonschema:"data folder that was made; absent with --check"`
	Aside   string          `json:"aside,omitzero" jsonschema:"where the data folder lies that was there before; absent when there was none"`
}

// Run makes the configuration's data folder of an archive.
func (r restoreCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	tick, end := e.progress("restore")
	o := archive.RestoreOptions{Data: cfg.DataFolder(), Replace: r.Replace, Now: time.Now, Free: doctor.Free, Progress: tick, Log: zerolog.Nop()}
	done, err := r.restore(e, cfg, o)
	end()
	if err != nil {
		return err
	}
	d := restoreDocument{r.Archive, done.Made, done.Program, journalOf(done.Journal), o.Data, done.Aside}
	if r.Check {
		d.Folder = ""
	}
	return e.answer(d, d.text)
}

func (r restoreCommand) restore(e *env, cfg *config.Config, o archive.RestoreOptions) (done archive.Restored, err error) {
	if r.Check {
		done.Manifest, err = archive.Check(e.ctx, r.Archive, o)
		return done, err
	}
	if cfg.NATS.URL != "" {
		if o.Bus, err = bus.Open(e.ctx, cfg.BusOptions("rollwarden-restore", zerolog.Nop())); err != nil {
			return done, err
		}
		defer closeBus(o.Bus)
	}
	return archive.Restore(e.ctx, r.Archive, o)
}

func (d restoreDocument) text(w io.Writer) error {
	taken := d.Made.Local().Format("2006-01-02 15:04:05 MST")
	if d.Folder == "" {
		_, err := fmt.Fprintf(w, "%s is whole: taken %s by %s, %s\n", filepath.Base(d.Archive), taken, d.Program, d.Journal)
		return err
	}
	fmt.Fprintf(w, "restored %s from %s, taken %s: %s\n", d.Folder, filepath.Base(d.Archive), taken, d.Journal)
	if d.Aside != "" {
		fmt.Fprintf(w, "what was there before lies in %s: remove it when nobody needs it any more\n", d.Aside)
	}
	_, err := fmt.Fprintf(w, "start the watch with rollwarden run; tar -xf %s configuration gives the files that were in force\n", d.Archive)
	return err
}
