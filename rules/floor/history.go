package floor

import (
	"time"

	"rollwarden/rules/units"
)

// Mark is one thing on the timeline of a machine: what a shift looks back on,
// and what the figures of the day are added up from. What Value and Cause are
// depends on the kind; see MarkKinds.
type Mark struct {
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"` // zero for a moment, and for a run that is still on
	Kind  string    `json:"kind"`
	Job   string    `json:"job,omitzero"`
	Part  string    `json:"part,omitzero"`
	Value float64   `json:"value,omitzero"`
	Cause string    `json:"cause,omitzero"`
	ID    string    `json:"id"` // of the event
}

// FinishedRun is one run that was seen from its start to its finish: what a
// machine's speed can be learnt from.
type FinishedRun struct {
	At      time.Time   `json:"at"` // when it finished
	Seconds float64     `json:"seconds"`
	LengthM units.Maybe `json:"length_m"`
	WidthMM units.Maybe `json:"width_mm"`
	Passes  units.Maybe `json:"passes"`
	ID      string      `json:"id"` // of the event that finished it
}

// Strip is one measured length on a control strip.
type Strip struct {
	At         time.Time   `json:"at"`
	Machine    string      `json:"machine"`
	Stock      string      `json:"stock"`
	Axis       string      `json:"axis"`
	NominalMM  float64     `json:"nominal_mm"`
	MeasuredMM float64     `json:"measured_mm"`
	CureC      float64     `json:"cure_c"`
	Passes     units.Maybe `json:"passes"`
	ID         string      `json:"id"` // of the event
}

// Note is a plain note that a person left at a machine.
type Note struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Text string    `json:"text"`
	ID   string    `json:"id"` // of the event
}

// Reject is a dropped file that could not be read.
type Reject struct {
	At      time.Time `json:"at"`
	Site    string    `json:"site"`
	Machine string    `json:"machine"` // event.AnyMachine when it was dropped for none
	File    string    `json:"file"`
	Kind    string    `json:"kind"` // one of event.RejectKinds
	Reason  string    `json:"reason"`
}
