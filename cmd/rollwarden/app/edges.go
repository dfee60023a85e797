package app

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/ticket"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/pager"
)

// readTicket turns a dropped file into the events that the journal should hold.
func (a *App) readTicket(in folder.Inbox, name string, data []byte) (folder.Reading, error) {
	doc, err := ticket.Parse(name, data, a.tickets)
	if err != nil {
		return folder.Reading{}, refusal(err)
	}
	events, err := doc.Events(ticket.Target{
		Site: in.Site, Machine: in.Machine, MachineFor: a.cfg.Machine, Received: a.clock.Now(),
		Current: func(site, machine, job, part string) string {
			_, sha := a.versions.newest(floor.TicketKey{Site: site, Machine: machine, Job: job, Part: part})
			return sha
		},
		CurrentID: func(site, machine, job, part string) string {
			id, _ := a.versions.newest(floor.TicketKey{Site: site, Machine: machine, Job: job, Part: part})
			return id
		},
	})
	if err != nil {
		return folder.Reading{}, refusal(err)
	}
	return folder.Reading{Events: events, Note: strings.Join(append(doc.Notes, unplaced(events)...), "; ")}, nil
}

// tell stores what came in from the folders and from people, with what the
// shop's list knows of the stocks in it.
func (a *App) tell(ctx context.Context, events ...event.Event) error {
	for i := range events {
		a.cfg.Complete(&events[i])
	}
	seqs, err := a.journals[0].Store(ctx, events...) // NATS knows where each belongs
	for i, seq := range seqs {
		a.versions.stored(events[i], seq)
	}
	return err
}

// unplaced says which tickets are for no machine, so that nothing is judged
// for them yet.
func unplaced(events []event.Event) (notes []string) {
	for _, e := range events {
		if t, ok := e.Data.(*event.TicketReceived); ok && e.Machine == event.AnyMachine {
			notes = append(notes, "ticket "+t.Job+" is for no machine, and nothing is judged for it: drop it into the folder of one, or queue its run there")
		}
	}
	return notes
}

// refused tells the folder what a ticket's error knows of itself.
type refused struct{ ticket *ticket.Error }

func (r refused) Error() string      { return r.ticket.Error() }
func (r refused) RejectKind() string { return r.ticket.Kind }
func (r refused) Incomplete() bool   { return r.ticket.Incomplete }

// Unwrap shows the field to blame as the folder looks for it.
func (r refused) Unwrap() []error {
	return []error{r.ticket, &event.Fault{Field: r.ticket.Field, Want: r.ticket.Want, Got: r.ticket.Got}}
}

func refusal(err error) error {
	var e *ticket.Error
	if errors.As(err, &e) {
		return refused{e}
	}
	return err
}

// offerPages hands the pager what is due and which alarms stand.
func (s *shard) offerPages(pages []alarm.Page, alarms map[string][]alarm.Alarm) {
	var due []pager.Due
	for _, p := range pages {
		e := event.Event{ID: p.ID, Type: event.AlarmChangedType, Time: p.At, Site: p.Site, Machine: p.Machine, Data: &p.Change}
		for _, open := range p.Open {
			due = append(due, pager.Due{AlarmID: p.ID, Channel: open.Channel, Attempts: open.Attempts, Event: e})
		}
	}
	s.pager.Offer(due)
	s.pager.Active(activePages(alarms))
}

func activePages(alarms map[string][]alarm.Alarm) []pager.Page {
	var active []pager.Page
	for _, machine := range slices.Sorted(maps.Keys(alarms)) {
		site, name, _ := strings.Cut(machine, "/")
		for _, al := range alarms[machine] {
			if !al.State.Active() {
				continue
			}
			e := event.Event{ID: al.RaisedID, Type: event.AlarmChangedType, Time: al.Raised, Site: site, Machine: name, Data: &al.Change}
			p, err := pager.NewPage(pager.Due{AlarmID: al.RaisedID, Event: e})
			if err != nil {
				continue // the event is made right here and is an alarm.changed
			}
			p.Raised = al.First
			active = append(active, p)
		}
	}
	return active
}
