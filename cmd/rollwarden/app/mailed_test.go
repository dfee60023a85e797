package app

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"rollwarden/metrics/monthly"
)

// The report of a month is mailed by the daemon that watches when it is over, and
// not once more by the one that takes over from it.
func TestAReportIsMailedByOneDaemon(t *testing.T) {
	url, ear := elsewhereNATS(t, 1), &heard{}
	heron := join(t, url, "heron", 1, ear)
	fail(t, heron.Settle(deadline(t)))
	zone := heron.tickets.Location
	last := monthly.MonthOf(time.Now().Add(-settleMonth), zone).Add(-1).In(zone).From.Add(24 * time.Hour)
	publish(t, heron, loaded("m0", last, 0)...)
	box := &postbox{}
	reportsOf(t, heron, box).round(t.Context())
	if len(box.letters) != 1 {
		t.Fatalf("%d letters", len(box.letters))
	}
	fail(t, heron.Stop())
	wren := join(t, url, "wren", 1, ear)
	fail(t, wren.Settle(deadline(t)))
	r := reportsOf(t, wren, box)
	r.round(t.Context())
	if len(box.letters) != 1 || len(r.done) != 1 {
		t.Errorf("%d letters after the takeover, and done are %v", len(box.letters), r.done)
	}
}

// A folder of notes that cannot be looked into is no sign that a report was mailed.
func TestANoteThatCannotBeReadIsNoNote(t *testing.T) {
	dir := t.TempDir()
	notes := noteFolder(filepath.Join(dir, "notes"))
	if noted, err := notes.Noted("mailed-2026-03"); noted || err != nil {
		t.Errorf("before the first: %t, %v", noted, err)
	}
	fail(t, notes.Note("mailed-2026-03"))
	if noted, err := notes.Noted("mailed-2026-03"); !noted || err != nil {
		t.Errorf("after it: %t, %v", noted, err)
	}
	// A folder's name that leads through a file gives ENOTDIR (POSIX.1-2017, stat), to root also.
	fail(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o600))
	if noted, err := noteFolder(filepath.Join(dir, "file")).Noted("mailed-2026-03"); noted || !errors.Is(err, syscall.ENOTDIR) {
		t.Errorf("in no folder: %t, %v", noted, err)
	}
}
