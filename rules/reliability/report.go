package reliability

import (
	"time"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Params is what a report needs beyond the journal. All of it may be left out;
// the report then says what it cannot tell.
type Params struct {
	Now           time.Time                                                // up to when something is known; zero for a period that is over
	Films         *film.Catalogue                                          // for the price of film
	Odds          func(risk.Start) risk.Estimate                           // of a strike, as they were known when the period began
	Learnt        func([]risk.Outcome) func(risk.Start) risk.Estimate      // the odds once the period's starts are known as well; nil keeps Odds
	StrikeCost    currency.Amount                                          // what a head strike costs
	TreatmentCost func(s *Start, treatment string) (currency.Amount, bool) // what treating a start's edge costs; false when it has no price
	PlannedBusyS  func(site, machine string) units.Maybe                   // planned busy time of the period, s; nil when not known
	SilentAfter   time.Duration                                            // a machine that says nothing for longer is silent; 72 h when 0
	Calibration   func([]risk.Outcome) risk.Record                         // how the odds given before the period's starts came true
	LetGo         uint64                                                   // entries of the period, or from before it, that the journal no longer held
}

// Report is everything that a rendering shows. Units stand in the names; a
// figure that is not known is null; Confidence is the level of every interval.
// The same fold and parameters give the same bytes.
type Report struct {
	Period
	Zone       string           `json:"zone"`
	Until      time.Time        `json:"until"`   // what happened later is not in it
	Running    bool             `json:"running"` // the period is not over
	Notice     string           `json:"notice,omitzero"`
	Confidence float64          `json:"confidence"`
	Events     uint64           `json:"events"` // of the period, without copies
	Front      Front            `json:"front"`
	Machines   []MachineFigures `json:"machines,omitzero"`
	Kinds      []Outcome        `json:"kinds,omitzero"`    // by film class and treatment
	Remedies   []Remedy         `json:"remedies,omitzero"` // league table of what was done about the edge of low-grade film
	Waste      []Cause          `json:"waste,omitzero"`    // Pareto by area
	Reprints   []Bar            `json:"reprints,omitzero"` // Pareto by job parts
	Trend      Trend            `json:"trend"`
	Charts     []Series         `json:"charts,omitzero"`
	Months     []MonthFigures   `json:"months,omitzero"` // those before and this one, oldest first
	Changes    []ChangeEffect   `json:"changes,omitzero"`
	Alarms     AlarmFigures     `json:"alarms"`
	Tickets    TicketFigures    `json:"tickets"`
	Forecast   *Forecast        `json:"forecast,omitzero"`
	Strikes    []*Strike        `json:"strikes,omitzero"`
	Starts     []*Start         `json:"starts,omitzero"`
	Quality    []Doubt          `json:"data_quality,omitzero"`
}

// Estimate is a figure with its interval. Words say what it is worth where the
// figure alone would mislead.
type Estimate struct {
	Value units.Maybe `json:"value"`
	Low   units.Maybe `json:"low"`
	High  units.Maybe `json:"high"`
	Words string      `json:"words,omitzero"`
}

// Cost is an amount of money, and the film in it that has no price.
type Cost struct {
	Amount     *currency.Amount `json:"amount,omitzero"`      // nil when nothing has a price
	UnpricedM2 float64          `json:"unpriced_m2,omitzero"` // film that is not in the amount
}

// Front is the first page.
type Front struct {
	Strikes       uint64     `json:"strikes"`
	Starts        uint64     `json:"starts"`
	StartsBetween Estimate   `json:"starts_between_strikes"`
	Before        Comparison `json:"before"` // this period against the months before
	WasteM2       float64    `json:"waste_m2"`
	WasteCost     Cost       `json:"waste_cost"`
	Reprints      uint64     `json:"reprints"`
	Prevented     Prevented  `json:"prevented"`
	Next          []Step     `json:"next,omitzero"` // at most three things to do, the most worth first
}

// Comparison holds the strikes per start of one span against another's.
type Comparison struct {
	Strikes       uint64      `json:"strikes"`
	Starts        uint64      `json:"starts"`
	BeforeStrikes uint64      `json:"before_strikes"`
	BeforeStarts  uint64      `json:"before_starts"`
	Ratio         Estimate    `json:"ratio"` // of strikes per start: below 1 is better than before
	P             units.Maybe `json:"p"`     // of a difference as large if nothing had changed
	Words         string      `json:"words"`
}

// Prevented estimates the strikes that did not come because somebody acted on
// an alarm: over the starts that were warned of and treated, the sum of what
// the odds would have been untreated less what they were, by all that is known
// at the end: what came of the starts that were left bare says most about what
// the others were spared. Odds are learnt, and
// so the difference may come out below zero. It is never cut off there: an
// interval that reaches zero is NotShown, and says so.
type Prevented struct {
	Estimate
	Starts uint64 `json:"starts"` // warned of and treated
	How    string `json:"how"`
}

// Step is one thing to do next.
type Step struct {
	Title   string           `json:"title"`
	Saving  *currency.Amount `json:"saving,omitzero"`  // a period like this one is expected to save; nil when it cannot be priced
	Strikes units.Maybe      `json:"expected_strikes"` // fewer, where it is about strikes
	Reason  string           `json:"reason"`
}

// MachineFigures is a machine in the period.
type MachineFigures struct {
	Site          string    `json:"site"`
	Machine       string    `json:"machine"`
	Starts        uint64    `json:"starts"`
	Strikes       uint64    `json:"strikes"`
	StartsBetween Estimate  `json:"starts_between_strikes"`
	PrintedM      float64   `json:"printed_m"`
	PrintedM2     float64   `json:"printed_m2"`
	RunS          float64   `json:"run_s"`  // between starts and ends of runs, without downtime
	DownS         float64   `json:"down_s"` // after strikes
	WasteM2       float64   `json:"waste_m2"`
	WasteCost     Cost      `json:"waste_cost"`
	Reprints      uint64    `json:"reprints"`
	KPIs          KPIs      `json:"kpis"` // ISO 22400-2
	LastHeard     time.Time `json:"last_heard,omitzero"`
	SilentS       float64   `json:"longest_silence_s"`
	Silent        bool      `json:"silent"` // for longer than a machine in use should be
}

// Outcome is what came of the starts of one kind.
type Outcome struct {
	Class     event.Class `json:"film_class"`
	Treatment string      `json:"treatment"`
	Starts    uint64      `json:"starts"`
	Strikes   uint64      `json:"strikes"` // that these starts ended in; also one on a run not seen to start
	Odds      Estimate    `json:"odds"`    // of a start to end in a strike, Clopper and Pearson's interval
}

// Remedy is a row of the league table.
type Remedy struct {
	Treatment string           `json:"treatment"`
	Starts    uint64           `json:"starts"`
	Struck    uint64           `json:"struck"` // starts that ended in a strike
	Odds      Estimate         `json:"odds"`
	Expected  units.Maybe      `json:"expected_strikes"`      // by the odds that the rules hold
	Against   *Comparison      `json:"against_none,omitzero"` // against starts that nothing was done for
	Cost      *currency.Amount `json:"cost,omitzero"`         // of one treatment, the mean over its starts
}

// Cause is a bar of the Pareto chart of waste.
type Cause struct {
	Bar
	Cost Cost `json:"cost"`
}

// Trend is the Crow-AMSAA model of strikes over starts, over the whole life. It
// expects Lambda·t^Beta strikes in the first t starts.
type Trend struct {
	Strikes     int         `json:"strikes"`
	Starts      uint64      `json:"starts"`
	SinceStart  uint64      `json:"since_start"` // starts before it are not in the model
	Beta        Estimate    `json:"beta"`        // below 1 strikes become rarer
	Lambda      units.Maybe `json:"lambda"`
	Between     Estimate    `json:"starts_between_now"`
	Cramer      units.Maybe `json:"cramer_von_mises"`
	CramerLimit units.Maybe `json:"cramer_von_mises_limit"`
	Fits        bool        `json:"fits"`
	Words       string      `json:"words"`

	Points []TrendPoint `json:"points,omitzero"` // at most maxTrendPoints strikes, the last one among them
}

// TrendPoint is one strike of the trend.
type TrendPoint struct {
	At      time.Time   `json:"at"`
	Starts  float64     `json:"starts"`           // before it, half of its own start included
	Strikes int         `json:"strikes"`          // up to it
	Model   units.Maybe `json:"expected_strikes"` // by the model
}

// Series is a control chart with what it is of.
type Series struct {
	Name   string        `json:"name"` // g, t, u, p-prime, individuals or ewma
	Title  string        `json:"title"`
	Unit   string        `json:"unit"`
	Center float64       `json:"center"`
	Points []SeriesPoint `json:"points"`
	Words  string        `json:"words"`
}

// SeriesPoint is one point of a chart.
type SeriesPoint struct {
	Label  string  `json:"label"` // a date of the shop's
	Value  float64 `json:"value"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Beyond bool    `json:"beyond"` // its limits
}

// MonthFigures is a month in the comparison of months.
type MonthFigures struct {
	Summary
	StartsBetween Estimate `json:"starts_between_strikes"`
	WasteM2       float64  `json:"waste_m2"`
	WasteCost     Cost     `json:"waste_cost"`
}

// ChangeEffect is a change that the shop marked, with strikes per start before
// and after. The day of the change counts as after.
type ChangeEffect struct {
	Label   string     `json:"label"`
	Site    string     `json:"site"`
	Machine string     `json:"machine"` // event.AnyMachine for the whole site
	Since   time.Time  `json:"since"`
	Effect  Comparison `json:"effect"`
}

// TicketFigures counts what came in.
type TicketFigures struct {
	Received  uint64 `json:"received"`
	Withdrawn uint64 `json:"withdrawn"`
	Rejected  uint64 `json:"rejected"`
	Kinds     []Bar  `json:"rejected_by_kind,omitzero"`
	Advice    []Bar  `json:"advice_accepted,omitzero"`
}

// Forecast says how well the odds that were given came true, see
// risk.Calibration, and how well the plain average of the starts before would
// have done:
//
//	Brier = Reliability - Resolution + Uncertainty + Within
type Forecast struct {
	Starts         int           `json:"starts"`
	Strikes        int           `json:"strikes"` // starts that ended in one
	Brier          float64       `json:"brier"`
	AverageBrier   float64       `json:"brier_of_average"`
	AgainstAverage units.Maybe   `json:"skill_against_average"` // 1 - Brier/AverageBrier
	Reliability    float64       `json:"reliability"`
	Resolution     float64       `json:"resolution"`
	Uncertainty    float64       `json:"uncertainty"`
	Within         float64       `json:"within"`
	Skill          units.Maybe   `json:"skill"`         // 1 - Brier/Uncertainty: against the period's own average, which nobody knew before
	Bins           []ForecastBin `json:"bins,omitzero"` // those with starts
	Words          string        `json:"words"`
}

// ForecastBin are starts of about the same odds.
type ForecastBin struct {
	Low     float64  `json:"low"`
	High    float64  `json:"high"`
	MeanP   float64  `json:"mean_p"` // what was said
	Starts  int      `json:"starts"`
	Strikes int      `json:"strikes"`
	Rate    Estimate `json:"rate"` // what came
}

// Doubt is something that makes figures less sure.
type Doubt struct {
	Code  string `json:"code"`
	Count uint64 `json:"count"`
	Words string `json:"words"`
}

// AlarmFigures are after IEC 62682 (ANSI/ISA-18.2-2016, clause 16), for the
// whole shop as one operator's position. An annunciation is an alarm that is
// made known, and again when its risky start comes.
type AlarmFigures struct {
	Annunciations uint64          `json:"annunciations"`
	PerTenMinutes units.Maybe     `json:"per_10_min"`
	Peak          uint64          `json:"peak_per_10_min"` // in clock-aligned intervals
	PeakAt        time.Time       `json:"peak_at,omitzero"`
	Floods        uint64          `json:"floods"`      // from more than 10 in 10 min until fewer than 5
	FloodShare    units.Maybe     `json:"flood_share"` // of the period
	Chattering    uint64          `json:"chattering"`  // alarms announced 3 times or more within 1 min, at any time
	Fleeting      uint64          `json:"fleeting"`    // that were gone within 1 min and never acknowledged
	Stale         uint64          `json:"stale"`       // that stood for more than 24 h
	TopTenShare   units.Maybe     `json:"top_10_share"`
	Top           []Bar           `json:"top,omitzero"` // the ten most frequent: hazard on a machine
	Priorities    []Bar           `json:"priorities,omitzero"`
	Hazards       []HazardFigures `json:"hazards,omitzero"`
	BareEdge      AlarmQuality    `json:"bare_edge"`
	Words         string          `json:"words"`
}

// HazardFigures is how the alarms of a hazard went.
type HazardFigures struct {
	Hazard        string      `json:"hazard"`
	Annunciations uint64      `json:"annunciations"`
	Alarms        uint64      `json:"alarms"` // without those announced again
	Acknowledged  uint64      `json:"acknowledged"`
	MedianAckS    units.Maybe `json:"median_to_acknowledge_s"`
	Started       uint64      `json:"started"` // alarms that a start of their job part followed
	MedianLeadS   units.Maybe `json:"median_lead_s"`
	TenthLeadS    units.Maybe `json:"tenth_lead_s"` // nine of ten came earlier than this before the start
	Treated       uint64      `json:"treated"`      // of those started
	Untreated     uint64      `json:"untreated"`
	Struck        uint64      `json:"struck"`
}

// AlarmQuality judges bare-edge alarms by the starts that followed.
//
// Precision: of the starts that were warned of and left untreated, how many
// ended in a strike. A start that was treated tells nothing of whether its
// alarm was right. Recall: of the starts that ended in a strike, how many were
// warned of, treated or not.
type AlarmQuality struct {
	WarnedTreated         uint64   `json:"warned_treated"`
	WarnedTreatedStruck   uint64   `json:"warned_treated_struck"`
	WarnedUntreated       uint64   `json:"warned_untreated"`
	WarnedUntreatedStruck uint64   `json:"warned_untreated_struck"`
	Unwarned              uint64   `json:"unwarned"`
	UnwarnedStruck        uint64   `json:"unwarned_struck"`
	Precision             Estimate `json:"precision"`
	Recall                Estimate `json:"recall"`
}
