package event

import (
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

//go:generate go test -run TestAsyncAPIFile -update .

// AsyncAPI returns the contract as an AsyncAPI 3.0.0 document in JSON: a
// channel, an operation and a message for each of Kinds, with the schema of
// its payload. The version is that of the contract, for example
// ContractVersion. The same version always gives the same bytes.
func AsyncAPI(version string) ([]byte, error) {
	if version == "" {
		return nil, &Fault{Field: "version", Want: "the version of the contract, such as " + ContractVersion}
	}
	doc := document{
		AsyncAPI: "3.0.0",
		Info: info{
			Title:   "Rollwarden floor events",
			Version: version,
			Description: "What happens on the floor of a print shop, as CloudEvents 1.0 in structured JSON mode. " +
				"Each event is one message on floor.<site>.<machine>.<type>, and its CloudEvents type is " + TypePrefix + "<type>. " +
				"The binary mode of the CloudEvents NATS binding is read as well. A value is in the unit that the name of its field ends with.",
		},
		ContentType: ContentType,
		Servers: object[server]{{"local", server{
			Host: "127.0.0.1:4222", Protocol: "nats",
			Description: "The NATS server that runs inside the daemon, where no other is configured.",
		}}},
		Components: components{
			Parameters: object[parameter]{
				{"site", parameter{Description: "Site name: letters, digits, - and _; " + AnySite + " for an input that nobody can place.", Examples: []string{"north"}}},
				{"machine", parameter{Description: "Machine name: letters, digits, - and _; " + AnyMachine + " for what concerns the whole site.", Examples: []string{"heron", AnyMachine}}},
			},
			Schemas: object[*schema]{{"cloudEvent", cloudEventSchema()}},
		},
	}
	for _, kind := range Kinds {
		doc.add(kind)
	}
	return json.Marshal(doc, jsontext.WithIndent("  "))
}

// add puts one event type in the document.
func (d *document) add(kind Kind) {
	id := identifier(kind.Type)
	action := "receive"
	if kind.From != FromOperator {
		action = "send" // the daemon publishes what it read in a folder, and what it found itself
	}
	d.Channels.add(id, channel{
		Address:    SubjectRoot + ".{site}.{machine}." + string(kind.Type),
		Summary:    kind.Doc,
		Messages:   object[reference]{{id, reference{"#/components/messages/" + id}}},
		Parameters: object[reference]{{"site", reference{"#/components/parameters/site"}}, {"machine", reference{"#/components/parameters/machine"}}},
	})
	d.Operations.add(action+strings.ToUpper(id[:1])+id[1:], operation{
		Action:   action,
		Channel:  reference{"#/channels/" + id},
		Summary:  kind.Doc + " Published by: " + string(kind.From) + ".",
		Messages: []reference{{"#/channels/" + id + "/messages/" + id}},
	})
	d.Components.Messages.add(id, message{
		Name: TypePrefix + string(kind.Type), Summary: kind.Doc, ContentType: ContentType,
		Payload: &schema{AllOf: []any{
			reference{"#/components/schemas/cloudEvent"},
			&schema{Properties: object[any]{
				{"type", &schema{Const: TypePrefix + string(kind.Type)}},
				{"data", reference{"#/components/schemas/" + id}},
			}},
		}},
	})
	d.Components.Schemas.add(id, payloadSchema(kind))
}

// identifier turns edge.moved into edgeMoved, the usual form of AsyncAPI ids.
func identifier(t Type) string {
	words := strings.Split(string(t), ".")
	for i, w := range words[1:] {
		words[i+1] = strings.ToUpper(w[:1]) + w[1:]
	}
	return strings.Join(words, "")
}

// payloadSchema is the JSON Schema of one payload, made from the same tags
// that Check goes by.
func payloadSchema(kind Kind) *schema {
	s := objectSchema(Fields(kind))
	s.Description = kind.Doc
	if r, ok := kind.New().(related); ok {
		s.AllOf = []any{r.relation()}
	}
	return s
}

func objectSchema(fields []Field) *schema {
	s := &schema{Type: "object", AdditionalProperties: no}
	for _, f := range fields {
		s.Properties.add(f.Name, fieldSchema(f))
		if f.Required {
			s.Required = append(s.Required, f.Name)
		}
	}
	return s
}

func fieldSchema(f Field) *schema {
	s := &schema{Type: f.Type, Format: f.Format, Description: f.Doc, Unit: f.Unit}
	switch {
	case f.Type == "number":
		s.Minimum, s.Maximum = &f.Min, &f.Max
	case f.Items != nil:
		s.Items = objectSchema(f.Items)
	case f.Type == "array":
		s.Items = textSchema(false)
	case f.Enum != nil:
		s.Enum = f.Enum
		if !f.Required {
			s.Enum = append([]string{""}, f.Enum...) // an empty text counts as absent
		}
	case f.Type == "string" && f.Format == "":
		text := textSchema(f.Required)
		s.MinLength, s.MaxLength = text.MinLength, text.MaxLength
	}
	return s
}

func textSchema(required bool) *schema {
	s := &schema{Type: "string", MaxLength: MaxText}
	if required {
		s.MinLength = 1
	}
	return s
}

// cloudEventSchema describes the envelope as Rollwarden reads it (CloudEvents
// 1.0.2, "Context Attributes", and JSON Event Format 1.0.2, section 3).
func cloudEventSchema() *schema {
	attribute := func(doc string) *schema {
		return &schema{Type: "string", Description: doc, MinLength: 1, MaxLength: MaxText}
	}
	when := &schema{Type: "string", Format: "date-time", Description: "when it happened; the journal's time when absent"}
	return &schema{
		Type:        "object",
		Description: "A CloudEvent 1.0 in the JSON event format.",
		Properties: object[any]{
			{"specversion", &schema{Const: "1.0"}},
			{"id", attribute("unique within the source; sending the same id again is sending the same event again")},
			{"source", attribute("who says so, a URI reference")},
			{"type", attribute(TypePrefix + "<type>, as in the subject")},
			{"time", when},
			{"subject", attribute("not used")},
			{"datacontenttype", attribute("application/json, which is also what absence means")},
			{"dataschema", attribute("not used")},
			{"data", &schema{Description: "the payload"}},
		},
		Extensions:           object[*schema]{{"^[a-z0-9]+$", &schema{Description: "An extension attribute; not used."}}},
		Required:             []string{"specversion", "id", "source", "type", "data"},
		AdditionalProperties: no,
	}
}

// The document, as far as Rollwarden uses AsyncAPI 3.0.0.
type (
	document struct {
		AsyncAPI    string            `json:"asyncapi"`
		Info        info              `json:"info"`
		ContentType string            `json:"defaultContentType"`
		Servers     object[server]    `json:"servers"`
		Channels    object[channel]   `json:"channels"`
		Operations  object[operation] `json:"operations"`
		Components  components        `json:"components"`
	}
	info struct {
		Title       string `json:"title"`
		Version     string `json:"version"`
		Description string `json:"description"`
	}
	server struct {
		Host        string `json:"host"`
		Protocol    string `json:"protocol"`
		Description string `json:"description"`
	}
	channel struct {
		Address    string            `json:"address"`
		Summary    string            `json:"summary"`
		Messages   object[reference] `json:"messages"`
		Parameters object[reference] `json:"parameters"`
	}
	operation struct {
		Action   string      `json:"action"`
		Channel  reference   `json:"channel"`
		Summary  string      `json:"summary"`
		Messages []reference `json:"messages"`
	}
	components struct {
		Parameters object[parameter] `json:"parameters"`
		Messages   object[message]   `json:"messages"`
		Schemas    object[*schema]   `json:"schemas"`
	}
	parameter struct {
		Description string   `json:"description"`
		Examples    []string `json:"examples"`
	}
	message struct {
		Name        string  `json:"name"`
		Summary     string  `json:"summary"`
		ContentType string  `json:"contentType"`
		Payload     *schema `json:"payload"`
	}
	reference struct {
		Ref string `json:"$ref"`
	}
)

// schema is a Schema Object, which is JSON Schema draft-07 with extensions
// such as x-unit (AsyncAPI 3.0.0, "Schema Object").
type schema struct {
	Type                 string          `json:"type,omitzero"`
	Const                string          `json:"const,omitzero"`
	Format               string          `json:"format,omitzero"`
	Description          string          `json:"description,omitzero"`
	Enum                 []string        `json:"enum,omitzero"`
	Unit                 string          `json:"x-unit,omitzero"`
	Minimum              *float64        `json:"minimum,omitzero"`
	Maximum              *float64        `json:"maximum,omitzero"`
	MinLength            int             `json:"minLength,omitzero"`
	MaxLength            int             `json:"maxLength,omitzero"`
	Items                *schema         `json:"items,omitzero"`
	Properties           object[any]     `json:"properties,omitzero"`
	Extensions           object[*schema] `json:"patternProperties,omitzero"`
	Required             []string        `json:"required,omitzero"`
	AdditionalProperties *bool           `json:"additionalProperties,omitzero"`
	AllOf                []any           `json:"allOf,omitzero"`
}

// no is the false that additionalProperties points to.
var no = new(bool)

// object is a JSON object whose members keep the order of the contract.
type object[T any] []entry[T]

type entry[T any] struct {
	name  string
	value T
}

func (o *object[T]) add(name string, value T) { *o = append(*o, entry[T]{name, value}) }

// MarshalJSONTo implements json.MarshalerTo.
func (o object[T]) MarshalJSONTo(enc *jsontext.Encoder) error {
	if err := enc.WriteToken(jsontext.BeginObject); err != nil {
		return err
	}
	for _, e := range o {
		if err := enc.WriteToken(jsontext.String(e.name)); err != nil {
			return err
		}
		if err := json.MarshalEncode(enc, e.value); err != nil {
			return err
		}
	}
	return enc.WriteToken(jsontext.EndObject)
}
