package runlog

import (
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
)

// TestWhateverARowSaysCanBeStored: a row that the journal would not take would stop
// the rows after it for ever.
func TestWhateverARowSaysCanBeStored(t *testing.T) {
	long := strings.Repeat("x", 60000)
	titles := []string{"job", "state", "time", "metres", "why " + long[:5000]}
	f := Format{
		Header: true, Columns: map[string]string{"job": "1", "state": "2", "time": "3", "metres": "4", "reason": "5"},
		States: map[string]string{"go": started, "end": finished},
	}
	columns, err := f.locate(titles)
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{
		visit: &visit{follower: &follower{Options: Options{Now: time.Now}}, log: &Log{Site: "north", Machine: "heron", Format: f}},
		name:  "heron.csv", script: scriptOf(nil, ""), header: columns,
	}
	for _, row := range []string{
		long + ",go,2026-03-02 08:00,1,", "a," + long + ",2026-03-02 08:00,1,", "a,go," + long + ",1,", "a,end,2026-03-02 08:00," + long + ",",
		"a,end,2026-03-02 08:00,1," + long, "a,end,2026-03-02 08:00,1", "a,end,2026-03-02 08:00,1,\x00", "\x01,end,2026-03-02 08:00,1,b",
		"a,end,2026-03-02 08:00,1e300,b", "\"" + long, "\xff" + long, strings.Repeat("\x01", 60000) + ",go,2026-03-02 08:00,1,",
	} {
		events := r.tell([]byte(row), 1, false)
		if len(events) == 0 {
			t.Errorf("%.30q: told nothing", row)
		}
		for _, e := range events {
			text, err := event.Encode(e)
			if err == nil {
				_, err = event.Decode(event.Message{Subject: e.Subject(), Data: text})
			}
			if err != nil {
				t.Errorf("%.30q: %.300v", row, err)
			}
		}
	}
}
