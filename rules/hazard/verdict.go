package hazard

import (
	"time"

	"rollwarden/rules/event"
)

// Code names a hazard.
type Code string

// The catalogue's codes.
const (
	BareEdge      Code = "bare-edge"
	WrongStock    Code = "wrong-stock"
	HotRecipe     Code = "hot-recipe"
	WeakCure      Code = "weak-cure"
	RegisterDrift Code = "register-drift"
	LowClearance  Code = "low-clearance"
	ShortRoll     Code = "short-roll"
	DryAir        Code = "dry-air"
	UnprovenHead  Code = "unproven-head"
	EarlyFinish   Code = "early-finish"
	StaleFloor    Code = "stale-floor"
)

// Verdict is what a check says.
type Verdict uint8

// The verdicts. Unsure means that a value is missing: stale-floor then says
// which one, so that what is not known is never passed over as safe.
const (
	Clear Verdict = iota
	Unsure
	Holds
)

// String returns the verdict as a word.
func (v Verdict) String() string { return [...]string{"clear", "unsure", "holds"}[v] }

func holdsIf(b bool) Verdict {
	if b {
		return Holds
	}
	return Clear
}

// Priority orders alarms by how fast a person must act.
type Priority string

// The priorities of IEC 62682's usual three-level scheme.
const (
	High   Priority = "high"
	Medium Priority = "medium"
	Low    Priority = "low"
)

// Priorities lists them, most urgent first.
var Priorities = []Priority{High, Medium, Low}

// Raised returns the next more urgent priority.
func (p Priority) Raised() Priority {
	if p == Low {
		return Medium
	}
	return High
}

// Scope says what a hazard is judged on.
type Scope uint8

// The scopes.
const (
	OnNext    Scope = iota // the next run and the running one
	OnQueued               // every queued run and the running one; early-finish the resting one too
	OnMachine              // the machine itself
)

// String names the scope for people.
func (s Scope) String() string {
	return [...]string{"next run", "every queued run", "machine"}[s]
}

// Row is one hazard of the catalogue.
type Row struct {
	Code     Code
	Title    string
	Priority Priority
	Scope    Scope
	Knows    string        // what it needs to know
	When     string        // when it holds, in one line
	Why      string        // why that is bad
	Remedies []string      // remedy codes, see package remedy
	Caution  string        // what can hurt a person who acts on it
	OnDelay  time.Duration // how long it must hold, unless the rule book says otherwise
	HiddenBy []Code        // causes that make this one a mere consequence

	Check    func(*Scene) Verdict
	Evidence func(*Scene) []event.Evidence
	Say      func(*Scene) string // the reason, in one clause
	Clocked  bool                // a condition over the clock: judged again every minute
	Steady   bool                // looks at nothing but the recipe, the film and the roll, the plant, and when the run starts
	Worse    func(*Scene) bool   // raises the priority by one; may be nil
}
