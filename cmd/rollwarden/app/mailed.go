package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// notes remember which reports were mailed. A daemon that takes a site over from
// another must not mail its last month again, so they lie where the states do: in
// files, or in NATS where another daemon may go on.
type notes interface {
	Note(name string) error
	Noted(name string) (bool, error)
}

func (a *App) mailNotes() notes {
	if a.shared() {
		return sharedNotes{a}
	}
	return noteFolder(a.cfg.MonthStates())
}

// noteFolder keeps each note as an empty file.
type noteFolder string

// Note implements notes.
func (f noteFolder) Note(name string) error {
	if err := os.MkdirAll(string(f), 0o700); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(string(f), name), nil, 0o600)
}

// Noted implements notes.
func (f noteFolder) Noted(name string) (bool, error) {
	_, err := os.Stat(filepath.Join(string(f), name))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// sharedNotes are those of a floor that several daemons watch.
type sharedNotes struct{ app *App }

// Note implements notes.
func (n sharedNotes) Note(name string) error {
	store, err := n.open()
	if err != nil {
		return err
	}
	return store.Note(name)
}

// Noted implements notes.
func (n sharedNotes) Noted(name string) (bool, error) {
	store, err := n.open()
	if err != nil {
		return false, err
	}
	return store.Noted(name)
}

func (n sharedNotes) open() (notes, error) {
	ctx, cancel := context.WithTimeout(context.Background(), askWithin)
	defer cancel()
	store, err := n.app.openShared(ctx, n.app.journals[0])
	if err != nil {
		return nil, fmt.Errorf("remember which reports were mailed: %w", err)
	}
	return store, nil
}
