// Package reliability computes what a monthly report shows: how often the heads
// were struck, whether that is getting better, what it cost and what to do next.
//
//	journal ──► Fold ──► Compute ──► Report ──► any number of renderings
//
// A Fold follows the floor through the same code as the watch does, so that a
// report and the daemon can never count differently, and keeps records of what
// happened: starts, strikes, waste, reprints, alarms. A report is made of
// records only when it is asked for, and so an entry that is taken back is a
// record less. Months before the one reported are squeezed to History, a few
// hundred bytes each, which may be saved for the fold of the next month.
//
// The statistics stand beside it, one formula to a function with its source.
// Where numbers are too small to tell, the report says so in these words.
package reliability

import (
	"slices"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// Period is a span of time, From included and To not.
type Period struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Has reports whether a moment lies in the period.
func (p Period) Has(t time.Time) bool { return !t.Before(p.From) && t.Before(p.To) }

// Overlap is how much of a span from a to b lies in the period.
func (p Period) Overlap(a, b time.Time) time.Duration {
	if a.Before(p.From) {
		a = p.From
	}
	if b.After(p.To) {
		b = p.To
	}
	return max(0, b.Sub(a))
}

// MonthOf is the calendar month of a moment in a time zone.
func MonthOf(t time.Time, zone *time.Location) Period {
	y, m, _ := t.In(zone).Date()
	return Period{time.Date(y, m, 1, 0, 0, 0, 0, zone), time.Date(y, m+1, 1, 0, 0, 0, 0, zone)}
}

// Origin is where a fold starts: everything at one place of the journal. The
// zero value is an empty journal. A fold takes over what it is given.
type Origin struct {
	Floor   *floor.State // which rolls are loaded, what runs; nil for an empty floor
	Alarms  *alarm.Book  // which alarms stand; nil for none
	Seen    floor.Memory // the events before, so that a copy of one counts nothing
	History History      // the months before
}

// Fold follows the journal for the report of one period. It is not safe for
// concurrent use.
type Fold struct {
	period Period
	zone   *time.Location

	floor   *floor.State
	alarms  *alarm.Book
	seen    floor.Memory
	history History // of the months that are squeezed

	starts   []*Start
	strikes  []*Strike
	wastes   []*waste
	reprints []*reprint
	runs     []*run
	changes  []*change
	rings    []*ring
	tallies  []*tally // by month, oldest first

	machines map[string]*machine
	standing map[alarmID]*ring
	warnings map[jobID][]*ring // of jobs that have not started since

	kept   time.Time // records before are squeezed
	late   uint64    // events of a time before that
	latest time.Time // newest event
}

// machine is what is followed on a machine from one event to the next.
type machine struct {
	starts []*Start // the newest, that was not taken back last
	run    *run     // nil while idle
	down   *Strike  // whose end is not known yet
	silent time.Duration
}

// keptStarts is how many starts are kept of a machine: as many as the floor lets
// take back, and the one before them.
const keptStarts = 9

// start is the last start; nil when none was seen.
func (m *machine) start() *Start {
	if len(m.starts) == 0 {
		return nil
	}
	return m.starts[len(m.starts)-1]
}

type (
	alarmID struct {
		machine string
		key     alarm.Key
	}
	jobID struct{ machine, job, part string }
)

// tally counts what no entry can take back, in one month.
type tally struct {
	Period
	printed   map[string]*printed // by machine
	received  uint64              // tickets
	withdrawn uint64
	rejected  map[string]uint64 // by kind
	advice    map[string]uint64 // remedies accepted, by code
	events    uint64
	unknown   uint64            // of types outside the contract
	undone    uint64            // entries taken back
	anomalies map[string]uint64 // by kind
}

type printed struct{ m, m2 float64 }

// New returns a fold for the report of a period, whose edges are the caller's:
// mostly MonthOf. zone is the shop's, and says what a day is, and a month
// before. The journal is applied from origin on.
func New(period Period, zone *time.Location, origin Origin) *Fold {
	f := &Fold{
		period: period, zone: zone, floor: origin.Floor, alarms: origin.Alarms, seen: origin.Seen, history: origin.History,
		machines: map[string]*machine{}, standing: map[alarmID]*ring{}, warnings: map[jobID][]*ring{},
	}
	if f.floor == nil {
		f.floor = floor.New()
	}
	if f.alarms == nil {
		f.alarms = alarm.NewBook()
	}
	if n := len(f.history.Months); n > 0 {
		f.kept = f.history.Months[n-1].To
	}
	f.resume()
	return f
}

// resume picks up what was going on at the origin.
func (f *Fold) resume() {
	for _, m := range f.floor.Sorted() {
		key := floor.Key(m.Site, m.Name)
		f.resumeRun(key, m)
		for _, w := range f.alarms.Warnings[key] {
			f.warn(key, &ring{Entry: Entry{At: w.At, Site: m.Site, Machine: m.Name}, alarm: alarm.Key{Hazard: bareEdge, Job: w.Job, Part: w.Part}})
		}
		for _, a := range f.alarms.Alarms[key] {
			if a.First.IsZero() {
				continue
			}
			r := &ring{Entry: Entry{a.First, m.Site, m.Name, a.RaisedID}, alarm: a.Key, priority: a.Change.Priority}
			if a.State == alarm.Acked {
				r.acked = a.Since
			}
			if !a.State.Active() {
				r.until = a.Since
			}
			f.standing[alarmID{key, a.Key}] = r
			if a.Hazard != bareEdge && (m.Run == nil || !m.Run.Same(a.Job, a.Part)) {
				f.warn(key, r)
			}
			f.rings = append(f.rings, r)
		}
	}
	slices.SortStableFunc(f.runs, byTime)
	slices.SortStableFunc(f.rings, byTime)
}

// resumeRun picks up the run of a machine, so that a strike finds its start. The
// start itself counted before the origin.
func (f *Fold) resumeRun(key string, m *floor.Machine) {
	r := m.Latest()
	if r == nil || r.Kind == nil {
		return
	}
	s := &Start{Entry: Entry{At: r.Started, Site: m.Site, Machine: m.Name}, Job: r.Job, Part: r.Part}
	s.describe(*r.Kind)
	if last, seen := f.alarms.LastStart(m.Site, m.Name); seen && last.Warned() && r.Same(last.Warning.Job, last.Warning.Part) {
		s.AlarmAt = last.Warning.At
	}
	f.machine(key).starts = []*Start{s}
	if m.Run != nil {
		f.machine(key).run = &run{Entry: s.Entry}
		f.runs = append(f.runs, f.machine(key).run)
	}
}

func (f *Fold) machine(key string) *machine {
	m, ok := f.machines[key]
	if !ok {
		m = &machine{}
		f.machines[key] = m
	}
	return m
}

// Apply folds one event; seq is its place in the journal. What the watch takes for
// a copy of an event changes nothing. Events after the period count in no figure of it, but are
// worth some minutes: an entry of its last ones may be taken back in them.
func (f *Fold) Apply(seq uint64, e event.Event) {
	if !f.seen.Add(e) {
		return
	}
	if e.Time.After(f.latest) {
		f.latest = e.Time
	}
	if e.Time.Before(f.kept) {
		f.late++
	}
	t := f.tallyOf(e.Time)
	t.events++
	if d, ok := e.Data.(*event.AlarmChanged); ok {
		f.alarmChanged(e, d) // looks at the state before
	}
	f.applyToFloor(seq, e, t)
	f.alarms.Apply(seq, e, f.floor)
}

// Refuse counts a message of the journal that could not be decoded.
func (f *Fold) Refuse(seq uint64, stored time.Time, subject string, err error) {
	f.floor.Refuse(seq, stored, subject, err)
	f.countAnomalies(seq, f.tallyOf(stored))
}

// glimpse is what of a machine an event may have changed that matters here.
type glimpse struct {
	run     *floor.Run // never changed in place
	heard   time.Time
	printed printed
}

func glimpseOf(m *floor.Machine) glimpse {
	if m == nil {
		return glimpse{}
	}
	g := glimpse{m.Run, m.LastHeard, printed{m.Tally.PrintedM, m.Tally.PrintedM2}}
	if t := m.Tally.Taken; t != nil {
		g.printed.m, g.printed.m2 = g.printed.m-t.PrintedM, g.printed.m2-t.PrintedM2
	}
	return g
}

// runs reports whether a job part was running.
func (g glimpse) runs(job, part string) bool { return g.run != nil && g.run.Same(job, part) }

// fed is how far the running run had come.
func (g glimpse) fed() units.Maybe {
	if g.run == nil {
		return units.Maybe{}
	}
	return g.run.FedM
}

// applyToFloor lets the floor apply the event and looks at what that changed.
func (f *Fold) applyToFloor(seq uint64, e event.Event, t *tally) {
	before := glimpseOf(f.floor.Machine(e.Site, e.Machine))
	f.floor.Apply(seq, e)
	f.countAnomalies(seq, t)
	after := f.floor.Machine(e.Site, e.Machine)
	if after != nil {
		f.feed(t, floor.Key(e.Site, e.Machine), before, glimpseOf(after))
	}
	f.record(e, t, before, after)
}

// feed counts the film that an event says was printed, and how long nothing
// had been heard.
func (f *Fold) feed(t *tally, key string, before, after glimpse) {
	if !before.heard.IsZero() && after.heard.After(before.heard) {
		m := f.machine(key)
		m.silent = max(m.silent, f.period.Overlap(before.heard, after.heard))
	}
	fed := printed{after.printed.m - before.printed.m, after.printed.m2 - before.printed.m2}
	if fed == (printed{}) {
		return
	}
	p := t.printed[key]
	if p == nil {
		p = &printed{}
		t.printed[key] = p
	}
	p.m += fed.m
	p.m2 += fed.m2
}

// countAnomalies counts those that the event of this place left.
func (f *Fold) countAnomalies(seq uint64, t *tally) {
	newest := f.floor.Anomalies.Newest
	for i := len(newest) - 1; i >= 0 && newest[i].Seq == seq; i-- {
		t.anomalies[newest[i].Kind]++
	}
}

// record keeps what the event tells.
func (f *Fold) record(e event.Event, t *tally, before glimpse, after *floor.Machine) {
	switch d := e.Data.(type) {
	case nil:
		t.unknown++
	case *event.TicketReceived:
		t.received++
	case *event.TicketWithdrawn:
		t.withdrawn++
	case *event.TicketRejected:
		t.rejected[d.Kind]++
	case *event.AdviceAccepted:
		if d.Remedy != "" {
			t.advice[d.Remedy]++
		}
	case *event.ChangeMarked:
		f.changeMarked(e, d)
	case *event.EntryUndone:
		f.undo(e, d, t, after)
	}
	if e.Machine == event.AnyMachine || after == nil {
		return // what follows is about one machine
	}
	switch d := e.Data.(type) {
	case *event.RunStarted:
		f.runStarted(e, before, after)
	case *event.RunProgress:
		if after.Run != nil && after.Run.FedM != before.fed() {
			f.printedAgain(floor.Key(e.Site, e.Machine), e)
		}
	case *event.RunFinished:
		f.runEnded(e, before, after, true)
	case *event.RunStopped:
		f.runEnded(e, before, after, false)
	case *event.StrikeRecorded:
		f.strikeRecorded(e, d, after)
	case *event.FilmWasted:
		f.filmWasted(e, d, after)
	case *event.JobReprinted:
		f.reprints = append(f.reprints, &reprint{entryOf(e), d.Cause, units.From(d.Copies)})
	}
}

func (f *Fold) changeMarked(e event.Event, d *event.ChangeMarked) {
	c := &change{entryOf(e), d.Label, e.Time}
	if d.Since != nil {
		c.since = *d.Since
	}
	f.changes = append(f.changes, c)
}

// runStarted keeps a start that the floor took for one: a machine may say again
// that it has started.
func (f *Fold) runStarted(e event.Event, before glimpse, after *floor.Machine) {
	r := after.Run
	if r == nil || r.Kind == nil || before.runs(r.Job, r.Part) {
		return
	}
	key := floor.Key(e.Site, e.Machine)
	f.endRun(key, e, false) // of a run that was never seen to end
	f.printedAgain(key, e)
	s := &Start{Entry: entryOf(e), Job: r.Job, Part: r.Part, Stock: after.Roll.Stock, Advised: r.Advised}
	s.describe(*r.Kind)
	f.heed(key, s)
	m := f.machine(key)
	m.starts, m.run = append(newest(m.starts, keptStarts-1), s), &run{Entry: s.Entry}
	f.starts, f.runs = append(f.starts, s), append(f.runs, m.run)
}

func (f *Fold) runEnded(e event.Event, before glimpse, after *floor.Machine, finished bool) {
	if before.run != nil && after.Run == nil {
		f.endRun(floor.Key(e.Site, e.Machine), e, finished)
	}
}

func (f *Fold) endRun(key string, e event.Event, finished bool) {
	m := f.machine(key)
	if m.run == nil {
		return
	}
	m.run.until, m.run.end, m.run.finished = e.Time, e.ID, finished
	m.run = nil
}

// printedAgain ends a downtime that nobody recorded.
func (f *Fold) printedAgain(key string, e event.Event) {
	if m := f.machine(key); m.down != nil {
		m.down.back, m.down.backBy, m.down = e.Time, e.ID, nil
	}
}

// strikeRecorded puts a strike to the start that it ended, as the floor does:
// the running run's, else the last one's.
func (f *Fold) strikeRecorded(e event.Event, d *event.StrikeRecorded, after *floor.Machine) {
	key := floor.Key(e.Site, e.Machine)
	s := &Strike{
		Entry: entryOf(e), Job: d.Job, Part: d.Part, Class: classOf(after.Roll.Class), Treatment: notSeen,
		DownS: units.From(d.DowntimeS), DownBy: downRecorded, Note: d.Note,
	}
	struck := after.Run
	if struck == nil {
		struck = after.Last
	}
	if struck != nil && struck.Kind != nil {
		s.Class, s.Treatment = struck.Kind.Class, struck.Kind.Treatment.String()
	}
	m := f.machine(key)
	if start := m.start(); start != nil && struck != nil && struck.Same(start.Job, start.Part) {
		s.start, s.Warned = start, start.Warned()
		start.Strikes++
	}
	if !s.DownS.Known() {
		s.DownBy, m.down = downStill, s
	}
	f.strikes = append(f.strikes, s)
}

func classOf(c event.Class) event.Class {
	if c == "" {
		return event.Unknown
	}
	return c
}

func (f *Fold) filmWasted(e event.Event, d *event.FilmWasted, after *floor.Machine) {
	w := &waste{Entry: entryOf(e), stock: after.Roll.Stock, class: after.Roll.Class, cause: d.Cause}
	if width, known := units.From(d.WidthMM).Else(after.Roll.WidthMM).Get(); known {
		w.m2 = units.Some(film.Area(d.LengthM, width))
	}
	f.wastes = append(f.wastes, w)
}
