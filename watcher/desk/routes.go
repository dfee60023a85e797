package desk

import (
	"slices"
	"strings"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

// route is one thing that can be done: the row from which its requests are read
// and its part of the OpenAPI document is made.
type route struct {
	path     string // its last word
	doc      string
	fields   []event.Field
	relation string          // how members depend on each other, in JSON Schema; build says it in Go
	answers  bool            // a state that many see on one page, rather than telling something new
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
	{path: "undo", doc: "Take back an entry within a minute of its arrival.", answers: true, role: Operator, build: (*desk).undo,
		fields: append([]event.Field{idField, byField}, contract("entry.undone", "event", "reason")...)},
	{path: "alarm", doc: "Act on an alarm, or leave a note on it.", answers: true, role: Operator, build: (*desk).alarm,
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
