package app

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"
)

// TestTheDataFolderIsForTheWatchAlone starts on a folder from before, whose files the
// group could read. Common practice, no source: 0700 for folders and 0600 for files.
func TestTheDataFolderIsForTheWatchAlone(t *testing.T) {
	if runtime.GOOS == "windows" {
		return // which has no such modes
	}
	cfg := shopOf(t, 1)
	cfg.Data.Folder = filepath.Join(t.TempDir(), "data")
	cfg.Tickets.Folder = filepath.Join(cfg.Data.Folder, "tickets")
	older := filepath.Join(cfg.Data.Folder, "snapshots")
	for _, dir := range []string{older, cfg.ReportFolder(), cfg.Inboxes()[0].Dir} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	a, err := Start(t.Context(), Options{Config: cfg})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, a, loaded("m0", time.Now(), 200)...)
	if err := a.Stop(); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(cfg.Data.Folder)
	if err != nil || len(entries) < 4 {
		t.Fatalf("found %v, %v", entries, err)
	}
	for _, entry := range entries {
		info, err := entry.Info()
		if err != nil {
			t.Fatal(err)
		}
		others := info.Mode().Perm()&0o077 != 0
		if want := entry.Name() == "reports" || entry.Name() == "tickets"; others != want {
			t.Errorf("%s has mode %v", entry.Name(), info.Mode())
		}
	}
}

func TestContains(t *testing.T) {
	t.Chdir(t.TempDir())
	here, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		path, other string
		want        bool
	}{
		{"data/reports", "data/reports", true},
		{"data/office", filepath.Join(here, "data", "office", "reports"), true},
		{"data/nats", "data/reports", false},
		{"data/reports", "data/reports-2", false},
		{"data/reports", "data", false},
	} {
		if got := contains(test.path, test.other); got != test.want {
			t.Errorf("%s, %s: got %t", test.path, test.other, got)
		}
	}
}
