package desk

import (
	_ "embed" // the schemas of answers
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

//go:generate go test -run TestOpenAPIFile -update .

// APIVersion is the version of the HTTP contract, by semantic versioning: a new
// path, answer member or optional request member is a minor change, anything
// that could make a client's request be refused a major one.
const APIVersion = "1.1.0"

// answers holds the schemas of what is answered to GET, whose handlers stand
// elsewhere. A test of the whole program holds real answers against them.
//
//go:embed answers.json
var answers []byte

// object is a JSON object of the document.
type object = map[string]any

// OpenAPI returns the contract of /api/v1 as an OpenAPI 3.1 document in JSON. The
// same version always gives the same bytes.
func OpenAPI(version string) ([]byte, error) {
	if version == "" {
		return nil, &event.Fault{Field: "version", Want: "the version of the contract, such as " + APIVersion}
	}
	var schemas object
	if err := json.Unmarshal(answers, &schemas); err != nil {
		return nil, fmt.Errorf("answers.json: %w", err)
	}
	schemas["problem"], schemas["stored"] = problemSchema(), storedSchema()
	for i := range action.Actions {
		a := &action.Actions[i]
		schemas["entry."+a.Code] = entrySchema(a)
	}
	paths := object{}
	for _, g := range gets {
		paths[g.path] = object{"get": g.operation()}
	}
	for i := range routes {
		r := &routes[i]
		if schemas[r.path] != nil {
			return nil, fmt.Errorf("two schemas are called %s: give that of answers.json another name", r.path)
		}
		var err error
		if schemas[r.path], err = r.schema(); err != nil {
			return nil, err
		}
		schemas[r.path+".form"] = r.formSchema()
		path, ok := paths[r.pattern()].(object) // one that is also read
		if !ok {
			path = object{}
			paths[r.pattern()] = path
		}
		path["post"], path["parameters"] = r.operation(), placeParameters
	}
	return json.Marshal(object{
		"openapi": "3.1.0",
		"info": object{
			"title": "Rollwarden", "version": version,
			"description": "What the watch knows of the floor, and what people tell it. Values are in the unit that the name of their field ends with, " +
				"times are RFC 3339, and null is what nobody knows. A client must ignore members that it does not know.",
		},
		"servers":  []object{{"url": "http://127.0.0.1:8477", "description": "The watch on this computer, where no other address is configured."}},
		"security": []object{{}, {"bearer": []string{}}},
		"paths":    paths,
		"components": object{
			"schemas":         schemas,
			"responses":       object{"problem": problemResponse},
			"securitySchemes": object{"bearer": object{"type": "http", "scheme": "bearer", "description": "A token of the configuration. Browsers log in at /login and hold a cookie. A watch that only its own computer can reach, without users and tokens, asks for neither."}},
		},
	}, json.Deterministic(true), jsontext.WithIndent("  "))
}

// get is one path that only reads.
type get struct {
	path, doc, answer string
	parameters        []object
	statuses          []int // of its problems
}

var gets = []get{
	{"/api/v1/floor", "The state of every machine.", "floor", nil, []int{503}},
	{"/api/v1/alarms", "Every alarm that is not normal.", "alarms", nil, []int{503}},
	{"/api/v1/tickets", "The newest tickets.", "tickets",
		[]object{parameter("query", "limit", "how many at most; 200 when absent", object{"type": "integer", "minimum": 1})}, []int{400, 503}},
	{"/api/v1/anomalies", "What did not fit: events, messages and files.", "anomalies", nil, []int{503}},
	{base + "events", "The history of a machine, newest first.", "events", append([]object{
		parameter("query", "before", "only entries with a smaller journal sequence", object{"type": "integer", "minimum": 1}),
		parameter("query", "type", "only events of this type; may be given several times", object{"type": "array", "items": object{"type": "string"}}),
		parameter("query", "n", "how many at most; 50 when absent", object{"type": "integer", "minimum": 1, "maximum": 200}),
	}, placeParameters...), []int{400, 404, 503}},
	{base + "advice", "What pays at a machine, and why: the treatment of the edge, heat and register, the order of the queue.", "advised", nil, []int{404, 503}},
}

var placeParameters = []object{
	parameter("path", "site", "name of the site", nameSchema),
	parameter("path", "machine", "name of the machine", nameSchema),
}

var nameSchema = object{"type": "string", "pattern": "^[A-Za-z0-9_-]+$", "maxLength": event.MaxName}

func parameter(in, name, doc string, schema object) object {
	return object{"in": in, "name": name, "description": doc, "required": in == "path", "schema": schema}
}

func (g get) operation() object {
	return object{
		"summary": g.doc, "operationId": "get" + capital(g.answer), "parameters": append([]object{}, g.parameters...),
		"responses": responses(g.statuses, object{"200": content("The answer.", "application/json", reference(g.answer))}),
	}
}

func (r *route) operation() object {
	stored := reference("stored")
	return object{
		"summary": r.doc, "operationId": "post" + capital(r.path), "description": r.rights(),
		"requestBody": object{"required": true, "content": object{
			jsonType: object{"schema": reference(r.path)},
			formType: object{"schema": reference(r.path + ".form")},
		}},
		"responses": responses([]int{400, 404, 405, 409, 413, 415, 422, 503}, object{
			"201": content("It is stored.", "application/json", stored),
			"200": content("It was stored before, under the same id.", "application/json", stored),
			"303": object{"description": "It is stored, and was sent by a form.", "headers": object{
				"Location": object{"description": "the form's back, or /", "schema": object{"type": "string"}},
			}},
		}),
	}
}

// rights says which role a request needs.
func (r *route) rights() string {
	text := "Needs the role of an " + r.role.String() + "."
	for _, what := range sortedKeys(r.stricter) {
		text += " With " + strings.TrimSuffix(what, "=") + " it needs that of a " + r.stricter[what].String() + "."
	}
	return text
}

// responses adds the problems to what is answered when all is well.
func responses(statuses []int, good object) object {
	for _, s := range statuses {
		good[strconv.Itoa(s)] = object{"$ref": "#/components/responses/problem"}
	}
	good["default"] = object{"description": "A refusal of who may come in (401, 403 or 421) and how often (429 with Retry-After): a problem, or a line of text from the gate before it.",
		"content": object{"application/problem+json": object{"schema": reference("problem")}, "text/plain": object{"schema": object{"type": "string"}}}}
	return good
}

var problemResponse = object{
	"description": "It was refused, and detail says what to do. After a 503, and after no answer at all, the same request can be sent again: it counts once.",
	"headers":     object{"Retry-After": object{"description": "with a 503: when to try again, in s", "schema": object{"type": "integer"}}},
	"content":     object{"application/problem+json": object{"schema": reference("problem")}},
}

func content(doc, media string, schema object) object {
	return object{"description": doc, "content": object{media: object{"schema": schema}}}
}

func reference(schema string) object { return object{"$ref": "#/components/schemas/" + schema} }

func capital(word string) string { return strings.ToUpper(word[:1]) + word[1:] }

// schema describes a route's request in JSON.
func (r *route) schema() (object, error) {
	s := closed(r.doc, r.fields)
	if r.relation != "" {
		if err := json.Unmarshal([]byte(r.relation), &s); err != nil { // adds members to those that are there
			return nil, fmt.Errorf("relation of %s: %w", r.path, err)
		}
	}
	if r.path == "entries" {
		var each []object
		for i := range action.Actions {
			each = append(each, reference("entry."+action.Actions[i].Code))
		}
		s["oneOf"] = each
	}
	return s, nil
}

// formSchema describes a route's request as a form, where everything is a text.
func (r *route) formSchema() object {
	properties := object{backName: object{"type": "string", "description": "path on this server to return to; / when absent", "pattern": "^(/|$)"}}
	required := []string{}
	for _, f := range r.fields {
		switch {
		case f.Type == "object":
			for i := range action.Actions {
				for _, of := range action.Actions[i].Fields {
					properties[formPrefix+of.Name] = object{"type": "string", "description": of.Doc}
				}
			}
			continue
		case f.Type == "array":
			properties[f.Name] = object{"type": "array", "items": object{"type": "string"}, "description": f.Doc}
		default:
			properties[f.Name] = object{"type": "string", "description": f.Doc}
		}
		if f.Required {
			required = append(required, f.Name)
		}
	}
	return object{"type": "object", "description": r.doc + " A field that is left empty counts as absent.", "properties": properties, "required": required, "additionalProperties": false}
}

// entrySchema describes the entry of one action.
func entrySchema(a *action.Action) object {
	var fields []event.Field
	required := []string{"action"}
	for _, f := range a.Fields {
		f.Required = f.Required && f.Default == ""
		if f.Required && len(required) == 1 {
			required = append(required, "fields")
		}
		fields = append(fields, f.Field)
	}
	return object{"properties": object{"action": object{"const": a.Code}, "fields": closed(a.Title, fields)}, "required": required}
}

// closed is the schema of an object that has these members and no others.
func closed(doc string, fields []event.Field) object {
	properties, required := object{}, []string{}
	for _, f := range fields {
		properties[f.Name] = fieldSchema(f)
		if f.Required {
			required = append(required, f.Name)
		}
	}
	return object{"type": "object", "description": doc, "properties": properties, "required": required, "additionalProperties": false}
}

func fieldSchema(f event.Field) object {
	s := object{"description": f.Doc}
	switch {
	case f.Type == "object":
		s["type"] = "object"
	case f.Type == "array":
		s["type"], s["items"], s["maxItems"] = "array", object{"type": "string", "minLength": 1, "maxLength": maxText}, maxOrder
	case f.Type == "number":
		s["oneOf"] = []object{
			{"type": "number", "minimum": f.Min, "maximum": f.Max},
			{"type": "string", "minLength": 1, "description": "a number with a unit behind it, such as 14.4 in"},
		}
		if f.Unit != "" {
			s["x-unit"] = f.Unit
		}
	case f.Type == "boolean":
		s["type"] = "boolean"
	case f.Enum != nil:
		s["type"], s["enum"] = "string", f.Enum
	default:
		s["type"], s["maxLength"] = "string", longest(f)
		if f.Format != "" {
			s["format"] = f.Format
		}
		if f.Required {
			s["minLength"] = 1
		}
	}
	return s
}

func storedSchema() object {
	return object{
		"type": "object", "description": "What was stored.", "required": []string{"id", "event", "undo_until"},
		"properties": object{
			"id":         object{"type": "string", "format": "uuid", "description": "the id of the request"},
			"event":      object{"type": "string", "description": "id of the event, as an undo names it"},
			"undo_until": object{"type": []string{"string", "null"}, "format": "date-time", "description": "until when it can be taken back; null when it cannot"},
		},
	}
}

func problemSchema() object {
	text := object{"type": "string"}
	return object{
		"type": "object", "description": "Why a request was refused (RFC 9457).", "required": []string{"type", "title", "status", "detail", "instance"},
		"properties": object{
			"type": text, "title": text, "status": object{"type": "integer", "minimum": http.StatusBadRequest, "maximum": 599},
			"detail": object{"type": "string", "description": "what is wrong, and what to do"}, "instance": text,
			"kind": object{"type": "string", "description": "which refusal of the gate it is, such as need-login; absent behind it"},
			"errors": object{"type": "array", "description": "what is wrong field by field", "items": object{
				"type": "object", "required": []string{"field", "want"},
				"properties": object{"field": text, "want": text, "got": object{"type": "string", "description": "what came; absent when nothing did"}},
			}},
		},
	}
}
