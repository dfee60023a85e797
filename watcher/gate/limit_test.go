package gate

import (
	"strconv"
	"testing"
	"time"

	"golang.org/x/time/rate"
)

// TestLimitsAreBounded fills the table: the limits of those within stay, who
// comes later shares one, and time makes room again.
func TestLimitsAreBounded(t *testing.T) {
	now := newClock().Now()
	l := newLimits(rate.Every(time.Minute), 2)
	l.take(now, "first")
	l.take(now, "first")
	for i := range 3 * maxKeys {
		l.take(now, strconv.Itoa(i))
	}
	if len(l.table) != maxKeys {
		t.Errorf("want %d keys, got %d", maxKeys, len(l.table))
	}
	if l.take(now, "first") != time.Minute {
		t.Error("want a full table to free nobody")
	}
	if l.take(now, "late") == 0 {
		t.Error("want those who do not fit in to share one limit, which is used up")
	}
	now = now.Add(2 * time.Minute)
	if l.take(now, "late") != 0 || len(l.table) > 2 {
		t.Errorf("want room after two minutes, got %d keys", len(l.table))
	}
}

// TestWaitingDoesNotCount asks again and again: who asks too soon waits no
// longer for it.
func TestWaitingDoesNotCount(t *testing.T) {
	now := newClock().Now()
	l := newLimits(rate.Every(10*time.Second), 1)
	l.take(now, "k")
	for range 100 {
		if got := l.take(now, "k"); got != 10*time.Second {
			t.Fatalf("want 10 s, got %v", got)
		}
	}
	if got := l.take(now.Add(10*time.Second), "k"); got != 0 {
		t.Errorf("want it allowed after 10 s, got %v", got)
	}
}
