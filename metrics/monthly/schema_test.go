package monthly_test

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/bojanz/currency"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/metrics/monthly"
	"rollwarden/rules/units"
)

// schema is the JSON Schema (2020-12) of monthly.File, from its type.
func schema(t *testing.T) []byte {
	t.Helper()
	s := object(reflect.TypeFor[monthly.File]())
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "Rollwarden monthly report"
	s["description"] = "The reliability report of one month, as rollwarden report --out report.json writes it. Units stand in the names (m, m2, s); null is not known; ratios and probabilities run from 0 to 1. Members may be added; version changes when one goes or changes its meaning."
	s["properties"].(map[string]any)["version"] = map[string]any{"const": 1}
	s["properties"].(map[string]any)["month"] = map[string]any{"type": "string", "pattern": "^[0-9]{4}-(0[1-9]|1[0-2])$"}
	out, err := json.Marshal(s, json.Deterministic(true), jsontext.WithIndent("  "))
	if err != nil {
		t.Fatal(err)
	}
	return append(out, '\n')
}

// object describes a struct. A member that is left out when it is empty is not
// required.
func object(t reflect.Type) map[string]any {
	properties, required := map[string]any{}, []string{}
	members(t, properties, &required)
	return map[string]any{"type": "object", "properties": properties, "required": required}
}

func members(t reflect.Type, properties map[string]any, required *[]string) {
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			members(f.Type, properties, required)
		case !f.IsExported():
		default:
			properties[name] = describe(f.Type)
			if !strings.Contains(options, "omitzero") {
				*required = append(*required, name)
			}
		}
	}
}

func describe(t reflect.Type) map[string]any {
	switch t {
	case reflect.TypeFor[time.Time]():
		return map[string]any{"type": "string", "format": "date-time"}
	case reflect.TypeFor[units.Maybe]():
		return map[string]any{"type": []string{"number", "null"}}
	case reflect.TypeFor[currency.Amount]():
		return map[string]any{"type": "object", "required": []string{"number", "currency"}, "properties": map[string]any{
			"number": map[string]any{"type": "string"}, "currency": map[string]any{"type": "string"},
		}}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return describe(t.Elem())
	case reflect.Slice:
		return map[string]any{"type": "array", "items": describe(t.Elem())}
	case reflect.Struct:
		return object(t)
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Int, reflect.Uint64:
		return map[string]any{"type": "integer"}
	}
	panic("no schema for " + t.String())
}
