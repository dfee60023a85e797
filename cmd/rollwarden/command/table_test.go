package command

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/remedy"
)

// A remedy that cannot be taken stands in the middle of those that can, and leaves
// their columns straight.
func TestWhatCannotBeTakenLeavesTheColumnsStraight(t *testing.T) {
	var b bytes.Buffer
	d := &remedy.Decision{Options: []remedy.Option{
		{Code: "advance", Cost: remedy.Bill{Lacks: "film"}},
		{Code: "pause", WhyNot: "the run has not started"},
		{Code: "leader-of-tape", Cost: remedy.Bill{Lacks: "film"}},
	}}
	if err := (counsel{Writer: &b}).options(d); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(b.String(), "\n"), "\n")
	if len(lines) != 4 || lines[3] != "  not now: pause, the run has not started" {
		t.Fatalf("got\n%s", b.String())
	}
	column := strings.Index(lines[0], "costs")
	for _, line := range lines[1:3] {
		if strings.Index(line, "price of film") != column {
			t.Errorf("a price does not stand below its head:\n%s", b.String())
		}
	}
}

// What nobody can tell is no end of an interval.
func TestWhenNobodyCanTellHowLate(t *testing.T) {
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	s := sheet{now: noon}
	for want, slot := range map[string]rules.Slot{
		"11:40 or later": {Early: noon.Add(-20 * time.Minute), Expected: noon},
		"11:40 to 13:00": {Early: noon.Add(-20 * time.Minute), Expected: noon, Late: noon.Add(time.Hour)},
		"unknown":        {},
	} {
		if got := s.between(slot); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
