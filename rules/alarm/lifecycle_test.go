package alarm_test

import (
	"strings"
	"testing"

	"rollwarden/rules/alarm"
)

// matrix is the lifecycle written by hand from the state model of IEC 62682
// (ISA-18.2, figure of the alarm state transition diagram; value from memory):
// a row per state, a column per input, "." where nothing changes, "+" behind a
// state that annunciates and "-" behind one that clears. It is an independent
// copy of the table, so a slip in one shows in the other.
const matrix = `
                         condition         return                     latch     escalate         acknowledge    reset    shelve    release  expire  suppress     unsuppress  out-of-service   return-to-service  lapse
normal                   unacknowledged+   .                          .         .                .              .        shelved   .        .       suppressed   .           out-of-service   .                  .
unacknowledged           .                 returned-unacknowledged-   latched   unacknowledged+  acknowledged   .        shelved-  .        .       suppressed-  .           out-of-service-  .                  .
acknowledged             .                 normal-                    latched   unacknowledged+  .              .        shelved-  .        .       suppressed-  .           out-of-service-  .                  .
returned-unacknowledged  unacknowledged+   .                          .         .                normal         .        shelved   .        .       .            .           out-of-service   .                  normal
latched                  unacknowledged+   .                          .         .                .              normal-  shelved-  .        .       .            .           out-of-service-  .                  .
shelved                  .                 .                          .         .                .              .        .         normal   normal  .            .           out-of-service   .                  .
suppressed               .                 normal                     normal    .                .              .        shelved   .        .       .            normal      out-of-service   .                  .
out-of-service           .                 .                          .         .                .              .        .         .        .       .            .           .                normal             .
`

func TestLifecycleOverEveryStateAndInput(t *testing.T) {
	lines := strings.Split(strings.Trim(matrix, "\n"), "\n")
	inputs := strings.Fields(lines[0])
	if len(inputs) != len(alarm.Inputs) || len(lines)-1 != len(alarm.States) {
		t.Fatalf("the matrix has %d inputs and %d states, the package %d and %d", len(inputs), len(lines)-1, len(alarm.Inputs), len(alarm.States))
	}
	used := 0
	for _, line := range lines[1:] {
		cells := strings.Fields(line)
		from := alarm.State(cells[0])
		for i, want := range cells[1:] {
			tr, ok := alarm.Step(from, alarm.Input(inputs[i]))
			got := "."
			if ok {
				used++
				got = string(tr.To) + map[string]string{alarm.Annunciate: "+", alarm.Clear: "-", "": ""}[tr.Emit]
			}
			if got != want {
				t.Errorf("%s on %s: got %s, want %s", from, inputs[i], got, want)
			}
		}
	}
	if used != len(alarm.Lifecycle) {
		t.Errorf("the table has %d rows, %d of them can be reached by a lookup", len(alarm.Lifecycle), used)
	}
}

// From every state an alarm can come back to normal, and every state can be
// reached from normal: nobody is ever left with an alarm that cannot end.
func TestNoStateIsATrap(t *testing.T) {
	reach := func(from alarm.State) map[alarm.State]bool {
		seen := map[alarm.State]bool{from: true}
		for grown := true; grown; {
			grown = false
			for _, tr := range alarm.Lifecycle {
				if seen[tr.From] && !seen[tr.To] {
					seen[tr.To], grown = true, true
				}
			}
		}
		return seen
	}
	for _, s := range alarm.States {
		if !reach(alarm.Normal)[s] {
			t.Errorf("%s cannot be reached from normal", s)
		}
		if !reach(s)[alarm.Normal] {
			t.Errorf("normal cannot be reached from %s", s)
		}
	}
}

// Whatever was announced is also called off: a path that leaves the announced
// states never does so in silence, except into a latch, which is still shown.
func TestWhatWasAnnouncedIsCleared(t *testing.T) {
	for _, tr := range alarm.Lifecycle {
		if tr.From.Active() && !tr.To.Active() && tr.Emit != alarm.Clear {
			t.Errorf("%s on %s goes to %s without clearing", tr.From, tr.On, tr.To)
		}
		if !tr.From.Active() && tr.To.Active() && tr.Emit != alarm.Annunciate {
			t.Errorf("%s on %s goes to %s without annunciating", tr.From, tr.On, tr.To)
		}
	}
}

func TestMermaidDrawsEveryRow(t *testing.T) {
	if got := strings.Count(alarm.Mermaid(), ": "); got != len(alarm.Lifecycle) {
		t.Errorf("the diagram has %d arrows, the table %d rows", got, len(alarm.Lifecycle))
	}
}
