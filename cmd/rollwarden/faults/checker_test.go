package faults

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// The checker is independent on purpose: what it knows of an event stands in
// the small structs below, written from deploy/asyncapi.json and not from the
// code. It must not import the rules or the watcher packages.

// entry is one message of the journal.
type entry struct {
	seq     uint64
	subject string
	id      string // CloudEvents id; empty when the message is no CloudEvent
	source  string
	typ     string // without the prefix "rollwarden."
	data    json.RawMessage
}

// key is what makes an event one event (CloudEvents 1.0.2, "id": "Producers
// MUST ensure that source + id is unique for each distinct event").
func (e entry) key() string { return e.source + "\n" + e.id }

// machine is the place in the subject floor.<site>.<machine>.<type>.
func (e entry) machine() string {
	parts := strings.Split(e.subject, ".")
	if len(parts) < 3 {
		return ""
	}
	return parts[1] + "/" + parts[2]
}

// read takes the data of an event apart. Data of another form is a fault of
// the journal, and shows as missing values.
func (e entry) read(into any) { _ = json.Unmarshal(e.data, into) }

const typePrefix = "rollwarden."

// entryOf reads a message in either mode of CloudEvents 1.0.2: structured when
// the body says so, binary when the headers do (NATS Protocol Binding, 3.1).
func entryOf(seq uint64, subject string, header nats.Header, body []byte) entry {
	e := entry{seq: seq, subject: subject}
	if header["ce-id"] != nil {
		e.id, e.source, e.data = header["ce-id"][0], strings.Join(header["ce-source"], ""), body
		e.typ = strings.TrimPrefix(strings.Join(header["ce-type"], ""), typePrefix)
		return e
	}
	var ce struct {
		ID, Source, Type string
		Data             json.RawMessage
	}
	if json.Unmarshal(body, &ce) == nil {
		e.id, e.source, e.typ, e.data = ce.ID, ce.Source, strings.TrimPrefix(ce.Type, typePrefix), ce.Data
	}
	return e
}

// journalStream is where the watch keeps its journal.
const journalStream = "FLOOR"

// readJournal reads the whole journal.
func readJournal(ctx context.Context, js jetstream.JetStream) ([]entry, error) {
	stream, err := js.Stream(ctx, journalStream)
	if err != nil {
		return nil, err
	}
	info, err := stream.Info(ctx)
	if err != nil {
		return nil, err
	}
	c, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{})
	if err != nil {
		return nil, err
	}
	messages, err := c.Messages()
	if err != nil {
		return nil, err
	}
	defer messages.Stop()
	var all []entry
	for last := uint64(0); last < info.State.LastSeq; {
		m, err := messages.Next(jetstream.NextMaxWait(10 * time.Second))
		if err != nil {
			return nil, fmt.Errorf("the journal says that it ends at entry %d, and tells nothing after %d: %w", info.State.LastSeq, last, err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return nil, err
		}
		last = meta.Sequence.Stream
		all = append(all, entryOf(last, m.Subject(), m.Headers(), m.Data()))
	}
	return all, nil
}

// evidence is what a test knows from outside the journal. What is left empty is
// not checked, except that events, alarms and pages are always checked against
// each other.
type evidence struct {
	acked    []string           // ids of events that the journal acknowledged
	files    []dropped          // ticket files
	received []page             // what the receiver took, in order
	channel  string             // the channel of that receiver
	exits    map[string]float64 // cure exit of each machine, mm; by site/machine
	metrics  string             // text of /metrics, of a watch that is quiet; empty to leave it out
}

// dropped is a file that was put into an inbox.
type dropped struct{ inbox, name, sha string }

func sumOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// page is a request that the receiver took.
type page struct{ key, alarm string }

// fault is something that the checker found to be wrong.
type fault struct {
	kind kind
	text string
}

type kind string

// The kinds of faults.
const (
	lost    kind = "lost"    // what was acknowledged or dropped is not in the journal
	doubled kind = "doubled" // something counts, or happened, more than once
	missed  kind = "missed"  // an alarm that had to come did not
	unpaged kind = "unpaged" // an annunciation was told to nobody
	strayed kind = "strayed" // a ticket file did not end where files end
	wrong   kind = "wrong"   // the watch shows or says something else than the journal
)

func (f fault) String() string { return string(f.kind) + ": " + f.text }

// report collects faults.
type report struct{ faults []fault }

func (r *report) add(k kind, format string, args ...any) {
	r.faults = append(r.faults, fault{k, fmt.Sprintf(format, args...)})
}

// check holds the journal against the evidence.
func check(journal []entry, ev evidence) []fault {
	var r report
	r.sequence(journal)
	once := distinct(journal)
	r.acked(once, ev.acked)
	r.files(once, ev.files)
	alarms := r.transitions(once)
	r.bareEdges(once, alarms, ev.exits)
	r.pages(once, alarms, ev)
	if ev.metrics != "" {
		r.counts(journal, once, ev.metrics)
	}
	return r.faults
}

// sequence finds holes: the journal begins with 1 and lets nothing go.
func (r *report) sequence(journal []entry) {
	for i, e := range journal {
		if want := uint64(i) + 1; e.seq != want {
			r.add(lost, "entry %d of the journal is missing: after it comes %d", want, e.seq)
			return
		}
	}
}

// distinct is the journal with each event once, where it came first. That an
// event is stored twice is allowed: a sender that heard no answer sends again.
func distinct(journal []entry) []entry {
	seen := map[string]bool{}
	var once []entry
	for _, e := range journal {
		if e.id == "" || seen[e.key()] {
			continue
		}
		seen[e.key()] = true
		once = append(once, e)
	}
	return once
}

func (r *report) acked(once []entry, ids []string) {
	stored := map[string]int{}
	for _, e := range once {
		stored[e.id]++
	}
	for _, id := range ids {
		switch n := stored[id]; {
		case n == 0:
			r.add(lost, "event %s was acknowledged and is not in the journal", id)
		case n > 1:
			r.add(doubled, "event %s counts %d times", id, n)
		}
	}
}

// files looks for each dropped file, by its content, and for what the journal
// has of it.
func (r *report) files(once []entry, files []dropped) {
	told := map[string]map[string]int{"ticket.received": {}, "ticket.rejected": {}}
	for _, e := range once {
		if by := told[e.typ]; by != nil {
			var d struct {
				SHA string `json:"source_sha256"`
			}
			e.read(&d)
			by[d.SHA]++
		}
	}
	ends := map[string]places{}
	for _, f := range files {
		if ends[f.inbox] == nil {
			ends[f.inbox] = r.places(f.inbox)
		}
		r.file(f, ends[f.inbox][f.sha], told["ticket.received"][f.sha], told["ticket.rejected"][f.sha])
	}
}

func (r *report) file(f dropped, at []string, received, rejected int) {
	if len(at) != 1 || at[0] != "accepted" && at[0] != "rejected" {
		r.add(strayed, "ticket file %s/%s: want it once in accepted or rejected, found it in %q", f.inbox, f.name, at)
		return
	}
	want := map[string][2]int{"accepted": {1, 0}, "rejected": {0, 1}}[at[0]]
	switch got := [2]int{received, rejected}; {
	case got == want:
	case received+rejected == 0:
		r.add(lost, "ticket file %s/%s lies in %s, and the journal knows nothing of it", f.inbox, f.name, at[0])
	default:
		r.add(doubled, "ticket file %s/%s lies in %s; the journal has %d ticket.received and %d ticket.rejected of it", f.inbox, f.name, at[0], received, rejected)
	}
}

// places says in which folders of an inbox a content lies.
type places map[string][]string

func (r *report) places(inbox string) places {
	found := places{}
	for _, dir := range []string{".", ".taking", "accepted", "rejected"} {
		files, err := os.ReadDir(filepath.Join(inbox, dir))
		if err != nil {
			if !os.IsNotExist(err) {
				r.add(strayed, "%v", err)
			}
			continue
		}
		for _, f := range files {
			r.place(found, inbox, dir, f)
		}
	}
	return found
}

func (r *report) place(found places, inbox, dir string, f fs.DirEntry) {
	if f.IsDir() || strings.HasSuffix(f.Name(), ".reason.txt") {
		return
	}
	content, err := os.ReadFile(filepath.Join(inbox, dir, f.Name()))
	if err != nil {
		r.add(strayed, "%v", err)
		return
	}
	sum := sumOf(content)
	found[sum] = append(found[sum], dir)
}

// alarm is one transition of an alarm that took effect.
type alarm struct {
	entry
	Hazard, Job, Part, From, To, On, Emit, Phase string
	Page                                         []string
}

func (a alarm) about() string { return a.machine() + " " + a.Hazard + " " + a.Job + "/" + a.Part }

// transitions walks through the life of each alarm. One that does not begin in
// the state that its alarm is in says something a second time under a new id.
func (r *report) transitions(once []entry) (took []alarm) {
	state := map[string]string{}
	for _, e := range once {
		if e.typ != "alarm.changed" {
			continue
		}
		a := alarm{entry: e}
		e.read(&a)
		if now := cmp.Or(state[a.about()], "normal"); a.From != now {
			r.add(doubled, "entry %d takes %s from %s to %s, but it is %s", a.seq, a.about(), a.From, a.To, now)
			continue
		}
		state[a.about()] = a.To
		took = append(took, a)
	}
	return took
}

// bareEdges is the oracle: every run that is next on a machine, or runs, on film
// of low grade with the edge short of the cure exit must have been announced
// before that was over. It is meant for floors that wait for the alarm before
// they go on, as the floor of these tests does.
func (r *report) bareEdges(once []entry, alarms []alarm, exits map[string]float64) {
	for _, m := range slices.Sorted(maps.Keys(exits)) {
		o := oracle{exit: exits[m]}
		for _, e := range once {
			if e.machine() != m {
				continue
			}
			if why := o.apply(e); why != "" {
				r.add(wrong, "the oracle cannot tell what entry %d (%s) means: %s", e.seq, e.typ, why)
			}
		}
		o.close(0)
		for _, s := range o.spells {
			if !s.announced(m, alarms) {
				r.add(missed, "%s: %s was %s with a bare edge from entry %d to %s, and no alarm came", m, s.job, s.phase, s.from, s.end())
			}
		}
	}
}

// spell is a time during which a start was risky, in journal entries.
type spell struct {
	job, phase string
	from, to   uint64 // to is 0 when it goes on
}

func (s spell) end() string {
	if s.to == 0 {
		return "the end"
	}
	return "entry " + strconv.FormatUint(s.to, 10)
}

func (s spell) announced(machine string, alarms []alarm) bool {
	return slices.ContainsFunc(alarms, func(a alarm) bool {
		return a.Hazard == "bare-edge" && a.machine() == machine && a.Job == s.job && a.Phase == s.phase &&
			a.Emit == "annunciate" && a.seq > s.from && (s.to == 0 || a.seq < s.to)
	})
}

// oracle follows one machine as far as a bare edge is concerned.
type oracle struct {
	exit    float64 // mm
	low     bool    // low-grade film is loaded
	loaded  bool
	edge    *float64 // mm downstream; nil when nobody knows
	queue   []string
	running string
	spells  []spell
	open    bool // the last spell goes on
}

// apply takes one event in and returns why it cannot.
func (o *oracle) apply(e entry) string {
	var d struct {
		Job       string
		FilmClass string   `json:"film_class"`
		EdgeMM    *float64 `json:"edge_mm"`
		Position  *float64 `json:"position_mm"`
		ByMM      *float64 `json:"by_mm"`
		Metres    *float64
		Place     *float64 `json:"position"`
		StartAt   *string  `json:"start_at"`
		Priority  *float64 // of a ticket; an alarm's is a text, and is not read
	}
	switch e.typ {
	case "alarm.changed", "page.sent", "page.failed", "ticket.rejected", "climate.read", "film.wasted", "operator.noted", "change.marked":
		return ""
	}
	e.read(&d)
	if d.Place != nil || d.StartAt != nil || d.Priority != nil {
		return "it knows one queue, first come, first served"
	}
	switch e.typ {
	case "roll.loaded":
		o.loaded, o.edge = true, d.EdgeMM
		o.low = d.FilmClass == "monomeric" || d.FilmClass == "unknown" || d.FilmClass == ""
	case "edge.moved":
		o.move(d.Position, d.ByMM)
	case "ticket.received", "run.queued":
		if d.Job != o.running && !slices.Contains(o.queue, d.Job) {
			o.queue = append(o.queue, d.Job)
		}
	case "run.started":
		o.dequeue(d.Job)
		o.running = d.Job
	case "run.finished":
		if d.Metres == nil || o.running != d.Job {
			return "it wants a run that runs, and its metres"
		}
		o.running = ""
		by := *d.Metres * 1000
		o.move(nil, &by)
	default:
		return "it is not among the events that it knows"
	}
	o.judge(e.seq)
	return ""
}

func (o *oracle) dequeue(job string) {
	o.queue = slices.DeleteFunc(o.queue, func(q string) bool { return q == job })
}

func (o *oracle) move(to, by *float64) {
	switch {
	case to != nil:
		o.edge = to
	case by != nil && o.edge != nil:
		moved := *o.edge + *by
		o.edge = &moved
	}
}

// judge begins or ends a spell.
func (o *oracle) judge(seq uint64) {
	job, phase := o.running, "running"
	if job == "" && len(o.queue) > 0 {
		job, phase = o.queue[0], "queued"
	}
	risky := job != "" && o.loaded && o.low && (o.edge == nil || *o.edge < o.exit)
	if o.open {
		if s := o.spells[len(o.spells)-1]; risky && s.job == job && s.phase == phase {
			return
		}
		o.close(seq)
	}
	if risky {
		o.spells = append(o.spells, spell{job: job, phase: phase, from: seq})
		o.open = true
	}
}

func (o *oracle) close(seq uint64) {
	if o.open {
		o.spells[len(o.spells)-1].to = seq
		o.open = false
	}
}

// pages looks for the end of every page: sent, or given up. What the receiver
// took must fit: every page that is said to be sent, under one key of its own.
func (r *report) pages(once []entry, alarms []alarm, ev evidence) {
	type due struct{ alarm, channel string }
	sent, gaveUp := map[due]int{}, map[due]bool{}
	keys := map[string]string{} // of pages that are said to be sent, with their alarm
	for _, e := range once {
		var d struct {
			Alarm, Channel, Key string
			Final               bool
		}
		switch e.typ {
		case "page.sent":
			e.read(&d)
			sent[due{d.Alarm, d.Channel}]++
			if d.Channel == ev.channel {
				keys[d.Key] = d.Alarm
			}
		case "page.failed":
			e.read(&d)
			gaveUp[due{d.Alarm, d.Channel}] = gaveUp[due{d.Alarm, d.Channel}] || d.Final
		}
	}
	for _, a := range alarms {
		for _, channel := range a.Page {
			d := due{a.id, channel}
			switch {
			case sent[d] > 1:
				r.add(doubled, "the page of %s (%s, entry %d) was sent %d times by %s, says the journal", a.about(), a.Emit, a.seq, sent[d], channel)
			case sent[d] == 0 && !gaveUp[d]:
				r.add(unpaged, "the page of %s (%s, entry %d) was neither sent nor given up by %s", a.about(), a.Emit, a.seq, channel)
			}
		}
	}
	if ev.channel != "" {
		r.receiver(ev.received, keys, alarms)
	}
}

func (r *report) receiver(received []page, keys map[string]string, alarms []alarm) {
	known := map[string]bool{}
	for _, a := range alarms {
		known[a.id] = true
	}
	got, of := map[string]string{}, map[string]string{} // alarm by key, key by alarm
	for _, p := range received {
		switch {
		case !known[p.alarm]:
			r.add(wrong, "the receiver was paged for alarm %s, which the journal does not have", p.alarm)
		case got[p.key] == "" && of[p.alarm] == "":
			got[p.key], of[p.alarm] = p.alarm, p.key
		case got[p.key] != p.alarm || of[p.alarm] != p.key:
			r.add(doubled, "the receiver cannot tell pages apart: key %s came for alarms %s and %s", p.key, got[p.key], p.alarm)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		if got[key] != keys[key] {
			r.add(unpaged, "the journal says that page %s of alarm %s was sent, and the receiver never took it", key, keys[key])
		}
	}
}

// A sample of a counter with one label (Prometheus text format 0.0.4).
var sample = regexp.MustCompile(`(?m)^(rollwarden_\w+)(?:\{\w+="([^"]*)"\})? (\S+)$`)

// counts compares what the watch shows with what the journal holds.
func (r *report) counts(journal, once []entry, metrics string) {
	want := map[string]float64{"rollwarden_duplicate_events_total": 0, "rollwarden_rejected_inputs_total event": 0}
	known := 0
	for _, e := range journal {
		if e.id == "" {
			want["rollwarden_rejected_inputs_total event"]++
		} else {
			known++
		}
	}
	want["rollwarden_duplicate_events_total"] = float64(known - len(once))
	for _, e := range once {
		want["rollwarden_events_total "+e.typ]++
	}
	shown := map[string]float64{}
	for _, m := range sample.FindAllStringSubmatch(metrics, -1) {
		name := strings.TrimSpace(m[1] + " " + m[2])
		if n, err := strconv.ParseFloat(m[3], 64); err == nil && (m[1] == "rollwarden_events_total" || want[name] > 0) {
			shown[name] = n
		}
	}
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if shown[name] != want[name] {
			r.add(wrong, "the watch shows %s as %g, the journal holds %g", name, shown[name], want[name])
		}
	}
	for _, name := range slices.Sorted(maps.Keys(shown)) {
		if _, counted := want[name]; !counted && shown[name] != 0 {
			r.add(wrong, "the watch shows %s as %g, the journal holds none", name, shown[name])
		}
	}
}

// complain fails a test with what was found.
func complain(tb testing.TB, faults []fault) {
	tb.Helper()
	const most = 20
	for i, f := range faults {
		if i == most {
			tb.Errorf("… and %d more", len(faults)-most)
			return
		}
		tb.Error(f)
	}
}
