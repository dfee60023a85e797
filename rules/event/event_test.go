package event_test

import (
	"crypto/sha256"
	"strings"
	"testing"

	"rollwarden/rules/event"
)

// TestParseSubject follows the rules for NATS subjects: tokens with dots
// between them, none empty, no space, and * and > only for subscribers
// (https://docs.nats.io/nats-concepts/subjects).
func TestParseSubject(t *testing.T) {
	for _, tt := range []struct{ subject, site, machine, typ string }{
		{"floor.north.heron.edge.moved", "north", "heron", "edge.moved"},
		{"floor.quay.any.climate.read", "quay", event.AnyMachine, "climate.read"},
		{"floor.North_2.wren-B.x", "North_2", "wren-B", "x"},
		{"floor.north.heron.a.b.c.d", "north", "heron", "a.b.c.d"},
		{"floor.north.heron.größe", "north", "heron", "größe"},
		{"floor." + strings.Repeat("n", event.MaxName) + ".heron.x", strings.Repeat("n", event.MaxName), "heron", "x"},
	} {
		site, machine, typ, err := event.ParseSubject(tt.subject)
		if err != nil || site != tt.site || machine != tt.machine || typ != event.Type(tt.typ) {
			t.Errorf("%s: got %q, %q, %q, %v", tt.subject, site, machine, typ, err)
		}
		if got := event.Subject(site, machine, typ); got != tt.subject {
			t.Errorf("%s is built again as %s", tt.subject, got)
		}
	}
	for _, tt := range []struct{ subject, want string }{
		{"", `subject: want floor.<site>.<machine>.<type>, got ""`},
		{"floor", `subject: want floor.<site>.<machine>.<type>, got "floor"`},
		{"floor.north.heron", `subject: want floor.<site>.<machine>.<type>, got "floor.north.heron"`},
		{"Floor.north.heron.edge.moved", `subject: want floor.<site>.<machine>.<type>, got "Floor.north.heron.edge.moved"`},
		{"floor..heron.edge.moved", "subject site is missing: want a name of letters, digits, - and _"},
		{"floor.north..edge.moved", "subject machine is missing: want a name of letters, digits, - and _"},
		{"floor.*.heron.edge.moved", `subject site: want a name of letters, digits, - and _, got "*"`},
		{"floor.north.her on.edge.moved", `subject machine: want a name of letters, digits, - and _, got "her on"`},
		{"floor.nørth.heron.edge.moved", `subject site: want a name of letters, digits, - and _, got "nørth"`},
		{"floor." + strings.Repeat("n", event.MaxName+1) + ".heron.x", "subject site: want at most 64 letters, got 65"},
		{"floor.north.heron.", `subject type: want an event type such as edge.moved, got ""`},
		{"floor.north.heron.edge..moved", `subject type: want an event type such as edge.moved, got "edge..moved"`},
		{"floor.north.heron.edge.", `subject type: want an event type such as edge.moved, got "edge."`},
		{"floor.north.heron.>", `subject type: want an event type such as edge.moved, got ">"`},
		{"floor.north.heron.edge.*", `subject type: want an event type such as edge.moved, got "edge.*"`},
		{"floor.north.heron.edge moved", `subject type: want an event type such as edge.moved, got "edge moved"`},
		{"floor.north.heron.edge\nmoved", `subject type: want an event type such as edge.moved, got "edge\nmoved"`},
		{"floor.north.heron.\xff", `subject type: want an event type such as edge.moved, got "\xff"`},
	} {
		if _, _, _, err := event.ParseSubject(tt.subject); err == nil || err.Error() != tt.want {
			t.Errorf("%q\n got %v\nwant %s", tt.subject, err, tt.want)
		}
	}
}

// TestKey computes the key the long way, and tells apart what only looks alike.
func TestKey(t *testing.T) {
	e := event.Event{Source: "/north/heron", ID: "a1", Site: "north", Machine: "heron", Type: "edge.moved"}
	sum := sha256.Sum256([]byte("/north/heron\x00a1\x00north\x00heron\x00edge.moved"))
	if got := e.Key(); string(got[:]) != string(sum[:16]) {
		t.Errorf("got %x, want %x", got, sum[:16])
	}
	long := event.Event{Source: "/" + strings.Repeat("x", 500), ID: strings.Repeat("y", 500)}
	sum = sha256.Sum256([]byte(long.Source + "\x00" + long.ID + "\x00\x00\x00"))
	if got := long.Key(); string(got[:]) != string(sum[:16]) {
		t.Error("a long source or id is not hashed in full")
	}
	for name, change := range map[string]func(*event.Event){
		"source and id run into each other": func(e *event.Event) { e.Source, e.ID = "/north/herona", "1" },
		"another site":                      func(e *event.Event) { e.Site = "quay" },
		"another machine":                   func(e *event.Event) { e.Machine = "wren" },
		"another type":                      func(e *event.Event) { e.Type = "alarm.changed" },
	} {
		other := e
		if change(&other); other.Key() == e.Key() {
			t.Errorf("%s: want a key of its own", name)
		}
	}
}

func TestDerivedID(t *testing.T) {
	seen := map[string][]string{}
	for _, parts := range [][]string{{}, {""}, {"", ""}, {"a", "bc"}, {"ab", "c"}, {"abc"}, {"a,1:b", "c"}} {
		id := event.DerivedID(parts...)
		if len(id) != 32 || id != event.DerivedID(parts...) {
			t.Errorf("%q: want the same 32 digits each time, got %s", parts, id)
		}
		if other, ok := seen[id]; ok {
			t.Errorf("%q and %q have one id", parts, other)
		}
		seen[id] = parts
	}
}

func TestLowGrade(t *testing.T) {
	low := map[event.Class]bool{event.Monomeric: true, event.Unknown: true, "": true}
	for _, c := range append(event.Classes, "") {
		if c.LowGrade() != low[c] {
			t.Errorf("%q is low grade: %v", c, c.LowGrade())
		}
	}
}
