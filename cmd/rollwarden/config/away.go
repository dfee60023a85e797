package config

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// TicketsAway reports whether the folder of tickets is waited for: it has a path of
// its own, and is not there. It may lie on a share that is not mounted yet, and a
// folder in its place would take the tickets that belong there. Who mounts a share
// right at that folder lets the watch not write there while it is away.
func (c *Config) TicketsAway() bool {
	_, err := os.Stat(c.Inboxes()[0].Dir)
	return filepath.IsAbs(c.Tickets.Folder) && errors.Is(err, fs.ErrNotExist)
}
