package ticket

import (
	"slices"
	"strconv"
	"time"

	"rollwarden/rules/event"
)

// Source is the CloudEvents source of all events made of tickets and signals.
const Source = "rollwarden/tickets"

// The event type of a ticket.
const ticketReceived event.Type = "ticket.received"

// Target says where a document was dropped and what is known there.
type Target struct {
	// Site and Machine belong to the folder; Machine is empty for the folder
	// of a whole site.
	Site, Machine string
	// MachineFor finds the machine that a device id of a ticket or signal, or
	// the machine of a JSON ticket, stands for. It may be nil.
	MachineFor func(deviceID string) (site, machine string, ok bool)
	// Received is when the file was taken; it is the time of the tickets.
	Received time.Time
	// Current returns the SHA-256 of the ticket that is known for a job part
	// on a machine, or "". It may be nil.
	Current func(site, machine, job, part string) (sha string)
	// CurrentID may return the id of the event that brought that ticket, or that
	// withdrew it. With it, a ticket that goes A, B, A, B is four events, and one
	// that is withdrawn and comes again two; without, they cannot be told apart.
	CurrentID func(site, machine, job, part string) (id string)
}

// place is where an event belongs.
type place struct{ site, machine string }

// Events turns a document into floor events: first the tickets, then the
// signals in the order in which things happened. The same file gives the same
// events, so that publishing them twice is publishing them once.
//
// A ticket goes to the machine of the folder; else to the machine of the
// device that it names for printing; else to event.AnyMachine. A signal goes
// to the machine of its device, because a device speaks for itself; else to
// that of the folder. Every error is an *Error.
func (d Document) Events(t Target) ([]event.Event, error) {
	var out []event.Event
	for _, k := range d.Tickets {
		e, known, err := t.ticket(k)
		if err != nil {
			return nil, located(d.file, err)
		}
		if !known {
			out = append(out, e)
		}
	}
	for _, s := range d.Signals {
		e, err := t.signal(s, d.sha)
		if err != nil {
			return nil, located(d.file, err)
		}
		out = append(out, e)
	}
	return distinctIDs(out), nil
}

// distinctIDs keeps the first event of each id: two devices of one machine
// may tell the same fact.
func distinctIDs(events []event.Event) []event.Event {
	seen := map[string]bool{}
	return slices.DeleteFunc(events, func(e event.Event) bool {
		again := seen[e.ID]
		seen[e.ID] = true
		return again
	})
}

// ticket makes the event of one ticket; known says that the same ticket is
// there already.
func (t Target) ticket(k Ticket) (e event.Event, known bool, err error) {
	data := k.Data
	data.Flags = slices.Clone(data.Flags)
	at, err := t.placeTicket(k.DeviceIDs, &data)
	if err != nil {
		return event.Event{}, false, err
	}
	current, replaced := t.current(at, data)
	if current == data.SourceSHA256 {
		return event.Event{}, true, nil
	}
	data.Replaces = current
	return event.Event{
		ID:     event.DerivedID(string(ticketReceived), at.site, at.machine, data.Job, data.Part, data.SourceSHA256, replaced),
		Source: Source, Type: ticketReceived, Time: t.Received.UTC(),
		Site: at.site, Machine: at.machine, Data: &data,
	}, false, nil
}

// current returns the hash of the ticket that is known, and what tells this
// replacement of it from another.
func (t Target) current(at place, data event.TicketReceived) (sha, replaced string) {
	if t.Current != nil {
		sha = t.Current(at.site, at.machine, data.Job, data.Part)
	}
	if t.CurrentID != nil {
		return sha, t.CurrentID(at.site, at.machine, data.Job, data.Part)
	}
	return sha, sha
}

// placeTicket chooses the machine and flags what the ticket says otherwise.
func (t Target) placeTicket(devices []string, data *event.TicketReceived) (place, error) {
	named := t.named(devices, data.Machine)
	at := place{t.Site, t.Machine}
	switch {
	case at.machine != "":
		flagOther(data, devices, named, at)
	case len(named) == 1:
		at = named[0]
	default:
		at.machine = event.AnyMachine
		flagUnplaced(data, devices, named)
	}
	if at.machine != event.AnyMachine && len(named) == 1 {
		data.Machine = named[0].machine
	}
	return at, at.check()
}

// flagOther flags a ticket that was dropped for one machine and names another, also
// one that nobody has configured.
func flagOther(data *event.TicketReceived, devices []string, named []place, at place) {
	switch {
	case len(named) > 0 && !slices.Contains(named, at):
		addFlag(data, "machine: the ticket names "+named[0].machine+", but was dropped for "+at.machine)
	case len(named) == 0 && len(devices) > 0:
		addFlag(data, "machine: no machine is configured for device "+quote(devices[0])+", and the ticket was dropped for "+at.machine)
	}
}

func flagUnplaced(data *event.TicketReceived, devices []string, named []place) {
	switch {
	case len(devices) == 0:
		addFlag(data, "machine: the ticket names no device for printing")
	case len(named) == 0:
		addFlag(data, "machine: no machine is configured for device "+quote(devices[0]))
	default:
		addFlag(data, "machine: the ticket names devices of several machines, "+named[0].machine+" and "+named[1].machine)
	}
}

func addFlag(data *event.TicketReceived, text string) { data.Flags = append(data.Flags, text) }

// named returns the machines that a ticket names. Without a configuration to
// ask, the machine of a JSON ticket is taken at its word.
func (t Target) named(devices []string, machine string) []place {
	if t.MachineFor == nil && machine != "" {
		return []place{{t.Site, machine}}
	}
	return t.machinesOf(devices)
}

// machinesOf returns the different machines that devices stand for.
func (t Target) machinesOf(devices []string) []place {
	var out []place
	if t.MachineFor == nil {
		return nil
	}
	for _, id := range devices {
		site, machine, ok := t.MachineFor(id)
		if p := (place{site, machine}); ok && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

func (p place) check() error {
	for _, part := range []struct{ field, name string }{{"site", p.site}, {"machine", p.machine}} {
		if err := event.CheckName(part.field, part.name); err != nil {
			return blame(err, nil)
		}
	}
	return nil
}

func (t Target) signal(s Signal, sha string) (event.Event, error) {
	at, err := t.placeSignal(s)
	if err != nil {
		return event.Event{}, err
	}
	if !t.Received.IsZero() && s.Time.Sub(t.Received) > event.MaxAhead {
		return event.Event{}, &Error{Field: "time of " + string(s.Type), Kind: badValue, Want: "a time at most 24 h ahead; set the clock of device " + quote(s.DeviceID), Got: s.Time.Format(time.RFC3339)}
	}
	facts := s.facts
	if facts == nil {
		facts = []string{sha, strconv.Itoa(s.position)}
	}
	id := append([]string{string(s.Type), at.site, at.machine}, facts...)
	return event.Event{
		ID: event.DerivedID(id...), Source: Source, Type: s.Type, Time: s.Time.UTC(),
		Site: at.site, Machine: at.machine, Data: s.Data,
	}, nil
}

func (t Target) placeSignal(s Signal) (place, error) {
	if named := t.machinesOf([]string{s.DeviceID}); len(named) == 1 {
		return named[0], named[0].check()
	}
	if t.Machine == "" {
		return place{}, &Error{
			Field: "DeviceID of " + string(s.Type), Kind: badValue, Got: quote(s.DeviceID),
			Want: "a device of the configuration: add this id to its machine's device_ids there, or drop the file into the machine's own folder",
		}
	}
	at := place{t.Site, t.Machine}
	return at, at.check()
}
