package ledger

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/metrics/web"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// The number of entries in one answer.
const (
	usual = 50
	page  = 200 // of the page for people
	most  = 200
)

// group is a choice of event types.
type group struct {
	Code  string
	Types []event.Type
}

// kinds are the groups of event types that a reader can choose. Every type of
// the contract is in one of them; a test holds the two together.
var kinds = []group{
	{"runs", []event.Type{"run.queued", "run.started", "run.progress", "run.finished", "run.stopped", "cut.finished"}},
	{"film", []event.Type{"roll.loaded", "roll.removed", "edge.moved", "leader.attached", "leader.removed", "edge.shaped", "film.wasted", "job.reprinted", "strip.measured"}},
	{"heads", []event.Type{"strike.recorded", "head.checked", "machine.reported"}},
	{"alarms", []event.Type{"alarm.changed", "page.sent", "page.failed"}},
	{"people", []event.Type{"operator.noted", "advice.accepted", "entry.undone", "change.marked"}},
	{"tickets", []event.Type{"ticket.received", "ticket.withdrawn", "ticket.rejected"}},
	{"air", []event.Type{"climate.read"}},
}

type historyView struct {
	web.Frame
	Site, Machine string
	Kinds         []choice
	Rows          []row
	Older, Newest string // addresses; empty when there is nothing there
}

type choice struct {
	Code, Text string
	Chosen     bool
}

// row is one entry of the journal for people.
type row struct {
	Seq     uint64
	Link    string
	At      web.Stamp
	Type    string
	Who     string
	Said    string // an alarm's sentence or a note, in its own words
	Lang    string // of Said; empty for the page's
	Values  []value
	Undone  bool
	Problem string
}

type value struct{ Name, Text string }

// history serves the newest entries of a machine.
func (l *ledger) history(w http.ResponseWriter, r *http.Request) {
	q, err := l.query(r, page)
	if err != nil {
		web.Plain(w, http.StatusBadRequest, err.Error())
		return
	}
	if !l.o.Known(q.Site, q.Machine) {
		l.o.Kit.Missing(w, r)
		return
	}
	entries, more, err := l.o.Newest(r.Context(), q)
	if err != nil {
		l.away(w, r)
		return
	}
	pen := l.o.Kit.Pen(r)
	v := historyView{Frame: l.o.Kit.Frame(r, "", pen.Say("history.title", q.Machine)), Site: q.Site, Machine: q.Machine}
	for _, k := range kinds {
		v.Kinds = append(v.Kinds, choice{k.Code, pen.Say("history.kind." + k.Code), slices.Contains(r.URL.Query()["kind"], k.Code)})
	}
	undone := takenBack(entries)
	for i := range entries {
		line := l.row(pen, q.Site, q.Machine, &entries[i])
		shorten(line.Values)
		line.Undone = undone[entries[i].Event.ID]
		v.Rows = append(v.Rows, line)
	}
	if more {
		v.Older = again(r, entries[len(entries)-1].Seq)
	}
	if q.Before > 0 {
		v.Newest = again(r, 0)
	}
	l.pages.Render(w, pen.Lang, "history", http.StatusOK, v)
}

// again is the address of the page with the same choice from another entry on.
func again(r *http.Request, before uint64) string {
	q := r.URL.Query()
	q.Del("before")
	if before > 0 {
		q.Set("before", strconv.FormatUint(before, 10))
	}
	return r.URL.Path + "?" + q.Encode()
}

// takenBack finds the entries that a later one takes back.
func takenBack(entries []Entry) map[string]bool {
	undone := map[string]bool{}
	for i := range entries {
		if d, ok := entries[i].Event.Data.(*event.EntryUndone); ok {
			undone[d.Event] = true
		}
	}
	return undone
}

// query reads what a request asks for.
func (l *ledger) query(r *http.Request, n int) (Query, error) {
	q := Query{Site: r.PathValue("site"), Machine: r.PathValue("machine"), N: n}
	values := r.URL.Query()
	for _, t := range values["type"] {
		if _, known := event.KindOf(event.Type(t)); !known {
			return q, fmt.Errorf("type: want a type of the contract such as edge.moved, got %q", t)
		}
		q.Types = append(q.Types, event.Type(t))
	}
	for _, code := range values["kind"] {
		i := slices.IndexFunc(kinds, func(g group) bool { return g.Code == code })
		if i < 0 {
			return q, fmt.Errorf("kind: there is no %q", code)
		}
		q.Types = append(q.Types, kinds[i].Types...)
	}
	for name, into := range map[string]func(uint64){
		"before": func(v uint64) { q.Before = v }, "n": func(v uint64) { q.N = int(min(v, most+1)) },
	} {
		if !values.Has(name) {
			continue
		}
		v, err := strconv.ParseUint(values.Get(name), 10, 64)
		if err != nil || v == 0 {
			return q, fmt.Errorf("%s: want a whole number from 1 up, got %q", name, values.Get(name))
		}
		into(v)
	}
	if q.N > most {
		return q, fmt.Errorf("n: want a number from 1 to %d", most)
	}
	return q, nil
}

// away says that the journal cannot be read.
func (l *ledger) away(w http.ResponseWriter, r *http.Request) {
	l.o.Kit.Later(w, r, "history.away")
}

type entryView struct {
	web.Frame
	Site, Machine string
	Row           row
	Stored        web.Stamp
	ID, Source    string
	JSON          string
	Back          string
}

// entry serves one entry of the journal under an address that stays.
func (l *ledger) entry(w http.ResponseWriter, r *http.Request) {
	site, machine := r.PathValue("site"), r.PathValue("machine")
	seq, err := strconv.ParseUint(r.PathValue("seq"), 10, 64)
	if err != nil {
		l.o.Kit.Missing(w, r)
		return
	}
	e, err := l.o.At(r.Context(), site, seq)
	switch {
	case errors.Is(err, ErrNoEntry):
		l.o.Kit.Notice(w, r, http.StatusNotFound, "history.gone", 0)
		return
	case err != nil:
		l.away(w, r)
		return
	}
	if s, m, _, err := event.ParseSubject(e.Subject); err != nil || s != site || m != machine {
		l.o.Kit.Missing(w, r)
		return
	}
	pen := l.o.Kit.Pen(r)
	v := entryView{
		Frame: l.o.Kit.Frame(r, "", pen.Say("history.entry", seq)), Site: site, Machine: machine,
		Row: l.row(pen, site, machine, &e), Stored: pen.Stamp(e.Stored), ID: e.Event.ID, Source: e.Event.Source,
		Back: historyOf(site, machine) + "?before=" + strconv.FormatUint(seq+1, 10),
	}
	if d, ok := e.Event.Data.(*event.AlarmChanged); ok {
		v.Row.Values = append(v.Row.Values, evidence(pen, d)...)
	}
	if e.Problem == "" {
		v.JSON = indented(e.Event)
	}
	l.pages.Render(w, pen.Lang, "entry", http.StatusOK, v)
}

func indented(e event.Event) string {
	data, err := event.Encode(e)
	if err != nil {
		return err.Error()
	}
	out := jsontext.Value(data)
	if err := out.Indent(jsontext.WithIndent("  ")); err != nil {
		return string(data)
	}
	return string(out)
}

// row writes an entry for people.
func (l *ledger) row(p web.Pen, site, machine string, e *Entry) row {
	out := row{Seq: e.Seq, Link: historyOf(site, machine) + "/" + strconv.FormatUint(e.Seq, 10), At: p.Stamp(e.Event.Time), Problem: e.Problem}
	if e.Problem != "" {
		out.At, out.Type = p.Stamp(e.Stored), p.Say("history.unreadable")
		return out
	}
	out.Type = p.Name("event", string(e.Event.Type), string(e.Event.Type))
	for _, v := range values(e.Event) {
		switch v.Name {
		case "by":
			out.Who = v.Text
			continue
		case "source_sha256":
			continue // nobody reads a digest: programs find it in the entry as it is stored
		}
		out.Values = append(out.Values, inWords(p, e.Event, v))
	}
	if d, ok := e.Event.Data.(*event.AlarmChanged); ok {
		said := sentence(p, machine, d)
		out.Said, out.Lang = said.Text, said.Lang
		state := func(s string) string { return p.Name("state", s, s) }
		out.Values = []value{{p.Name("phrase", d.Hazard+".title", d.Hazard), state(d.From) + " → " + state(d.To)}}
		if d.Job != "" {
			out.Values = append(out.Values, value{p.Name("value", "job", "job"), event.JobName(d.Job, d.Part)})
		}
	}
	return out
}

// sentence says an alarm's sentence without the machine and the job, which the row
// names. One that was raised is a reason with clauses behind it, and a phrase whose
// last value may be anything would take those for that value. So it is turned
// clause by clause, all of it or nothing. What became of an alarm is one clause, in
// which people's own words may stand.
func sentence(p web.Pen, machine string, d *event.AlarmChanged) web.Said {
	head := machine
	if d.Job != "" {
		head += ", " + event.JobName(d.Job, d.Part)
	}
	text := strings.TrimPrefix(d.Message, head+": ")
	said := p.Turn(text)
	if d.Emit == alarm.Annunciate {
		said = byClause(p, text)
	}
	said.Text = stamps.ReplaceAllStringFunc(said.Text, func(s string) string { return moment(p, s) })
	return said
}

func byClause(p web.Pen, text string) web.Said {
	body, ended := strings.CutSuffix(text, ".")
	var out strings.Builder
	for from := 0; from < len(body); {
		to, next := len(body), len(body)
		if at := clauseEnd.FindStringIndex(body[from:]); at != nil {
			to, next = from+at[0], from+at[1]
		}
		clause := p.Turn(body[from:to])
		if clause.Lang != "" {
			return web.Said{Text: text, Lang: clause.Lang}
		}
		out.WriteString(clause.Text + body[to:next])
		from = next
	}
	if ended {
		out.WriteByte('.')
	}
	return web.Said{Text: out.String()}
}

// evidence lists what was looked at before an alarm changed.
func evidence(p web.Pen, d *event.AlarmChanged) []value {
	var out []value
	for _, e := range d.Evidence {
		text := moment(p, p.Value(e.Value))
		if e.Limit != "" {
			text += ", " + p.Say("alarm.limit") + " " + p.Value(e.Limit)
		}
		out = append(out, value{p.Turn(e.Name).Text, text})
	}
	return out
}

// clauseEnd is what stands between the clauses of an alarm's sentence.
var clauseEnd = regexp.MustCompile(`[.;] `)

// stamps are moments as the contract writes them (RFC 3339).
var stamps = regexp.MustCompile(`\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[-+]\d\d:\d\d)`)

// moment writes a moment of the contract as the shop's clock shows it, and leaves
// what is none as it is.
func moment(p web.Pen, text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return text
	}
	return planned(p, t).Text
}

// longID is an id, a key or a hash: no person reads more than its beginning.
var longID = regexp.MustCompile(`^[0-9a-f]{8}-?[0-9a-f-]{23,}$`)

// shortID is how much of one a row shows, in characters. The entry's own page has
// all of it.
const shortID = 8

func shorten(values []value) {
	for i := range values {
		if longID.MatchString(values[i].Text) {
			values[i].Text = values[i].Text[:shortID] + "…"
		}
	}
}

// tables are where the catalogue has the words for the values of a field.
var tables = map[string]string{
	"film_class": "class", "cause": "waste", "axis": "axis", "type": "event", "action": "noted", "shape": "shape",
}

// inWords writes a value for people, who read names and units where the contract
// has members. What it has no words for stays as it is.
func inWords(p web.Pen, e event.Event, v value) value {
	name, text := v.Name, v.Text
	v.Name = p.Name("value", name, name)
	kind, _ := event.KindOf(e.Type)
	i := slices.IndexFunc(event.Fields(kind), func(f event.Field) bool { return f.Name == name })
	if i < 0 {
		return v
	}
	switch f := event.Fields(kind)[i]; {
	case f.Type == "number":
		v.Text = measure(p, text, f.Unit)
	case f.Type == "boolean":
		v.Text = p.Name("touch", map[string]string{"true": "yes", "false": "no"}[text], text)
	case f.Format == "date-time":
		v.Text = moment(p, text)
	case name == "hazard":
		v.Text = p.Name("phrase", text+".title", text)
	case e.Type == "edge.moved" && name == "cause":
		v.Text = p.Name("moved", text, text)
	case tables[name] != "":
		v.Text = p.Name(tables[name], text, text)
	}
	return v
}

// measure writes a number with the unit that people here read. It keeps as many
// digits as were told.
func measure(p web.Pen, text, unit string) string {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return text
	}
	digits := -1
	switch {
	case unit == "µm" && p.Imperial:
		x, unit, digits = x/units.UMPerMil, "mil", 1
	case unit == "mm" && p.Imperial:
		x, unit, digits = x/units.MMPerInch, "in", 2
	case unit == "m" && p.Imperial:
		x, unit, digits = x*1000/units.MMPerFoot, "ft", 2
	case unit == "°C" && p.Fahrenheit:
		x, unit, digits = units.CToFahrenheit(x), "°F", 1
	case unit == "percent":
		unit = "%"
	}
	return strings.TrimSpace(p.Number(strconv.FormatFloat(x, 'f', digits, 64)) + " " + unit)
}

// values lists the data of an event by the names of the contract. Lists and
// objects stay JSON: the entry's own page shows them at length.
func values(e event.Event) []value {
	if e.Data == nil {
		return []value{{"data", string(e.Raw)}}
	}
	data, err := json.Marshal(e.Data)
	if err != nil {
		return []value{{"data", err.Error()}}
	}
	d := jsontext.NewDecoder(strings.NewReader(string(data)))
	var out []value
	for d.ReadToken(); d.PeekKind() == '"'; { // the first token opens the object
		name, err := d.ReadToken()
		if err != nil {
			return out
		}
		key := name.String()
		v, err := d.ReadValue()
		if err != nil {
			return out
		}
		out = append(out, value{key, plain(v)})
	}
	return out
}

// plain takes a text out of its quotes, and leaves everything else as it is.
func plain(v jsontext.Value) string {
	if v.Kind() != '"' {
		return string(v)
	}
	var s string
	if err := json.Unmarshal(v, &s); err != nil {
		return string(v)
	}
	return s
}

// The answers of the API, as openapi.json has them.

type eventsAnswer struct {
	Site    string        `json:"site"`
	Machine string        `json:"machine"`
	Events  []eventAnswer `json:"events"`
	More    bool          `json:"more"`
	Before  *uint64       `json:"before"`
}

type eventAnswer struct {
	Seq      uint64         `json:"seq"`
	StoredAt time.Time      `json:"stored_at"`
	At       time.Time      `json:"at"`
	ID       string         `json:"id"`
	Source   string         `json:"source"`
	Type     string         `json:"type"`
	Data     jsontext.Value `json:"data"`
	Problem  string         `json:"problem,omitzero"` // why the message could not be read
}

// api serves a stretch of a machine's history to programs.
func (l *ledger) api(w http.ResponseWriter, r *http.Request) {
	q, err := l.query(r, usual)
	if err != nil {
		web.Problem(w, r, http.StatusBadRequest, err.Error())
		return
	}
	if !l.o.Known(q.Site, q.Machine) {
		web.Problem(w, r, http.StatusNotFound, fmt.Sprintf("there is no machine %s", url.PathEscape(place(q.Site, q.Machine))))
		return
	}
	entries, more, err := l.o.Newest(r.Context(), q)
	if err != nil {
		w.Header().Set("Retry-After", strconv.Itoa(web.RetryAfterS))
		web.Problem(w, r, http.StatusServiceUnavailable, "the journal cannot be read now: ask again")
		return
	}
	answer := eventsAnswer{Site: q.Site, Machine: q.Machine, Events: []eventAnswer{}, More: more}
	for i := range entries {
		answer.Events = append(answer.Events, answerOf(&entries[i]))
	}
	if more {
		answer.Before = &entries[len(entries)-1].Seq
	}
	web.JSON(w, http.StatusOK, answer)
}

func answerOf(e *Entry) eventAnswer {
	a := eventAnswer{
		Seq: e.Seq, StoredAt: e.Stored.UTC(), At: e.Event.Time.UTC(), ID: e.Event.ID, Source: e.Event.Source,
		Type: string(e.Event.Type), Data: jsontext.Value("null"), Problem: e.Problem,
	}
	if e.Problem != "" {
		a.At = a.StoredAt
		if _, _, typ, err := event.ParseSubject(e.Subject); err == nil {
			a.Type = string(typ)
		}
		return a
	}
	if e.Event.Data == nil {
		a.Data = jsontext.Value(e.Event.Raw)
	} else if data, err := json.Marshal(e.Event.Data); err == nil {
		a.Data = data
	}
	return a
}
