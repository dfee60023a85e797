package floor

import (
	"maps"
	"time"
)

// Anomaly is something in the journal that does not fit the model. It is kept
// for people to look at; the fold goes on.
type Anomaly struct {
	Seq     uint64    `json:"seq"`
	At      time.Time `json:"at"`
	Site    string    `json:"site,omitzero"`
	Machine string    `json:"machine,omitzero"`
	Kind    string    `json:"kind"`
	Text    string    `json:"text"`
}

// AnomalyKind is a row of the table of anomalies.
type AnomalyKind struct {
	Code string
	Doc  string
}

// The anomalies that the fold can record.
const (
	refused          = "refused-event"
	unknownType      = "unknown-type"
	noMachine        = "no-machine"
	ticketUnplaced   = "ticket-without-machine"
	runOverlap       = "run-overlap"
	runNotQueued     = "run-not-queued"
	runWithoutTicket = "run-without-ticket"
	endWithoutStart  = "end-without-start"
	endOfOther       = "end-of-other-run"
	endRepeated      = "end-repeated"
	progressNoRun    = "progress-without-run"
	moveUnknown      = "move-of-unknown-edge"
	rollReplaced     = "roll-replaced"
	rollAbsent       = "roll-absent"
	leaderReplaced   = "leader-replaced"
	leaderAbsent     = "leader-absent"
	wasteNoWidth     = "waste-without-width"
	withdrawnUnknown = "withdrawal-of-unknown-ticket"
	withdrawnRunning = "withdrawal-of-running-job"
	fedBack          = "metres-went-back"
	cutNoRun         = "cut-without-run"
	stripNoStock     = "strip-without-stock"
	adviceUnknown    = "advice-of-unknown-run"
	undoUnknown      = "undo-of-unknown-entry"
	undoRepeated     = "undo-repeated"
	undoLate         = "undo-too-late"
	toldLate         = "told-late"
	movedTooFar      = "moved-too-far"
)

// AnomalyKinds lists every anomaly with what it means; it bounds the metric
// label and feeds the documentation.
var AnomalyKinds = []AnomalyKind{
	{refused, "a message in the journal that could not be decoded; it stays in the journal"},
	{unknownType, "an event type outside the contract; it is kept and counted"},
	{noMachine, "an event for the whole site that only makes sense for one machine"},
	{ticketUnplaced, "a ticket of no machine: nothing is judged for it until a run of it is queued or it is dropped for a machine"},
	{runOverlap, "a run started while another had not ended"},
	{runNotQueued, "a run started that was not in the queue"},
	{runWithoutTicket, "a run started for which no ticket is known"},
	{endWithoutStart, "a run ended that never started"},
	{endOfOther, "a run ended while another one was running"},
	{endRepeated, "the run that ended last ended again"},
	{progressNoRun, "progress of a run that is not running"},
	{moveUnknown, "a movement by a distance from an unknown edge position"},
	{rollReplaced, "a roll was loaded while another was loaded"},
	{rollAbsent, "a roll was removed where none was loaded"},
	{leaderReplaced, "a leader was attached where one was on"},
	{leaderAbsent, "a leader was removed where none was on"},
	{wasteNoWidth, "waste without a width, and none known from the roll"},
	{withdrawnUnknown, "a ticket was withdrawn that is not known"},
	{withdrawnRunning, "a ticket was withdrawn while its job was running"},
	{fedBack, "a run reported fewer metres than before"},
	{cutNoRun, "a cut of a job that did not run last"},
	{stripNoStock, "a control strip without a stock code, and none known from the roll"},
	{adviceUnknown, "an accepted order of the queue names a run that is not in it"},
	{undoUnknown, "an entry was taken back that is not among the machine's newest"},
	{undoRepeated, "an entry was taken back twice"},
	{undoLate, "an entry was taken back too late: it is too old, or what it changed has changed since; nothing is taken back"},
	{movedTooFar, "the film moved by more than is left on the roll; nobody can tell where the edge is"},
	{toldLate, "an event of a time before something newer that is known: it is left out, or nobody can tell any more where the edge is"},
}

// Anomalies keeps the newest ones and counts all.
type Anomalies struct {
	Newest []Anomaly         `json:"newest,omitzero"` // oldest of them first
	Total  map[string]uint64 `json:"total"`
}

// maxAnomalies is how many are kept in full.
const maxAnomalies = 200

func (a *Anomalies) add(n Anomaly) {
	a.Total[n.Kind]++
	if len(a.Newest) == maxAnomalies {
		a.Newest = a.Newest[1:] // readers keep their own view of the array
	}
	a.Newest = append(a.Newest, n)
}

func (a *Anomalies) snapshot() *Anomalies {
	return &Anomalies{Newest: a.Newest[:len(a.Newest):len(a.Newest)], Total: maps.Clone(a.Total)}
}
