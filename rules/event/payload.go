package event

import (
	"fmt"
	"math"
	"time"
)

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

// Classes lists every film class, for labels, schemas and messages.
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
	RollWidthMM   *float64   `json:"roll_width_mm,omitzero" doc:"roll width, mm"`
	ThicknessUM   *float64   `json:"thickness_um,omitzero" doc:"thickness of the printed film, µm"`
	LengthM       *float64   `json:"length_m,omitzero" doc:"planned length of film, m"`
	AreaM2        *float64   `json:"area_m2,omitzero" doc:"planned area of film, m²; never added to a length"`
	Copies        *float64   `json:"copies,omitzero" doc:"good copies wanted"`
	Passes        *float64   `json:"passes,omitzero" doc:"print passes"`
	InkDensityPct *float64   `json:"ink_density_pct,omitzero" doc:"ink density, percent of the nominal load"`
	CureC         *float64   `json:"cure_c,omitzero" doc:"cure temperature, °C"`
	ContourCut    bool       `json:"contour_cut,omitzero" doc:"whether the job is contour-cut"`
	MarkSpacingMM *float64   `json:"mark_spacing_mm,omitzero" doc:"distance between register marks, mm"`
	Laminate      bool       `json:"laminate,omitzero" doc:"whether the job is laminated"`
	RestS         *float64   `json:"rest_s,omitzero" doc:"rest the ink needs before finishing, s"`
	StartAt       *time.Time `json:"start_at,omitzero" doc:"planned start"`
	FinishAt      *time.Time `json:"finish_at,omitzero" doc:"planned start of cutting or laminating"`
	Due           *time.Time `json:"due,omitzero" doc:"when the job must be done"`
	Priority      *float64   `json:"priority,omitzero" doc:"0 to 100, higher is sooner"`
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

// TicketRejected says that a dropped file could not be read, and why.
type TicketRejected struct {
	SourceFile   string `json:"source_file" doc:"name of the file"`
	SourceSHA256 string `json:"source_sha256,omitzero" doc:"SHA-256 of the file, hexadecimal"`
	Kind         string `json:"kind" doc:"what is wrong with it, one of the reject kinds" enum:"malformed,incomplete,too-large,forbidden,missing-field,bad-value,unsupported,unreadable"`
	Reason       string `json:"reason" doc:"what is wrong and what was expected"`
}

// RejectKinds are the reasons for which an input is refused; they are also
// the values of a metric label, so there is no free text among them.
var RejectKinds = []string{"malformed", "incomplete", "too-large", "forbidden", "missing-field", "bad-value", "unsupported", "unreadable"}

// RollLoaded says what was put on a machine; RollRemoved what came off.
type RollLoaded struct {
	Stock       string   `json:"stock,omitzero" doc:"stock code"`
	FilmClass   Class    `json:"film_class,omitzero" doc:"film class"`
	Lot         string   `json:"lot,omitzero" doc:"lot number"`
	WidthMM     *float64 `json:"width_mm,omitzero" doc:"width, mm"`
	LengthM     *float64 `json:"length_m,omitzero" doc:"metres on the roll, m"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"thickness of film with liner, µm"`
}

// RollRemoved says that the roll came off the machine.
type RollRemoved struct{ RollLoaded }

// The causes of an edge movement.
const (
	CauseRewind  = "rewind"
	CauseAdvance = "advance"
	CauseFeed    = "feed"
	CauseTrim    = "trim"
)

// EdgeMoved says where the leading edge is now, or by how much it moved.
type EdgeMoved struct {
	PositionMM *float64 `json:"position_mm,omitzero" doc:"edge position, mm downstream of the print line"`
	ByMM       *float64 `json:"by_mm,omitzero" doc:"movement, mm, positive downstream"`
	Cause      string   `json:"cause" doc:"rewind, advance, feed or trim" enum:"rewind,advance,feed,trim"`
}

// LeaderAttached says that a strip was taped ahead of the edge.
type LeaderAttached struct {
	LengthMM    float64  `json:"length_mm" doc:"length of the leader ahead of the edge, mm"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"height the leader and tape add, µm"`
}

// LeaderRemoved says that the leader came off.
type LeaderRemoved struct {
	LengthMM    *float64 `json:"length_mm,omitzero" doc:"length of the leader, mm"`
	ThicknessUM *float64 `json:"thickness_um,omitzero" doc:"height of the leader, µm"`
}

// EdgeShaped says that the lip was cut to a shape.
type EdgeShaped struct {
	Shape string `json:"shape" doc:"for example rounded"`
}

// RunQueued puts a run in a machine's queue, or moves it there.
type RunQueued struct {
	Job      string     `json:"job" doc:"job id"`
	Part     string     `json:"part,omitzero" doc:"job part id"`
	Recipe   string     `json:"recipe,omitzero" doc:"name of the print recipe"`
	Metres   *float64   `json:"metres,omitzero" doc:"planned length, m"`
	StartAt  *time.Time `json:"start_at,omitzero" doc:"planned start"`
	Position *float64   `json:"position,omitzero" doc:"place in the queue, 1 is next; last when absent"`
}

// Run is the data of run.started, run.progress, run.finished and run.stopped.
type Run struct {
	Job    string   `json:"job" doc:"job id"`
	Part   string   `json:"part,omitzero" doc:"job part id"`
	Recipe string   `json:"recipe,omitzero" doc:"name of the print recipe"`
	Metres *float64 `json:"metres,omitzero" doc:"metres fed since the run started, m"`
	Reason string   `json:"reason,omitzero" doc:"why it stopped"`
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
	AtMM    *float64 `json:"at_mm,omitzero" doc:"where it was cut, mm downstream of the print line"`
}

// StrikeRecorded says that the carriage hit the film.
type StrikeRecorded struct {
	Job         string   `json:"job,omitzero" doc:"job id"`
	Part        string   `json:"part,omitzero" doc:"job part id"`
	NozzlesLost *float64 `json:"nozzles_lost,omitzero" doc:"nozzles lost"`
	DowntimeS   *float64 `json:"downtime_s,omitzero" doc:"time out of production, s"`
	Note        string   `json:"note,omitzero" doc:"what happened"`
}

// HeadChecked records a nozzle check and a look for obstructions.
type HeadChecked struct {
	NozzlesOK        *bool `json:"nozzles_ok" doc:"whether the nozzle check was good"`
	ObstructionClear *bool `json:"obstruction_clear" doc:"whether the carriage path was found clear"`
}

// FilmWasted says how much film was thrown away.
type FilmWasted struct {
	LengthM float64  `json:"length_m" doc:"length, m"`
	WidthMM *float64 `json:"width_mm,omitzero" doc:"width, mm; the loaded roll's when absent"`
	Cause   string   `json:"cause" doc:"why, one of the waste causes" enum:"head-strike,edge-advance,make-ready,register,cure,misprint,trim,roll-end,other"`
}

// The causes of waste and reprints. A free text would make an unbounded
// metric label, so what is not in the list is "other" with a note beside it.
var WasteCauses = []string{"head-strike", "edge-advance", "make-ready", "register", "cure", "misprint", "trim", "roll-end", "other"}

// JobReprinted says that copies were printed again.
type JobReprinted struct {
	Job    string   `json:"job" doc:"job id"`
	Part   string   `json:"part,omitzero" doc:"job part id"`
	Cause  string   `json:"cause" doc:"why, one of the waste causes" enum:"head-strike,edge-advance,make-ready,register,cure,misprint,trim,roll-end,other"`
	Copies *float64 `json:"copies,omitzero" doc:"copies printed again"`
}

// StripMeasured is one length on a control strip.
type StripMeasured struct {
	Axis       string   `json:"axis" doc:"feed (along the roll) or cross" enum:"feed,cross"`
	NominalMM  float64  `json:"nominal_mm" doc:"length sent to the printer, mm"`
	MeasuredMM float64  `json:"measured_mm" doc:"length measured, mm"`
	CureC      float64  `json:"cure_c" doc:"cure temperature, °C"`
	Passes     *float64 `json:"passes,omitzero" doc:"print passes"`
	Stock      string   `json:"stock,omitzero" doc:"stock code; the loaded roll's when absent"`
}

// ClimateRead is the air near the machine.
type ClimateRead struct {
	TempC *float64 `json:"temp_c,omitzero" doc:"air temperature, °C"`
	RHPct *float64 `json:"rh_pct,omitzero" doc:"relative humidity, percent"`
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
	Value string `json:"value" doc:"what was seen, with its unit"`
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
	Phase    string     `json:"phase,omitzero" doc:"queued or running"`
	Priority string     `json:"priority" doc:"high, medium or low"`
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
	Attempt float64 `json:"attempt" doc:"which try this was, from 1"`
	Key     string  `json:"key,omitzero" doc:"idempotency key that the channel was given"`
}

// PageFailed says that a try failed; Final says that no more will be made.
type PageFailed struct {
	Alarm   string  `json:"alarm" doc:"id of the alarm.changed event"`
	Channel string  `json:"channel" doc:"channel name"`
	Attempt float64 `json:"attempt" doc:"which try this was, from 1"`
	Reason  string  `json:"reason" doc:"what went wrong"`
	Final   bool    `json:"final,omitzero" doc:"whether it was given up"`
}

// The checks name the field as it stands in the JSON text.

func needText(field, v string) error {
	if v == "" {
		return &Fault{Field: "data." + field, Want: "a text that is not empty"}
	}
	return maxText(field, v)
}

// MaxText is the longest text in a payload, in bytes.
const MaxText = 4096

func maxText(field, v string) error {
	if len(v) > MaxText {
		return &Fault{Field: "data." + field, Want: fmt.Sprintf("at most %d bytes", MaxText), Got: fmt.Sprintf("%d", len(v))}
	}
	return nil
}

func texts(pairs ...string) error {
	for i := 0; i+1 < len(pairs); i += 2 {
		if err := maxText(pairs[i], pairs[i+1]); err != nil {
			return err
		}
	}
	return nil
}

func inRange(field string, v *float64, low, high float64, unit string) error {
	if v == nil {
		return nil
	}
	if math.IsNaN(*v) || *v < low || *v > high {
		return &Fault{Field: "data." + field, Want: fmt.Sprintf("%g to %g %s", low, high, unit), Got: fmt.Sprintf("%g", *v)}
	}
	return nil
}

func oneOf(field, v string, allowed ...string) error {
	for _, a := range allowed {
		if v == a {
			return nil
		}
	}
	got := ""
	if v != "" {
		got = quote(v)
	}
	return &Fault{Field: "data." + field, Want: "one of " + join(allowed), Got: got}
}

func join(words []string) string {
	out := ""
	for i, w := range words {
		if i > 0 {
			out += ", "
		}
		out += w
	}
	return out
}

func checkClass(c Class) error {
	if c == "" {
		return nil
	}
	for _, k := range Classes {
		if c == k {
			return nil
		}
	}
	names := make([]string, len(Classes))
	for i, k := range Classes {
		names[i] = string(k)
	}
	return &Fault{Field: "data.film_class", Want: "one of " + join(names), Got: quote(string(c))}
}

func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// Check implements Payload.
func (p *TicketReceived) Check() error {
	return first(needText("job", p.Job), checkClass(p.FilmClass),
		texts("part", p.Part, "machine", p.Machine, "title", p.Title, "stock", p.Stock, "lot", p.Lot, "source_file", p.SourceFile),
		inRange("roll_width_mm", p.RollWidthMM, 1, 20000, "mm"),
		inRange("thickness_um", p.ThicknessUM, 1, 20000, "µm"),
		inRange("length_m", p.LengthM, 0, 1e5, "m"),
		inRange("area_m2", p.AreaM2, 0, 1e6, "m²"),
		inRange("copies", p.Copies, 0, 1e9, "copies"),
		inRange("passes", p.Passes, 1, 64, "passes"),
		inRange("ink_density_pct", p.InkDensityPct, 0, 1000, "percent"),
		inRange("cure_c", p.CureC, 0, 300, "°C"),
		inRange("mark_spacing_mm", p.MarkSpacingMM, 1, 1e5, "mm"),
		inRange("rest_s", p.RestS, 0, 1e7, "s"),
		inRange("priority", p.Priority, 0, 100, ""))
}

// Check implements Payload.
func (p *TicketWithdrawn) Check() error {
	return first(needText("job", p.Job), texts("part", p.Part, "reason", p.Reason))
}

// Check implements Payload.
func (p *TicketRejected) Check() error {
	return first(needText("source_file", p.SourceFile), needText("reason", p.Reason), oneOf("kind", p.Kind, RejectKinds...))
}

// Check implements Payload.
func (p *RollLoaded) Check() error {
	return first(checkClass(p.FilmClass), texts("stock", p.Stock, "lot", p.Lot),
		inRange("width_mm", p.WidthMM, 1, 20000, "mm"),
		inRange("length_m", p.LengthM, 0, 1e5, "m"),
		inRange("thickness_um", p.ThicknessUM, 1, 20000, "µm"))
}

// Check implements Payload.
func (p *EdgeMoved) Check() error {
	if (p.PositionMM == nil) == (p.ByMM == nil) {
		return &Fault{Field: "data.position_mm", Want: "either position_mm or by_mm, not both and not neither", Got: "both or neither"}
	}
	return first(oneOf("cause", p.Cause, CauseRewind, CauseAdvance, CauseFeed, CauseTrim),
		inRange("position_mm", p.PositionMM, -1e5, 1e6, "mm"),
		inRange("by_mm", p.ByMM, -1e6, 1e6, "mm"))
}

// Check implements Payload.
func (p *LeaderAttached) Check() error {
	return first(inRange("length_mm", &p.LengthMM, 1, 20000, "mm"), inRange("thickness_um", p.ThicknessUM, 0, 20000, "µm"))
}

// Check implements Payload.
func (p *LeaderRemoved) Check() error {
	return first(inRange("length_mm", p.LengthMM, 0, 20000, "mm"), inRange("thickness_um", p.ThicknessUM, 0, 20000, "µm"))
}

// Check implements Payload.
func (p *EdgeShaped) Check() error { return needText("shape", p.Shape) }

// Check implements Payload.
func (p *RunQueued) Check() error {
	return first(needText("job", p.Job), texts("part", p.Part, "recipe", p.Recipe),
		inRange("metres", p.Metres, 0, 1e5, "m"), inRange("position", p.Position, 1, 1e5, ""))
}

// Check implements Payload.
func (p *Run) Check() error {
	return first(needText("job", p.Job), texts("part", p.Part, "recipe", p.Recipe, "reason", p.Reason),
		inRange("metres", p.Metres, 0, 1e5, "m"))
}

// Check implements Payload.
func (p *CutFinished) Check() error {
	if p.Rewound == nil {
		return &Fault{Field: "data.rewound", Want: "true or false"}
	}
	return first(texts("job", p.Job, "part", p.Part), inRange("at_mm", p.AtMM, 0, 1e5, "mm"))
}

// Check implements Payload.
func (p *StrikeRecorded) Check() error {
	return first(texts("job", p.Job, "part", p.Part, "note", p.Note),
		inRange("nozzles_lost", p.NozzlesLost, 0, 1e6, "nozzles"), inRange("downtime_s", p.DowntimeS, 0, 1e8, "s"))
}

// Check implements Payload.
func (p *HeadChecked) Check() error {
	if p.NozzlesOK == nil {
		return &Fault{Field: "data.nozzles_ok", Want: "true or false"}
	}
	if p.ObstructionClear == nil {
		return &Fault{Field: "data.obstruction_clear", Want: "true or false"}
	}
	return nil
}

// Check implements Payload.
func (p *FilmWasted) Check() error {
	return first(inRange("length_m", &p.LengthM, 0, 1e5, "m"), inRange("width_mm", p.WidthMM, 1, 20000, "mm"),
		oneOf("cause", p.Cause, WasteCauses...))
}

// Check implements Payload.
func (p *JobReprinted) Check() error {
	return first(needText("job", p.Job), texts("part", p.Part), oneOf("cause", p.Cause, WasteCauses...),
		inRange("copies", p.Copies, 0, 1e9, "copies"))
}

// Check implements Payload.
func (p *StripMeasured) Check() error {
	return first(oneOf("axis", p.Axis, "feed", "cross"), inRange("nominal_mm", &p.NominalMM, 1, 1e5, "mm"),
		inRange("measured_mm", &p.MeasuredMM, 1, 1e5, "mm"), inRange("cure_c", &p.CureC, 0, 300, "°C"),
		inRange("passes", p.Passes, 1, 64, "passes"), texts("stock", p.Stock))
}

// Check implements Payload.
func (p *ClimateRead) Check() error {
	if p.TempC == nil && p.RHPct == nil {
		return &Fault{Field: "data.rh_pct", Want: "rh_pct, temp_c or both"}
	}
	return first(inRange("temp_c", p.TempC, -60, 100, "°C"), inRange("rh_pct", p.RHPct, 0, 100, "percent"))
}

// Check implements Payload.
func (p *ChangeMarked) Check() error { return needText("label", p.Label) }

// Check implements Payload.
func (p *AdviceAccepted) Check() error {
	return first(needText("by", p.By), texts("remedy", p.Remedy, "hazard", p.Hazard, "job", p.Job, "part", p.Part))
}

// Check implements Payload.
func (p *OperatorNoted) Check() error {
	if err := first(needText("by", p.By), texts("hazard", p.Hazard, "job", p.Job, "part", p.Part, "reason", p.Reason),
		oneOf("action", p.Action, ActAcknowledge, ActShelve, ActRelease, ActOutOfService, ActReturn, ActReset, ActNote)); err != nil {
		return err
	}
	if p.Action != ActNote && p.Hazard == "" {
		return &Fault{Field: "data.hazard", Want: "the code of the hazard to " + p.Action}
	}
	if p.Action == ActShelve && p.Until == nil {
		return &Fault{Field: "data.until", Want: "the time when shelving ends; an alarm is never shelved for ever"}
	}
	return nil
}

// Check implements Payload.
func (p *AlarmChanged) Check() error {
	return first(needText("hazard", p.Hazard), needText("from", p.From), needText("to", p.To),
		needText("on", p.On), oneOf("priority", p.Priority, "high", "medium", "low"))
}

// Check implements Payload.
func (p *PageSent) Check() error {
	return first(needText("alarm", p.Alarm), needText("channel", p.Channel), inRange("attempt", &p.Attempt, 1, 1e6, ""))
}

// Check implements Payload.
func (p *PageFailed) Check() error {
	return first(needText("alarm", p.Alarm), needText("channel", p.Channel), inRange("attempt", &p.Attempt, 1, 1e6, ""))
}
