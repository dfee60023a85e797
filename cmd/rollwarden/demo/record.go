package demo

import (
	"strings"
	"time"

	"rollwarden/rules/event"
)

// The records of a week, for a program. Each says in its first member what it
// is.

// Opening says where the watch can be looked at.
type Opening struct {
	Record  string `json:"record" jsonschema:"opening"`
	Seed    uint64 `json:"seed" jsonschema:"of the invented week"`
	Board   string `json:"board" jsonschema:"address of the board"`
	Metrics string `json:"metrics" jsonschema:"address of the metrics"`
	NATS    string `json:"nats" jsonschema:"address of the embedded NATS server"`
}

// Moment is something that people or the world did.
type Moment struct {
	Record  string    `json:"record" jsonschema:"moment"`
	Time    time.Time `json:"time" jsonschema:"by the shop's clock"`
	Who     string    `json:"who" jsonschema:"crew, office, ticket or strike; more for what belongs to the moment before"`
	Machine string    `json:"machine,omitzero" jsonschema:"absent when it is of no machine"`
	Text    string    `json:"text" jsonschema:"what happened, for a person"`
}

// Alarm is an alarm as the watch announced it.
type Alarm struct {
	Record  string              `json:"record" jsonschema:"alarm"`
	Time    time.Time           `json:"time" jsonschema:"by the shop's clock"`
	Site    string              `json:"site"`
	Machine string              `json:"machine"`
	Alarm   *event.AlarmChanged `json:"alarm" jsonschema:"data of the event alarm.changed, as deploy/asyncapi.json has it"`
}

// Score sets what the watch said against what the world did. Its numbers of
// what would have happened are those of an invented truth.
type Score struct {
	Record        string            `json:"record" jsonschema:"score"`
	Seed          uint64            `json:"seed" jsonschema:"of the invented week"`
	Tickets       int               `json:"tickets" jsonschema:"read"`
	Rejected      int               `json:"rejected" jsonschema:"ticket files that could not be read"`
	SignalFiles   int               `json:"signal_files" jsonschema:"files with signals of machines"`
	JournalEvents uint64            `json:"journal_events" jsonschema:"events that the shop told of"`
	Anomalies     map[string]uint64 `json:"anomalies" jsonschema:"what did not fit, by kind"`
	Starts        int               `json:"starts" jsonschema:"starts of runs"`
	BareStarts    int               `json:"bare_starts" jsonschema:"of them with a bare edge of cheap film in the cure zone"`
	Alarms        map[string]int    `json:"alarms" jsonschema:"alarms that were announced, by hazard"`

	Strikes          int `json:"strikes" jsonschema:"head strikes that happened"`
	StrikesWarned    int `json:"strikes_with_alarm" jsonschema:"of them with an alarm before the start"`
	StrikesUnwarned  int `json:"strikes_without_alarm" jsonschema:"of them without one"`
	StrikesPrevented int `json:"strikes_prevented" jsonschema:"an alarm came, the crew settled the edge, and luck says it would have struck"`
	StrikesUnwatched int `json:"strikes_with_nobody_watching" jsonschema:"in the same week with the same luck and nothing done"`

	AlarmedStarts int            `json:"starts_with_alarm" jsonschema:"starts with a bare-edge alarm before them"`
	FalseAlarms   int            `json:"false_alarms" jsonschema:"of them those that would have gone well untreated"`
	Leads         *Leads         `json:"lead" jsonschema:"how long before the start the alarms came; null without alarms"`
	Remedies      map[string]int `json:"remedies" jsonschema:"remedies that the crew took, by code"`
	RemedyCost    string         `json:"remedy_cost" jsonschema:"of all of them"`
	StrikeCost    string         `json:"strike_cost" jsonschema:"of one head strike"`
	PreventedCost string         `json:"prevented_cost" jsonschema:"of the strikes that were prevented"`
}

// Leads are how long before the start the alarms came.
type Leads struct {
	LeastS     float64 `json:"least_s"`
	MedianS    float64 `json:"median_s"`
	NineOfTenS float64 `json:"nine_of_ten_above_s"`
}

// record hands a record over to whoever wants them.
func (s *show) record(record any) {
	if s.o.Record != nil {
		s.o.Record(record)
	}
}

// moment makes a record of a line of the day.
func (s *show) moment(who, where, text string) {
	if who == "" {
		who = "more"
	}
	s.record(Moment{"moment", s.clock.Now().UTC(), strings.ToLower(who), where, strings.TrimSpace(text)})
}
