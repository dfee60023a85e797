package command

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/google/jsonschema-go/jsonschema"
	validator "github.com/santhosh-tekuri/jsonschema/v6"

	"rollwarden/cmd/rollwarden/demo"
	"rollwarden/rules/units"
)

var update = flag.Bool("update", false, "write the generated files anew")

// documents are what the commands print with --json. A command that prints
// records, one on a line, has several. Two commands have none here: run logs,
// and report prints what deploy/report.schema.json describes.
var documents = map[string][]reflect.Type{
	"advise":     {reflect.TypeFor[adviceDocument]()},
	"backup":     {reflect.TypeFor[backupDocument]()},
	"check":      {reflect.TypeFor[checkDocument]()},
	"completion": {reflect.TypeFor[completionDocument]()},
	"demo":       {reflect.TypeFor[demo.Opening](), reflect.TypeFor[demo.Moment](), reflect.TypeFor[demo.Alarm](), reflect.TypeFor[demo.Score]()},
	"doctor":     {reflect.TypeFor[doctorDocument]()},
	"init":       {reflect.TypeFor[initDocument]()},
	"password":   {reflect.TypeFor[passwordDocument]()},
	"queue":      {reflect.TypeFor[adviceDocument]()},
	"replay":     {reflect.TypeFor[replayDocument]()},
	"restore":    {reflect.TypeFor[restoreDocument]()},
	"send":       {reflect.TypeFor[sendDocument]()},
	"strip":      {reflect.TypeFor[stripDocument]()},
	"version":    {reflect.TypeFor[versionDocument]()},

	"error": {reflect.TypeFor[failureDocument]()}, // of every command, on the standard error
}

// TestSchemas holds the published schemas against the types, and has an
// independent validator hold them against the meta-schema of JSON Schema
// 2020-12.
func TestSchemas(t *testing.T) {
	for name, types := range documents {
		file := filepath.Join("..", "..", "..", "deploy", "cli", name+".schema.json")
		want := schemaOf(t, name, types)
		generated(t, file, want)
		loaded, err := validator.UnmarshalJSON(bytes.NewReader(want))
		if err != nil {
			t.Fatal(err)
		}
		c := validator.NewCompiler()
		if err := c.AddResource(name, loaded); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Compile(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// generated holds a file against what it is made from.
func generated(t *testing.T, file string, want []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, want) {
		t.Errorf("%s is not what it is made from: run go test ./cmd/rollwarden/command -update", file)
	}
}

// schemaOf describes what a command prints.
func schemaOf(t *testing.T, name string, types []reflect.Type) []byte {
	t.Helper()
	var all []*jsonschema.Schema
	for _, typ := range types {
		s, err := jsonschema.ForType(typ, &jsonschema.ForOptions{TypeSchemas: map[reflect.Type]*jsonschema.Schema{
			reflect.TypeFor[units.Maybe](): {Types: []string{"null", "number"}},
		}})
		if err != nil {
			t.Fatal(err)
		}
		plain(s)
		all = append(all, s)
	}
	top := all[0]
	if len(all) > 1 {
		top = &jsonschema.Schema{AnyOf: all}
	}
	top.Schema = "https://json-schema.org/draft/2020-12/schema"
	top.Title = "rollwarden " + name + " --json"
	top.Description = "Units stand in the names (mm, m, m2, s, um, c, pct); null is not known; probabilities run from 0 to 1. A later version may add members."
	if name == "error" {
		top.Title = "what rollwarden --json writes on the standard error when it fails"
	}
	text, err := json.MarshalIndent(top, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	return append(text, '\n')
}

// plain says what is known beyond the types: a list is never null, and a record
// says what it is.
func plain(s *jsonschema.Schema) {
	if slices.Equal(s.Types, []string{"null", "array"}) {
		s.Type, s.Types = "array", nil
	}
	if s.Items != nil {
		plain(s.Items)
	}
	for name, property := range s.Properties {
		plain(property)
		if name == "record" {
			property.Const, property.Description = jsonschema.Ptr[any](property.Description), ""
		}
	}
}

// TestEveryCommandHasASchema wants a row of the table for each command.
func TestEveryCommandHasASchema(t *testing.T) {
	parser, err := kong.New(new(cli))
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := map[string]bool{"run": true, "report": true}
	for _, c := range parser.Model.Children {
		if documents[c.Name] == nil && !elsewhere[c.Name] {
			t.Errorf("nothing says what rollwarden %s --json prints: add its document", c.Name)
		}
	}
}
