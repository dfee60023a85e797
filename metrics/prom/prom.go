// Package prom shows the floor as Prometheus metrics.
//
// Every scrape reads one immutable view of the floor and makes constant
// metrics from it. The view is a fold of the journal, so counters go on where
// they were after a restart instead of starting again at zero. Only what the
// journal cannot know is live: the readiness, the lag behind the journal, the
// time from an event to its alarm, open pages and refused logins.
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
	"sync/atomic"
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

// Options are what the collector reads. View is required.
type Options struct {
	View     func() *rules.View // nil until the journal has been read
	Ready    func() bool        // whether the journal has been read to its end; View decides when nil
	Machines []plant.Machine
	Films    *film.Catalogue // prices of waste; all waste is unpriced when nil
	Currency string          // the shop's own, so that costs start at zero; may be empty
	Rows     []hazard.Row    // the rule book's hazards
	Channels []string        // pager channels
	Version  string

	// Here reports whether the machines of a site are in the view. Of those that
	// another watch shows nothing is said, not even that they are unknown. All
	// are when nil.
	Here func(site string) bool

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
	// Odds is the probability of a head strike at the machine's next start as
	// it stands, and false when no run is next; may be nil.
	Odds func(site, machine string) (float64, bool)
}

// ready reports whether what the view says is the whole journal.
func (o *Options) ready(v *rules.View) bool {
	return v != nil && (o.Ready == nil || o.Ready())
}

// Collector is a prometheus.Collector over views of the floor. It is safe for
// concurrent use.
type Collector struct {
	o       Options
	descs   []*prometheus.Desc // in the order of Table
	place   map[string]int     // place of each configured machine, by floor.Key
	latency prometheus.Histogram
	whole   atomic.Bool // whether a whole journal was seen once
}

// New returns a collector. The error names the option to mend.
func New(o Options) (*Collector, error) {
	if o.View == nil {
		return nil, fmt.Errorf("metrics: no view of the floor was given")
	}
	c := &Collector{o: o, place: make(map[string]int, len(o.Machines)), latency: newLatency()}
	for i, m := range o.Machines {
		if err := checkMachine(m); err != nil {
			return nil, fmt.Errorf("metrics: machines[%d]: %w", i, err)
		}
		key := floor.Key(m.Site, m.Name)
		if _, twice := c.place[key]; twice {
			return nil, fmt.Errorf("metrics: machines[%d]: %s is listed twice: remove one", i, key)
		}
		c.place[key] = i
	}
	for i, name := range o.Channels {
		if name == "" || !utf8.ValidString(name) || slices.Contains(o.Channels[:i], name) {
			return nil, fmt.Errorf("metrics: channels[%d]: want a name of its own in UTF-8, got %q", i, name)
		}
	}
	for _, m := range Table {
		c.descs = append(c.descs, m.desc())
	}
	return c, nil
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
	for _, d := range c.descs {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
//
// What the journal counts is left out until the journal has been read to its
// end once. A half-read journal would show lower counters than before the
// restart, and a server would take the rest of the reading for new events.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	view := c.o.View()
	s := &scrape{o: &c.o, latency: c.latency, ready: c.o.ready(view)}
	if s.ready {
		c.whole.Store(true)
	}
	folded := view != nil && c.whole.Load()
	if folded {
		s.look(view, c.place)
	}
	for i := range Table {
		if m := &Table[i]; folded || m.Live {
			m.read(s, series{c.descs[i], m.Type.value(), ch})
		}
	}
}

// goVersion is what the program was built with.
func goVersion() string { return runtime.Version() }
