// Package alarm holds the life of an alarm: the table of its states and
// transitions in the terms of IEC 62682 (ISA-18.2), and the fold that keeps
// every alarm, every operator request and every page that is still due. The
// table is data: tests and the diagram in the documentation read the same rows.
package alarm

// State is a state of an alarm in the terms of IEC 62682.
type State string

// The states. Names are stored and never letters, since editions of the
// standard letter them differently.
const (
	Normal       State = "normal"
	Unacked      State = "unacknowledged"
	Acked        State = "acknowledged"
	Returned     State = "returned-unacknowledged"
	Latched      State = "latched"
	Shelved      State = "shelved"
	Suppressed   State = "suppressed"
	OutOfService State = "out-of-service"
)

// States lists every state, for labels and for the test over all of them.
var States = []State{Normal, Unacked, Acked, Returned, Latched, Shelved, Suppressed, OutOfService}

// Active reports whether a person should be looking at the alarm now.
func (s State) Active() bool { return s == Unacked || s == Acked || s == Latched }

// Input is what can make an alarm change its state.
type Input string

// The inputs. Condition and Return come after their delays.
const (
	Condition   Input = "condition"         // the hazard holds
	Return      Input = "return"            // the hazard is gone
	Latch       Input = "latch"             // the hazard is gone, and its rule says that it latches
	Escalate    Input = "escalate"          // the risky start came, or the priority rose
	Acknowledge Input = "acknowledge"       // a person has seen it
	Reset       Input = "reset"             // a person resets a latched alarm
	Shelve      Input = "shelve"            // a person puts it aside for a time
	Release     Input = "release"           // a person takes it off the shelf
	Expire      Input = "expire"            // its time on the shelf is over
	Suppress    Input = "suppress"          // its known cause stands, or its hazard is shelved
	Unsuppress  Input = "unsuppress"        // what hid it is gone
	TakeOut     Input = "out-of-service"    // a person takes the hazard out of service
	PutBack     Input = "return-to-service" // a person puts it back
	Lapse       Input = "lapse"             // gone for long, and nobody acknowledged it
)

// Inputs lists every input.
var Inputs = []Input{Condition, Return, Latch, Escalate, Acknowledge, Reset, Shelve, Release, Expire, Suppress, Unsuppress, TakeOut, PutBack, Lapse}

// What a transition tells the outside.
const (
	Annunciate = "annunciate" // page somebody
	Clear      = "clear"      // what was paged is over
)

// Transition is one row of the lifecycle.
type Transition struct {
	From State
	On   Input
	To   State
	Emit string // Annunciate, Clear or nothing
}

// Lifecycle is the whole table. An input that has no row for a state changes
// nothing there.
var Lifecycle = []Transition{
	{Normal, Condition, Unacked, Annunciate},
	{Normal, Suppress, Suppressed, ""},
	{Normal, Shelve, Shelved, ""},
	{Normal, TakeOut, OutOfService, ""},

	{Unacked, Acknowledge, Acked, ""},
	{Unacked, Escalate, Unacked, Annunciate},
	{Unacked, Return, Returned, Clear},
	{Unacked, Latch, Latched, ""},
	{Unacked, Shelve, Shelved, Clear},
	{Unacked, Suppress, Suppressed, Clear},
	{Unacked, TakeOut, OutOfService, Clear},

	{Acked, Escalate, Unacked, Annunciate},
	{Acked, Return, Normal, Clear},
	{Acked, Latch, Latched, ""},
	{Acked, Shelve, Shelved, Clear},
	{Acked, Suppress, Suppressed, Clear},
	{Acked, TakeOut, OutOfService, Clear},

	{Returned, Acknowledge, Normal, ""},
	{Returned, Condition, Unacked, Annunciate},
	{Returned, Shelve, Shelved, ""},
	{Returned, TakeOut, OutOfService, ""},
	{Returned, Lapse, Normal, ""},

	{Latched, Reset, Normal, Clear},
	{Latched, Condition, Unacked, Annunciate},
	{Latched, Shelve, Shelved, Clear},
	{Latched, TakeOut, OutOfService, Clear},

	{Shelved, Release, Normal, ""},
	{Shelved, Expire, Normal, ""},
	{Shelved, TakeOut, OutOfService, ""},

	{Suppressed, Unsuppress, Normal, ""},
	{Suppressed, Return, Normal, ""},
	{Suppressed, Latch, Normal, ""},
	{Suppressed, Shelve, Shelved, ""},
	{Suppressed, TakeOut, OutOfService, ""},

	{OutOfService, PutBack, Normal, ""},
}

// Step looks a transition up in the table.
func Step(from State, on Input) (Transition, bool) {
	for _, t := range Lifecycle {
		if t.From == from && t.On == on {
			return t, true
		}
	}
	return Transition{}, false
}

// Mermaid draws the table as a state diagram for the documentation.
func Mermaid() string {
	text := "stateDiagram-v2\n    [*] --> normal\n"
	for _, t := range Lifecycle {
		text += "    " + id(t.From) + " --> " + id(t.To) + ": " + string(t.On)
		if t.Emit != "" {
			text += " / " + t.Emit
		}
		text += "\n"
	}
	return text
}

// id makes a state's name fit for a diagram, where a dash is an operator.
func id(s State) string {
	b := []byte(s)
	for i, c := range b {
		if c == '-' {
			b[i] = '_'
		}
	}
	return string(b)
}
