package board

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// The answers of the API. Fields are SI with the unit in the name, they are
// always there, and null means that nobody knows. Names are part of the
// contract of version 1 and stay as they are.

// header stands before every answer.
type header struct {
	Seq   uint64    `json:"seq"`   // journal sequence that the answer is the state of
	At    time.Time `json:"at"`    // when that state was taken
	Ready bool      `json:"ready"` // false while the journal is being read: the answer may be old
}

type floorAnswer struct {
	header
	Machines []machineAnswer `json:"machines"`
}

type machineAnswer struct {
	Site       string        `json:"site"`
	Machine    string        `json:"machine"`
	Configured bool          `json:"configured"`
	LastHeard  *time.Time    `json:"last_heard"`
	Roll       rollAnswer    `json:"roll"`
	Edge       edgeAnswer    `json:"edge"`
	Leader     leaderAnswer  `json:"leader"`
	Head       headAnswer    `json:"head"`
	Climate    climateAnswer `json:"climate"`
	Running    *runAnswer    `json:"running"`
	Last       *runAnswer    `json:"last"`
	Queue      []runAnswer   `json:"queue"`
	NextStart  *time.Time    `json:"next_start_at"` // null also when it may be any moment
	Totals     totalsAnswer  `json:"totals"`
}

type rollAnswer struct {
	Loaded      bool        `json:"loaded"`
	Stock       *string     `json:"stock"`
	FilmClass   *string     `json:"film_class"`
	Lot         *string     `json:"lot"`
	WidthMM     units.Maybe `json:"width_mm"`
	LeftM       units.Maybe `json:"left_m"`
	ThicknessUM units.Maybe `json:"thickness_um"`
	Since       *time.Time  `json:"since"`
}

type edgeAnswer struct {
	PositionMM units.Maybe `json:"position_mm"` // downstream of the print line
	FrontMM    units.Maybe `json:"front_mm"`    // the same, or the end of the leader
	Cause      *string     `json:"cause"`
	Shape      *string     `json:"shape"`
	Rewound    bool        `json:"rewound"`
	MovedAt    *time.Time  `json:"moved_at"`
}

type leaderAnswer struct {
	Attached    bool        `json:"attached"`
	LengthMM    units.Maybe `json:"length_mm"`
	ThicknessUM units.Maybe `json:"thickness_um"`
	Since       *time.Time  `json:"since"`
}

type headAnswer struct {
	Unproven    bool        `json:"unproven"`
	StruckAt    *time.Time  `json:"struck_at"`
	NozzlesLost units.Maybe `json:"nozzles_lost"`
	NozzlesOK   *bool       `json:"nozzles_ok"`
	Clear       *bool       `json:"obstruction_clear"`
	CheckedAt   *time.Time  `json:"checked_at"`
}

type climateAnswer struct {
	TempC units.Maybe `json:"temp_c"`
	RHPct units.Maybe `json:"rh_pct"`
	At    *time.Time  `json:"at"`
}

type runAnswer struct {
	Job       string      `json:"job"`
	Part      *string     `json:"part"`
	Recipe    *string     `json:"recipe"`
	Ticketed  bool        `json:"ticketed"`
	Stock     *string     `json:"stock"`
	FilmClass *string     `json:"film_class"`
	PlannedM  units.Maybe `json:"planned_m"`
	FedM      units.Maybe `json:"fed_m"`
	StartAt   *time.Time  `json:"start_at"` // as planned
	StartedAt *time.Time  `json:"started_at"`
	EndedAt   *time.Time  `json:"ended_at"`
	Cut       bool        `json:"cut"`
	Struck    bool        `json:"struck"`
}

type totalsAnswer struct {
	Starts      uint64  `json:"starts"`
	HeadStrikes uint64  `json:"head_strikes"`
	Finished    uint64  `json:"runs_finished"`
	Stopped     uint64  `json:"runs_stopped"`
	PrintedM    float64 `json:"printed_m"`
	PrintedM2   float64 `json:"printed_m2"`
	DowntimeS   float64 `json:"downtime_s"`
	WasteM2     float64 `json:"waste_m2"`
	Reprints    uint64  `json:"reprints"`
}

type alarmsAnswer struct {
	header
	Alarms []alarmAnswer `json:"alarms"`
}

type alarmAnswer struct {
	Site     string           `json:"site"`
	Machine  string           `json:"machine"`
	Hazard   string           `json:"hazard"`
	Title    *string          `json:"title"`
	Job      *string          `json:"job"`
	Part     *string          `json:"part"`
	State    string           `json:"state"`
	Active   bool             `json:"active"`
	Priority string           `json:"priority"`
	Since    *time.Time       `json:"since"`
	FirstAt  *time.Time       `json:"first_raised_at"`
	RaisedAt *time.Time       `json:"raised_at"`
	ReadyAt  *time.Time       `json:"ready_at"`
	Until    *time.Time       `json:"until"`
	By       *string          `json:"by"`
	Reason   *string          `json:"reason"`
	Message  string           `json:"message"`
	Caution  *string          `json:"caution"`
	Evidence []evidenceAnswer `json:"evidence"`
	Remedies []remedyAnswer   `json:"remedies"`
}

type evidenceAnswer struct {
	Name  string  `json:"name"`
	Value string  `json:"value"`
	Limit *string `json:"limit"`
}

type remedyAnswer struct {
	Code         string  `json:"code"`
	Text         string  `json:"text"`
	Cost         *string `json:"cost"`
	ExpectedCost *string `json:"expected_cost"`
	Settles      bool    `json:"settles"`
	Cheapest     bool    `json:"cheapest"`
	WhyNot       *string `json:"why_not"`
}

type ticketsAnswer struct {
	header
	Total   int            `json:"total"`
	Tickets []ticketAnswer `json:"tickets"` // newest first
}

type ticketAnswer struct {
	Site          string      `json:"site"`
	Machine       *string     `json:"machine"` // null when none was chosen
	ReceivedAt    *time.Time  `json:"received_at"`
	Job           string      `json:"job"`
	Part          *string     `json:"part"`
	Title         *string     `json:"title"`
	Stock         *string     `json:"stock"`
	FilmClass     *string     `json:"film_class"`
	RollWidthMM   units.Maybe `json:"roll_width_mm"`
	LengthM       units.Maybe `json:"length_m"`
	AreaM2        units.Maybe `json:"area_m2"`
	Copies        units.Maybe `json:"copies"`
	Passes        units.Maybe `json:"passes"`
	InkDensityPct units.Maybe `json:"ink_density_pct"`
	CureC         units.Maybe `json:"cure_c"`
	ContourCut    bool        `json:"contour_cut"`
	MarkSpacingMM units.Maybe `json:"mark_spacing_mm"`
	Laminate      bool        `json:"laminate"`
	StartAt       *time.Time  `json:"start_at"`
	FinishAt      *time.Time  `json:"finish_at"`
	Due           *time.Time  `json:"due"`
	Priority      units.Maybe `json:"priority"`
	Flags         []string    `json:"flags"`
	SourceFile    *string     `json:"source_file"`
	SourceSHA256  *string     `json:"source_sha256"`
}

type anomaliesAnswer struct {
	header
	Totals    map[string]uint64 `json:"totals"`    // by kind, over the whole journal
	Rejected  map[string]uint64 `json:"rejected"`  // refused inputs by kind
	Anomalies []anomalyAnswer   `json:"anomalies"` // newest first
}

type anomalyAnswer struct {
	Seq     uint64     `json:"seq"`
	At      *time.Time `json:"at"`
	Site    *string    `json:"site"`
	Machine *string    `json:"machine"`
	Kind    string     `json:"kind"`
	Text    string     `json:"text"`
}

// answer builds one answer from a view. The error is the client's to mend.
type answer func(b *board, v *rules.View, h header, query url.Values) (any, error)

func (b *board) api(build answer) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v := b.o.View()
		if v == nil {
			w.Header().Set("Retry-After", strconv.Itoa(web.RetryAfterS))
			web.Problem(w, r, http.StatusServiceUnavailable, "the journal is still being read: ask again in "+strconv.Itoa(web.RetryAfterS)+" s")
			return
		}
		a, err := build(b, v, header{v.Seq, v.At.UTC(), b.ready(v)}, r.URL.Query())
		if err != nil {
			web.Problem(w, r, http.StatusBadRequest, err.Error())
			return
		}
		web.JSON(w, http.StatusOK, a)
	}
}

func missingAPI(w http.ResponseWriter, r *http.Request) {
	web.Problem(w, r, http.StatusNotFound, "there is /api/v1/floor, /api/v1/alarms, /api/v1/tickets and /api/v1/anomalies")
}

func floorOf(b *board, v *rules.View, h header, _ url.Values) (any, error) {
	a := floorAnswer{header: h}
	for _, s := range b.machines(v) {
		m := machineAnswer{Site: s.site, Machine: s.machine, Configured: s.plant != nil}
		if s.floor != nil {
			m.fill(b, v, s.floor)
		}
		a.Machines = append(a.Machines, m)
	}
	return a, nil
}

func (a *machineAnswer) fill(b *board, v *rules.View, m *floor.Machine) {
	a.LastHeard = moment(m.LastHeard)
	a.Roll = rollAnswer{
		m.Roll.Loaded, text(m.Roll.Stock), text(string(m.Roll.Class)), text(m.Roll.Lot),
		m.Roll.WidthMM, m.Roll.LeftM, m.Roll.ThicknessUM, moment(m.Roll.At),
	}
	a.Edge = edgeAnswer{
		m.Edge.PositionMM, floor.FrontMM(m.Edge, m.Leader), text(m.Edge.Cause), text(m.Edge.Shape), m.Edge.Rewound, moment(m.Edge.At),
	}
	if a.Leader = (leaderAnswer{ThicknessUM: m.Leader.ThicknessUM, Since: moment(m.Leader.At)}); m.Leader.On {
		a.Leader.Attached, a.Leader.LengthMM = true, units.Some(m.Leader.LengthMM)
	}
	a.Head = headAnswer{Unproven: m.Head.Unproven, StruckAt: moment(m.Head.StruckAt), NozzlesLost: m.Head.NozzlesLost, CheckedAt: moment(m.Head.CheckedAt)}
	if checked := !m.Head.CheckedAt.IsZero() && m.Head.CheckedAt.After(m.Head.StruckAt); checked {
		a.Head.NozzlesOK, a.Head.Clear = &m.Head.NozzlesOK, &m.Head.Clear
	}
	air := v.Floor.Climate(m, v.At)
	a.Climate = climateAnswer{air.TempC, air.RHPct, moment(air.At)}
	a.Running, a.Last = runOf(m.Run), runOf(m.Last)
	for _, r := range m.Queue {
		a.Queue = append(a.Queue, *runOf(r))
	}
	if at, known := b.startAt(v, m); known {
		a.NextStart = moment(at)
	}
	a.Totals = totalsOf(&m.Tally)
}

func runOf(r *floor.Run) *runAnswer {
	if r == nil {
		return nil
	}
	a := &runAnswer{
		Job: r.Job, Part: text(r.Part), Recipe: text(r.Recipe), Ticketed: r.Ticket != nil,
		PlannedM: r.LengthM(), FedM: r.FedM, StartAt: moment(r.PlannedStart()), StartedAt: moment(r.Started), EndedAt: moment(r.Ended),
		Cut: r.Cut, Struck: r.Struck,
	}
	if r.Ticket != nil {
		a.Stock, a.FilmClass = text(r.Ticket.Data.Stock), text(string(r.Ticket.Data.FilmClass))
	}
	return a
}

func totalsOf(t *floor.Tally) totalsAnswer {
	a := totalsAnswer{
		Starts: t.TotalStarts(), HeadStrikes: t.TotalStrikes(), Finished: t.Finished, Stopped: t.Stopped,
		PrintedM: t.PrintedM, PrintedM2: t.PrintedM2, DowntimeS: t.DownS,
	}
	for i := range t.WasteM2 {
		a.WasteM2 += t.WasteM2[i]
		a.Reprints += t.Reprints[i]
	}
	return a
}

func alarmsOf(b *board, v *rules.View, h header, _ url.Values) (any, error) {
	a := alarmsAnswer{header: h}
	for _, s := range b.machines(v) {
		for _, al := range sorted(b.alarmsOf(v, s)) {
			a.Alarms = append(a.Alarms, b.alarmOf(s, &al))
		}
	}
	return a, nil
}

func (b *board) alarmOf(s shown, al *alarm.Alarm) alarmAnswer {
	c := &al.Change
	a := alarmAnswer{
		Site: s.site, Machine: s.machine, Hazard: al.Hazard, Job: text(al.Job), Part: text(al.Part),
		State: string(al.State), Active: al.State.Active(), Priority: c.Priority,
		Since: moment(al.Since), FirstAt: moment(al.First), RaisedAt: moment(al.Raised), ReadyAt: c.ReadyAt, Until: c.Until,
		By: text(c.By), Reason: text(c.Reason), Message: c.Message, Caution: text(c.Caution),
	}
	if row := b.row(al.Hazard); row != nil {
		a.Title = text(row.Title)
	}
	for _, e := range c.Evidence {
		a.Evidence = append(a.Evidence, evidenceAnswer{e.Name, e.Value, text(e.Limit)})
	}
	for _, r := range c.Remedies {
		a.Remedies = append(a.Remedies, remedyAnswer{r.Code, r.Text, text(r.Cost), text(r.Expected), r.Settles, r.Cheapest, text(r.WhyNot)})
	}
	return a
}

// The number of tickets in one answer.
const (
	usualTickets = 200
	mostTickets  = floor.MaxTickets
)

func ticketsOf(_ *board, v *rules.View, h header, query url.Values) (any, error) {
	limit := usualTickets
	if query.Has("limit") {
		n, err := strconv.Atoi(query.Get("limit"))
		if err != nil || n < 1 || n > mostTickets {
			return nil, fmt.Errorf("limit: want a number from 1 to %d, got %q", mostTickets, query.Get("limit"))
		}
		limit = n
	}
	all := v.Floor.Tickets.All()
	a := ticketsAnswer{header: h, Total: len(all)}
	for i := len(all) - 1; i >= 0 && len(a.Tickets) < limit; i-- {
		a.Tickets = append(a.Tickets, ticketOf(all[i]))
	}
	return a, nil
}

func ticketOf(t *floor.Ticket) ticketAnswer {
	d := &t.Data
	a := ticketAnswer{
		Site: t.Site, ReceivedAt: moment(t.At), Job: d.Job, Part: text(d.Part), Title: text(d.Title),
		Stock: text(d.Stock), FilmClass: text(string(d.FilmClass)), RollWidthMM: units.From(d.RollWidthMM),
		LengthM: units.From(d.LengthM), AreaM2: units.From(d.AreaM2), Copies: units.From(d.Copies), Passes: units.From(d.Passes),
		InkDensityPct: units.From(d.InkDensityPct), CureC: units.From(d.CureC), ContourCut: d.ContourCut,
		MarkSpacingMM: units.From(d.MarkSpacingMM), Laminate: d.Laminate, StartAt: d.StartAt, FinishAt: d.FinishAt, Due: d.Due,
		Priority: units.From(d.Priority), Flags: d.Flags, SourceFile: text(d.SourceFile), SourceSHA256: text(d.SourceSHA256),
	}
	if t.Machine != event.AnyMachine {
		a.Machine = text(t.Machine)
	}
	return a
}

func anomaliesOf(_ *board, v *rules.View, h header, _ url.Values) (any, error) {
	a := anomaliesAnswer{header: h, Totals: v.Floor.Anomalies.Total, Rejected: v.Floor.Counts.Rejected}
	newest := v.Floor.Anomalies.Newest
	for i := len(newest) - 1; i >= 0; i-- {
		n := &newest[i]
		a.Anomalies = append(a.Anomalies, anomalyAnswer{n.Seq, moment(n.At), text(n.Site), text(n.Machine), n.Kind, n.Text})
	}
	return a, nil
}

// text is null for what nobody said.
func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// moment is a time in UTC, or null for one that nobody knows.
func moment(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}
