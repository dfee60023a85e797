package app

import (
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
