package event

// Kind describes one event type: the row from which the decoder, the send
// command, the AsyncAPI document and the metric labels are made.
type Kind struct {
	Type Type
	Doc  string         // one sentence
	New  func() Payload // a fresh payload to decode into
	From Origin         // who publishes it

	// Fleeting reports say how something was at one moment, and are soon followed
	// by the next. Nothing that is counted for good hangs on one of them.
	Fleeting bool
}

// Origin says who publishes an event type.
type Origin string

// The origins. Operator events are what "rollwarden send" offers.
const (
	FromOperator Origin = "operator or machine"
	FromFolder   Origin = "ticket folder"
	FromDaemon   Origin = "daemon"
)

// ContractVersion is the version of the event contract, by semantic
// versioning: a new type or optional field is a minor change, anything that
// could make a sender's event be refused a major one.
const ContractVersion = "1.2.0"

// Kinds lists every event type of the contract.
var Kinds = []Kind{
	{Type: "ticket.received", Doc: "A job ticket was accepted.", New: func() Payload { return new(TicketReceived) }, From: FromFolder},
	{Type: "ticket.withdrawn", Doc: "A job ticket was taken back.", New: func() Payload { return new(TicketWithdrawn) }, From: FromOperator},
	{Type: "ticket.rejected", Doc: "A dropped file, a signal or a row of a run log could not be read.", New: func() Payload { return new(TicketRejected) }, From: FromFolder},
	{Type: "roll.loaded", Doc: "A roll was put on the machine.", New: func() Payload { return new(RollLoaded) }, From: FromOperator},
	{Type: "roll.removed", Doc: "The roll came off the machine.", New: func() Payload { return new(RollRemoved) }, From: FromOperator},
	{Type: "edge.moved", Doc: "The leading edge moved.", New: func() Payload { return new(EdgeMoved) }, From: FromOperator},
	{Type: "leader.attached", Doc: "A leader was taped ahead of the edge.", New: func() Payload { return new(LeaderAttached) }, From: FromOperator},
	{Type: "leader.removed", Doc: "The leader came off.", New: func() Payload { return new(LeaderRemoved) }, From: FromOperator},
	{Type: "edge.shaped", Doc: "The lip was cut to a shape.", New: func() Payload { return new(EdgeShaped) }, From: FromOperator},
	{Type: "run.queued", Doc: "A run was put in the machine's queue, or moved in it.", New: func() Payload { return new(RunQueued) }, From: FromOperator},
	{Type: "run.started", Doc: "A run started.", New: func() Payload { return new(RunStarted) }, From: FromOperator},
	{Type: "run.progress", Doc: "A run went on.", New: func() Payload { return new(RunProgress) }, From: FromOperator, Fleeting: true},
	{Type: "run.finished", Doc: "A run finished.", New: func() Payload { return new(RunFinished) }, From: FromOperator},
	{Type: "run.stopped", Doc: "A run stopped before its end.", New: func() Payload { return new(RunStopped) }, From: FromOperator},
	{Type: "cut.finished", Doc: "A job was cut off.", New: func() Payload { return new(CutFinished) }, From: FromOperator},
	{Type: "strike.recorded", Doc: "The carriage hit the film.", New: func() Payload { return new(StrikeRecorded) }, From: FromOperator},
	{Type: "head.checked", Doc: "Nozzles and carriage path were checked.", New: func() Payload { return new(HeadChecked) }, From: FromOperator},
	{Type: "film.wasted", Doc: "Film was thrown away.", New: func() Payload { return new(FilmWasted) }, From: FromOperator},
	{Type: "job.reprinted", Doc: "Copies were printed again.", New: func() Payload { return new(JobReprinted) }, From: FromOperator},
	{Type: "strip.measured", Doc: "A length on a control strip was measured.", New: func() Payload { return new(StripMeasured) }, From: FromOperator},
	{Type: "climate.read", Doc: "The air near the machine was read.", New: func() Payload { return new(ClimateRead) }, From: FromOperator, Fleeting: true},
	{Type: "machine.reported", Doc: "A machine told of its own state.", New: func() Payload { return new(MachineReported) }, From: FromOperator, Fleeting: true},
	{Type: "change.marked", Doc: "The shop marked a change.", New: func() Payload { return new(ChangeMarked) }, From: FromOperator},
	{Type: "advice.accepted", Doc: "A person took a piece of advice.", New: func() Payload { return new(AdviceAccepted) }, From: FromOperator},
	{Type: "operator.noted", Doc: "A person acted on an alarm or left a note.", New: func() Payload { return new(OperatorNoted) }, From: FromOperator},
	{Type: "entry.undone", Doc: "A person took back what they had told by mistake.", New: func() Payload { return new(EntryUndone) }, From: FromOperator},
	{Type: "alarm.changed", Doc: "An alarm changed its state.", New: func() Payload { return new(AlarmChanged) }, From: FromDaemon},
	{Type: "page.sent", Doc: "A page was taken by its channel.", New: func() Payload { return new(PageSent) }, From: FromDaemon},
	{Type: "page.failed", Doc: "A try to page failed.", New: func() Payload { return new(PageFailed) }, From: FromDaemon},
}

// AlarmChangedType is the type of the transitions that the daemon publishes.
const AlarmChangedType Type = "alarm.changed"

var byType = func() map[Type]Kind {
	m := make(map[Type]Kind, len(Kinds))
	for _, k := range Kinds {
		m[k.Type] = k
	}
	return m
}()

// KindOf returns the row of a type, and whether the contract knows it.
func KindOf(t Type) (Kind, bool) {
	k, ok := byType[t]
	return k, ok
}

// Fleeting reports whether a type is of reports that only hold for a moment.
func Fleeting(t Type) bool { return byType[t].Fleeting }
