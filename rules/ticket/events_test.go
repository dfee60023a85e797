package ticket_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

func received() time.Time { return time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC) }

// machines maps the devices of the sample shop to machines of two sites.
func machines(id string) (site, machine string, ok bool) {
	switch id {
	case "PRN-ROLL-1", "heron", "TWIN":
		return "north", "heron", true
	case "PRN-ROLL-2", "wren":
		return "quay", "wren", true
	}
	return "", "", false
}

func sampleDocument(t *testing.T, name string) ticket.Document {
	t.Helper()
	doc, err := ticket.Parse(name, read(t, name), ticket.Options{Keys: shopKeys()})
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func events(t *testing.T, doc ticket.Document, to ticket.Target) []event.Event {
	t.Helper()
	out, err := doc.Events(to)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestEventsSurviveTheJournal encodes the events of every sample as the
// journal has them and decodes them again.
func TestEventsSurviveTheJournal(t *testing.T) {
	for _, name := range []string{"01-decals-print-contourcut.xjdf", "02-laminated-panel.xjdf", "03-gang-nest.xjdf", "10-started.xjmf", "11-stalled.xjmf", "12-waste-and-finished.xjmf", "20-returned-with-audits.xjdf", "30-classic-combined.jdf", "31-classic-status.jmf", "edge/package.zip"} {
		out := events(t, sampleDocument(t, name), ticket.Target{Site: "north", MachineFor: machines, Received: received()})
		if len(out) == 0 {
			t.Errorf("%s: no events", name)
		}
		for _, e := range out {
			data, err := event.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			back, err := event.Decode(event.Message{Subject: e.Subject(), Data: data, Stored: received()})
			if err != nil || back.ID != e.ID || back.Source != ticket.Source || back.Data == nil {
				t.Errorf("%s: %s came back as %+v, %v", name, data, back, err)
			}
		}
	}
}

func TestTicketsFindTheirMachine(t *testing.T) {
	const sample = "01-decals-print-contourcut.xjdf" // names PRN-ROLL-1
	custom := func(devices string) string {
		return xjdf("", `<ResourceSet Name="Device"><Resource>`+devices+`</Resource></ResourceSet>`)
	}
	for _, c := range []struct {
		name                     string
		text                     string
		to                       ticket.Target
		site, machine, data, say string
	}{
		{"the folder of a machine", string(read(t, sample)), ticket.Target{Site: "north", Machine: "heron", MachineFor: machines}, "north", "heron", "heron", ""},
		{"the folder of another", string(read(t, sample)), ticket.Target{Site: "north", Machine: "plover", MachineFor: machines}, "north", "plover", "heron", "names heron, but was dropped for plover"},
		{"the folder of another than the one that is not configured", `{"job":"J-1","machine":"kite"}`, ticket.Target{Site: "north", Machine: "plover", MachineFor: machines}, "north", "plover", "kite", `no machine is configured for device "kite", and the ticket was dropped for plover`},
		{"the folder of a machine, and no device", `{"job":"J-1"}`, ticket.Target{Site: "north", Machine: "plover", MachineFor: machines}, "north", "plover", "", ""},
		{"the device", string(read(t, sample)), ticket.Target{Site: "north", MachineFor: machines}, "north", "heron", "heron", ""},
		{"the device of another site", string(read(t, "02-laminated-panel.xjdf")), ticket.Target{Site: "north", MachineFor: machines}, "quay", "wren", "wren", ""},
		{"an unknown device", custom(`<Device DeviceID="X"/>`), ticket.Target{Site: "north", MachineFor: machines}, "north", "any", "", `no machine is configured for device "X"`},
		{"no device", xjdf("", ""), ticket.Target{Site: "north", MachineFor: machines}, "north", "any", "", "names no device"},
		{"two devices of one machine", custom(`<Device DeviceID="TWIN"/><Device DeviceID="PRN-ROLL-1"/>`), ticket.Target{Site: "north", MachineFor: machines}, "north", "heron", "heron", ""},
		{"devices of two machines", custom(`<Device DeviceID="PRN-ROLL-2"/><Device DeviceID="PRN-ROLL-1"/>`), ticket.Target{Site: "north", MachineFor: machines}, "north", "any", "", "several machines, wren and heron"},
		{"a JSON ticket", `{"job":"J-1","machine":"wren"}`, ticket.Target{Site: "north", MachineFor: machines}, "quay", "wren", "wren", ""},
		{"a JSON ticket without configuration", `{"job":"J-1","machine":"kite"}`, ticket.Target{Site: "north"}, "north", "kite", "kite", ""},
		{"a JSON ticket with a slip", `{"job":"J-1","machine":"hern"}`, ticket.Target{Site: "north", MachineFor: machines}, "north", "any", "hern", `"hern"`},
	} {
		out := events(t, parse(t, c.text, ticket.Options{}), c.to)
		if len(out) != 1 {
			t.Fatalf("%s: got %v", c.name, out)
		}
		d := out[0].Data.(*event.TicketReceived)
		if out[0].Site != c.site || out[0].Machine != c.machine || d.Machine != c.data {
			t.Errorf("%s: got %s/%s, data %q", c.name, out[0].Site, out[0].Machine, d.Machine)
		}
		flags := slices.DeleteFunc(slices.Clone(d.Flags), func(f string) bool { return !strings.HasPrefix(f, "machine:") })
		if (c.say == "") != (len(flags) == 0) || c.say != "" && !strings.Contains(flags[0], c.say) {
			t.Errorf("%s: got flags %q", c.name, flags)
		}
	}
}

// ledger plays the part of the floor: it knows the last ticket of each job.
type ledger map[string]event.Event

func (l ledger) current(site, machine, job, part string) string {
	if e, ok := l[site+machine+job+part]; ok {
		return e.Data.(*event.TicketReceived).SourceSHA256
	}
	return ""
}

func (l ledger) id(site, machine, job, part string) string { return l[site+machine+job+part].ID }

func (l ledger) drop(t *testing.T, to ticket.Target, text string) []event.Event {
	t.Helper()
	out := events(t, parse(t, text, ticket.Options{}), to)
	for _, e := range out {
		d := e.Data.(*event.TicketReceived)
		l[e.Site+e.Machine+d.Job+d.Part] = e
	}
	return out
}

func TestTicketsThatChange(t *testing.T) {
	a, b := `{"job":"J-1","copies":1}`, `{"job":"J-1","copies":2}`
	l := ledger{}
	to := ticket.Target{Site: "north", Machine: "heron", Received: received(), Current: l.current, CurrentID: l.id}
	var ids []string
	for i, text := range []string{a, b, a, b, a} {
		out := l.drop(t, to, text)
		if len(out) != 1 || slices.Contains(ids, out[0].ID) {
			t.Fatalf("drop %d: want a new event, got %v", i, out)
		}
		ids = append(ids, out[0].ID)
		if again := l.drop(t, to, text); len(again) != 0 {
			t.Errorf("drop %d again: it is known, got %v", i, again)
		}
		if d := out[0].Data.(*event.TicketReceived); i > 0 && d.Replaces == "" || i == 0 && d.Replaces != "" || d.Replaces == d.SourceSHA256 {
			t.Errorf("drop %d: replaces %q", i, d.Replaces)
		}
	}
	// Without the id of the known event A, B, A is honoured all the same.
	l = ledger{}
	to.Current, to.CurrentID = l.current, nil
	first, second, third := l.drop(t, to, a)[0], l.drop(t, to, b)[0], l.drop(t, to, a)[0]
	if first.ID == third.ID || first.ID == second.ID || third.Data.(*event.TicketReceived).Replaces != hash([]byte(b)) {
		t.Errorf("got %v, %v, %v", first.ID, second.ID, third.ID)
	}
}

// TestSameFileSameEvents publishes a file twice, as after a crash between the
// journal's acknowledgement and the file's move.
func TestSameFileSameEvents(t *testing.T) {
	for _, name := range []string{"01-decals-print-contourcut.xjdf", "12-waste-and-finished.xjmf", "edge/package.zip"} {
		first := events(t, sampleDocument(t, name), ticket.Target{Site: "north", MachineFor: machines, Received: received()})
		later := events(t, sampleDocument(t, name), ticket.Target{Site: "north", MachineFor: machines, Received: received().Add(time.Hour)})
		if !slices.Equal(ids(first), ids(later)) {
			t.Errorf("%s: got %v and %v", name, ids(first), ids(later))
		}
	}
	// What a status without times says is another fact in another file.
	one, two := messages(status("", `Status="Stopped"`)), messages(status("", `Status="Stopped"`), " ")
	to := ticket.Target{Site: "north", Machine: "heron"}
	if slices.Equal(ids(events(t, parse(t, one, ticket.Options{}), to)), ids(events(t, parse(t, two, ticket.Options{}), to))) {
		t.Error("two files gave one event")
	}
}

func ids(list []event.Event) []string {
	var out []string
	for _, e := range list {
		out = append(out, e.ID)
	}
	return out
}

// TestAuditsAddNothing reads the live signals of a run and then the returned
// ticket: every event of the latter is there already.
func TestAuditsAddNothing(t *testing.T) {
	to := ticket.Target{Site: "north", MachineFor: machines, Received: received()}
	var live []string
	for _, name := range []string{"10-started.xjmf", "11-stalled.xjmf", "12-waste-and-finished.xjmf"} {
		live = append(live, ids(events(t, sampleDocument(t, name), to))...)
	}
	if len(live) != 5 || len(slices.Compact(slices.Sorted(slices.Values(live)))) != 5 {
		t.Fatalf("live: got %v", live)
	}
	audits := events(t, sampleDocument(t, "20-returned-with-audits.xjdf"), to)
	if len(audits) != 4 {
		t.Fatalf("audits: got %v", audits)
	}
	for _, e := range audits {
		if !slices.Contains(live, e.ID) {
			t.Errorf("%s at %v is told twice", e.Type, e.Time)
		}
	}
}

func TestSignalsFindTheirMachine(t *testing.T) {
	doc := sampleDocument(t, "10-started.xjmf") // from PRN-ROLL-1
	for _, c := range []struct {
		to            ticket.Target
		site, machine string
	}{
		{ticket.Target{Site: "quay", Machine: "plover", MachineFor: machines}, "north", "heron"}, // a device speaks for itself
		{ticket.Target{Site: "quay", Machine: "plover"}, "quay", "plover"},
		{ticket.Target{MachineFor: machines}, "north", "heron"},
	} {
		if e := events(t, doc, c.to)[0]; e.Site != c.site || e.Machine != c.machine {
			t.Errorf("got %s/%s, want %s/%s", e.Site, e.Machine, c.site, c.machine)
		}
	}
	_, err := doc.Events(ticket.Target{Site: "north"})
	var e *ticket.Error
	if !errors.As(err, &e) || e.Kind != "bad-value" || e.File != "10-started.xjmf" || !strings.Contains(e.Error(), `"PRN-ROLL-1"`) || !strings.Contains(e.Error(), "device_ids") {
		t.Errorf("an unknown device: got %v", err)
	}
}

func TestEventErrors(t *testing.T) {
	plain := parse(t, xjdf("", ""), ticket.Options{})
	for name, c := range map[string]struct {
		doc  ticket.Document
		to   ticket.Target
		says string
	}{
		"no site":            {plain, ticket.Target{}, "site"},
		"a bad machine name": {plain, ticket.Target{Site: "north", Machine: "a.b"}, "machine"},
		"a clock that is ahead": {sampleDocument(t, "10-started.xjmf"),
			ticket.Target{Site: "north", Machine: "heron", Received: received().AddDate(0, 0, -2)}, "set the clock"},
	} {
		_, err := c.doc.Events(c.to)
		var e *ticket.Error
		if !errors.As(err, &e) || !strings.Contains(e.Error(), c.says) || e.File == "" {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// TestEventsLeaveTheDocument makes sure that a document can be turned into
// events for one folder after another.
func TestEventsLeaveTheDocument(t *testing.T) {
	doc := sampleDocument(t, "02-laminated-panel.xjdf")
	before := len(doc.Tickets[0].Data.Flags)
	events(t, doc, ticket.Target{Site: "north"})
	events(t, doc, ticket.Target{Site: "north", Machine: "plover", MachineFor: machines})
	if after := len(doc.Tickets[0].Data.Flags); after != before || doc.Tickets[0].Data.Machine != "" {
		t.Errorf("the ticket was changed: %+v", doc.Tickets[0].Data)
	}
}
