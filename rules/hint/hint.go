// Package hint makes mistakes in configuration easy to mend. It names the place
// in the file and the word that was probably meant.
package hint

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/token"
)

// Nearest returns the option that is closest to word, or "" when none is near
// enough to be a likely slip of the keyboard.
func Nearest(word string, options []string) string {
	// Of a word of one or two letters something must be left, or any would do.
	best, least := "", min(max(2, len(word)/3), len(word)-1)+1
	for _, o := range options {
		if d := Distance(strings.ToLower(word), strings.ToLower(o)); d < least {
			best, least = o, d
		}
	}
	return best
}

// DidYouMean is Nearest as a piece of a sentence, or "".
func DidYouMean(word string, options []string) string {
	if near := Nearest(word, options); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return ""
}

// Distance is the Levenshtein distance: the number of letters to insert, remove
// or replace to turn a into b.
func Distance(a, b string) int {
	from, to := []rune(a), []rune(b)
	row := make([]int, len(to)+1)
	for j := range row {
		row[j] = j
	}
	for i, r := range from {
		diagonal := row[0]
		row[0] = i + 1
		for j, s := range to {
			cost := diagonal
			if r != s {
				cost = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], cost
		}
	}
	return row[len(to)]
}

var unknownField = regexp.MustCompile(`^unknown field "(.*)"$`)

// YAML rewrites an error of the YAML library as file:line:column and a
// sentence. like is a value of the type that was decoded into; its yaml tags
// are what an unknown key is compared with.
func YAML(file string, err error, like any) error {
	var y yaml.Error
	if !errors.As(err, &y) || y.GetToken() == nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	text := y.GetMessage()
	if m := unknownField.FindStringSubmatch(text); m != nil {
		text = fmt.Sprintf("unknown key %q", m[1]) + DidYouMean(m[1], Keys(reflect.TypeOf(like)))
	}
	var mismatch *yaml.TypeError
	if errors.As(err, &mismatch) {
		text = fmt.Sprintf("%swant %s, got %q", key(mismatch.Token), kind(mismatch.DstType), mismatch.Token.Value)
	}
	switch {
	case strings.Contains(text, "'\t' that cannot start"):
		text = "want spaces before a key, got a tab"
	case strings.HasPrefix(text, "mapping key "):
		text += ": write it once, with all that belongs to it"
	}
	at := y.GetToken().Position
	return fmt.Errorf("%s:%d:%d: %s", file, at.Line, at.Column, text)
}

// key names the key that a value stands behind, or nothing in a list.
func key(value *token.Token) string {
	colon := value.Prev
	if colon == nil || colon.Type != token.MappingValueType || colon.Prev == nil {
		return ""
	}
	return colon.Prev.Value + ": "
}

// kind says in words what a Go type is read from.
func kind(t reflect.Type) string {
	switch {
	case t == reflect.TypeFor[time.Duration]():
		return "a time such as 90s, 15m or 4h"
	case t == reflect.TypeFor[time.Time]():
		return "a moment such as 2026-03-02T08:00:00Z"
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a text"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Struct, reflect.Map, reflect.Interface:
		return "a block of keys"
	}
	return "a number"
}

// Keys lists every yaml key in a type and in the types below it.
func Keys(t reflect.Type) []string {
	var keys []string
	seen := map[reflect.Type]bool{}
	var walk func(reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(t.Elem())
		case reflect.Struct:
			if seen[t] {
				return
			}
			seen[t] = true
			for i := range t.NumField() {
				f := t.Field(i)
				if name, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); name != "" && name != "-" {
					keys = append(keys, name)
				}
				walk(f.Type)
			}
		}
	}
	if t != nil {
		walk(t)
	}
	return keys
}
