package faults

import (
	"os"
	"testing"
	"time"
)

// patience is how long a test waits for something that must come.
const patience = 60 * time.Second

// until waits for a condition, which says what it sees instead.
func until(tb testing.TB, what string, met func() (bool, string)) {
	tb.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		ok, instead := met()
		if ok {
			return
		}
		if time.Now().After(end) {
			tb.Fatalf("waited %s in vain until %s: %s", patience, what, instead)
		}
	}
}

// long asks for the longer forms of the tests.
func long() bool { return os.Getenv("FAULTS") == "long" }
