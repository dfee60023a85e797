// Package prom shows the floor as Prometheus metrics.
//
// Every scrape reads one immutable view of each journal and makes constant
// metrics from it. The view is a fold of the journal, so counters go on where
// they were after a restart instead of starting again at zero. Only what the
// journal cannot know is live: the readiness, the lag behind the journal, the
// time from an event to its alarm, open pages and refused logins.
//
// Where the floor is divided among journals, each has series of its own, under
// the label partition. They move whole from one watch to another, and are
// absent where they are not shown: a sum over those that a watch happens to
// hold would fall when one goes and leap when it comes back.
//
// Labels are bounded. Machines, channels and hazards that are not configured
// are summed under the value Unconfigured; every other value comes from a
// table of the rules. Series exist at zero from the first scrape on, so that
// the first increase is not lost. A gauge whose value nobody knows is absent,
// and rollwarden_fact_unknown says so: unknown is never shown as a number.
package prom

import (
	"fmt"
	"runtime"
	"slices"
	"time"
	"unicode/utf8"

	"github.com/prometheus/client_golang/prometheus"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
)

// Unconfigured is the label value for everything outside the configuration,
// summed, so that a stray name in the journal cannot add series.
const Unconfigured = "unconfigured"

// PartitionLabel tells the journals of a divided floor apart.
const PartitionLabel = "partition"

// Part is what the watch shows of one journal.
type Part struct {
	Partition string // value of PartitionLabel; empty on a floor that is not divided
	Machines  []plant.Machine

	// View is nil for as long as another watch shows the journal, and until it has
	// been read to its end: of half a journal counters are lower than they were, and
	// a server would take the rest of the reading for new events.
	View func() *rules.View
}

// Options are what the collector reads.
type Options struct {
	Parts    []Part          // at least one
	Films    *film.Catalogue // prices of waste; all waste is unpriced when nil
	Currency string          // the shop's own, so that costs start at zero; may be empty
	Rows     []hazard.Row    // the rule book's hazards
	Channels []string        // pager channels
	Version  string

	// Ready reports whether the watch shows something, and can read and write all
	// that it shows; may be nil.
	Ready func() bool
	// Standby reports whether the watch is well and shows nothing because others
	// show all of the floor; may be nil.
	Standby func() bool
	// Lag is how many messages of the journal are not folded yet; may be nil.
	Lag func() float64
	// OpenPages is how many pages are kept up to date, and RefusedLogins how many
	// logins and tokens were refused since the program started; each may be nil.
	OpenPages     func() int
	RefusedLogins func() uint64
	// ConfigurationRefused reports whether the last one that was read could not
	// be taken up; nil where none is read again.
	ConfigurationRefused func() bool
	// FoldersInTrouble is in how many ticket folders tickets wait; may be nil.
	FoldersInTrouble func() int
	// Odds is the probability of a head strike at the machine's next start as it
	// stands in a view, and false when no run is next; may be nil.
	Odds func(v *rules.View, site, machine string) (float64, bool)
}

// machines are the configured ones of all parts.
func (o *Options) machines() (all []plant.Machine) {
	for _, p := range o.Parts {
		all = append(all, p.Machines...)
	}
	return all
}

// Collector is a prometheus.Collector over views of the floor. It is safe for
// concurrent use.
type Collector struct {
	o       Options
	prices  string   // which price list is in use
	live    []*shape // of the process, in the order of Table; nil for what a part shows
	parts   []part
	latency prometheus.Histogram
}

// part is a Part with what a scrape needs to know about it.
type part struct {
	Part
	shapes []*shape       // in the order of Table; nil for what is live
	place  map[string]int // place of each configured machine, by floor.Key
}

// New returns a collector. The error names the option to mend.
func New(o Options) (*Collector, error) {
	if err := check(&o); err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	c := &Collector{o: o, prices: priceList(o.Currency, o.Films), latency: newLatency(), live: shapes(true, "")}
	for _, p := range o.Parts {
		c.parts = append(c.parts, newPart(p))
	}
	return c, nil
}

func newPart(p Part) part {
	place := make(map[string]int, len(p.Machines))
	for i, m := range p.Machines {
		place[floor.Key(m.Site, m.Name)] = i
	}
	return part{Part: p, shapes: shapes(false, p.Partition), place: place}
}

// shapes are those of the rows of Table that are live, or of those that are not.
func shapes(live bool, partition string) []*shape {
	all := make([]*shape, len(Table))
	for i := range Table {
		if m := &Table[i]; m.Live == live {
			all[i] = shapeOf(m, partition)
		}
	}
	return all
}

func check(o *Options) error {
	if len(o.Parts) == 0 {
		return fmt.Errorf("no view of the floor was given")
	}
	partitions, machines := map[string]bool{}, map[string]bool{}
	for i, p := range o.Parts {
		switch {
		case p.View == nil:
			return fmt.Errorf("parts[%d]: no view of the floor was given", i)
		case partitions[p.Partition], p.Partition == "" && len(o.Parts) > 1, !utf8.ValidString(p.Partition):
			return fmt.Errorf("parts[%d]: want a name of its own in UTF-8, got %q", i, p.Partition)
		}
		partitions[p.Partition] = true
	}
	for i, m := range o.machines() {
		key := floor.Key(m.Site, m.Name)
		if err := checkMachine(m); err != nil {
			return fmt.Errorf("machines[%d]: %w", i, err)
		}
		if machines[key] {
			return fmt.Errorf("machines[%d]: %s is listed twice: remove one", i, key)
		}
		machines[key] = true
	}
	for i, name := range o.Channels {
		if name == "" || !utf8.ValidString(name) || slices.Contains(o.Channels[:i], name) {
			return fmt.Errorf("channels[%d]: want a name of its own in UTF-8, got %q", i, name)
		}
	}
	return nil
}

func checkMachine(m plant.Machine) error {
	if m.Name == Unconfigured {
		return fmt.Errorf("the name %q is kept for machines that are not configured: choose another", Unconfigured)
	}
	if err := event.CheckName("site", m.Site); err != nil {
		return err
	}
	return event.CheckName("name", m.Name)
}

// latencyBounds, in s, reach from one local hop to a journal that stalls.
var latencyBounds = []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 60}

// newLatency makes the one histogram that lives in memory: classic buckets for
// every server, native ones for those that take them.
func newLatency() prometheus.Histogram {
	m := Table[slices.IndexFunc(Table, func(m Metric) bool { return m.Name == latencyName })]
	return prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: m.Name, Help: m.Help, Unit: m.Unit, Buckets: latencyBounds,
		NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100, NativeHistogramMinResetDuration: time.Hour,
	})
}

// maxExemplar is the most letters that OpenMetrics 1.0 allows an exemplar's
// label names and values together.
const maxExemplar = prometheus.ExemplarMaxRunes

// ObserveAlarm notes how long it took from an event to the alarm that it
// raised, with the event's id as the exemplar. A clock elsewhere that runs
// ahead can make the time negative; it then counts as none.
func (c *Collector) ObserveAlarm(took time.Duration, eventID string) {
	const label = "event_id"
	seconds := max(0, took.Seconds())
	if eventID == "" || !utf8.ValidString(eventID) || utf8.RuneCountInString(label+eventID) > maxExemplar {
		c.latency.Observe(seconds)
		return
	}
	c.latency.(prometheus.ExemplarObserver).ObserveWithExemplar(seconds, prometheus.Labels{label: eventID})
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	describe(ch, c.live)
	for i := range c.parts {
		describe(ch, c.parts[i].shapes)
	}
}

func describe(ch chan<- *prometheus.Desc, shapes []*shape) {
	for _, s := range shapes {
		if s != nil {
			ch <- s.desc
		}
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	(&scrape{o: &c.o, latency: c.latency}).collect(ch, c.live)
	for i := range c.parts {
		p := &c.parts[i]
		if view := p.View(); view != nil {
			c.look(p, view).collect(ch, p.shapes)
		}
	}
}

// goVersion is what the program was built with.
func goVersion() string { return runtime.Version() }
