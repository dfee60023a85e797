package doctor_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/journal"
)

// TestADividedJournalIsLookedIntoWhole has a floor of two partitions, with one entry in
// the first and two in the second.
func TestADividedJournalIsLookedIntoWhole(t *testing.T) {
	p := at(t, shop)
	p.journal(0, journal.Options{MaxBytes: 1 << 28})
	p.config.NATS.Partitions = 2
	partitions, err := p.config.Partitions()
	if err != nil {
		t.Fatal(err)
	}
	js := p.bus.JetStream()
	if err := js.DeleteStream(p.ctx, journal.StreamName); err != nil {
		t.Fatal(err)
	}
	for n := range partitions.Len() {
		if _, err := journal.Open(p.ctx, js, partitions.Options(journal.Options{MaxBytes: 1 << 28, Log: zerolog.Nop()}, n)); err != nil {
			t.Fatal(err)
		}
		for range n + 1 {
			if _, err := js.Publish(p.ctx, fmt.Sprintf("part.%d.floor.north.heron.film.wasted", n), []byte("{}")); err != nil {
				t.Fatal(err)
			}
		}
	}
	p.close()
	found := p.examine()
	wants(t, found, "journal", doctor.OK, "FLOOR-0: 1 entries, 1 to 1")
	wants(t, found, "journal", doctor.OK, "FLOOR-1: 2 entries, 1 to 2")
	wants(t, found, "NATS", doctor.Look, "FLOOR-1: the journal may take 256 MiB")
}

// TestWhatIsBrokenIsNotWellToo breaks what a check sums up at its end.
func TestWhatIsBrokenIsNotWellToo(t *testing.T) {
	p := at(t, shop)
	p.journal(3, journal.Options{MaxBytes: 1 << 28})
	p.close()
	p.system = fake{disk: &doctor.Disk{FreeBytes: 100 << 20, Bytes: 1 << 40}, now: func() time.Time { return time.Now().Add(-time.Hour) }}
	p.config.HTTP.Tokens = []config.Token{{Name: "feed", TokenFile: "nowhere"}}
	found := p.examine()
	for _, check := range []string{"journal", "disk", "secrets"} {
		wants(t, found, check, doctor.Broken, "")
		for _, f := range found {
			if f.Check == check && f.Verdict == doctor.OK {
				t.Errorf("%s is broken, and this is said too: %s", check, f.What)
			}
		}
	}
}
