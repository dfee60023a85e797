package prom

import (
	"maps"
	"slices"
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// scrape is one look at the process, or at one part of the floor.
type scrape struct {
	o       *Options
	latency prometheus.Histogram // of the process
	prices  string               // which price list is in use
	view    *rules.View          // of a part
	places  []place              // its configured machines in their order, then all others as one
}

// collect reads the rows that have a shape.
func (s *scrape) collect(ch chan<- prometheus.Metric, shapes []*shape) {
	pairs := pairs{}
	for i, shape := range shapes {
		if shape != nil {
			Table[i].read(s, series{shape, Table[i].Type, pairs, ch})
		}
	}
}

// place is one configured machine, or all the others together.
type place struct {
	site, machine string
	floor         *floor.Machine // nil when nothing was heard, and for the others
	tally         floor.Tally
	queued        int
	leads         []uint64
	leadSum       float64
	alarms        map[[2]string]int // by state and priority
}

// look sorts a view into places. Sums go through the machines in a fixed
// order, because the last digit of a sum of floats depends on the order and a
// counter must not move back by as much as that.
func (c *Collector) look(of *part, view *rules.View) *scrape {
	s := &scrape{o: &c.o, prices: c.prices, view: view, places: make([]place, len(of.Machines)+1)}
	for i, m := range of.Machines {
		s.places[i].site, s.places[i].machine = m.Site, m.Name
		s.places[i].floor = view.Floor.Machine(m.Site, m.Name)
	}
	others := &s.places[len(of.Machines)]
	others.site, others.machine = Unconfigured, Unconfigured
	at := func(key string) *place {
		if i, ok := of.place[key]; ok {
			return &s.places[i]
		}
		return others
	}
	for _, key := range slices.Sorted(maps.Keys(view.Floor.Machines)) {
		at(key).add(view.Floor.Machines[key])
	}
	for _, key := range slices.Sorted(maps.Keys(view.Alarms.Totals.Leads)) {
		p := at(key)
		p.leads = plus(p.leads, view.Alarms.Totals.Leads[key])
		p.leadSum += view.Alarms.Totals.LeadSum[key]
	}
	for key, list := range view.Alarms.Alarms {
		at(key).count(list)
	}
	return s
}

func (p *place) add(m *floor.Machine) {
	p.queued += len(m.Queue)
	t, n := &p.tally, &m.Tally
	for i := range n.Starts {
		for k := range n.Starts[i] {
			t.Starts[i][k] += n.Starts[i][k]
			t.Strikes[i][k] += n.Strikes[i][k]
		}
	}
	for i := range n.WasteM2 {
		t.WasteM2[i] += n.WasteM2[i]
		t.Reprints[i] += n.Reprints[i]
		t.Copies[i] += n.Copies[i]
	}
	for typ, count := range n.Undone {
		if t.Undone == nil {
			t.Undone = map[event.Type]uint64{}
		}
		t.Undone[typ] += count
	}
	t.WasteBy = append(t.WasteBy, n.WasteBy...)
	t.Finished += n.Finished
	t.Stopped += n.Stopped
	t.PrintedM2 += n.PrintedM2
	t.DownS += n.DownS
}

func (p *place) count(list []alarm.Alarm) {
	if p.alarms == nil {
		p.alarms = map[[2]string]int{}
	}
	for i := range list {
		p.alarms[[2]string{string(list[i].State), list[i].Change.Priority}]++
	}
}

func plus(a, b []uint64) []uint64 {
	sum := make([]uint64, max(len(a), len(b)))
	for i := range sum {
		if i < len(a) {
			sum[i] += a[i]
		}
		if i < len(b) {
			sum[i] += b[i]
		}
	}
	return sum
}

// bounded emits one series for each value that a label may take. A count under
// any other key goes to Unconfigured where the label has that value.
func bounded[K ~string](values []string, counts map[K]uint64, emit func(value string, n uint64)) {
	rest := uint64(0)
	for key, n := range counts {
		if !slices.Contains(values, string(key)) || string(key) == Unconfigured {
			rest += n
		}
	}
	for _, v := range values {
		if v == Unconfigured {
			emit(v, rest)
		} else {
			emit(v, counts[K(v)])
		}
	}
}

// What each row of the table reads.

func perMachine(read func(*place) float64) func(*scrape, series) {
	return func(s *scrape, out series) {
		for i := range s.places {
			p := &s.places[i]
			out.add(read(p), p.site, p.machine)
		}
	}
}

// perKnown reads a gauge of the configured machines that may be unknown.
func perKnown(read func(*floor.Machine) (float64, bool)) func(*scrape, series) {
	return func(s *scrape, out series) {
		for _, p := range s.places[:len(s.places)-1] {
			if p.floor == nil {
				continue
			}
			if v, known := read(p.floor); known {
				out.add(v, p.site, p.machine)
			}
		}
	}
}

func perCause(read func(t *floor.Tally, cause int) float64) func(*scrape, series) {
	return func(s *scrape, out series) {
		for i := range s.places {
			p := &s.places[i]
			for cause, name := range event.WasteCauses {
				out.add(read(&p.tally, cause), p.site, p.machine, name)
			}
		}
	}
}

func perStart(read func(t *floor.Tally, class, treatment int) uint64) func(*scrape, series) {
	return func(s *scrape, out series) {
		for i := range s.places {
			p := &s.places[i]
			for class, name := range event.Classes {
				for k, treatment := range floor.Treatments {
					out.add(float64(read(&p.tally, class, k)), p.site, p.machine, string(name), treatment)
				}
			}
		}
	}
}

// wasteCost prices what was wasted, by currency and cause, and tells the area
// for which the shop gives no price: what is unknown must not count as free.
func (s *scrape) wasteCost(t *floor.Tally) (costs map[string][]float64, unpricedM2 float64) {
	costs = map[string][]float64{}
	if s.o.Currency != "" {
		costs[s.o.Currency] = make([]float64, len(event.WasteCauses))
	}
	for _, w := range t.WasteBy {
		amount, currency := s.price(w)
		if currency == "" {
			unpricedM2 += w.M2
			continue
		}
		if costs[currency] == nil {
			costs[currency] = make([]float64, len(event.WasteCauses))
		}
		costs[currency][w.Cause] += amount
	}
	return costs, unpricedM2
}

// price costs one stock's waste in its currency, which is empty when there is
// no price.
func (s *scrape) price(w floor.StockArea) (amount float64, currency string) {
	if s.o.Films == nil {
		return 0, ""
	}
	cost, err := s.o.Films.Lookup(w.Stock, w.Class).Cost(w.M2)
	if err != nil || cost.CurrencyCode() == "" {
		return 0, ""
	}
	if amount, err = strconv.ParseFloat(cost.Number(), 64); err != nil {
		return 0, ""
	}
	return amount, cost.CurrencyCode()
}

func readWasteCost(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		costs, _ := s.wasteCost(&p.tally)
		for currency, byCause := range costs {
			for cause, name := range event.WasteCauses {
				out.add(byCause[cause], p.site, p.machine, name, currency, s.prices)
			}
		}
	}
}

func readUnpriced(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		_, m2 := s.wasteCost(&p.tally)
		out.add(m2, p.site, p.machine, s.prices)
	}
}

func readRunsEnded(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		out.add(float64(p.tally.Finished), p.site, p.machine, "finished")
		out.add(float64(p.tally.Stopped), p.site, p.machine, "stopped")
	}
}

func readUndone(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		for _, typ := range event.Undoable {
			out.add(float64(p.tally.Undone[typ]), p.site, p.machine, string(typ))
		}
	}
}

func readAlarms(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		for _, state := range standing() {
			for _, priority := range hazard.Priorities {
				n := p.alarms[[2]string{state, string(priority)}]
				out.add(float64(n), p.site, p.machine, state, string(priority))
			}
		}
	}
}

func readTransitions(s *scrape, out series) {
	hazards, states := hazardLabel.Values(s.o), toLabel.Values(s.o)
	rest := map[alarm.State]uint64{}
	for code, byState := range s.view.Alarms.Totals.Transitions {
		if !slices.Contains(hazards, code) || code == Unconfigured {
			for state, n := range byState {
				rest[state] += n
			}
		}
	}
	for _, code := range hazards {
		byState := s.view.Alarms.Totals.Transitions[code]
		if code == Unconfigured {
			byState = rest
		}
		bounded(states, byState, func(to string, n uint64) { out.add(float64(n), code, to) })
	}
}

func readLeads(s *scrape, out series) {
	for i := range s.places {
		p := &s.places[i]
		out.histogram(alarm.LeadBounds, p.leads, p.leadSum, p.site, p.machine)
	}
}

func readEvents(s *scrape, out series) {
	counts := s.view.Floor.Counts
	for _, k := range event.Kinds {
		out.add(float64(counts.Events[k.Type]), string(k.Type))
	}
	out.add(float64(counts.Unknown), unknownType)
}

func readPages(s *scrape, out series) {
	t := &s.view.Alarms.Totals
	for _, r := range []struct {
		result string
		counts map[string]uint64
	}{{"sent", t.Sent}, {"failed", t.Failed}, {"dropped", t.Dropped}} {
		bounded(channelLabel.Values(s.o), r.counts, func(channel string, n uint64) {
			out.add(float64(n), channel, r.result)
		})
	}
}

func readPagesDue(s *scrape, out series) {
	due := map[string]uint64{}
	for _, p := range s.view.Alarms.Pages {
		for _, o := range p.Open {
			due[o.Channel]++
		}
	}
	bounded(channelLabel.Values(s.o), due, func(channel string, n uint64) { out.add(float64(n), channel) })
}

func readOdds(s *scrape, out series) {
	if s.o.Odds == nil {
		return
	}
	for _, p := range s.places[:len(s.places)-1] {
		if odds, next := s.o.Odds(s.view, p.site, p.machine); next {
			out.add(odds, p.site, p.machine)
		}
	}
}

// readHeard shows 0 for a machine that was never heard, so that its silence
// counts as the longest one.
func readHeard(s *scrape, out series) {
	for _, p := range s.places[:len(s.places)-1] {
		v := 0.0
		if p.floor != nil && !p.floor.LastHeard.IsZero() {
			v = float64(p.floor.LastHeard.UnixMilli()) / 1000
		}
		out.add(v, p.site, p.machine)
	}
}

func readUnknown(s *scrape, out series) {
	for _, p := range s.places[:len(s.places)-1] {
		for _, f := range facts {
			out.add(truth(p.floor == nil || !f.known(p.floor)), p.site, p.machine, f.name)
		}
	}
}

// readWatched tells of each site whether the part that it is in is shown.
func readWatched(s *scrape, out series) {
	watched := map[string]float64{}
	for _, p := range s.o.Parts {
		shown := truth(p.View() != nil)
		for _, m := range p.Machines {
			watched[m.Site] = shown
		}
	}
	for site, shown := range watched {
		out.add(shown, site)
	}
}

// facts are what a start is judged on and what may be unknown.
var facts = []struct {
	name  string
	known func(*floor.Machine) bool
}{
	{"film_class", func(m *floor.Machine) bool {
		return m.Roll.Loaded && m.Roll.Class != event.Unknown && m.Roll.Class != ""
	}},
	{"roll_remaining", func(m *floor.Machine) bool { return m.Roll.LeftM.Known() }},
	{"edge_position", func(m *floor.Machine) bool { return m.Edge.PositionMM.Known() }},
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
