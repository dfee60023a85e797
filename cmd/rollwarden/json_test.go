package main

import (
	"errors"
	"io"
	"path/filepath"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// conforms reads the JSON texts of a file one after another, as a program would
// that never saw our types, and has a validator of JSON Schema check each.
func (s *shop) conforms(args []string) {
	s.usage(!s.negated && len(args) == 2, "conforms SCHEMA FILE")
	schema, err := jsonschema.NewCompiler().Compile(filepath.Join(s.Getenv("EXAMPLES"), args[0]+".schema.json"))
	s.Check(err)
	texts := jsontext.NewDecoder(strings.NewReader(s.ReadFile(args[1])))
	for n := 0; ; n++ {
		text, err := texts.ReadValue()
		if errors.Is(err, io.EOF) && n > 0 {
			return
		}
		s.Check(err)
		document, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
		s.Check(err)
		if err := schema.Validate(document); err != nil {
			s.Fatalf("%v\n%s", err, text)
		}
	}
}
