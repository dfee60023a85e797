package event

// Kind describes one event type: the row from which the decoder, the send
// command, the AsyncAPI document and the metric labels are made.
type Kind struct {
	Type Type
	Doc  string         // one sentence
	New  func() Payload // a fresh payload to decode into
	From Origin         // who publishes it
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
	{"ticket.received", "A job ticket was accepted.", func() Payload { return new(TicketReceived) }, FromFolder},
	{"ticket.withdrawn", "A job ticket was taken back.", func() Payload { return new(TicketWithdrawn) }, FromOperator},
	{"ticket.rejected", "A dropped file, a signal or a row of a run log could not be read.", func() Payload { return new(TicketRejected) }, FromFolder},
	{"roll.loaded", "A roll was put on the machine.", func() Payload { return new(RollLoaded) }, FromOperator},
	{"roll.removed", "The roll came off the machine.", func() Payload { return new(RollRemoved) }, FromOperator},
	{"edge.moved", "The leading edge moved.", func() Payload { return new(EdgeMoved) }, FromOperator},
	{"leader.attached", "A leader was taped ahead of the edge.", func() Payload { return new(LeaderAttached) }, FromOperator},
	{"leader.removed", "The leader came off.", func() Payload { return new(LeaderRemoved) }, FromOperator},
	{"edge.shaped", "The lip was cut to a shape.", func() Payload { return new(EdgeShaped) }, FromOperator},
	{"run.queued", "A run was put in the machine's queue, or moved in it.", func() Payload { return new(RunQueued) }, FromOperator},
	{"run.started", "A run started.", func() Payload { return new(RunStarted) }, FromOperator},
	{"run.progress", "A run went on.", func() Payload { return new(RunProgress) }, FromOperator},
	{"run.finished", "A run finished.", func() Payload { return new(RunFinished) }, FromOperator},
	{"run.stopped", "A run stopped before its end.", func() Payload { return new(RunStopped) }, FromOperator},
	{"cut.finished", "A job was cut off.", func() Payload { return new(CutFinished) }, FromOperator},
	{"strike.recorded", "The carriage hit the film.", func() Payload { return new(StrikeRecorded) }, FromOperator},
	{"head.checked", "Nozzles and carriage path were checked.", func() Payload { return new(HeadChecked) }, FromOperator},
	{"film.wasted", "Film was thrown away.", func() Payload { return new(FilmWasted) }, FromOperator},
	{"job.reprinted", "Copies were printed again.", func() Payload { return new(JobReprinted) }, FromOperator},
	{"strip.measured", "A length on a control strip was measured.", func() Payload { return new(StripMeasured) }, FromOperator},
	{"climate.read", "The air near the machine was read.", func() Payload { return new(ClimateRead) }, FromOperator},
	{"machine.reported", "A machine told of its own state.", func() Payload { return new(MachineReported) }, FromOperator},
	{"change.marked", "The shop marked a change.", func() Payload { return new(ChangeMarked) }, FromOperator},
	{"advice.accepted", "A person took a piece of advice.", func() Payload { return new(AdviceAccepted) }, FromOperator},
	{"operator.noted", "A person acted on an alarm or left a note.", func() Payload { return new(OperatorNoted) }, FromOperator},
	{"entry.undone", "A person took back what they had told by mistake.", func() Payload { return new(EntryUndone) }, FromOperator},
	{"alarm.changed", "An alarm changed its state.", func() Payload { return new(AlarmChanged) }, FromDaemon},
	{"page.sent", "A page was taken by its channel.", func() Payload { return new(PageSent) }, FromDaemon},
	{"page.failed", "A try to page failed.", func() Payload { return new(PageFailed) }, FromDaemon},
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
