package pager

import (
	"fmt"
	"slices"
	"time"

	"rollwarden/rules/event"
)

// Due is one page that the journal does not show as delivered or given up.
type Due struct {
	AlarmID  string      // id of the alarm.changed event
	Channel  string      // name of the channel that must be told
	Attempts int         // tries that the journal already shows
	Event    event.Event // the alarm.changed event itself
}

// Page is what a channel is asked to deliver: one transition of one alarm.
// Its JSON form is the body of the webhook.
type Page struct {
	// Key is the idempotency key: the same for every try of the same page, also
	// after a restart, and different for every other page and channel.
	Key        string           `json:"key,omitzero"`
	AlarmID    string           `json:"alarm_id"`
	Site       string           `json:"site"`
	Machine    string           `json:"machine"`
	Hazard     string           `json:"hazard"`
	Job        string           `json:"job,omitzero"`
	Part       string           `json:"part,omitzero"`
	From       string           `json:"from"`
	To         string           `json:"to"`
	Emit       string           `json:"emit,omitzero"`
	Phase      string           `json:"phase,omitzero"`
	Priority   string           `json:"priority"`
	Message    string           `json:"message"`
	Caution    string           `json:"caution,omitzero"`
	Evidence   []event.Evidence `json:"evidence,omitzero"`
	Remedies   []event.Remedy   `json:"remedies,omitzero"`
	ReadyAt    *time.Time       `json:"ready_at,omitzero"` // when the risky start is expected
	At         time.Time        `json:"at"`                // when the alarm changed
	Raised     time.Time        `json:"raised,omitzero"`   // when the alarm was raised; zero when not known
	BoardURL   string           `json:"board_url,omitzero"`
	RunbookURL string           `json:"runbook_url,omitzero"`
}

// emitClear is the word in alarm.changed that tells the channels that the
// hazard is over, and stateNormal the state in which no alarm stands.
const (
	emitClear   = "clear"
	stateNormal = "normal"
)

// Cleared reports whether the page says that the alarm is over. Nothing else
// ends an alarm: not silence, not age, not an acknowledgement.
func (p Page) Cleared() bool { return p.Emit == emitClear || p.To == stateNormal }

// IdempotencyKey derives the key of a page from what makes it one page.
func IdempotencyKey(alarmID, channel string) string {
	return event.DerivedID("page", alarmID, channel)
}

// NewPage builds the page of a due entry. It fails when the entry's event is
// not a decoded alarm.changed.
func NewPage(d Due) (Page, error) {
	a, ok := d.Event.Data.(*event.AlarmChanged)
	if !ok || a == nil {
		return Page{}, fmt.Errorf("page for alarm %s: want the %s event, got %q; please report it", d.AlarmID, event.AlarmChangedType, d.Event.Type)
	}
	return Page{
		Key: IdempotencyKey(d.AlarmID, d.Channel), AlarmID: d.AlarmID,
		Site: d.Event.Site, Machine: d.Event.Machine,
		Hazard: a.Hazard, Job: a.Job, Part: a.Part,
		From: a.From, To: a.To, Emit: a.Emit, Phase: a.Phase, Priority: a.Priority,
		Message: a.Message, Caution: a.Caution,
		Evidence: slices.Clone(a.Evidence), Remedies: slices.Clone(a.Remedies),
		ReadyAt: a.ReadyAt, At: d.Event.Time,
	}, nil
}

// ref names one page: an alarm.changed event and the channel it goes to.
type ref struct{ alarm, channel string }

// subject names the alarm that a page is about, across its transitions.
type subject struct{ site, machine, hazard, job, part string }

func subjectOf(e event.Event) subject {
	s := subject{site: e.Site, machine: e.Machine}
	if a, ok := e.Data.(*event.AlarmChanged); ok && a != nil {
		s.hazard, s.job, s.part = a.Hazard, a.Job, a.Part
	}
	return s
}

// rankOf orders priorities, most urgent first. A priority that is not known
// is treated as the most urgent.
func rankOf(e event.Event) int {
	a, ok := e.Data.(*event.AlarmChanged)
	if !ok || a == nil {
		return 0
	}
	switch a.Priority {
	case "low":
		return 2
	case "medium":
		return 1
	}
	return 0
}
