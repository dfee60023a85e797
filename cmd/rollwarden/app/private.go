package app

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
)

// closeData closes what is in the data folder to everybody but the user that the
// watch runs as, in a folder from before too: the journal, and the states that are
// folded from it, have everybody's names in them. The reports are for others, who
// come to them through the folder, and so are tickets if they are dropped there.
//
// Windows has no such modes; there whoever may enter the folder is left as it is.
func (a *App) closeData(context.Context) error {
	dir := a.cfg.DataFolder()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("make the data folder: %w: let this user write there, or set another data.folder", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("look into the data folder: %w: give it to the user that the watch runs as", err)
	}
	for _, entry := range entries {
		if path := filepath.Join(dir, entry.Name()); !a.forOthers(path) {
			a.closeToOthers(path)
		}
	}
	return nil
}

// forOthers reports whether other people read or write in a folder.
func (a *App) forOthers(path string) bool {
	folders := []string{a.cfg.ReportFolder()}
	for _, in := range a.cfg.Inboxes() {
		folders = append(folders, in.Dir)
	}
	return slices.ContainsFunc(folders, func(folder string) bool { return contains(path, folder) })
}

// contains reports whether one path is another or leads to it, by their names.
func contains(path, other string) bool {
	path, err := filepath.Abs(path)
	if err != nil {
		return false
	}
	if other, err = filepath.Abs(other); err != nil {
		return false
	}
	below, err := filepath.Rel(path, other)
	return err == nil && filepath.IsLocal(below)
}

// closeToOthers leaves the rights of the owner alone. A file system that has none is
// no reason not to watch.
func (a *App) closeToOthers(path string) {
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm()&0o077 == 0 {
		return
	}
	if err := os.Chmod(path, info.Mode().Perm()&^0o077); err != nil {
		a.log.Warn().Err(err).Msg("other people on this computer may read what has everybody's names in it: give the data folder to the user that the watch runs as")
	}
}
