package app

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestTroubleOfAFolderIsShown takes a ticket folder away and brings it back, and looks
// at what the page about the watch says of it.
func TestTroubleOfAFolderIsShown(t *testing.T) {
	cfg := shopOf(t, 1)
	dir := cfg.Inboxes()[1].Dir
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	a := startApp(t, Options{Config: cfg})
	shows := func(trouble bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			folders := a.upkeep(t.Context()).Folders
			if len(folders) != 2 || folders[1].Path != dir {
				t.Fatalf("the folders are %+v", folders)
			}
			if (folders[1].Trouble != "") == trouble && (a.foldersInTrouble() == 1) == trouble {
				visit(t, a).get("/tickets").wants(t, 200).says(t, map[bool]string{true: dir, false: `<div id="stuck"`}[trouble])
				return
			}
			if time.Now().After(end) {
				t.Fatalf("want trouble %t, got %+v", trouble, folders)
			}
		}
	}
	shows(false)
	aside := filepath.Join(t.TempDir(), "aside")
	if err := os.Rename(dir, aside); err != nil {
		t.Fatal(err)
	}
	shows(true)
	if err := os.Rename(aside, dir); err != nil {
		t.Fatal(err)
	}
	shows(false)
}
