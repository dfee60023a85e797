package config

import (
	"reflect"
	"strings"
)

// field is one key of a section.
type field struct {
	key    string
	secret bool // never read from the file
	value  reflect.Value
	tag    reflect.StructTag
}

// fieldsOf lists the keys of a section, in the order of its type.
func fieldsOf(v reflect.Value) []field {
	var fields []field
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch hidden := f.Tag.Get("secret"); {
		case option == "inline":
			fields = append(fields, fieldsOf(v.Field(i))...)
		case hidden != "":
			fields = append(fields, field{hidden, true, v.Field(i), f.Tag})
		case name != "":
			fields = append(fields, field{name, false, v.Field(i), f.Tag})
		}
	}
	return fields
}

// keysOf lists the keys that the file may have.
func keysOf(fields []field) []string {
	var keys []string
	for _, f := range fields {
		if !f.secret {
			keys = append(keys, f.key)
		}
	}
	return keys
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// walkSettings visits every scalar, and every list of words, that stands at a
// fixed path. What is inside lists and tables has no fixed path.
func walkSettings(path string, v reflect.Value, visit func(path string, f field)) {
	for _, f := range fieldsOf(v) {
		below, t := join(path, f.key), f.value.Type()
		switch {
		case scalar(t) || t == wordsType:
			visit(below, f)
		case t.Kind() == reflect.Struct:
			walkSettings(below, f.value, visit)
		}
	}
}

var wordsType = reflect.TypeFor[[]string]()
