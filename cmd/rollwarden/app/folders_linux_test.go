package app

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// TestTicketFoldersAreMade starts with folders of tickets as the unit and the
// container have them, with the UMask of the unit: the group drops tickets there.
func TestTicketFoldersAreMade(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o007))
	cfg := shopOf(t, 2)
	cfg.Tickets.Folder = filepath.Join(t.TempDir(), "tickets")
	if err := os.Mkdir(cfg.Tickets.Folder, 0o750); err != nil {
		t.Fatal(err)
	}
	startApp(t, Options{Config: cfg})
	for path, want := range map[string]fs.FileMode{"": 0o750, "m0": 0o770, "m1": 0o770} {
		info, err := os.Stat(filepath.Join(cfg.Tickets.Folder, path))
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("tickets/%s: want mode %v, got %v, %v", path, want, info, err)
		}
	}
}

// TestAShareThatIsAwayIsNotReplaced starts while the folder of tickets is not there:
// on the share that is mounted later lies what people dropped.
func TestAShareThatIsAwayIsNotReplaced(t *testing.T) {
	cfg := shopOf(t, 1)
	share := filepath.Join(t.TempDir(), "share")
	cfg.Tickets.Folder = filepath.Join(share, "tickets")
	startApp(t, Options{Config: cfg})
	if _, err := os.Stat(share); err == nil {
		t.Error("want no folder in the place of the share")
	}
}
