package demo

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// score sets what the watch said against what the world did.
type score struct {
	tickets, broken, signals int
	starts                   int // as the machines count them
	outcomes                 []outcome
	alarms                   map[string]time.Time // first bare-edge alarm of a job since its last start
	raised                   map[string]int       // annunciations by hazard
	treats                   map[string]int       // by remedy
	treatedJob               map[string]bool
	remedyCost               float64
	shelved                  map[string]bool
}

// outcome is one start of a run, with what would have become of it.
type outcome struct {
	machine, job string
	bare         bool // the edge lay bare in the zone as it started
	alarmed      bool // a bare-edge alarm came before the start
	treated      bool // the crew settled the edge after an alarm
	lead         time.Duration
	wouldStrike  bool // with nothing done about the edge, by the luck drawn
	struck       bool
}

func (c *score) init() {
	if c.alarms == nil {
		c.alarms, c.raised, c.treats = map[string]time.Time{}, map[string]int{}, map[string]int{}
		c.treatedJob, c.shelved = map[string]bool{}, map[string]bool{}
	}
}

// alarm notes an annunciation.
func (c *score) alarm(e event.Event, d *event.AlarmChanged) {
	c.raised[d.Hazard]++
	if d.Hazard != "bare-edge" || d.Phase != "queued" {
		return
	}
	if _, known := c.alarms[d.Job]; !known {
		c.alarms[d.Job] = e.Time
	}
}

// treated notes that the crew took a remedy, at the price the alarm gave.
func (c *score) treated(code string, d *event.AlarmChanged) {
	c.treats[code]++
	c.treatedJob[d.Job] = true
	for _, r := range d.Remedies {
		if r.Code == code {
			number, _, _ := strings.Cut(r.Cost, " ")
			if v, err := strconv.ParseFloat(number, 64); err == nil {
				c.remedyCost += v
			}
		}
	}
}

// start notes a run's start. What would have happened untreated follows from
// the luck that was drawn before anybody acted.
func (c *score) start(s *show, m *machine) {
	c.starts++
	r := m.run
	untreated := r.nature
	untreated.settled = m.treated == "no-cut"
	raised, alarmed := c.alarms[r.id]
	o := outcome{
		machine: m.name, job: r.id, bare: !r.nature.settled, alarmed: alarmed, treated: c.treatedJob[r.id],
		wouldStrike: r.luck < untreated.strikes(),
	}
	if alarmed {
		o.lead = s.clock.Now().Sub(raised)
	}
	c.outcomes = append(c.outcomes, o)
	delete(c.alarms, r.id)
	delete(c.treatedJob, r.id)
}

// last is the machine's last start.
func (c *score) last(m *machine) *outcome {
	for i := len(c.outcomes) - 1; i >= 0; i-- {
		if c.outcomes[i].machine == m.name {
			return &c.outcomes[i]
		}
	}
	return &outcome{}
}

func (c *score) count(is func(outcome) bool) (n int) {
	for _, o := range c.outcomes {
		if is(o) {
			n++
		}
	}
	return n
}

func (s *show) introduce() {
	s.score.init()
	s.say("Kestrel Lane Decals: a week with somebody watching (seed %d)", s.o.Seed)
	s.say("Sites north (heron, wren) and quay (plover). Rollwarden is an adviser, not a safety interlock:")
	s.say("people act, and the machine's manual, guards and local codes come first.")
	s.say("")
	s.urls()
	s.record(Opening{"opening", s.o.Seed, s.app.URL() + "/", s.app.URL() + "/metrics", s.app.NATS()})
}

func (s *show) urls() {
	s.say("  board    %s/", s.app.URL())
	s.say("  metrics  %s/metrics", s.app.URL())
	s.say("  as JSON  %s/api/v1/floor  /alarms  /tickets  /anomalies", s.app.URL())
	s.say("  events   %s  subject floor.>", s.app.NATS())
}

// report prints the score of the week.
func (s *show) report() error {
	if err := s.settle(); err != nil {
		return err
	}
	c := s.result()
	s.record(c)
	s.say("\nThe week")
	s.say("  tickets                 %d read, %d rejected, %d signal files", c.Tickets, c.Rejected, c.SignalFiles)
	s.say("  journal                 %d events; anomalies: %s", c.JournalEvents, byCount(c.Anomalies))
	s.say("  starts                  %d, of them %d with a bare edge of cheap film in the cure zone", c.Starts, c.BareStarts)
	s.say("  alarms                  %s", byCount(c.Alarms))
	s.say("\nHead strikes")
	s.say("  happened                %d", c.Strikes)
	s.say("  with an alarm before    %d of %d", c.StrikesWarned, c.Strikes)
	s.say("  without one             %d", c.StrikesUnwarned)
	s.say("  prevented               %d  (an alarm came, the crew settled the edge, and luck says it would have struck)", c.StrikesPrevented)
	s.say("  with nobody watching    %d  (the same week, the same luck, nothing done)", c.StrikesUnwatched)
	s.say("\nAlarms before a start on a bare edge")
	s.say("  starts with an alarm    %d", c.AlarmedStarts)
	s.say("  false                   %d  (even untreated the start would have gone well: the price of not knowing)", c.FalseAlarms)
	s.say("  lead time               %s", c.Leads)
	s.say("  remedies taken          %s, %s in all", byCount(c.Remedies), c.RemedyCost)
	s.say("  against                 %s, %d strikes prevented at about %s each", c.PreventedCost, c.StrikesPrevented, c.StrikeCost)
	if !s.o.Stay {
		s.say("\nThe watch is over; with --stay it goes on, and its board can be looked at.")
	}
	return nil
}

// result is the score of what was played until now.
func (s *show) result() Score {
	c := &s.score
	strikes := c.count(func(o outcome) bool { return o.struck })
	warned := c.count(func(o outcome) bool { return o.struck && o.alarmed })
	prevented := c.count(func(o outcome) bool { return o.wouldStrike && !o.struck && o.alarmed && o.treated })
	strike := s.prices.StrikePrice(s.prices.Films.Lookup(stocks[0].code, stocks[0].class), s.prices.Costs.StrikeReprint)
	return Score{
		Record: "score", Seed: s.o.Seed, Tickets: c.tickets, Rejected: c.broken, SignalFiles: c.signals,
		JournalEvents: s.events(), Anomalies: s.app.View().Floor.Anomalies.Total,
		Starts: c.starts, BareStarts: c.count(func(o outcome) bool { return o.bare && s.cheap(o) }), Alarms: c.raised,
		Strikes: strikes, StrikesWarned: warned, StrikesUnwarned: strikes - warned, StrikesPrevented: prevented,
		StrikesUnwatched: c.count(func(o outcome) bool { return o.wouldStrike }),
		AlarmedStarts:    c.count(func(o outcome) bool { return o.alarmed }),
		FalseAlarms:      c.count(func(o outcome) bool { return o.alarmed && !o.wouldStrike }),
		Leads:            c.leads(), Remedies: c.treats,
		RemedyCost: dollars(c.remedyCost), StrikeCost: dollars(strike), PreventedCost: dollars(float64(prevented) * strike),
	}
}

// dollars writes an amount in the shop's currency.
func dollars(v float64) string { return fmt.Sprintf("%.2f USD", v) }

func (s *show) cheap(o outcome) bool { return o.alarmed || o.wouldStrike || o.struck }

// events counts what the shop said; the watch's own alarms and pages depend on
// how fast the machine is that the demo runs on.
func (s *show) events() (n uint64) {
	for typ, count := range s.app.View().Floor.Counts.Events {
		if k, _ := event.KindOf(typ); k.From != event.FromDaemon {
			n += count
		}
	}
	return n
}

func byCount[N int | uint64](counts map[string]N) string {
	var parts []string
	for k := range counts {
		parts = append(parts, k)
	}
	slices.SortFunc(parts, func(a, b string) int {
		return cmp.Or(cmp.Compare(counts[b], counts[a]), strings.Compare(a, b))
	})
	for i, k := range parts {
		parts[i] = fmt.Sprintf("%d %s", counts[k], k)
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}

// leads are how much time the alarms left, nil without alarms.
func (c *score) leads() *Leads {
	var leads []time.Duration
	for _, o := range c.outcomes {
		if o.alarmed {
			leads = append(leads, o.lead)
		}
	}
	if len(leads) == 0 {
		return nil
	}
	slices.Sort(leads)
	at := func(q float64) float64 { return leads[int(q*float64(len(leads)-1))].Seconds() }
	return &Leads{LeastS: at(0), MedianS: at(0.5), NineOfTenS: at(0.1)}
}

// String says it in words.
func (l *Leads) String() string {
	if l == nil {
		return "no alarms"
	}
	span := func(s float64) string { return units.Span(units.Seconds(s)) }
	return fmt.Sprintf("least %s, median %s, nine of ten above %s", span(l.LeastS), span(l.MedianS), span(l.NineOfTenS))
}
