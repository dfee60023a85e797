package faults

import (
	"os"
	"strconv"
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

// randomSeed is a new seed, or that of an earlier test: it says again what the test
// did. When a process gets to run is not in its hands.
func randomSeed(t *testing.T) uint64 {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	if given := os.Getenv("FAULTS_SEED"); given != "" {
		var err error
		if seed, err = strconv.ParseUint(given, 10, 64); err != nil {
			t.Fatalf("FAULTS_SEED: want the number that an earlier test printed, got %q", given)
		}
	}
	t.Logf("FAULTS_SEED=%d", seed)
	return seed
}
