package faults

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
)

// A checker that finds nothing wrong proves nothing until it has found what was
// planted. Here is a sound little journal, and what can be done to it.

// line is one message of the sound journal, in the form in which deploy/asyncapi.json
// has machines send it.
type line struct {
	typ, id, data string
}

const ticketFile = `{"job": "KL-1"}`

func soundJournal() []line {
	return []line{
		{"roll.loaded", "e1", `{"stock":"MONO-GLOSS-137","film_class":"monomeric","edge_mm":400}`},
		{"edge.moved", "e2", `{"position_mm":0,"cause":"rewind"}`},
		{"ticket.received", "t1", `{"job":"KL-1","source_sha256":"` + sumOf([]byte(ticketFile)) + `"}`},
		{"alarm.changed", "a1", `{"hazard":"bare-edge","job":"KL-1","from":"normal","to":"unacknowledged","on":"condition","emit":"annunciate","phase":"queued","page":["webhook"]}`},
		{"page.sent", "p1", `{"alarm":"a1","channel":"webhook","attempt":1,"key":"k1"}`},
		{"run.started", "e3", `{"job":"KL-1"}`},
		{"alarm.changed", "a2", `{"hazard":"bare-edge","job":"KL-1","from":"unacknowledged","to":"unacknowledged","on":"escalate","emit":"annunciate","phase":"running","page":["webhook"]}`},
		{"page.failed", "p2", `{"alarm":"a2","channel":"webhook","attempt":1,"reason":"no","final":true}`},
		{"edge.moved", "e4", `{"by_mm":365,"cause":"advance"}`},
		{"edge.moved", "e4", `{"by_mm":365,"cause":"advance"}`}, // sent again: no fault
		{"alarm.changed", "a3", `{"hazard":"bare-edge","job":"KL-1","from":"unacknowledged","to":"normal","on":"return","emit":"clear","phase":"running"}`},
		{"run.finished", "e5", `{"job":"KL-1","metres":3}`},
	}
}

const soundMetrics = `# TYPE rollwarden_events_total counter
rollwarden_duplicate_events_total 1
rollwarden_events_total{type="alarm.changed"} 3
rollwarden_events_total{type="edge.moved"} 2
rollwarden_events_total{type="page.failed"} 1
rollwarden_events_total{type="page.sent"} 1
rollwarden_events_total{type="roll.loaded"} 1
rollwarden_events_total{type="run.finished"} 1
rollwarden_events_total{type="run.started"} 1
rollwarden_events_total{type="run.stopped"} 0
rollwarden_events_total{type="ticket.received"} 1
rollwarden_rejected_inputs_total{kind="event"} 0
`

func entries(lines []line) (journal []entry) {
	for i, l := range lines {
		body := fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":"test","type":"rollwarden.%s","data":%s}`, l.id, l.typ, l.data)
		journal = append(journal, entryOf(uint64(i)+1, "floor.north.heron."+l.typ, nil, []byte(body)))
	}
	return journal
}

// soundInbox holds the accepted ticket.
func soundInbox(t *testing.T) (dir string, file dropped) {
	t.Helper()
	dir = t.TempDir()
	put(t, dir, "accepted/KL-1.json", ticketFile)
	return dir, dropped{dir, "KL-1.json", sumOf([]byte(ticketFile))}
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// change is what is planted: in the journal, in the evidence, in the inbox.
type change struct {
	name    string
	journal func([]line) []line
	holds   func(*evidence)
	inbox   func(t *testing.T, dir string)
	want    kind // empty for no fault
	text    string
}

func without(ids ...string) func([]line) []line {
	return func(all []line) []line {
		return slices.DeleteFunc(all, func(l line) bool { return slices.Contains(ids, l.id) })
	}
}

func with(before string, more ...line) func([]line) []line {
	return func(all []line) []line {
		i := slices.IndexFunc(all, func(l line) bool { return l.id == before })
		return slices.Insert(all, i, more...)
	}
}

func shows(old, other string) func(*evidence) {
	return func(ev *evidence) { ev.metrics = strings.Replace(ev.metrics, old, other, 1) }
}

var planted = []change{
	{name: "nothing"},

	{name: "an acknowledged event is gone", holds: func(ev *evidence) { ev.acked = append(ev.acked, "e6") }, want: lost, text: "event e6 was acknowledged"},
	{name: "a ticket is gone", journal: without("t1"), want: lost, text: "the journal knows nothing of it"},
	{name: "a ticket counts twice", journal: with("a1", line{"ticket.received", "t2", soundJournal()[2].data}), want: doubled, text: "2 ticket.received"},

	{name: "a file stays", inbox: func(t *testing.T, dir string) { put(t, dir, "KL-1.json", ticketFile) }, want: strayed, text: "KL-1.json"},
	{name: "a file is kept twice", inbox: func(t *testing.T, dir string) { put(t, dir, "rejected/KL-1.json", ticketFile) }, want: strayed, text: "KL-1.json"},
	{name: "a file lies between", inbox: func(t *testing.T, dir string) {
		put(t, dir, ".taking/KL-1.json", ticketFile)
		if err := os.Remove(filepath.Join(dir, "accepted/KL-1.json")); err != nil {
			t.Fatal(err)
		}
	}, want: strayed, text: ".taking"},
	{name: "a file is gone", inbox: func(t *testing.T, dir string) {
		if err := os.RemoveAll(filepath.Join(dir, "accepted")); err != nil {
			t.Fatal(err)
		}
	}, want: strayed, text: "KL-1.json"},
	{name: "an accepted file was rejected, says the journal", journal: func(all []line) []line {
		all[2].typ = "ticket.rejected"
		return all
	}, want: doubled, text: "1 ticket.rejected"},

	{name: "no alarm on the queue", journal: without("a1", "p1"), want: missed, text: "KL-1 was queued with a bare edge from entry 3 to entry 4"},
	{name: "no alarm at the start", journal: without("a2", "p2"), want: missed, text: "KL-1 was running with a bare edge"},
	{name: "an alarm that comes late", journal: func(all []line) []line {
		late := all[6]
		return append(slices.Delete(all, 6, 7), late)
	}, want: missed, text: "KL-1 was running"},
	{name: "no alarm of an edge that nobody knows", journal: with("e3",
		line{"roll.loaded", "e7", `{"film_class":"unknown"}`}, line{"edge.moved", "e8", `{"position_mm":400,"cause":"advance"}`},
		line{"roll.loaded", "e9", `{}`}, line{"edge.moved", "e10", `{"position_mm":0,"cause":"rewind"}`}), holds: func(ev *evidence) { ev.metrics = "" }, want: missed, text: "from entry 8 to entry 10"},
	{name: "an event that the oracle does not know", journal: with("e5", line{"leader.attached", "e6", `{"length_mm":400}`}), want: wrong, text: "leader.attached"},

	{name: "a transition twice", journal: with("e5", line{"alarm.changed", "a4", soundJournal()[10].data}), want: doubled, text: "entry 12 takes north/heron bare-edge KL-1/"},
	{name: "an alarm raised twice", journal: with("e3", line{"alarm.changed", "a5", soundJournal()[3].data}), want: doubled, text: "from normal to unacknowledged, but it is unacknowledged"},

	{name: "a page is forgotten", journal: without("p1"), want: unpaged, text: "entry 4) was neither sent nor given up"},
	{name: "a page failed, and more tries should come", journal: func(all []line) []line {
		all[7].data = strings.Replace(all[7].data, "true", "false", 1)
		return all
	}, want: unpaged, text: "entry 7) was neither sent nor given up"},
	{name: "a page is sent again under a new receipt", journal: with("e3", line{"page.sent", "p3", `{"alarm":"a1","channel":"webhook","attempt":2,"key":"k1"}`}), want: doubled, text: "sent 2 times"},
	{name: "the receiver got it twice", holds: func(ev *evidence) { ev.received = append(ev.received, page{"k1", "a1"}) }}, // at least once, and it can tell
	{name: "the receiver never got it", holds: func(ev *evidence) { ev.received = nil }, want: unpaged, text: "the receiver never took it"},
	{name: "a page under another key", holds: func(ev *evidence) { ev.received = append(ev.received, page{"k2", "a1"}) }, want: doubled, text: "cannot tell pages apart"},
	{name: "one key for two pages", holds: func(ev *evidence) { ev.received = append(ev.received, page{"k1", "a2"}) }, want: doubled, text: "cannot tell pages apart"},
	{name: "a page of no alarm", holds: func(ev *evidence) { ev.received = append(ev.received, page{"k3", "a9"}) }, want: wrong, text: "alarm a9"},

	{name: "the watch counts too many", holds: shows(`"edge.moved"} 2`, `"edge.moved"} 3`), want: wrong, text: "edge.moved as 3, the journal holds 2"},
	{name: "the watch counts too few", holds: shows(`"edge.moved"} 2`, `"edge.moved"} 1`), want: wrong, text: "edge.moved as 1, the journal holds 2"},
	{name: "the watch counts what never was", holds: shows(`"run.stopped"} 0`, `"run.stopped"} 1`), want: wrong, text: "run.stopped as 1, the journal holds none"},
	{name: "the watch knows of no double", holds: shows(`events_total 1`, `events_total 0`), want: wrong, text: "duplicate_events_total as 0, the journal holds 1"},
	{name: "the watch shows nothing", holds: func(ev *evidence) { ev.metrics = "up 1\n" }, want: wrong, text: "as 0, the journal holds 2"},
}

func TestTheCheckerFindsWhatIsPlanted(t *testing.T) {
	for _, p := range planted {
		t.Run(p.name, func(t *testing.T) {
			dir, file := soundInbox(t)
			ev := evidence{
				acked: []string{"e1", "e2", "e3", "e4", "e5"}, files: []dropped{file}, metrics: soundMetrics,
				received: []page{{"k1", "a1"}}, channel: "webhook", exits: map[string]float64{"north/heron": 330},
			}
			lines := soundJournal()
			if p.journal != nil {
				lines = p.journal(lines)
			}
			if p.holds != nil {
				p.holds(&ev)
			}
			if p.inbox != nil {
				p.inbox(t, dir)
			}
			faults := check(entries(lines), ev)
			if p.want == "" {
				complain(t, faults)
				return
			}
			if !slices.ContainsFunc(faults, func(f fault) bool { return f.kind == p.want && strings.Contains(f.text, p.text) }) {
				t.Errorf("want a fault %q that says %q, got %q", p.want, p.text, faults)
			}
		})
	}
}

func TestTheCheckerFindsAHole(t *testing.T) {
	journal := entries(soundJournal())
	faults := check(append(journal[:9:9], journal[10:]...), evidence{})
	if len(faults) != 1 || faults[0].kind != lost || !strings.Contains(faults[0].text, "entry 10") {
		t.Errorf("want entry 10 to be missed, got %q", faults)
	}
}

// A message in binary mode is read by its headers (CloudEvents NATS Protocol
// Binding 1.0.2, section 3.1), and one that is no CloudEvent is counted as such.
func TestTheCheckerReadsBothModes(t *testing.T) {
	binary := entryOf(1, "floor.north.heron.edge.moved", nats.Header{"ce-id": {"x"}, "ce-source": {"s"}, "ce-type": {"rollwarden.edge.moved"}}, []byte(`{"by_mm":1}`))
	structured := entryOf(1, "floor.north.heron.edge.moved", nil, []byte(`{"id":"x","source":"s","type":"rollwarden.edge.moved","data":{"by_mm":1}}`))
	if fmt.Sprint(binary) != fmt.Sprint(structured) || binary.key() != "s\nx" || binary.machine() != "north/heron" {
		t.Errorf("binary %v, structured %v", binary, structured)
	}
	junk := []entry{entryOf(1, "floor.north.heron.edge.moved", nil, []byte("no JSON"))}
	complain(t, check(junk, evidence{metrics: "rollwarden_rejected_inputs_total{kind=\"event\"} 1\nrollwarden_duplicate_events_total 0\n"}))
	if faults := check(junk, evidence{metrics: soundMetrics}); len(faults) == 0 {
		t.Error("a refused message that is not counted passes")
	}
}
