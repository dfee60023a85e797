package floor_test

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// after is an event of a type that happened some days after the start.
func after(n float64, typ event.Type, id string) event.Event {
	at := time.Date(2026, 3, 5, 0, 0, 0, 0, time.UTC).Add(time.Duration(n * 24 * float64(time.Hour)))
	return event.Event{ID: id, Source: "test", Type: typ, Time: at, Site: "north", Machine: "heron"}
}

// TestFleetingReportsAreForgotten sends a copy of a report after a while, with the
// floor's clock moved on by others, and one of something that counts.
func TestFleetingReportsAreForgotten(t *testing.T) {
	for _, test := range []struct {
		typ   event.Type
		sent  float64 // days after the start
		clock float64 // of the floor when the copy comes
		new   bool    // whether the copy passes for something new
	}{
		{"climate.read", 0, 0, false},
		{"climate.read", 0, 0.9, false},
		{"climate.read", 0, 1.9, false},
		{"climate.read", 0, 2, true},
		{"run.progress", 0.9, 1.9, false},
		{"run.progress", 0.9, 2, true},
		{"machine.reported", 0, 400, true},
		{"strike.recorded", 0, 400, false},
		{"run.started", 0, 4000, false},
		{"hopper.emptied", 0, 400, false}, // outside the contract
	} {
		var m floor.Memory
		e := after(test.sent, test.typ, "one")
		if !m.Add(e) {
			t.Fatalf("%s: want it new", test.typ)
		}
		m.Add(after(test.clock, "run.stopped", "moves the clock"))
		if got := m.Add(e); got != test.new {
			t.Errorf("%s of day %g, again on day %g: new %t, want %t", test.typ, test.sent, test.clock, got, test.new)
		}
	}
}

// TestMemoryIsBoundedByWork lets a chatty machine talk for a year.
func TestMemoryIsBoundedByWork(t *testing.T) {
	var m floor.Memory
	for n := range 365 * 24 {
		m.Add(after(float64(n)/24, "run.progress", fmt.Sprint(n)))
	}
	if held := m.Lasting.Len() + m.Young.Len() + m.Old.Len(); held > 2*24 {
		t.Errorf("holds %d reports of a year, want those of two days at most", held)
	}
}

// TestMemoryComesBack writes a memory down at any point and goes on with it.
func TestMemoryComesBack(t *testing.T) {
	types := rapid.SampledFrom([]event.Type{"climate.read", "run.progress", "strike.recorded"})
	rapid.Check(t, func(t *rapid.T) {
		var m floor.Memory
		for range rapid.IntRange(0, 200).Draw(t, "events") {
			e := after(rapid.Float64Range(0, 9).Draw(t, "day"), types.Draw(t, "type"), fmt.Sprint(rapid.IntRange(0, 20).Draw(t, "id")))
			if rapid.IntRange(0, 9).Draw(t, "restart") == 0 {
				m = again(t, m)
			}
			before := again(t, m)
			if got, want := m.Add(e), before.Add(e); got != want {
				t.Fatalf("%s on %s: new %t, and %t after a restart", e.Type, e.Time, got, want)
			}
		}
	})
}

// again is a memory that was written down and read.
func again(t rapid.TB, m floor.Memory) (back floor.Memory) {
	t.Helper()
	text, err := json.Marshal(m.Freeze(), json.Deterministic(true))
	if err == nil {
		err = json.Unmarshal(text, &back)
	}
	if err != nil {
		t.Fatal(err)
	}
	if same, err := json.Marshal(back.Freeze(), json.Deterministic(true)); err != nil || !bytes.Equal(same, text) {
		t.Fatalf("reads %s from %s, %v", same, text, err)
	}
	return back
}
