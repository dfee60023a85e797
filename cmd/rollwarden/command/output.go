package command

import (
	"errors"
	"fmt"
	"io"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

// answer gives what a command found out: to a program as one JSON document, to
// a person as text.
func (e *env) answer(document any, text func(io.Writer) error) error {
	if e.json {
		return e.document(document)
	}
	return text(e.out)
}

// document prints one JSON document. deploy/cli has a schema for that of each
// command.
func (e *env) document(v any) error { return writeDocument(e.out, v, jsontext.WithIndent("  ")) }

// record prints a JSON document on a line of its own, for a command that
// prints many while it works.
func (e *env) record(v any) error { return writeDocument(e.out, v) }

func writeDocument(w io.Writer, v any, form ...jsontext.Options) error {
	o := []jsontext.Options{json.Deterministic(true), jsontext.AllowInvalidUTF8(true)}
	if err := json.MarshalWrite(w, v, append(o, form...)...); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// failureDocument is an error for a program.
type failureDocument struct {
	ExitCode int       `json:"exit_code" jsonschema:"1: the command ran and something is wrong; 2: the arguments or the configuration are wrong"`
	Message  string    `json:"message" jsonschema:"what is wrong and what to do, for a person"`
	Problems []problem `json:"problems" jsonschema:"what is wrong one by one, as far as that is known"`
}

// problem is one thing to mend. Its words are those of the API.
type problem struct {
	Message string `json:"message" jsonschema:"what is wrong, for a person"`
	File    string `json:"file,omitzero" jsonschema:"absent when it is not in a file"`
	Line    int    `json:"line,omitzero" jsonschema:"from 1; absent when there is none to name"`
	Field   string `json:"field,omitzero" jsonschema:"the field, key or flag; absent when there is none to name"`
	Want    string `json:"want,omitzero" jsonschema:"what was expected; absent when the message says it in other words"`
	Got     string `json:"got,omitzero" jsonschema:"what was there; absent when nothing was"`
}

// problemsOf takes an error apart.
func problemsOf(err error) []problem {
	switch e := err.(type) {
	case *config.Problem:
		return []problem{{e.Error(), e.File, e.Line, e.Key, e.Want, e.Got}}
	case *ticket.Error:
		return []problem{{e.Error(), e.File, e.Line, e.Field, e.Want, e.Got}}
	case *event.Fault:
		return []problem{{Message: e.Error(), Field: e.Field, Want: e.Want, Got: e.Got}}
	case interface{ Unwrap() []error }:
		var all []problem
		for _, one := range e.Unwrap() {
			all = append(all, problemsOf(one)...)
		}
		return all
	case interface{ Unwrap() error }:
		if inner := problemsOf(e.Unwrap()); len(inner) > 1 || len(inner) == 1 && inner[0].Field != "" {
			return inner
		}
	}
	return []problem{{Message: err.Error()}}
}

// ended turns the outcome of a command into its exit code, and says on the
// standard error what is wrong.
func ended(errs io.Writer, asJSON bool, err error) int {
	code := exitFailed
	switch _, usage := errors.AsType[usageError](err); {
	case err == nil:
		return exitOK
	case errors.Is(err, errSilent):
		return exitFailed
	case usage:
		code = exitUsage
	}
	if asJSON && writeDocument(errs, failureDocument{code, err.Error(), problemsOf(err)}) == nil {
		return code
	}
	fmt.Fprintln(errs, "rollwarden:", err)
	return code
}
