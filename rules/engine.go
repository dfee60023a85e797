// Package rules is what is true about the floor: it folds events into a state
// and judges that state against the hazards, without a clock, a file, a network
// or a goroutine of its own.
//
//	event ──► Apply ──► floor state ──► Judge ──► alarm.changed events
//	            ▲                         │
//	            └──── the journal ◄───────┘
//
// Apply folds, on replay and live alike, and never judges. Judge compares the
// state with the rule book and returns the transitions that are due; they take
// effect only when they come back through the journal. Judging twice at one
// instant yields nothing new.
package rules

import (
	"errors"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

// Site is what the engine is told about the shop.
type Site struct {
	Machines []plant.Machine
	Default  plant.Machine // for a machine that is not configured
	Films    *film.Catalogue
	Book     *hazard.Book
	Drift    register.ClassDefault // register of film without control strips
	Advisor  *remedy.Advisor
	Learn    func([]risk.Cell) remedy.Odds // fits the odds to the shop's own starts; nil keeps the advisor's
	Display  units.Display
	PageFor  func(hazard.Priority) []string // channels that a priority is paged on; may be nil
	Lapse    time.Duration                  // when an alarm that is gone and not acknowledged returns to normal
}

// Source is the CloudEvents source of the engine's own events.
const Source = "rollwarden/watch"

// Engine is the state of the floor and of its alarms. It is not safe for
// concurrent use: one goroutine owns it, and readers get a View.
type Engine struct {
	site   Site
	plants map[machineID]*plant.Machine
	rules  map[hazard.Place]*hazard.Rules
	rows   rowSets
	paces  map[machineID]learnt

	seq    uint64
	seen   floor.Memory
	floor  *floor.State
	alarms *alarm.Book

	advisor remedy.Advisor // the site's, with the odds learnt so far
	starts  uint64         // so many runs were started
	learnAt uint64         // so many starts make the odds worth learning anew

	drift  *register.Model // the site's, with the control strips measured so far
	strips bool            // strips changed since

	dirty   map[string]bool // machines to judge
	watches map[string]*watch
	wakes   wakes
	pending int            // transitions on their way to the journal
	scratch []hazard.Scene // of the machine that is judged, kept to save allocations
	near    int            // so many of them are not behind the first of the queue
	found   []finding      // likewise
	keys    []string       // likewise, of the machines to judge
}

// New returns an engine over an empty journal.
func New(site Site) *Engine {
	e := &Engine{
		site:    site,
		plants:  make(map[machineID]*plant.Machine, len(site.Machines)),
		rules:   map[hazard.Place]*hazard.Rules{},
		paces:   map[machineID]learnt{},
		rows:    sortRows(site.Book.Rows),
		floor:   floor.New(),
		drift:   register.Learn(site.Drift, nil),
		alarms:  alarm.NewBook(),
		dirty:   map[string]bool{},
		watches: map[string]*watch{},
	}
	if site.Advisor != nil {
		e.advisor = *site.Advisor
	}
	for i := range site.Machines {
		m := &site.Machines[i]
		e.plants[machineID{m.Site, m.Name}] = m
	}
	return e
}

// Seq is the journal sequence that was applied last.
func (e *Engine) Seq() uint64 { return e.seq }

// Apply folds one event of the journal and reports whether it was new. An
// event that was seen before changes nothing but the count of duplicates.
func (e *Engine) Apply(seq uint64, ev event.Event) bool {
	e.seq = seq
	if !e.seen.Add(ev) {
		e.floor.Counts.Duplicate++
		return false
	}
	e.floor.Apply(seq, ev)
	e.alarms.Apply(seq, ev, e.floor)
	e.heed(ev)
	e.touch(ev)
	return true
}

// Refuse notes a message of the journal that could not be decoded.
func (e *Engine) Refuse(seq uint64, stored time.Time, subject string, err error) {
	e.seq = seq
	e.floor.Refuse(seq, stored, subject, err)
}

// touch marks the machines that an event may have changed.
func (e *Engine) touch(ev event.Event) {
	if ev.Machine == event.AnyMachine {
		for key, m := range e.floor.Machines {
			if m.Site == ev.Site {
				e.dirty[key] = true
			}
		}
		return
	}
	w := e.watchOf(ev.Site, ev.Machine)
	e.dirty[w.machine] = true
	if d, ok := ev.Data.(*event.AlarmChanged); ok {
		e.settle(w, alarm.Key{Hazard: d.Hazard, Job: d.Job, Part: d.Part})
	}
}

// snapshotVersion changes when the form of the snapshot does; an older one is
// then ignored and the journal folded from its start.
const snapshotVersion = 8

type snapshot struct {
	Version int          `json:"version"`
	Seq     uint64       `json:"seq"`
	Seen    floor.Memory `json:"seen"`
	Floor   *floor.State `json:"floor"`
	Alarms  *alarm.Book  `json:"alarms"`
}

// Frozen is the whole state at one moment, ready to be written down by another
// goroutine while the engine goes on.
type Frozen struct{ state snapshot }

// Freeze returns the present state. It is as cheap as a View.
func (e *Engine) Freeze() Frozen {
	return Frozen{snapshot{snapshotVersion, e.seq, e.seen.Freeze(), e.floor.Snapshot(), e.alarms.Snapshot()}}
}

// Seq is the journal sequence that the state was applied up to.
func (f Frozen) Seq() uint64 { return f.state.Seq }

// Encode writes the state. Two engines that applied the same journal write the
// same bytes.
func (f Frozen) Encode() ([]byte, error) {
	b, err := json.Marshal(f.state, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("write snapshot: %w", err)
	}
	return b, nil
}

// Restore replaces the state with a snapshot's. The error says why a snapshot
// is of no use; the engine is then as it was.
func (e *Engine) Restore(data []byte) error {
	s := snapshot{Floor: floor.New(), Alarms: alarm.NewBook()}
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("read snapshot: %w", err)
	}
	if s.Version != snapshotVersion {
		return fmt.Errorf("snapshot has version %d and this program reads %d: the journal is folded from its start", s.Version, snapshotVersion)
	}
	if s.Floor == nil || s.Alarms == nil {
		return errors.New("snapshot: want a floor and its alarms, got none: the journal is folded from its start")
	}
	for key, m := range s.Floor.Machines {
		if m == nil {
			return fmt.Errorf("snapshot: want what is known of machine %s, got nothing: the journal is folded from its start", key)
		}
	}
	e.seq, e.seen, e.floor, e.alarms = s.Seq, s.Seen, s.Floor, s.Alarms
	e.starts, e.learnAt, e.strips = startsOf(e.floor), 0, true
	e.watches, e.wakes, e.pending = map[string]*watch{}, nil, 0
	for key := range e.floor.Machines {
		e.dirty[key] = true
	}
	return nil
}

// machineID finds a machine without joining its names into a text first.
type machineID struct{ site, name string }

// plantOf returns what is configured for a machine.
func (e *Engine) plantOf(site, name string) *plant.Machine {
	id := machineID{site, name}
	if m, ok := e.plants[id]; ok {
		return m
	}
	m := e.site.Default
	m.Site, m.Name, m.Configured = site, name, false
	e.plants[id] = &m
	return &m
}

func (e *Engine) rulesFor(p hazard.Place) *hazard.Rules {
	r, ok := e.rules[p]
	if !ok {
		if len(e.rules) == mostPlaces {
			clear(e.rules) // stock codes come from outside; the real ones are soon back
		}
		r = e.site.Book.Resolve(p)
		e.rules[p] = r
	}
	return r
}

// mostPlaces bounds the rules that are kept resolved.
const mostPlaces = 4096
