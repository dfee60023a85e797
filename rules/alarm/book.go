package alarm

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// Key finds one alarm on one machine. Job and Part are empty for a hazard of
// the machine itself, and for what a person did to the hazard as a whole.
type Key struct {
	Hazard string `json:"hazard"`
	Job    string `json:"job,omitzero"`
	Part   string `json:"part,omitzero"`
}

// Compare orders keys by hazard, job and part.
func (k Key) Compare(o Key) int {
	return cmp.Or(strings.Compare(k.Hazard, o.Hazard), strings.Compare(k.Job, o.Job), strings.Compare(k.Part, o.Part))
}

// Alarm is one alarm that is not normal.
type Alarm struct {
	Key
	State    State              `json:"state"`
	Since    time.Time          `json:"since"`              // in this state
	Raised   time.Time          `json:"raised,omitzero"`    // last annunciation
	RaisedID string             `json:"raised_id,omitzero"` // id of that event
	First    time.Time          `json:"first,omitzero"`     // first annunciation since it was normal
	Told     []string           `json:"told,omitzero"`      // channels that were paged and not yet told that it is over
	Change   event.AlarmChanged `json:"change"`             // the newest transition as it was written
}

// Request is what a person asked for and the watch has not yet carried out.
type Request struct {
	ID      string     `json:"id"` // of the operator.noted event
	Site    string     `json:"site"`
	Machine string     `json:"machine"`
	Key     Key        `json:"key"`
	On      Input      `json:"on"`
	By      string     `json:"by"`
	Reason  string     `json:"reason,omitzero"`
	Until   *time.Time `json:"until,omitzero"`
}

// Book is the fold of everything about alarms in the journal.
type Book struct {
	Alarms   map[string][]Alarm `json:"alarms"` // by site/machine; lists are replaced, never changed
	Requests []Request          `json:"requests,omitzero"`
	Pages    []Page             `json:"pages,omitzero"`
	Totals   Totals             `json:"totals"`

	Warnings map[string][]Warning `json:"warnings"` // of runs still to start, by site/machine; lists are replaced, never changed
	Starts   map[string][]Start   `json:"starts"`   // the newest, by site/machine; lists are replaced, never changed
}

// Page is an annunciation or a clearing that channels must still be told.
type Page struct {
	ID      string             `json:"id"` // of the alarm.changed event
	Seq     uint64             `json:"seq"`
	At      time.Time          `json:"at"`
	Site    string             `json:"site"`
	Machine string             `json:"machine"`
	Change  event.AlarmChanged `json:"change"`
	Open    []Open             `json:"open"`
}

// Open is one channel that has not taken the page yet.
type Open struct {
	Channel  string `json:"channel"`
	Attempts int    `json:"attempts"`
}

// LeadBounds are the upper bounds, in s, of the lead-time histogram.
var LeadBounds = []float64{10, 30, 60, 120, 300, 600, 1800, 3600, 7200}

// Totals count what happened to alarms over the whole journal. What was counted
// stays counted: a strike that was taken back is still one of Warned or Unwarned,
// and the tallies of the floor say how many such there are.
type Totals struct {
	Transitions map[string]map[State]uint64 `json:"transitions"` // by hazard and new state
	Leads       map[string][]uint64         `json:"leads"`       // by machine, one count per bound and one above all
	LeadSum     map[string]float64          `json:"lead_sum"`    // s, by machine
	Warned      uint64                      `json:"warned"`      // strikes with a bare-edge alarm before the start
	Unwarned    uint64                      `json:"unwarned"`    // strikes without one
	Sent        map[string]uint64           `json:"sent"`        // pages by channel
	Failed      map[string]uint64           `json:"failed"`      // failed tries by channel
	Dropped     map[string]uint64           `json:"dropped"`     // pages given up by channel
}

// NewBook returns an empty book.
func NewBook() *Book {
	return &Book{
		Alarms: map[string][]Alarm{}, Warnings: map[string][]Warning{}, Starts: map[string][]Start{},
		Totals: Totals{
			Transitions: map[string]map[State]uint64{}, Leads: map[string][]uint64{}, LeadSum: map[string]float64{},
			Sent: map[string]uint64{}, Failed: map[string]uint64{}, Dropped: map[string]uint64{},
		},
	}
}

// On returns the alarms of a machine that are not normal.
func (b *Book) On(site, machine string) []Alarm { return b.Alarms[floor.Key(site, machine)] }

// Find returns one alarm of a machine.
func (b *Book) Find(site, machine string, k Key) (Alarm, bool) {
	return In(b.On(site, machine), k)
}

// In returns one alarm of a machine's list.
func In(list []Alarm, k Key) (Alarm, bool) {
	if i := slices.IndexFunc(list, func(a Alarm) bool { return a.Key == k }); i >= 0 {
		return list[i], true
	}
	return Alarm{}, false
}

// StateOf returns the state of an alarm; one that is not listed is normal.
func (b *Book) StateOf(site, machine string, k Key) State {
	if a, ok := b.Find(site, machine, k); ok {
		return a.State
	}
	return Normal
}

// Snapshot returns a book that never changes again.
func (b *Book) Snapshot() *Book {
	c := *b
	c.Alarms, c.Warnings, c.Starts = maps.Clone(b.Alarms), maps.Clone(b.Warnings), maps.Clone(b.Starts)
	c.Requests = slices.Clone(b.Requests)
	c.Pages = slices.Clone(b.Pages)
	c.Totals = b.Totals.clone()
	return &c
}

func (t Totals) clone() Totals {
	c := t
	c.Transitions = make(map[string]map[State]uint64, len(t.Transitions))
	for h, m := range t.Transitions {
		c.Transitions[h] = maps.Clone(m)
	}
	c.Leads = make(map[string][]uint64, len(t.Leads))
	for m, l := range t.Leads {
		c.Leads[m] = slices.Clone(l)
	}
	c.LeadSum, c.Sent, c.Failed, c.Dropped = maps.Clone(t.LeadSum), maps.Clone(t.Sent), maps.Clone(t.Failed), maps.Clone(t.Dropped)
	return c
}

// Apply folds one event into the book. The floor is as the event left it: it
// knows which run started, was struck, or was taken back.
func (b *Book) Apply(seq uint64, e event.Event, f *floor.State) {
	switch d := e.Data.(type) {
	case *event.AlarmChanged:
		b.changed(seq, e, d)
	case *event.OperatorNoted:
		b.noted(e, d)
	case *event.RunStarted:
		b.started(e, f.Machine(e.Site, e.Machine))
	case *event.StrikeRecorded:
		b.struck(f.Machine(e.Site, e.Machine))
	case *event.EntryUndone:
		b.undone(d, f.Machine(e.Site, e.Machine))
	case *event.PageSent:
		b.Totals.Sent[d.Channel]++
		b.settle(d.Alarm, d.Channel, int(d.Attempt), true)
	case *event.PageFailed:
		b.Totals.Failed[d.Channel]++
		if d.Final {
			b.Totals.Dropped[d.Channel]++
		}
		b.settle(d.Alarm, d.Channel, int(d.Attempt), d.Final)
	}
}

// changed takes a transition from the state that it starts from. One that
// starts from another state was judged by a watch that did not know of the
// last transition yet: it changes nothing, and nobody is paged twice for it.
func (b *Book) changed(seq uint64, e event.Event, d *event.AlarmChanged) {
	key := Key{d.Hazard, d.Job, d.Part}
	if State(d.From) != b.StateOf(e.Site, e.Machine, key) {
		return
	}
	a, _ := b.Find(e.Site, e.Machine, key)
	a.Key, a.State, a.Since, a.Change = key, State(d.To), e.Time, *d
	switch d.Emit {
	case Annunciate:
		a.Raised, a.RaisedID = e.Time, e.ID
		if a.First.IsZero() {
			a.First = e.Time
		}
		a.Told = union(a.Told, d.Page)
		b.warned(e, d)
	case Clear:
		a.Told = nil
	}
	b.put(floor.Key(e.Site, e.Machine), a)
	if b.Totals.Transitions[d.Hazard] == nil {
		b.Totals.Transitions[d.Hazard] = map[State]uint64{}
	}
	b.Totals.Transitions[d.Hazard][a.State]++
	if len(d.Page) > 0 {
		p := Page{ID: e.ID, Seq: seq, At: e.Time, Site: e.Site, Machine: e.Machine, Change: *d}
		for _, c := range d.Page {
			p.Open = append(p.Open, Open{Channel: c})
		}
		b.Pages = append(b.Pages, p)
	}
	b.prune(d.Cause, key)
}

// union returns the channels of both lists, each once.
func union(a, b []string) []string {
	all := append(slices.Clone(a), b...)
	slices.Sort(all)
	return slices.Compact(all)
}

// put replaces an alarm in its list; a normal one leaves it.
func (b *Book) put(machine string, a Alarm) {
	list := slices.DeleteFunc(slices.Clone(b.Alarms[machine]), func(o Alarm) bool { return o.Key == a.Key })
	if a.State != Normal {
		list = append(list, a)
	}
	if len(list) == 0 {
		delete(b.Alarms, machine)
		return
	}
	b.Alarms[machine] = list
}

// prune forgets the request that was carried out, and those that no longer
// apply to the state their alarm is in.
func (b *Book) prune(done string, key Key) {
	asked := b.Requests
	b.Requests = asked[:0]
	for _, r := range asked {
		if !(r.ID == done && r.Key == key) {
			b.ask(r)
		}
	}
	clear(asked[len(b.Requests):])
}

// noted keeps what a person asked for, for each alarm that it applies to.
func (b *Book) noted(e event.Event, d *event.OperatorNoted) {
	on := Input(d.Action)
	if e.Machine == event.AnyMachine || !slices.Contains(Inputs, on) {
		return // a note, or nothing that one machine could do
	}
	for _, key := range b.targets(e, d, on) {
		b.ask(Request{ID: e.ID, Site: e.Site, Machine: e.Machine, Key: key, On: on, By: d.By, Reason: d.Reason, Until: shelfEnd(e.Told(), d.Until)})
	}
}

// LongestShelf is how long an alarm may be shelved at most, whoever asks: one that is
// put away for good is soon forgotten. ISA-18.2 wants such a limit and leaves it to the
// site; a day is common practice.
const LongestShelf = 24 * time.Hour

// shelfEnd is when shelving ends that was asked for then; nil for what has no end.
func shelfEnd(told time.Time, until *time.Time) *time.Time {
	if last := told.Add(LongestShelf); until != nil && until.After(last) {
		return &last
	}
	return until
}

// ask adds a request if it applies to the state that its alarm will be in once
// the requests before it are carried out: who takes a hazard out of service and
// puts it back at once means both.
func (b *Book) ask(r Request) {
	state := b.StateOf(r.Site, r.Machine, r.Key)
	for _, o := range b.Requests {
		if o.Site == r.Site && o.Machine == r.Machine && o.Key == r.Key {
			if tr, ok := Step(state, o.On); ok {
				state = tr.To
			}
		}
	}
	if _, applies := Step(state, r.On); applies {
		b.Requests = append(b.Requests, r)
	}
}

// targets finds the alarms that a person means. Without a part every part of
// the job is meant. Acknowledging or resetting a hazard without a job means all
// its alarms on the machine; shelving it or taking it out of service means the
// hazard itself.
func (b *Book) targets(e event.Event, d *event.OperatorNoted, on Input) []Key {
	named := Key{d.Hazard, d.Job, d.Part}
	if d.Job == "" && on != Acknowledge && on != Reset {
		return []Key{named}
	}
	var keys []Key
	for _, a := range b.On(e.Site, e.Machine) {
		if a.Hazard == d.Hazard && (d.Job == "" || d.Job == a.Job) && (d.Part == "" || d.Part == a.Part) {
			keys = append(keys, a.Key)
		}
	}
	if len(keys) == 0 {
		keys = append(keys, named) // an alarm that is still to come
	}
	return keys
}

// settle notes a try to page; a settled channel is closed, and a page with no
// open channel is done.
func (b *Book) settle(alarmID, channel string, attempt int, done bool) {
	i := slices.IndexFunc(b.Pages, func(p Page) bool { return p.ID == alarmID })
	if i < 0 {
		return
	}
	// Readers may share the list of channels, so it is copied.
	open := slices.Clone(b.Pages[i].Open)
	for k := range open {
		if open[k].Channel == channel {
			open[k].Attempts = max(open[k].Attempts, attempt)
		}
	}
	if done {
		open = slices.DeleteFunc(open, func(o Open) bool { return o.Channel == channel })
	}
	b.Pages[i].Open = open
	if len(open) == 0 {
		b.Pages = slices.Delete(b.Pages, i, i+1)
	}
}
