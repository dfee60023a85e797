package prom

import (
	"github.com/prometheus/client_golang/prometheus"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// Type is the type of a metric in Prometheus and OpenMetrics.
type Type string

// The types in use.
const (
	Counter   Type = "counter"
	Gauge     Type = "gauge"
	Histogram Type = "histogram"
)

// Metric is one row of the table: the source of the descriptions that a scrape
// shows and of the catalogue in the documentation.
type Metric struct {
	Name   string
	Type   Type
	Unit   string // base unit as it stands in the name; empty for counts and ratios
	Help   string
	Labels []Label
	Live   bool // of the process, and shown whatever it holds; all others are folds of a journal

	read func(*scrape, series)
}

func (m *Metric) desc(constant prometheus.Labels) *prometheus.Desc {
	names := make([]string, len(m.Labels))
	for i, l := range m.Labels {
		names[i] = l.Name
	}
	return prometheus.V2.NewDesc(m.Name, m.Help, prometheus.UnconstrainedLabels(names), constant, prometheus.WithUnit(m.Unit))
}

// Label is one label with all values that it can take.
type Label struct {
	Name   string
	From   string // where the values come from
	Values func(*Options) []string
}

// The labels. What comes from the configuration has Unconfigured as its last
// value for all the rest.
var (
	siteLabel = Label{"site", "the configured sites, and `" + Unconfigured + "` for all machines that are not", func(o *Options) []string {
		all := o.machines()
		return configured(len(all), func(i int) string { return all[i].Site })
	}}
	watchedLabel = Label{"site", "the configured sites", func(o *Options) []string {
		sites := siteLabel.Values(o)
		return sites[:len(sites)-1]
	}}
	machineLabel = Label{"machine", "the configured machines, and `" + Unconfigured + "` for all others together", func(o *Options) []string {
		all := o.machines()
		return configured(len(all), func(i int) string { return all[i].Name })
	}}
	hazardLabel = Label{"hazard", "the hazards of the rule book, and `" + Unconfigured + "` for those no longer in it", func(o *Options) []string {
		return configured(len(o.Rows), func(i int) string { return string(o.Rows[i].Code) })
	}}
	channelLabel = Label{"channel", "the configured channels, and `" + Unconfigured + "` for those no longer configured", func(o *Options) []string {
		return configured(len(o.Channels), func(i int) string { return o.Channels[i] })
	}}
	currencyLabel = Label{"currency", "the shop's currency and those of its price list, ISO 4217", nil}
	pricesLabel   = Label{"prices", "a fingerprint of the price list in use, one at a time", nil}
	versionLabel  = Label{"version", "the program", func(o *Options) []string { return []string{o.Version} }}
	goLabel       = Label{"goversion", "the compiler", func(*Options) []string { return []string{goVersion()} }}

	classLabel     = Label{"film_class", "the film classes", fixed(names(event.Classes)...)}
	treatmentLabel = Label{"treatment", "what was done about the edge before the start", fixed(floor.Treatments...)}
	causeLabel     = Label{"cause", "the causes of waste and reprints", fixed(event.WasteCauses...)}
	stateLabel     = Label{"state", "the alarm states of IEC 62682 other than normal", fixed(standing()...)}
	toLabel        = Label{"to", "the alarm states of IEC 62682, and `" + Unconfigured + "` for any other word", fixed(append(names(alarm.States), Unconfigured)...)}
	priorityLabel  = Label{"priority", "the alarm priorities", fixed(names(hazard.Priorities)...)}
	typeLabel      = Label{"type", "the event types of the contract, and `" + unknownType + "`", fixed(eventTypes()...)}
	undoneLabel    = Label{"type", "the event types that can be taken back", fixed(names(event.Undoable)...)}
	kindLabel      = Label{"kind", "what was wrong with a file, or `event` for a message in the journal", fixed(append(names(event.RejectKinds), "event")...)}
	anomalyLabel   = Label{"kind", "the anomalies that the fold can record", fixed(anomalyKinds()...)}
	sendLabel      = Label{"result", "`sent` and `dropped` count pages, `failed` counts tries", fixed("sent", "failed", "dropped")}
	endLabel       = Label{"result", "how a run ended", fixed("finished", "stopped")}
	warnedLabel    = Label{"warned", "whether a bare-edge alarm stood before the strike", fixed("yes", "no")}
	factLabel      = Label{"fact", "the facts that a start is judged on", fixed(factNames()...)}
)

var atMachine = []Label{siteLabel, machineLabel}

func at(more ...Label) []Label { return append(append([]Label{}, atMachine...), more...) }

// unknownType labels events of types outside the contract.
const unknownType = "unknown"

const latencyName = "rollwarden_event_to_alarm_seconds"

// Table lists every metric.
var Table = []Metric{
	{Name: "rollwarden_starts_total", Type: Counter, Labels: at(classLabel, treatmentLabel),
		Help: "Runs started, by the film loaded and what had been done about its edge.",
		read: perStart(func(t *floor.Tally, c, k int) uint64 { return t.Starts[c][k] })},
	{Name: "rollwarden_head_strikes_total", Type: Counter, Labels: at(classLabel, treatmentLabel),
		Help: "Head strikes recorded, by the film loaded and what had been done about its edge.",
		read: perStart(func(t *floor.Tally, c, k int) uint64 { return t.Strikes[c][k] })},
	{Name: "rollwarden_strikes_by_warning_total", Type: Counter, Labels: []Label{warnedLabel},
		Help: "Head strikes recorded, by whether a bare-edge alarm stood before.",
		read: func(s *scrape, out series) {
			out.add(float64(s.view.Alarms.Totals.Warned), "yes")
			out.add(float64(s.view.Alarms.Totals.Unwarned), "no")
		}},
	{Name: "rollwarden_strike_probability", Type: Gauge, Labels: at(),
		Help: "Probability of a head strike at the machine's next start as it stands; absent when no run is next.",
		read: readOdds},
	{Name: "rollwarden_runs_ended_total", Type: Counter, Labels: at(endLabel),
		Help: "Runs that ended, finished or stopped before their end.", read: readRunsEnded},
	{Name: "rollwarden_printed_square_meters_total", Type: Counter, Unit: "square_meters", Labels: at(),
		Help: "Film area fed by runs.", read: perMachine(func(p *place) float64 { return p.tally.PrintedM2 })},
	{Name: "rollwarden_downtime_seconds_total", Type: Counter, Unit: "seconds", Labels: at(),
		Help: "Time out of production after head strikes, as recorded.", read: perMachine(func(p *place) float64 { return p.tally.DownS })},
	{Name: "rollwarden_film_waste_square_meters_total", Type: Counter, Unit: "square_meters", Labels: at(causeLabel),
		Help: "Film thrown away.", read: perCause(func(t *floor.Tally, i int) float64 { return t.WasteM2[i] })},
	{Name: "rollwarden_film_waste_cost_total", Type: Counter, Labels: at(causeLabel, currencyLabel, pricesLabel),
		Help: "All film ever thrown away, at the price list in use, in units of the currency. Another price list is another counter.", read: readWasteCost},
	{Name: "rollwarden_film_waste_unpriced_square_meters_total", Type: Counter, Unit: "square_meters", Labels: at(pricesLabel),
		Help: "All film ever thrown away for which the price list in use gives no price, so that the cost leaves it out. Another price list is another counter.", read: readUnpriced},
	{Name: "rollwarden_reprints_total", Type: Counter, Labels: at(causeLabel),
		Help: "Reprints recorded.", read: perCause(func(t *floor.Tally, i int) float64 { return float64(t.Reprints[i]) })},
	{Name: "rollwarden_reprinted_copies_total", Type: Counter, Labels: at(causeLabel),
		Help: "Copies printed again, where the number was recorded.", read: perCause(func(t *floor.Tally, i int) float64 { return t.Copies[i] })},
	{Name: "rollwarden_entries_undone_total", Type: Counter, Labels: at(undoneLabel),
		Help: "Entries that a person took back. Other counters keep what those had counted: subtract them to know what stands.", read: readUndone},

	{Name: "rollwarden_roll_remaining_meters", Type: Gauge, Unit: "meters", Labels: at(),
		Help: "Film left on the roll; absent when unknown.",
		read: perKnown(func(m *floor.Machine) (float64, bool) { return m.Roll.LeftM.Get() })},
	{Name: "rollwarden_edge_position_meters", Type: Gauge, Unit: "meters", Labels: at(),
		Help: "Leading edge, downstream of the print line; absent when unknown.",
		read: perKnown(func(m *floor.Machine) (float64, bool) {
			mm, known := m.Edge.PositionMM.Get()
			return mm / 1000, known
		})},
	{Name: "rollwarden_fact_unknown", Type: Gauge, Labels: at(factLabel),
		Help: "1 when nobody has said what the fact is, which is never safe.", read: readUnknown},
	{Name: "rollwarden_queue_runs", Type: Gauge, Labels: at(),
		Help: "Runs waiting in the queue.", read: perMachine(func(p *place) float64 { return float64(p.queued) })},
	{Name: "rollwarden_machine_last_heard_timestamp_seconds", Type: Gauge, Unit: "seconds", Labels: at(),
		Help: "When the machine or its operator was last heard, seconds since 1970; 0 for never.", read: readHeard},

	{Name: "rollwarden_alarms", Type: Gauge, Labels: at(stateLabel, priorityLabel),
		Help: "Alarms that are not normal.", read: readAlarms},
	{Name: "rollwarden_alarm_transitions_total", Type: Counter, Labels: []Label{hazardLabel, toLabel},
		Help: "Alarm transitions, by the state reached.", read: readTransitions},
	{Name: "rollwarden_alarm_lead_seconds", Type: Histogram, Unit: "seconds", Labels: at(),
		Help: "Time from the first bare-edge alarm of a run to its start.", read: readLeads},
	{Name: latencyName, Type: Histogram, Unit: "seconds", Live: true,
		Help: "Time from an event to the alarm that it raised, since the program started.",
		read: func(s *scrape, out series) { s.latency.Collect(out.ch) }},
	{Name: "rollwarden_pages_total", Type: Counter, Labels: []Label{channelLabel, sendLabel},
		Help: "Pages sent, tries that failed, and pages given up.", read: readPages},
	{Name: "rollwarden_pages_due", Type: Gauge, Labels: []Label{channelLabel},
		Help: "Pages that the channel has not taken yet.", read: readPagesDue},

	{Name: "rollwarden_events_total", Type: Counter, Labels: []Label{typeLabel},
		Help: "Events of the journal, each counted once.", read: readEvents},
	{Name: "rollwarden_duplicate_events_total", Type: Counter,
		Help: "Events that came again and changed nothing.",
		read: func(s *scrape, out series) { out.add(float64(s.view.Floor.Counts.Duplicate)) }},
	{Name: "rollwarden_rejected_inputs_total", Type: Counter, Labels: []Label{kindLabel},
		Help: "Files and messages that could not be read.",
		read: func(s *scrape, out series) {
			bounded(kindLabel.Values(s.o), s.view.Floor.Counts.Rejected, func(kind string, n uint64) { out.add(float64(n), kind) })
		}},
	{Name: "rollwarden_anomalies_total", Type: Counter, Labels: []Label{anomalyLabel},
		Help: "Events that did not fit the model of the floor.",
		read: func(s *scrape, out series) {
			bounded(anomalyLabel.Values(s.o), s.view.Floor.Anomalies.Total, func(kind string, n uint64) { out.add(float64(n), kind) })
		}},

	{Name: "rollwarden_journal_sequence", Type: Gauge,
		Help: "Sequence of the journal's last folded message.",
		read: func(s *scrape, out series) { out.add(float64(s.view.Seq)) }},
	{Name: "rollwarden_journal_lag_messages", Type: Gauge, Live: true,
		Help: "Messages of the journal that are not folded yet.",
		read: func(s *scrape, out series) {
			if s.o.Lag != nil {
				out.add(s.o.Lag())
			}
		}},
	{Name: "rollwarden_open_pages", Type: Gauge, Live: true,
		Help: "Pages that are open and kept up to date.",
		read: func(s *scrape, out series) {
			if s.o.OpenPages != nil {
				out.add(float64(s.o.OpenPages()))
			}
		}},
	{Name: "rollwarden_refused_logins_total", Type: Counter, Live: true,
		Help: "Logins and tokens that were refused since the program started.",
		read: func(s *scrape, out series) {
			if s.o.RefusedLogins != nil {
				out.add(float64(s.o.RefusedLogins()))
			}
		}},
	{Name: "rollwarden_configuration_refused", Type: Gauge, Live: true,
		Help: "1 when the configuration was read again and could not be taken up, so that the one before is in use.",
		read: func(s *scrape, out series) {
			if s.o.ConfigurationRefused != nil {
				out.add(truth(s.o.ConfigurationRefused()))
			}
		}},
	{Name: "rollwarden_ticket_folders_in_trouble", Type: Gauge, Live: true,
		Help: "Ticket folders that cannot be used, or in which tickets wait because they cannot be read or moved.",
		read: func(s *scrape, out series) {
			if s.o.FoldersInTrouble != nil {
				out.add(float64(s.o.FoldersInTrouble()))
			}
		}},
	{Name: "rollwarden_ready", Type: Gauge, Live: true,
		Help: "1 when the watch shows something of the floor, and all that it shows was read to its end and can be read and written now.",
		read: func(s *scrape, out series) {
			if s.o.Ready != nil {
				out.add(truth(s.o.Ready()))
			}
		}},
	{Name: "rollwarden_standby", Type: Gauge, Live: true,
		Help: "1 when the watch is well and shows nothing because others show all of the floor; it is not ready then, and takes over when they fall silent.",
		read: func(s *scrape, out series) {
			if s.o.Standby != nil {
				out.add(truth(s.o.Standby()))
			}
		}},
	{Name: "rollwarden_site_watched", Type: Gauge, Labels: []Label{watchedLabel}, Live: true,
		Help: "1 for a site that this watch shows, 0 for one that it leaves to another or has not read yet.", read: readWatched},
	{Name: "rollwarden_build_info", Type: Gauge, Labels: []Label{versionLabel, goLabel}, Live: true,
		Help: "Always 1; the labels say which program runs.",
		read: func(s *scrape, out series) { out.add(1, s.o.Version, goVersion()) }},
}

// The values of labels.

func fixed(values ...string) func(*Options) []string {
	return func(*Options) []string { return values }
}

// configured lists distinct values of the configuration and then the one for
// all the rest.
func configured(n int, value func(int) string) []string {
	values := make([]string, 0, n+1)
	seen := make(map[string]bool, n+1)
	for i := range n {
		if v := value(i); !seen[v] && v != Unconfigured {
			seen[v] = true
			values = append(values, v)
		}
	}
	return append(values, Unconfigured)
}

func names[T ~string](values []T) []string {
	out := make([]string, len(values))
	for i, v := range values {
		out[i] = string(v)
	}
	return out
}

// standing lists the states in which an alarm is listed at all.
func standing() []string {
	var states []string
	for _, s := range alarm.States {
		if s != alarm.Normal {
			states = append(states, string(s))
		}
	}
	return states
}

func eventTypes() []string {
	types := make([]string, 0, len(event.Kinds)+1)
	for _, k := range event.Kinds {
		types = append(types, string(k.Type))
	}
	return append(types, unknownType)
}

func anomalyKinds() []string {
	kinds := make([]string, len(floor.AnomalyKinds))
	for i, k := range floor.AnomalyKinds {
		kinds[i] = k.Code
	}
	return kinds
}

func factNames() []string {
	out := make([]string, len(facts))
	for i, f := range facts {
		out[i] = f.name
	}
	return out
}
