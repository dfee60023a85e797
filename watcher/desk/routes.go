package desk

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
	"rollwarden/rules/hint"
	"rollwarden/rules/remedy"
)

// route is one thing that can be done: the row from which its requests are read
// and its part of the OpenAPI document is made.
type route struct {
	path     string // its last word
	doc      string
	fields   []event.Field
	relation string          // how members depend on each other, in JSON Schema; build says it in Go
	role     Role            // that it needs
	stricter map[string]Role // what needs another one, by the member that says so, as in action=shelve
	build    func(*desk, *request) (event.Event, error)
}

// base is the path of a machine.
const base = "/api/v1/machines/{site}/{machine}/"

func (r *route) pattern() string { return base + r.path }

func (r *route) names() []string {
	names := make([]string, len(r.fields))
	for i, f := range r.fields {
		names[i] = f.Name
	}
	return names
}

// takes reports whether a member has a place in the route's requests. What an
// action takes is seen to when the action is known.
func (r *route) takes(name string) bool {
	if strings.HasPrefix(name, fieldsPrefix) {
		name = strings.TrimSuffix(fieldsPrefix, ".")
	}
	return slices.Contains(r.names(), name)
}

// needs is the role that a request needs.
func (r *route) needs(v values) Role {
	need := r.role
	for what, role := range r.stricter {
		name, text, _ := strings.Cut(what, "=")
		if _, sent := v[name]; sent && (text == "" || text == v.text(name)) {
			need = max(need, role)
		}
	}
	return need
}

// The members that every request has.
var (
	idField = event.Field{Name: "id", Type: "string", Format: "uuid", Required: true,
		Doc: "new for each entry; it becomes the id of the event, so that sending it twice is sending it once"}
	byField = event.Field{Name: "by", Type: "string", Doc: "who did it; needed where nobody has to log in, and not used where somebody is"}
)

// routes lists what can be done. What the contract knows of a member is taken
// over from there.
var routes = []route{
	{path: "entries", doc: "Tell what was done at a machine.", role: Operator, build: (*desk).entry,
		fields: []event.Field{
			idField,
			{Name: "action", Type: "string", Enum: actionCodes(), Required: true, Doc: "what was done"},
			{Name: "at", Type: "string", Format: "date-time", Doc: "when it was done, at most 7 days ago; now when absent"},
			byField,
			{Name: "fields", Type: "object", Doc: "the values of the action, in SI units or with a unit behind them"},
		}},
	{path: "undo", doc: "Take back an entry within a minute of its arrival.", role: Operator, build: (*desk).undo,
		fields: append([]event.Field{idField, byField}, contract("entry.undone", "event", "reason")...)},
	{path: "alarm", doc: "Act on an alarm, or leave a note on it.", role: Operator, build: (*desk).alarm,
		relation: `{"allOf": [
			{"if": {"properties": {"action": {"const": "note"}}}, "then": {"required": ["reason"]}, "else": {"required": ["hazard"]}},
			{"if": {"properties": {"action": {"const": "shelve"}}},
			 "then": {"required": ["reason"], "oneOf": [{"required": ["until"]}, {"required": ["for_s"]}]},
			 "else": {"properties": {"until": false, "for_s": false}}}]}`,
		stricter: map[string]Role{
			"action=" + event.ActShelve: Supervisor, "action=" + event.ActRelease: Supervisor,
			"action=" + event.ActOutOfService: Supervisor, "action=" + event.ActReturn: Supervisor,
		},
		fields: append(append([]event.Field{idField, byField}, contract("operator.noted", "hazard", "job", "part", "action", "reason", "until")...),
			event.Field{Name: "for_s", Type: "number", Unit: "s", Min: 1, Max: longestShelf.Seconds(), Doc: "how long shelving lasts, in place of until"})},
	{path: "advice", doc: "Accept a remedy, or an order of the queue.", role: Operator, build: (*desk).advice,
		relation: `{"oneOf": [
			{"required": ["remedy", "hazard"], "properties": {"order": false}},
			{"required": ["order"], "properties": {"remedy": false, "hazard": false, "job": false, "part": false}}]}`,
		stricter: map[string]Role{"order=": Supervisor},
		fields:   append([]event.Field{idField, byField}, contract("advice.accepted", "remedy", "hazard", "job", "part", "order")...)},
}

func actionCodes() []string {
	codes := make([]string, len(action.Actions))
	for i, a := range action.Actions {
		codes[i] = a.Code
	}
	return codes
}

// contract takes fields over from an event type.
func contract(typ event.Type, names ...string) []event.Field {
	kind, _ := event.KindOf(typ) // a test finds a row of no type, and a name of no field
	all := event.Fields(kind)
	var out []event.Field
	for _, name := range names {
		if i := slices.IndexFunc(all, func(f event.Field) bool { return f.Name == name }); i >= 0 {
			out = append(out, all[i])
		}
	}
	return out
}

// The limits of when an entry was made. A tablet that was offline sends what
// happened hours ago; what is older belongs on paper, because the floor has moved
// on since. Clocks differ by some seconds.
const (
	maxAhead = time.Minute
	maxAge   = 7 * 24 * time.Hour
)

// entry makes the event of what was done at a machine.
func (d *desk) entry(q *request) (event.Event, error) {
	a, _ := action.ByCode(q.values.text("action")) // one of the table's, or it would not have come this far
	at := q.now
	if text := q.values.text("at"); text != "" {
		at, _ = time.Parse(time.RFC3339, text)
		if at.After(q.now.Add(maxAhead)) || at.Before(q.now.Add(-maxAge)) {
			return event.Event{}, faults{{Field: "at", Want: "a time of the last 7 days, and not in the future", Got: shown(text)}}
		}
	}
	filled, err := q.values.fill(a)
	if err != nil {
		return event.Event{}, err
	}
	e, err := a.Build(action.Entry{ID: q.id, Site: q.site, Machine: q.machine, At: at, By: q.by, Values: filled})
	return e, named(err, a.Fields)
}

// fill takes the values of an action, in the units of the contract.
func (v values) fill(a *action.Action) (map[string]string, error) {
	filled, names := map[string]string{}, make([]string, len(a.Fields))
	var all faults
	for i, f := range a.Fields {
		names[i] = f.Name
		path := fieldsPrefix + f.Name
		f.Required = f.Required && f.Default == ""
		if fault := v.checkField(f.Field, path); fault != nil {
			all = append(all, fault)
			continue
		}
		one := v[path]
		switch {
		case one.isEmpty():
		case f.Type == "number":
			x, _ := number(f.Field, one)
			filled[f.Name] = strconv.FormatFloat(x, 'f', -1, 64)
		default:
			filled[f.Name] = strings.TrimSpace(one.texts[0])
		}
	}
	for name := range v {
		rest, within := strings.CutPrefix(name, fieldsPrefix)
		if within && !slices.Contains(names, rest) {
			f := unknown(rest, names)
			if len(names) == 0 {
				f.Want = "no values"
			}
			f.Field = fieldsPrefix + f.Field
			all = append(all, f)
		}
	}
	if len(all) > 0 {
		slices.SortStableFunc(all, func(a, b *event.Fault) int { return cmp.Compare(a.Field, b.Field) })
		return nil, all
	}
	return filled, nil
}

// named turns the fault of an event into that of the request which it was made
// from, where the values of an action stand in an object of their own.
func named(err error, of []action.Field) error {
	f, ok := errors.AsType[*event.Fault](err)
	if !ok {
		return err
	}
	name := strings.TrimPrefix(f.Field, "data.")
	if slices.ContainsFunc(of, func(f action.Field) bool { return f.Name == name }) {
		name = fieldsPrefix + name
	}
	return faults{{Field: name, Want: f.Want, Got: f.Got}}
}

// alarm makes the event of what a person did about an alarm.
func (d *desk) alarm(q *request) (event.Event, error) {
	v := q.values
	note := &event.OperatorNoted{
		Hazard: v.text("hazard"), Job: v.text("job"), Part: v.text("part"), Action: v.text("action"), By: q.by, Reason: strings.TrimSpace(v.text("reason")),
	}
	if note.Hazard != "" && len(d.o.Hazards) > 0 && !slices.Contains(d.o.Hazards, note.Hazard) {
		return event.Event{}, faults{unlisted("hazard", note.Hazard, d.o.Hazards)}
	}
	if note.Reason == "" && (note.Action == event.ActShelve || note.Action == event.ActNote) {
		return event.Event{}, faults{{Field: "reason", Want: "the reason, or what is to be noted"}}
	}
	until, err := d.shelfEnd(q)
	if err != nil {
		return event.Event{}, err
	}
	note.Until = until
	return q.event("operator.noted", note)
}

// shelfEnd is when shelving ends; nil for what is no shelving.
func (d *desk) shelfEnd(q *request) (*time.Time, error) {
	until, span := q.values["until"], q.values["for_s"]
	most := q.now.Add(d.o.MaxShelf)
	end := most
	switch {
	case q.values.text("action") != event.ActShelve:
		if !until.isEmpty() || !span.isEmpty() {
			return nil, faults{{Field: "until", Want: "no end: only shelving has one", Got: "one"}}
		}
		return nil, nil
	case until.isEmpty() == span.isEmpty():
		return nil, faults{{Field: "until", Want: "when shelving ends, either until or for_s", Got: map[bool]string{false: "both"}[until.isEmpty()]}}
	case until.isEmpty():
		x, _ := number(event.Field{Unit: "s"}, span)
		end = q.now.Add(time.Duration(x * float64(time.Second)))
	default:
		end, _ = time.Parse(time.RFC3339, until.texts[0])
	}
	if !end.After(q.now) || end.After(most) {
		return nil, faults{{Field: "until", Want: fmt.Sprintf("a time to come, at most %s ahead", d.o.MaxShelf), Got: shown(end.UTC().Format(time.RFC3339))}}
	}
	end = end.UTC()
	return &end, nil
}

// maxOrder is the most jobs that an order of the queue may name.
const maxOrder = 100

// advice makes the event of a piece of advice that a person took: a remedy or an
// order of the queue.
func (d *desk) advice(q *request) (event.Event, error) {
	v := q.values
	taken := &event.AdviceAccepted{
		Remedy: v.text("remedy"), Hazard: v.text("hazard"), Job: v.text("job"), Part: v.text("part"), Order: v["order"].texts, By: q.by,
	}
	var all faults
	switch {
	case (taken.Remedy == "") == (len(taken.Order) == 0):
		all = faults{{Field: "remedy", Want: "either remedy or order", Got: map[bool]string{false: "both"}[taken.Remedy == ""]}}
	case len(taken.Order) > 0:
		all = checkOrder(taken)
	case len(taken.Order) == 0 && !slices.Contains(remedyCodes(), taken.Remedy):
		all = faults{unlisted("remedy", taken.Remedy, remedyCodes())}
	case taken.Hazard == "":
		all = faults{{Field: "hazard", Want: "the code of the hazard that it answers"}}
	}
	if len(all) > 0 {
		return event.Event{}, all
	}
	return q.event("advice.accepted", taken)
}

func remedyCodes() []string {
	codes := make([]string, len(remedy.Table))
	for i, row := range remedy.Table {
		codes[i] = row.Code
	}
	return codes
}

// unlisted is the fault of a word that is not one of a list.
func unlisted(field, word string, list []string) *event.Fault {
	return &event.Fault{Field: field, Want: "one of " + strings.Join(list, ", ") + hint.DidYouMean(clipped(word), list), Got: shown(word)}
}

func checkOrder(a *event.AdviceAccepted) faults {
	sorted := slices.Sorted(slices.Values(a.Order))
	switch {
	case len(a.Order) > maxOrder:
		return faults{{Field: "order", Want: fmt.Sprintf("at most %d jobs", maxOrder), Got: strconv.Itoa(len(a.Order))}}
	case sorted[0] == "" || len(slices.Compact(sorted)) < len(a.Order):
		return faults{{Field: "order", Want: "each job once", Got: "an empty one, or one twice"}}
	case a.Hazard != "" || a.Job != "" || a.Part != "":
		return faults{{Field: "hazard", Want: "nothing beside an order but who accepted it", Got: "hazard, job or part"}}
	}
	return nil
}

// event puts a payload in an event of the request.
func (q *request) event(typ event.Type, data event.Payload) (event.Event, error) {
	if err := data.Check(); err != nil {
		return event.Event{}, named(err, nil)
	}
	return event.Event{ID: q.id, Source: action.Source, Type: typ, Time: q.now.UTC(), Site: q.site, Machine: q.machine, Data: data}, nil
}
