// Package floor keeps the model of the shop floor: what is loaded on each
// machine, where its leading edge is, what runs and what is queued.
//
// The model is a fold: Apply takes one event and changes the state, in any
// order that events may come, without a clock, a configuration or a judgement.
// The same journal therefore always gives the same state, byte for byte. What
// does not fit (a run that finishes but never started) is applied as far as it
// makes sense and recorded as an anomaly.
package floor

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// State is the whole floor. Machines are replaced, never changed in place,
// once a Snapshot has shared them with a reader. What their pointers and slices
// lead to is not changed in place at all, but for marks that no reader shares.
type State struct {
	Machines  map[string]*Machine `json:"machines"` // by site/machine
	Rooms     map[string]Climate  `json:"rooms"`    // by site
	Tickets   *Tickets            `json:"tickets"`
	Anomalies *Anomalies          `json:"anomalies"`
	Counts    *Counts             `json:"counts"`
	Strips    map[string][]Strip  `json:"strips,omitzero"`  // by stock, oldest first
	Rejects   []Reject            `json:"rejects,omitzero"` // the newest, oldest of them first

	generation uint64
	indexes    map[string]*index // of long queues, by site/machine; no snapshot has them
}

// New returns an empty floor.
func New() *State {
	return &State{
		Machines:  map[string]*Machine{},
		Rooms:     map[string]Climate{},
		Tickets:   newTickets(),
		Anomalies: &Anomalies{Total: map[string]uint64{}},
		Counts:    &Counts{Events: map[event.Type]uint64{}, Rejected: map[string]uint64{}},
	}
}

// Counts are totals over the whole journal.
type Counts struct {
	Events    map[event.Type]uint64 `json:"events"`    // by known type
	Unknown   uint64                `json:"unknown"`   // events of unknown types
	Duplicate uint64                `json:"duplicate"` // events that came again
	Rejected  map[string]uint64     `json:"rejected"`  // refused inputs, by kind
}

// Machine is the state of one machine.
type Machine struct {
	Site      string    `json:"site"`
	Name      string    `json:"name"`
	LastHeard time.Time `json:"last_heard,omitzero"` // newest word from the machine or its operator
	Touched   time.Time `json:"touched,omitzero"`    // newest event of any kind about it
	Roll      Roll      `json:"roll"`
	Edge      Edge      `json:"edge"`
	Leader    Leader    `json:"leader"`
	Run       *Run      `json:"run,omitzero"`   // the running one; nil when idle
	Last      *Run      `json:"last,omitzero"`  // the one that ended last
	Queue     []*Run    `json:"queue,omitzero"` // next first
	Head      Head      `json:"head"`
	Climate   Climate   `json:"climate"`
	Reported  *Reported `json:"reported,omitzero"` // what it says of itself; nil when it never did
	Tally     Tally     `json:"tally"`

	Paces []FinishedRun `json:"paces,omitzero"` // the newest, oldest of them first
	Notes []Note        `json:"notes,omitzero"` // the newest, oldest of them first

	Marks     []Mark `json:"marks,omitzero"`      // of the last hours, in the order of the journal
	MarksLost uint64 `json:"marks_lost,omitzero"` // so many were let go for want of room

	Entries []*Entry          `json:"entries,omitzero"` // that can still be taken back, oldest first
	Changed [partCount]uint64 `json:"changed"`          // where in the journal each part was changed last

	generation  uint64
	sharesMarks bool // whether a reader may share the marks
}

// Roll is what is loaded.
type Roll struct {
	Loaded      bool        `json:"loaded"`
	Stock       string      `json:"stock,omitzero"`
	Class       event.Class `json:"class,omitzero"`
	Lot         string      `json:"lot,omitzero"`
	WidthMM     units.Maybe `json:"width_mm"`
	LeftM       units.Maybe `json:"left_m"` // still upstream of the print line
	ThicknessUM units.Maybe `json:"thickness_um"`
	At          time.Time   `json:"at,omitzero"`
}

// Edge is where the leading edge of the film is.
type Edge struct {
	PositionMM units.Maybe `json:"position_mm"`      // downstream of the print line
	Cause      string      `json:"cause,omitzero"`   // the last movement's
	Shape      string      `json:"shape,omitzero"`   // of the lip; empty when plain
	At         time.Time   `json:"at,omitzero"`      // when it last moved
	Rewound    bool        `json:"rewound,omitzero"` // whether feed was reversed last
	InRun      bool        `json:"in_run,omitzero"`  // set anew within a run, of which no metres were told since
}

// Leader is a strip taped ahead of the edge.
type Leader struct {
	On          bool        `json:"on"`
	LengthMM    float64     `json:"length_mm,omitzero"`
	ThicknessUM units.Maybe `json:"thickness_um"`
	At          time.Time   `json:"at,omitzero"`
}

// FrontMM is the first thing that meets the cure zone: the leader's end where
// one is taped, else the edge itself. It is unknown when the edge is.
func FrontMM(e Edge, l Leader) units.Maybe {
	if l.On {
		return e.PositionMM.Plus(l.LengthMM)
	}
	return e.PositionMM
}

// Run is one run of one job part: queued, running or ended.
type Run struct {
	Job     string      `json:"job"`
	Part    string      `json:"part,omitzero"`
	Recipe  string      `json:"recipe,omitzero"`
	PlanM   units.Maybe `json:"plan_m"`            // planned length, m
	StartAt time.Time   `json:"start_at,omitzero"` // planned, by the queue's word alone
	Pinned  bool        `json:"pinned,omitzero"`   // its place in the queue was given
	Started time.Time   `json:"started,omitzero"`
	Ended   time.Time   `json:"ended,omitzero"`
	FedM    units.Maybe `json:"fed_m"`            // metres fed since the start
	Edge    Edge        `json:"edge,omitzero"`    // as it was at the start
	Leader  Leader      `json:"leader,omitzero"`  // as it was at the start
	Kind    *StartKind  `json:"kind,omitzero"`    // what the start looked like; nil before it
	Cut     bool        `json:"cut,omitzero"`     // cut off since it ended
	Ticket  *Ticket     `json:"ticket,omitzero"`  // nil when no ticket is known
	Struck  bool        `json:"struck,omitzero"`  // a head strike was recorded
	Advised string      `json:"advised,omitzero"` // the remedy that a person accepted for it
}

// Same reports whether the run is of that job part.
func (r *Run) Same(job, part string) bool { return r.Job == job && r.Part == part }

// Latest is the run that is on, else the one that ended last, or nil: what happens at a
// machine is about that.
func (m *Machine) Latest() *Run {
	if m.Run != nil {
		return m.Run
	}
	return m.Last
}

// PlannedStart is when the run is to start: the queue's word, unless a ticket that
// came after it says otherwise, else the ticket's; zero when neither says.
func (r *Run) PlannedStart() time.Time {
	if r.StartAt.IsZero() && r.Ticket != nil && r.Ticket.Data.StartAt != nil {
		return *r.Ticket.Data.StartAt
	}
	return r.StartAt
}

// onTicket puts the run on a ticket that has just come.
func (r *Run) onTicket(t *Ticket) {
	r.Ticket = t
	if t.Data.StartAt != nil {
		r.StartAt = time.Time{}
	}
}

// LengthM is the planned length: the queue's word, else the ticket's.
func (r *Run) LengthM() units.Maybe {
	if r.PlanM.Known() || r.Ticket == nil {
		return r.PlanM
	}
	return units.From(r.Ticket.Data.LengthM)
}

// Head is the state of the printheads.
type Head struct {
	Unproven    bool        `json:"unproven,omitzero"` // struck and not yet shown to be well
	StruckAt    time.Time   `json:"struck_at,omitzero"`
	NozzlesLost units.Maybe `json:"nozzles_lost"`
	NozzlesOK   bool        `json:"nozzles_ok,omitzero"`        // by the last check since the strike
	Clear       bool        `json:"obstruction_clear,omitzero"` // by the last check since the strike
	CheckedAt   time.Time   `json:"checked_at,omitzero"`
}

// Climate is the air near a machine or in a room.
type Climate struct {
	TempC  units.Maybe `json:"temp_c"`
	RHPct  units.Maybe `json:"rh_pct"`
	At     time.Time   `json:"at,omitzero"` // of the newer of the two
	TempAt time.Time   `json:"temp_at,omitzero"`
	RHAt   time.Time   `json:"rh_at,omitzero"`
}

// airLasts is how long a reading of the air tells anything about the present one.
// Indoor air follows the weather and the heating within a shift or two (common
// practice, no source).
const airLasts = 12 * time.Hour

// read takes a reading in, unless a newer one of the same kind is known.
func (c Climate) read(d *event.ClimateRead, at time.Time) Climate {
	return c.newer(Climate{TempC: units.From(d.TempC), RHPct: units.From(d.RHPct), TempAt: at, RHAt: at})
}

// newer puts two readings together: of each value the newer one that is known.
func (c Climate) newer(o Climate) Climate {
	if o.TempC.Known() && !(c.TempC.Known() && c.TempAt.After(o.TempAt)) {
		c.TempC, c.TempAt = o.TempC, o.TempAt
	}
	if o.RHPct.Known() && !(c.RHPct.Known() && c.RHAt.After(o.RHAt)) {
		c.RHPct, c.RHAt = o.RHPct, o.RHAt
	}
	c.At = later(c.TempAt, c.RHAt)
	return c
}

// lasting leaves out what was read too long ago to be known now.
func (c Climate) lasting(now time.Time) Climate {
	if now.Sub(c.TempAt) > airLasts {
		c.TempC, c.TempAt = units.Maybe{}, time.Time{}
	}
	if now.Sub(c.RHAt) > airLasts {
		c.RHPct, c.RHAt = units.Maybe{}, time.Time{}
	}
	c.At = later(c.TempAt, c.RHAt)
	return c
}

// Reported is what a machine last said of itself. It is shown to people and
// judged by nothing: a printer knows nothing of a bare edge.
type Reported struct {
	event.MachineReported
	At time.Time `json:"at"`
}

// Key is how a machine is found in State.Machines.
func Key(site, machine string) string { return site + "/" + machine }

// AppendKey appends the key to b, for those who look something up by it often and
// would rather make no text each time.
func AppendKey(b []byte, site, machine string) []byte {
	return append(append(append(b, site...), '/'), machine...)
}

// Machine returns a machine to read, or nil when nothing was heard of it.
func (s *State) Machine(site, name string) *Machine {
	var key [2*event.MaxName + 1]byte
	return s.Machines[string(AppendKey(key[:0], site, name))]
}

// Climate returns what is known of the air near a machine at a moment: of each value
// the newest reading, its own or its room's. One that is too old is not known.
func (s *State) Climate(m *Machine, now time.Time) Climate {
	return s.Rooms[m.Site].newer(m.Climate).lasting(now)
}

// edit returns a machine that may be changed: a new one, the one at hand when
// no reader shares it, or a copy when one does.
func (s *State) edit(site, name string) *Machine {
	m := s.Machine(site, name)
	switch {
	case m == nil:
		m = &Machine{Site: site, Name: name, generation: s.generation}
	case m.generation == s.generation:
		return m
	default:
		c := *m
		c.generation, c.sharesMarks = s.generation, true
		m = &c
	}
	s.Machines[Key(site, name)] = m
	return m
}

// Snapshot returns a floor that never changes again, cheaply: machines are
// shared and copied only when the next event touches them.
func (s *State) Snapshot() *State {
	s.generation++
	return &State{
		Machines:  maps.Clone(s.Machines),
		Rooms:     maps.Clone(s.Rooms),
		Tickets:   s.Tickets,
		Anomalies: s.Anomalies.snapshot(),
		Counts: &Counts{
			Events: maps.Clone(s.Counts.Events), Rejected: maps.Clone(s.Counts.Rejected),
			Unknown: s.Counts.Unknown, Duplicate: s.Counts.Duplicate,
		},
		Strips:  s.Strips,
		Rejects: s.Rejects,
	}
}

// Sorted returns the machines by site and name.
func (s *State) Sorted() []*Machine { return slices.SortedFunc(maps.Values(s.Machines), bySiteAndName) }

func bySiteAndName(a, b *Machine) int {
	return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Name, b.Name))
}

// machinesOf returns the one machine of that name that is known, or all of the site
// by name.
func (s *State) machinesOf(site, name string) (list []*Machine) {
	if name != event.AnyMachine {
		if m := s.Machine(site, name); m != nil {
			list = append(list, m)
		}
		return list
	}
	for _, m := range s.Machines {
		if m.Site == site {
			list = append(list, m)
		}
	}
	slices.SortFunc(list, bySiteAndName)
	return list
}
