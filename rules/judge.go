package rules

import (
	"container/heap"
	"slices"
	"strconv"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// watch is what judging one machine must remember between two judgements. It
// is no part of the state: after a restart it is built again from it.
type watch struct {
	machine string // its key
	tracks  []track
	judged  bool      // whether this process has judged the machine before
	wakeAt  time.Time // when to judge again if nothing happens before
	slot    int       // place in Engine.wakes, counted from 1; 0 when it is not there
	calm    calm
}

// track follows one hazard on one target over time.
type track struct {
	key     alarm.Key
	holds   bool
	since   time.Time // since when it holds, or is gone
	pending bool      // a transition is on its way to the journal
	found   *finding  // of this judgement; nil when it does not hold
	vague   bool      // of this judgement: whether it holds is not known
}

// finding is a hazard that holds, with the scene that shows it.
type finding struct {
	row   int
	scene int // index into Engine.scratch
	key   alarm.Key
	hide  bool // a cause stands, or the hazard is put aside for the job or as a whole
	vague bool // whether it still holds is not known; a standing alarm then stays
}

func (e *Engine) watchOf(site, machine string) *watch {
	var buffer [2*event.MaxName + 1]byte
	key := floor.AppendKey(buffer[:0], site, machine)
	w, ok := e.watches[string(key)]
	if !ok {
		w = &watch{machine: string(key)}
		e.watches[w.machine] = w
	}
	return w
}

// settle notes that a transition came back through the journal.
func (e *Engine) settle(w *watch, k alarm.Key) {
	if i, found := w.find(k); found && w.tracks[i].pending {
		w.tracks[i].pending = false
		e.pending--
	}
}

// Abandon notes that the journal can never take a transition that Judge returned.
// It is judged again with the next event of its machine.
func (e *Engine) Abandon(ev event.Event) {
	if d, ok := ev.Data.(*event.AlarmChanged); ok {
		e.settle(e.watchOf(ev.Site, ev.Machine), alarm.Key{Hazard: d.Hazard, Job: d.Job, Part: d.Part})
	}
}

// Judge compares the floor with the rule book at a moment and returns the
// transitions that are due, and when to judge again if nothing happens before
// (zero for never). The caller must publish every event that it returns, and
// go on trying until the journal has it or can never take it, which Abandon says.
func (e *Engine) Judge(now time.Time) ([]event.Event, time.Time) {
	e.learn()
	e.fitStrips()
	for len(e.wakes) > 0 && !e.wakes[0].wakeAt.After(now) {
		e.dirty[heap.Pop(&e.wakes).(*watch).machine] = true
	}
	var out []event.Event
	for _, key := range e.dirtyKeys() {
		delete(e.dirty, key)
		if m := e.floor.Machines[key]; m != nil {
			out = e.judgeMachine(now, m, out)
		}
	}
	if len(e.wakes) == 0 {
		return out, time.Time{}
	}
	return out, e.wakes[0].wakeAt
}

// Pending is how many transitions were returned by Judge and have not come
// back through the journal yet.
func (e *Engine) Pending() int { return e.pending }

// dirtyKeys lists the machines to judge in a fixed order. The list is good
// until the next call.
func (e *Engine) dirtyKeys() []string {
	e.keys = e.keys[:0]
	for k := range e.dirty {
		e.keys = append(e.keys, k)
	}
	if len(e.keys) > 1 {
		slices.Sort(e.keys)
	}
	return e.keys
}

func (e *Engine) judgeMachine(now time.Time, m *floor.Machine, out []event.Event) []event.Event {
	w := e.watchOf(m.Site, m.Name)
	alarms := e.alarms.Alarms[w.machine]
	found, next := e.find(now, m, alarms, &w.calm)
	e.hide(alarms, found)
	for _, a := range alarms {
		w.track(a.Key, now) // an alarm lives on when its hazard is gone
	}
	for _, r := range e.alarms.Requests {
		if r.Site == m.Site && r.Machine == m.Name {
			w.track(r.Key, now)
		}
	}
	w.match(now, m, found)
	w.judged = true
	for i := range w.tracks {
		t := &w.tracks[i]
		if t.pending {
			continue
		}
		ev, due := e.step(now, m, t, alarms)
		if !due.IsZero() && (next.IsZero() || due.Before(next)) {
			next = due
		}
		if ev != nil {
			t.pending = true
			e.pending++
			out = append(out, *ev)
		}
	}
	w.tracks = slices.DeleteFunc(w.tracks, func(t track) bool {
		_, listed := alarm.In(alarms, t.key)
		return !t.holds && !t.pending && !listed
	})
	e.wake(w, next)
	return out
}

// find checks every row against every scene of the machine. It returns the
// hazards that hold, those that nobody can tell of while the machine has alarms
// that such a doubt could keep, and the next moment when time alone may change
// that. The findings are good until the next call. What c remembers is not
// checked again; without it everything is.
func (e *Engine) find(now time.Time, m *floor.Machine, alarms []alarm.Alarm, c *calm) ([]finding, time.Time) {
	if e.rows.loose {
		c = nil
	}
	free := e.nearScenes(now, m)
	what := e.steadiesOf(m, free)
	calm := c != nil && c.lasts(now, &what, alarms)
	if !calm {
		e.farScenes(now, m, free)
	}
	f := finder{now: now, doubts: len(alarms) > 0, found: e.found[:0], lasting: true}
	for i := range e.scratch {
		f.look(e, i, calm)
	}
	e.found = f.found
	switch {
	case c == nil:
	case calm:
		f.next = sooner(f.next, c.wake)
	default:
		*c = f.calm(what)
	}
	return f.found, f.next
}

// finder is one search for what holds on a machine.
type finder struct {
	now    time.Time
	doubts bool // whether to keep what nobody can tell of
	found  []finding
	next   time.Time // when time alone may change what was found; zero for never

	lasting, unsure bool      // see calm
	wake            time.Time // likewise
}

// look checks the rows that are judged on a scene; on a calm machine not the
// steady ones.
func (f *finder) look(e *Engine, i int, calm bool) {
	s := &e.scratch[i]
	wake := after(f.now, hazard.Wake(s))
	f.next = sooner(f.next, wake)
	if i >= e.near {
		f.wake = sooner(f.wake, wake)
		f.lasting = f.lasting && s.ReadyAt.After(f.now)
	}
	ahead := time.Duration(0) // how far off the start is; nothing when it may come at any moment
	if i > 0 && s.Phase == hazard.Queued && !s.ReadyAt.IsZero() {
		ahead = s.ReadyAt.Sub(f.now)
	}
	for _, r := range e.rows.of(s, i == 0, calm) {
		tuning := &s.Rules.Tunings[r]
		row := &e.site.Book.Rows[r]
		if !tuning.Enabled {
			continue
		}
		steady := row.Steady && s.Phase != hazard.Resting
		if ahead > tuning.Horizon {
			begins := f.now.Add(ahead - tuning.Horizon)
			f.next = sooner(f.next, begins)
			if steady {
				f.wake = sooner(f.wake, begins)
			}
			continue
		}
		verdict := row.Check(s)
		if steady {
			f.lasting = f.lasting && verdict != hazard.Holds
			f.unsure = f.unsure || verdict == hazard.Unsure
		}
		if vague := verdict == hazard.Unsure; verdict == hazard.Holds || vague && f.doubts {
			f.found = append(f.found, finding{row: r, scene: i, key: targetKey(row, s), vague: vague})
		}
	}
}

// after is a moment that is still to come, else zero.
func after(now, t time.Time) time.Time {
	if t.After(now) {
		return t
	}
	return time.Time{}
}

// sooner is the earlier of two moments; zero stands for never.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// rowSets are the indices of the rule book's rows by what they are judged on.
type rowSets struct {
	machine, next, queued, resting []int
	moving                         []int // those of next that are not steady
	loose                          bool  // a row that is judged on every queued run is not steady
}

func sortRows(rows []hazard.Row) (sets rowSets) {
	for i, row := range rows {
		if row.Scope == hazard.OnMachine {
			sets.machine = append(sets.machine, i)
			continue
		}
		sets.next = append(sets.next, i)
		if !row.Steady {
			sets.moving = append(sets.moving, i)
		}
		if row.Scope == hazard.OnQueued {
			sets.queued = append(sets.queued, i)
			sets.loose = sets.loose || !row.Steady
		}
		if row.Code == hazard.EarlyFinish {
			sets.resting = append(sets.resting, i)
		}
	}
	return sets
}

// of lists the rows to check on a scene. The first scene is the machine's own;
// every other is a run's.
func (sets *rowSets) of(s *hazard.Scene, machine, calm bool) []int {
	switch {
	case machine:
		return sets.machine
	case s.Phase == hazard.Resting:
		return sets.resting
	case calm:
		return sets.moving
	case s.Next:
		return sets.next
	}
	return sets.queued
}

func targetKey(row *hazard.Row, s *hazard.Scene) alarm.Key {
	if row.Scope == hazard.OnMachine {
		return alarm.Key{Hazard: string(row.Code)}
	}
	return alarm.Key{Hazard: string(row.Code), Job: s.Run.Job, Part: s.Run.Part}
}

// hide marks the findings that are a mere consequence of another one on the
// same run or on the machine, and those whose hazard a person has put aside for
// the job or as a whole. A cause that is put aside, or still waits for its delay,
// hides nothing: nobody would hear of either.
func (e *Engine) hide(alarms []alarm.Alarm, found []finding) {
	aside := func(k alarm.Key) bool {
		a, _ := alarm.In(alarms, k)
		return a.State == alarm.Shelved || a.State == alarm.OutOfService
	}
	above := func(k alarm.Key) bool {
		job, whole := alarm.Key{Hazard: k.Hazard, Job: k.Job}, alarm.Key{Hazard: k.Hazard}
		return k != job && aside(job) || k != whole && aside(whole)
	}
	told := func(c *finding) bool {
		if aside(c.key) || above(c.key) {
			return false
		}
		a, _ := alarm.In(alarms, c.key)
		stands := a.State == alarm.Unacked || a.State == alarm.Acked || a.State == alarm.Suppressed
		return stands || e.scratch[c.scene].Rules.Tunings[c.row].OnDelay <= 0
	}
	for i := range found {
		f := &found[i]
		f.hide = above(f.key)
		causes := e.site.Book.Rows[f.row].HiddenBy
		for k := range found {
			c := &found[k]
			sameTarget := c.key.Job == f.key.Job && c.key.Part == f.key.Part || c.key.Job == ""
			if sameTarget && !c.vague && slices.Contains(causes, e.site.Book.Rows[c.row].Code) && told(c) {
				f.hide = true
			}
		}
	}
}

// match brings the tracks up to date with what was found.
func (w *watch) match(now time.Time, m *floor.Machine, found []finding) {
	for i := range w.tracks {
		w.tracks[i].found, w.tracks[i].vague = nil, false
	}
	for i := range found {
		f := &found[i]
		if f.vague {
			if i, known := w.find(f.key); known {
				w.tracks[i].vague = true
			}
			continue
		}
		t := w.track(f.key, now)
		t.found = f
		if !t.holds {
			t.holds, t.since = true, now
			if !w.judged && !m.Touched.IsZero() && m.Touched.Before(now) {
				// A restart forgets since when a hazard holds. Unless time
				// alone brought it, it has held since the last word of the
				// machine at the latest, so its delay runs from there.
				t.since = m.Touched
			}
		}
	}
	for i := range w.tracks {
		if t := &w.tracks[i]; t.found == nil && !t.vague && t.holds {
			t.holds, t.since = false, now
		}
	}
}

// track returns the track of a key, a new one if there was none. Tracks stand
// in the order of their keys, so that transitions come in the same order
// whatever happened before.
func (w *watch) track(k alarm.Key, now time.Time) *track {
	i, found := w.find(k)
	if !found {
		w.tracks = slices.Insert(w.tracks, i, track{key: k, since: now})
	}
	return &w.tracks[i]
}

// find returns where the track of a key is, or belongs.
func (w *watch) find(k alarm.Key) (int, bool) {
	return slices.BinarySearchFunc(w.tracks, k, func(t track, k alarm.Key) int { return t.key.Compare(k) })
}

// step decides what one alarm does now: an event if it changes its state, and
// when to look again if it waits for a delay, a shelf or a lapse.
func (e *Engine) step(now time.Time, m *floor.Machine, t *track, alarms []alarm.Alarm) (*event.Event, time.Time) {
	a, listed := alarm.In(alarms, t.key)
	if !listed {
		a.Key, a.State = t.key, alarm.Normal
	}
	in, wait := e.input(now, m, t, &a)
	if in.on == "" {
		return nil, wait
	}
	tr, ok := alarm.Step(a.State, in.on)
	if !ok {
		return nil, wait
	}
	ev := e.transition(now, m, t, &a, tr, in)
	return &ev, wait
}

// input is what an alarm is told, by whom and because of which event.
type input struct {
	on     alarm.Input
	by     string
	reason string
	cause  string
	until  *time.Time
}

// input finds the first input that applies: a person's request before the end
// of a shelf, before what hides it, before the hazard itself.
func (e *Engine) input(now time.Time, m *floor.Machine, t *track, a *alarm.Alarm) (input, time.Time) {
	for _, r := range e.alarms.Requests {
		if r.Site == m.Site && r.Machine == m.Name && r.Key == t.key {
			return input{r.On, r.By, r.Reason, r.ID, r.Until}, time.Time{}
		}
	}
	if until := a.Change.Until; a.State == alarm.Shelved && until != nil {
		if now.Before(*until) {
			return input{}, *until
		}
		return input{on: alarm.Expire}, time.Time{}
	}
	if t.vague && a.State != alarm.Returned {
		return input{}, time.Time{} // what nobody knows settles nothing
	}
	if t.found == nil {
		return e.gone(now, t, a)
	}
	row := &e.site.Book.Rows[t.found.row]
	scene := &e.scratch[t.found.scene]
	if t.found.hide {
		return input{on: alarm.Suppress}, time.Time{}
	}
	if a.State == alarm.Suppressed {
		return input{on: alarm.Unsuppress}, time.Time{}
	}
	standing := a.State == alarm.Unacked || a.State == alarm.Acked
	if standing && worse(row, scene, t.found.row, a) {
		return input{on: alarm.Escalate}, time.Time{}
	}
	if ready := t.since.Add(scene.Rules.Tunings[t.found.row].OnDelay); !standing && ready.After(now) {
		return input{}, ready
	}
	return input{on: alarm.Condition}, time.Time{}
}

// gone handles a hazard that does not hold now, or that the rule book does not
// know any more: then it has no delay and no latch.
func (e *Engine) gone(now time.Time, t *track, a *alarm.Alarm) (input, time.Time) {
	var tuning hazard.Tuning
	if i := e.site.Book.Index(hazard.Code(t.key.Hazard)); i >= 0 {
		tuning = e.scratch[0].Rules.Tunings[i]
	}
	switch a.State {
	case alarm.Returned:
		if at := a.Since.Add(e.site.Lapse); e.site.Lapse > 0 {
			if at.After(now) {
				return input{}, at
			}
			return input{on: alarm.Lapse}, time.Time{}
		}
	case alarm.Unacked, alarm.Acked, alarm.Suppressed:
		if at := t.since.Add(tuning.OffDelay); at.After(now) {
			return input{}, at
		}
		if tuning.Latch {
			return input{on: alarm.Latch}, time.Time{}
		}
		return input{on: alarm.Return}, time.Time{}
	}
	return input{}, time.Time{}
}

// worse reports whether an active alarm must be announced again: the risky
// start came, or its priority rose.
func worse(row *hazard.Row, s *hazard.Scene, i int, a *alarm.Alarm) bool {
	started := row.Scope == hazard.OnNext && s.Phase == hazard.Running && a.Change.Phase == string(hazard.Queued)
	return started || urgency(priorityOf(row, s, i)) < urgency(hazard.Priority(a.Change.Priority))
}

func urgency(p hazard.Priority) int { return slices.Index(hazard.Priorities, p) }

// priorityOf is the tuned priority, raised by one where the row says so.
func priorityOf(row *hazard.Row, s *hazard.Scene, i int) hazard.Priority {
	p := s.Rules.Tunings[i].Priority
	if row.Worse != nil && row.Worse(s) {
		return p.Raised()
	}
	return p
}

// transition writes the event for one row of the lifecycle.
func (e *Engine) transition(now time.Time, m *floor.Machine, t *track, a *alarm.Alarm, tr alarm.Transition, in input) event.Event {
	d := &event.AlarmChanged{
		Hazard: t.key.Hazard, Job: t.key.Job, Part: t.key.Part,
		From: string(tr.From), To: string(tr.To), On: string(tr.On), Emit: tr.Emit,
		Phase: a.Change.Phase, Priority: a.Change.Priority,
		By: in.by, Reason: in.reason, Until: in.until, Cause: in.cause,
	}
	if t.found != nil {
		e.describe(d, m, t.found)
	}
	if tr.On == alarm.Acknowledge {
		asAnnounced(d, &a.Change)
	}
	if d.Priority == "" {
		d.Priority = string(e.plainPriority(t.key.Hazard))
	}
	if tr.Emit != alarm.Annunciate {
		d.Message = e.outcome(d, m, tr, in)
	}
	switch {
	case tr.Emit == alarm.Annunciate && e.site.PageFor != nil:
		d.Page = e.site.PageFor(hazard.Priority(d.Priority))
	case tr.Emit == alarm.Clear:
		d.Page = a.Told // whatever became of its priority since
	}
	fit(d)
	return event.Event{
		ID: event.DerivedID("alarm", m.Site, m.Name, d.Hazard, d.Job, d.Part, d.From, d.On, d.To,
			strconv.FormatUint(e.seq, 10)),
		Source: Source, Type: event.AlarmChangedType, Time: now.UTC(), Site: m.Site, Machine: m.Name, Data: d,
	}
}

// asAnnounced keeps an acknowledgement from covering more than was announced:
// a start or a higher priority that nobody was told of yet is still to come.
func asAnnounced(d, announced *event.AlarmChanged) {
	if announced.Phase == string(hazard.Queued) {
		d.Phase = announced.Phase
	}
	if urgency(hazard.Priority(announced.Priority)) > urgency(hazard.Priority(d.Priority)) {
		d.Priority = announced.Priority
	}
}

func (e *Engine) plainPriority(code string) hazard.Priority {
	if row, known := e.site.Book.Row(hazard.Code(code)); known {
		return row.Priority
	}
	return hazard.Low
}

// wake keeps one moment per machine in the heap; a zero one takes it out.
func (e *Engine) wake(w *watch, at time.Time) {
	w.wakeAt = at
	switch {
	case w.slot == 0 && !at.IsZero():
		heap.Push(&e.wakes, w)
	case w.slot > 0 && at.IsZero():
		heap.Remove(&e.wakes, w.slot-1)
	case w.slot > 0:
		heap.Fix(&e.wakes, w.slot-1)
	}
}

// wakes is a heap of the machines that are to be judged again, soonest first.
type wakes []*watch

func (w wakes) Len() int           { return len(w) }
func (w wakes) Less(i, j int) bool { return w[i].wakeAt.Before(w[j].wakeAt) }
func (w wakes) Swap(i, j int) {
	w[i], w[j] = w[j], w[i]
	w[i].slot, w[j].slot = i+1, j+1
}

func (w *wakes) Push(x any) {
	*w = append(*w, x.(*watch))
	(*w)[len(*w)-1].slot = len(*w)
}

func (w *wakes) Pop() any {
	last := len(*w) - 1
	x := (*w)[last]
	*w = (*w)[:last]
	x.slot = 0
	return x
}
