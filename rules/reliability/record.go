package reliability

import (
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Entry is what every record has: when and where it happened and the id of the
// event that told of it, by which it can be taken back.
type Entry struct {
	At      time.Time `json:"at"`
	Site    string    `json:"site"`
	Machine string    `json:"machine"`
	ID      string    `json:"id"`
}

func entryOf(e event.Event) Entry { return Entry{e.Time, e.Site, e.Machine, e.ID} }

func (e *Entry) key() string { return floor.Key(e.Site, e.Machine) }

func (e *Entry) head() *Entry { return e }

// recorded is any record.
type recorded interface{ head() *Entry }

// Start is one start of a run, with all that the odds of a strike may depend on
// and what came of it.
type Start struct {
	Entry
	Job       string      `json:"job"`
	Part      string      `json:"part,omitzero"`
	Stock     string      `json:"stock,omitzero"`
	Class     event.Class `json:"film_class"`
	Treatment string      `json:"treatment"` // a remedy code, or "none"
	RHPct     units.Maybe `json:"rh_pct"`    // whole percent, rounded down
	CureC     units.Maybe `json:"cure_c"`    // whole °C, rounded down
	Advised   string      `json:"advised,omitzero"`
	AlarmAt   time.Time   `json:"alarm_at,omitzero"` // first annunciation of its bare-edge alarm, if one came before
	Strikes   uint64      `json:"strikes"`

	heeded []*ring // the warnings that waited for it
}

// describe fills in what a start looked like.
func (s *Start) describe(k floor.StartKind) {
	s.Class, s.Treatment = k.Class, k.Treatment.String()
	s.RHPct, s.CureC = measured(k.RHPct), measured(k.CureC)
}

func measured(v int) units.Maybe {
	if v == floor.Unmeasured {
		return units.Maybe{}
	}
	return units.Some(float64(v))
}

// Treated reports whether anything was seen to be done about the edge.
func (s *Start) Treated() bool { return s.Treatment != untreated }

// Warned reports whether a bare-edge alarm came before the start.
func (s *Start) Warned() bool { return !s.AlarmAt.IsZero() }

// Case is what the odds of a strike are asked for: this start, under a
// treatment.
func (s *Start) Case(treatment string) risk.Start {
	return risk.Start{Site: s.Site, Machine: s.Machine, Class: s.Class, Treatment: treatment, RHPct: s.RHPct, CureC: s.CureC}
}

// untreated is the treatment of a start that nothing was done for.
const untreated = "none"

// notSeen is the treatment of a strike on a run that was never seen to start.
const notSeen = "unknown"

// Strike is one head strike.
type Strike struct {
	Entry
	Job       string      `json:"job,omitzero"`
	Part      string      `json:"part,omitzero"`
	Class     event.Class `json:"film_class"`
	Treatment string      `json:"treatment"` // of the start, or "unknown" when none was seen
	Warned    bool        `json:"warned"`    // a bare-edge alarm came before the start
	DownS     units.Maybe `json:"down_s"`    // time out of production
	DownBy    string      `json:"down_by"`   // how that is known: "recorded", "next print" or "still down"
	Note      string      `json:"note,omitzero"`

	start  *Start    // nil when none was seen
	back   time.Time // when the machine printed again
	backBy string    // id of the event that showed it
}

// How a downtime is known.
const (
	downRecorded  = "recorded"   // the strike's own word
	downNextPrint = "next print" // time to the next start, or the next progress of a run
	downStill     = "still down" // nothing was printed since; not an end
)

// waste is film thrown away.
type waste struct {
	Entry
	stock string
	class event.Class
	cause string
	m2    units.Maybe // unknown when nobody knows the width
}

// reprint is a job part that was printed again.
type reprint struct {
	Entry
	cause  string
	copies units.Maybe
}

// run is the time from a start to its end.
type run struct {
	Entry              // of the start
	until    time.Time // zero while it runs
	end      string    // id of the event that ended it
	finished bool      // rather than stopped
}

// change is a change that the shop marked.
type change struct {
	Entry
	label string
	since time.Time
}

// ring is one annunciation of an alarm.
type ring struct {
	Entry
	alarm    alarm.Key
	priority string
	again    bool      // the alarm had not returned since the last one
	acked    time.Time // zero when nobody acknowledged it
	until    time.Time // when it no longer stood; zero while it does
	start    *Start    // the start that followed it, if its job part started
}
