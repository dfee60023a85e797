package floor_test

import (
	"errors"
	"testing"
	"time"
	"unicode/utf8"

	"rollwarden/rules/floor"
)

// TestASubjectThatIsNoText: NATS takes any bytes for a subject. One that is not
// UTF-8 once kept every state from being written down.
func TestASubjectThatIsNoText(t *testing.T) {
	s := floor.New()
	s.Refuse(1, time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), "floor.north.heron.\x82\xff", errors.New("no type \xb3"))
	for _, a := range s.Anomalies.Newest {
		if !utf8.ValidString(a.Text) {
			t.Errorf("want text, got %q", a.Text)
		}
	}
	if len(s.Anomalies.Newest) != 1 {
		t.Errorf("want the refusal noted, got %+v", s.Anomalies)
	}
}
