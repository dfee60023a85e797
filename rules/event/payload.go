package event

import (
	"strings"
	"time"
)

// The tags are the contract: json names the member and, without omitzero, makes
// it required; doc, unit, enum, min and max describe its value. Check, Fields,
// Set and the published schema all read them, so each limit stands here only.

// Class is a film class. It decides how the film behaves under heat.
type Class string

// The film classes. Unknown is a class of its own and is judged like the
// lowest grade: what is not known is never treated as safe.
const (
	Monomeric Class = "monomeric"
	Polymeric Class = "polymeric"
	Cast      Class = "cast"
	Paper     Class = "paper"
	Polyester Class = "polyester"
	Banner    Class = "banner"
	Textile   Class = "textile"
	Other     Class = "other"
	Unknown   Class = "unknown"
)

// Classes lists every film class, for labels, schemas and messages. It is the
// enum of every field of type Class.
var Classes = []Class{Monomeric, Polymeric, Cast, Paper, Polyester, Banner, Textile, Other, Unknown}

// LowGrade reports whether the class is judged as cheap calendered film.
func (c Class) LowGrade() bool { return c == Monomeric || c == Unknown || c == "" }

// TicketReceived says that a job ticket was accepted for a machine.
type TicketReceived struct {
	Job           string     `json:"job" doc:"job id of the ticket"`
	Part          string     `json:"part,omitzero" doc:"job part id; may be absent"`
	Machine       string     `json:"machine,omitzero" doc:"machine the ticket names"`
	Title         string     `json:"title,omitzero" doc:"descriptive name"`
	Stock         string     `json:"stock,omitzero" doc:"stock code of the film to print on"`
	FilmClass     Class      `json:"film_class,omitzero" doc:"class of the film to print on"`
	Lot           string     `json:"lot,omitzero" doc:"lot the film should come from"`
	RollWidthMM   *float64   `json:"roll_width_mm,omitzero" doc:"roll width" unit:"mm" min:"1" max:"20000"`
	ThicknessUM   *float64   `json:"thickness_um,omitzero" doc:"thickness of the printed film" unit:"µm" min:"1" max:"20000"`
	LengthM       *float64   `json:"length_m,omitzero" doc:"planned length of film" unit:"m" min:"0" max:"100000"`
	AreaM2        *float64   `json:"area_m2,omitzero" doc:"planned area of film; never added to a length" unit:"m²" min:"0" max:"1000000"`
	Copies        *float64   `json:"copies,omitzero" doc:"good copies wanted" min:"0" max:"1000000000"`
	Passes        *float64   `json:"passes,omitzero" doc:"print passes" min:"1" max:"64"`
	InkDensityPct *float64   `json:"ink_density_pct,omitzero" doc:"ink density, of the nominal load" unit:"percent" min:"0" max:"1000"`
	CureC         *float64   `json:"cure_c,omitzero" doc:"cure temperature" unit:"°C" min:"0" max:"300"`
	ContourCut    bool       `json:"contour_cut,omitzero" doc:"whether the job is contour-cut"`
	MarkSpacingMM *float64   `json:"mark_spacing_mm,omitzero" doc:"distance between register marks" unit:"mm" min:"1" max:"100000"`
	Laminate      bool       `json:"laminate,omitzero" doc:"whether the job is laminated"`
	RestS         *float64   `json:"rest_s,omitzero" doc:"rest the ink needs before finishing" unit:"s" min:"0" max:"10000000"`
	StartAt       *time.Time `json:"start_at,omitzero" doc:"planned start"`
	FinishAt      *time.Time `json:"finish_at,omitzero" doc:"planned start of cutting or laminating"`
	Due           *time.Time `json:"due,omitzero" doc:"when the job must be done"`
	Priority      *float64   `json:"priority,omitzero" doc:"higher is sooner" min:"0" max:"100"`
	Flags         []string   `json:"flags,omitzero" doc:"what the reader of the ticket could not be sure of"`
	SourceFile    string     `json:"source_file,omitzero" doc:"name of the ticket file"`
	SourceSHA256  string     `json:"source_sha256,omitzero" doc:"SHA-256 of the ticket, hexadecimal"`
	SourceFormat  string     `json:"source_format,omitzero" doc:"xjdf, jdf or json"`
	Replaces      string     `json:"replaces,omitzero" doc:"SHA-256 of the ticket that this one replaces"`
}

// TicketWithdrawn takes a ticket back.
type TicketWithdrawn struct {
	Job    string `json:"job" doc:"job id"`
	Part   string `json:"part,omitzero" doc:"job part id"`
	Reason string `json:"reason,omitzero" doc:"why"`
}

// TicketRejected says that a dropped file, a signal or a row of a run log could
// not be read, and why.
type TicketRejected struct {
	SourceFile   string `json:"source_file" doc:"name of the file, with the line of a run log, or the topic of the signal"`
	SourceSHA256 string `json:"source_sha256,omitzero" doc:"SHA-256 of the file, hexadecimal"`
	Kind         string `json:"kind" doc:"what is wrong with it" enum:"malformed,incomplete,too-large,forbidden,missing-field,bad-value,unsupported,unreadable"`
	Reason       string `json:"reason" doc:"what is wrong and what was expected"`
}

// RejectKinds are the reasons for which an input is refused; they are also
// the values of a metric label, so there is no free text among them.
var RejectKinds = []string{"malformed", "incomplete", "too-large", "forbidden", "missing-field", "bad-value", "unsupported", "unreadable"}

// RollLoaded says what was put on a machine, and how far it was threaded.
type RollLoaded struct {
	Stock       string   `json:"stock,omitzero" doc:"stock code"`
	FilmClass   Class    `json:"film_class,omitzero" doc:"film class"`
	Lot         string   `json:"lot,omitzero" doc:"lot number"`
	WidthMM     *float64 `json:"width_mm,omitzero" doc:"width" unit:"mm" min:"1" max:"20000"`
	LengthM     *float64 `json:"length_m,omitzero" doc:"metres on the roll" unit:"m" min:"0" max:"100000"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"thickness of film with liner" unit:"µm" min:"1" max:"20000"`
	EdgeMM      *float64 `json:"edge_mm,omitzero" doc:"where its edge was threaded to, downstream of the print line; not known when absent" unit:"mm" min:"-100000" max:"1000000"`
	By          string   `json:"by,omitzero" doc:"who entered it"`
}

// RollRemoved says what came off the machine.
type RollRemoved struct {
	Stock       string   `json:"stock,omitzero" doc:"stock code"`
	FilmClass   Class    `json:"film_class,omitzero" doc:"film class"`
	Lot         string   `json:"lot,omitzero" doc:"lot number"`
	WidthMM     *float64 `json:"width_mm,omitzero" doc:"width" unit:"mm" min:"1" max:"20000"`
	LengthM     *float64 `json:"length_m,omitzero" doc:"metres on the roll" unit:"m" min:"0" max:"100000"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"thickness of film with liner" unit:"µm" min:"1" max:"20000"`
	By          string   `json:"by,omitzero" doc:"who entered it"`
}

// The causes of an edge movement.
const (
	CauseRewind  = "rewind"
	CauseAdvance = "advance"
	CauseFeed    = "feed"
	CauseTrim    = "trim"
)

// EdgeMoved says where the leading edge is now, or by how much it moved.
type EdgeMoved struct {
	PositionMM *float64 `json:"position_mm,omitzero" doc:"edge position downstream of the print line" unit:"mm" min:"-100000" max:"1000000"`
	ByMM       *float64 `json:"by_mm,omitzero" doc:"movement, positive downstream" unit:"mm" min:"-1000000" max:"1000000"`
	Cause      string   `json:"cause" doc:"what moved the edge" enum:"rewind,advance,feed,trim"`
	By         string   `json:"by,omitzero" doc:"who entered it"`
}

// LeaderAttached says that a strip was taped ahead of the edge.
type LeaderAttached struct {
	LengthMM    float64  `json:"length_mm" doc:"length of the leader ahead of the edge" unit:"mm" min:"1" max:"20000"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"height the leader and tape add" unit:"µm" min:"0" max:"20000"`
	By          string   `json:"by,omitzero" doc:"who entered it"`
}

// LeaderRemoved says that the leader came off.
type LeaderRemoved struct {
	LengthMM    *float64 `json:"length_mm,omitzero" doc:"length of the leader" unit:"mm" min:"0" max:"20000"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"height of the leader" unit:"µm" min:"0" max:"20000"`
	By          string   `json:"by,omitzero" doc:"who entered it"`
}

// EdgeShaped says that the lip was cut to a shape.
type EdgeShaped struct {
	Shape string `json:"shape" doc:"for example rounded"`
	By    string `json:"by,omitzero" doc:"who entered it"`
}

// RunQueued puts a run in a machine's queue, or moves it there.
type RunQueued struct {
	Job      string     `json:"job" doc:"job id"`
	Part     string     `json:"part,omitzero" doc:"job part id"`
	Recipe   string     `json:"recipe,omitzero" doc:"name of the print recipe"`
	Metres   *float64   `json:"metres,omitzero" doc:"planned length" unit:"m" min:"0" max:"100000"`
	StartAt  *time.Time `json:"start_at,omitzero" doc:"planned start"`
	Position *float64   `json:"position,omitzero" doc:"place in the queue, 1 is next; last when absent" min:"1" max:"100000"`
}

// Run is the data of run.started, run.progress, run.finished and run.stopped.
type Run struct {
	Job    string   `json:"job" doc:"job id"`
	Part   string   `json:"part,omitzero" doc:"job part id"`
	Recipe string   `json:"recipe,omitzero" doc:"name of the print recipe"`
	Metres *float64 `json:"metres,omitzero" doc:"metres fed since the run started" unit:"m" min:"0" max:"100000"`
	Reason string   `json:"reason,omitzero" doc:"why it stopped"`
	By     string   `json:"by,omitzero" doc:"who entered it"`
}

// RunStarted, RunProgress, RunFinished and RunStopped share one shape.
type (
	RunStarted  struct{ Run }
	RunProgress struct{ Run }
	RunFinished struct{ Run }
	RunStopped  struct{ Run }
)

// CutFinished says that a job was cut off.
type CutFinished struct {
	Job     string   `json:"job,omitzero" doc:"job id"`
	Part    string   `json:"part,omitzero" doc:"job part id"`
	Rewound *bool    `json:"rewound" doc:"whether the machine rewound the film to the print line"`
	AtMM    *float64 `json:"at_mm,omitzero" doc:"where it was cut, downstream of the print line" unit:"mm" min:"0" max:"100000"`
	By      string   `json:"by,omitzero" doc:"who entered it"`
}

// StrikeRecorded says that the carriage hit the film.
type StrikeRecorded struct {
	Job         string   `json:"job,omitzero" doc:"job id"`
	Part        string   `json:"part,omitzero" doc:"job part id"`
	NozzlesLost *float64 `json:"nozzles_lost,omitzero" doc:"nozzles lost" min:"0" max:"1000000"`
	DowntimeS   *float64 `json:"downtime_s,omitzero" doc:"time out of production" unit:"s" min:"0" max:"100000000"`
	Note        string   `json:"note,omitzero" doc:"what happened"`
	By          string   `json:"by,omitzero" doc:"who entered it"`
}

// HeadChecked records a nozzle check and a look for obstructions.
type HeadChecked struct {
	NozzlesOK        *bool  `json:"nozzles_ok" doc:"whether the nozzle check was good"`
	ObstructionClear *bool  `json:"obstruction_clear" doc:"whether the carriage path was found clear"`
	By               string `json:"by,omitzero" doc:"who entered it"`
}

// FilmWasted says how much film was thrown away.
type FilmWasted struct {
	LengthM float64  `json:"length_m" doc:"length thrown away" unit:"m" min:"0" max:"100000"`
	WidthMM *float64 `json:"width_mm,omitzero" doc:"width; the loaded roll's when absent" unit:"mm" min:"1" max:"20000"`
	Cause   string   `json:"cause" doc:"why" enum:"head-strike,edge-advance,make-ready,register,cure,misprint,trim,roll-end,other"`
	By      string   `json:"by,omitzero" doc:"who entered it"`
}

// WasteCauses are the causes of waste and reprints. A free text would make an unbounded
// metric label, so what is not in the list is "other" with a note beside it.
var WasteCauses = []string{"head-strike", "edge-advance", "make-ready", "register", "cure", "misprint", "trim", "roll-end", "other"}

// JobReprinted says that copies were printed again.
type JobReprinted struct {
	Job    string   `json:"job" doc:"job id"`
	Part   string   `json:"part,omitzero" doc:"job part id"`
	Cause  string   `json:"cause" doc:"why" enum:"head-strike,edge-advance,make-ready,register,cure,misprint,trim,roll-end,other"`
	Copies *float64 `json:"copies,omitzero" doc:"copies printed again" min:"0" max:"1000000000"`
	By     string   `json:"by,omitzero" doc:"who entered it"`
}

// StripMeasured is one length on a control strip.
type StripMeasured struct {
	Axis       string   `json:"axis" doc:"feed is along the roll, cross is across it" enum:"feed,cross"`
	NominalMM  float64  `json:"nominal_mm" doc:"length sent to the printer" unit:"mm" min:"1" max:"100000"`
	MeasuredMM float64  `json:"measured_mm" doc:"length measured" unit:"mm" min:"1" max:"100000"`
	CureC      float64  `json:"cure_c" doc:"cure temperature" unit:"°C" min:"0" max:"300"`
	Passes     *float64 `json:"passes,omitzero" doc:"print passes" min:"1" max:"64"`
	Stock      string   `json:"stock,omitzero" doc:"stock code; the loaded roll's when absent"`
	By         string   `json:"by,omitzero" doc:"who entered it"`
}

// ClimateRead is the air near the machine.
type ClimateRead struct {
	TempC *float64 `json:"temp_c,omitzero" doc:"air temperature" unit:"°C" min:"-60" max:"100"`
	RHPct *float64 `json:"rh_pct,omitzero" doc:"relative humidity" unit:"percent" min:"0" max:"100"`
}

// The states that a machine can tell of itself. They are those of a printer by
// RFC 8011, section 5.4.11.
const (
	MachineIdle       = "idle"
	MachineProcessing = "processing"
	MachineStopped    = "stopped"
)

// MachineReported is what a machine says of itself. It says nothing of the
// edge, the roll or the head, and so it settles nothing.
type MachineReported struct {
	State     string   `json:"state" doc:"what it says it does" enum:"idle,processing,stopped"`
	Reasons   []string `json:"reasons,omitzero" doc:"why, in the keywords of printer-state-reasons (RFC 8011, section 5.4.12)"`
	Message   string   `json:"message,omitzero" doc:"the same in its own words"`
	Accepting *bool    `json:"accepting,omitzero" doc:"whether it takes jobs"`
	Media     []string `json:"media,omitzero" doc:"media that it says are ready"`
}

// MachineReasons are the keywords of printer-state-reasons that mean something at
// a roll-fed printer, without their ending (RFC 8011, section 5.4.12). People are
// told them in words, and any other as it is.
var MachineReasons = []string{
	"media-jam", "media-empty", "media-low", "media-needed", "cover-open", "door-open",
	"interlock-open", "input-tray-missing", "output-area-full", "output-area-almost-full", "paused",
	"moving-to-paused", "stopping", "stopped-partly", "shutdown", "connecting-to-device", "timed-out",
	"marker-supply-low", "marker-supply-empty", "marker-waste-almost-full", "marker-waste-full",
	"fuser-over-temp", "fuser-under-temp", "spool-area-full", "other",
}

// ReasonMediaJam is the reason of a machine that film is stuck in.
const ReasonMediaJam = "media-jam"

// MachineReason takes a keyword of printer-state-reasons apart: the reason
// itself, and whether something is wrong. A keyword without one of the endings
// -report, -warning and -error counts as an error (RFC 8011, section 5.4.12).
func MachineReason(keyword string) (reason string, wrong bool) {
	if reason, ok := strings.CutSuffix(keyword, "-report"); ok {
		return reason, false
	}
	if reason, ok := strings.CutSuffix(keyword, "-warning"); ok {
		return reason, true
	}
	return strings.TrimSuffix(keyword, "-error"), true
}

// ChangeMarked marks a change whose effect the shop wants to see.
type ChangeMarked struct {
	Label string     `json:"label" doc:"what changed"`
	Since *time.Time `json:"since,omitzero" doc:"since when; the event's time when absent"`
}

// AdviceAccepted says that a person took a piece of advice.
type AdviceAccepted struct {
	Remedy string   `json:"remedy,omitzero" doc:"code of the remedy taken"`
	Hazard string   `json:"hazard,omitzero" doc:"code of the hazard it answers"`
	Job    string   `json:"job,omitzero" doc:"job id"`
	Part   string   `json:"part,omitzero" doc:"job part id"`
	Order  []string `json:"order,omitzero" doc:"accepted queue order, job/part each"`
	By     string   `json:"by" doc:"who accepted it"`
}

// EntryUndone takes back what a person told by mistake a moment ago. The journal
// keeps both; the floor is as if the entry had not been made.
type EntryUndone struct {
	Event  string `json:"event" doc:"id of the event that is taken back"`
	Type   Type   `json:"type" doc:"its type" enum:"roll.loaded,roll.removed,edge.moved,leader.attached,leader.removed,edge.shaped,run.started,run.finished,run.stopped,cut.finished,strike.recorded,head.checked,film.wasted,job.reprinted,strip.measured,operator.noted"`
	By     string `json:"by" doc:"who takes it back"`
	Reason string `json:"reason,omitzero" doc:"why"`
}

// Undoable are the types of entries that can be taken back; they are also the
// values of a metric label. Of operator.noted only a plain note can.
var Undoable = []Type{"roll.loaded", "roll.removed", "edge.moved", "leader.attached", "leader.removed", "edge.shaped", "run.started", "run.finished", "run.stopped", "cut.finished", "strike.recorded", "head.checked", "film.wasted", "job.reprinted", "strip.measured", "operator.noted"}

// The actions of an operator on an alarm.
const (
	ActAcknowledge  = "acknowledge"
	ActShelve       = "shelve"
	ActRelease      = "release"
	ActOutOfService = "out-of-service"
	ActReturn       = "return-to-service"
	ActReset        = "reset"
	ActNote         = "note"
)

// OperatorNoted is what a person did about an alarm, or a plain note.
type OperatorNoted struct {
	Hazard string     `json:"hazard,omitzero" doc:"code of the hazard; may be empty for a note"`
	Job    string     `json:"job,omitzero" doc:"job id of the alarm"`
	Part   string     `json:"part,omitzero" doc:"job part id of the alarm"`
	Action string     `json:"action" doc:"what was done" enum:"acknowledge,shelve,release,out-of-service,return-to-service,reset,note"`
	By     string     `json:"by" doc:"who did it"`
	Reason string     `json:"reason,omitzero" doc:"why"`
	Until  *time.Time `json:"until,omitzero" doc:"when shelving ends; required to shelve"`
}

// Evidence is one value that a hazard saw.
type Evidence struct {
	Name  string `json:"name" doc:"what was looked at"`
	Value string `json:"value,omitzero" doc:"what was seen, with its unit; absent when nothing was"`
	Limit string `json:"limit,omitzero" doc:"what it was held against"`
}

// Remedy is one way to settle a hazard, as it was offered.
type Remedy struct {
	Code     string `json:"code" doc:"remedy code"`
	Text     string `json:"text" doc:"what to do"`
	Cost     string `json:"cost,omitzero" doc:"cost of doing it, with currency"`
	Expected string `json:"expected,omitzero" doc:"expected cost with the remaining risk"`
	Settles  bool   `json:"settles,omitzero" doc:"whether it settles the hazard for certain"`
	WhyNot   string `json:"why_not,omitzero" doc:"why it cannot be taken here"`
	Cheapest bool   `json:"cheapest,omitzero" doc:"cheapest in expectation"`
}

// AlarmChanged is one transition of one alarm.
type AlarmChanged struct {
	Hazard   string     `json:"hazard" doc:"hazard code"`
	Job      string     `json:"job,omitzero" doc:"job id"`
	Part     string     `json:"part,omitzero" doc:"job part id"`
	From     string     `json:"from" doc:"alarm state before"`
	To       string     `json:"to" doc:"alarm state after"`
	On       string     `json:"on" doc:"input that caused it"`
	Emit     string     `json:"emit,omitzero" doc:"annunciate, clear or nothing"`
	Phase    string     `json:"phase,omitzero" doc:"queued, running or resting"`
	Priority string     `json:"priority" doc:"how soon a person must act" enum:"high,medium,low"`
	Remedies []Remedy   `json:"remedies,omitzero" doc:"remedies, best first"`
	Evidence []Evidence `json:"evidence,omitzero" doc:"values the hazard saw"`
	Caution  string     `json:"caution,omitzero" doc:"what can hurt"`
	ReadyAt  *time.Time `json:"ready_at,omitzero" doc:"when the risky start is expected"`
	Until    *time.Time `json:"until,omitzero" doc:"when shelving ends"`
	By       string     `json:"by,omitzero" doc:"who acted"`
	Reason   string     `json:"reason,omitzero" doc:"why"`
	Message  string     `json:"message" doc:"the alarm in one sentence"`
	Page     []string   `json:"page,omitzero" doc:"channels that must be paged"`
	Cause    string     `json:"cause_event,omitzero" doc:"id of the event that led to it"`
}

// PageSent says that a page was taken by its channel.
type PageSent struct {
	Alarm   string  `json:"alarm" doc:"id of the alarm.changed event"`
	Channel string  `json:"channel" doc:"channel name"`
	Attempt float64 `json:"attempt" doc:"which try this was" min:"1" max:"1000000"`
	Key     string  `json:"key,omitzero" doc:"idempotency key that the channel was given"`
}

// PageFailed says that a try failed; Final says that no more will be made.
type PageFailed struct {
	Alarm   string  `json:"alarm" doc:"id of the alarm.changed event"`
	Channel string  `json:"channel" doc:"channel name"`
	Attempt float64 `json:"attempt" doc:"which try this was" min:"1" max:"1000000"`
	Reason  string  `json:"reason" doc:"what went wrong"`
	Final   bool    `json:"final,omitzero" doc:"whether it was given up"`
}
