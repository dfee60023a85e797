package ticket

import (
	"reflect"
	"strings"

	"rollwarden/rules/hint"
)

// memberNames lists the members of the JSON ticket.
func memberNames() []string {
	t := reflect.TypeFor[jsonTicket]()
	names := make([]string, 0, t.NumField())
	for i := range t.NumField() {
		if name := t.Field(i).Tag.Get("json"); name != "$schema" {
			names = append(names, name)
		}
	}
	return names
}

// suggest says what an unknown member was probably meant to be.
func suggest(unknown string) string {
	names := memberNames()
	best, least := "", 1+max(2, len(unknown)/3)
	lower := strings.ToLower(unknown)
	for _, name := range names {
		if d := distance(lower, name); d < least {
			best, least = name, d
		}
	}
	if best == "" {
		best = sharing(lower, names)
	}
	if best == "" {
		return "one of " + strings.Join(names, ", ")
	}
	return "another name; did you mean " + best + "?"
}

// sharing finds a member that has a word in common with the unknown one, so
// that "width" and "rollWidth" both lead to roll_width_mm.
func sharing(unknown string, names []string) string {
	for _, name := range names {
		for _, word := range strings.Split(name, "_") {
			if len(word) > 3 && strings.Contains(unknown, word) {
				return name
			}
		}
	}
	return ""
}

// distance is the Levenshtein distance of what a member's name could be: no
// member is longer, so the rest of a long text cannot matter.
func distance(a, b string) int {
	const longest = 64
	cut := func(s string) string {
		letters := []rune(s)
		return string(letters[:min(len(letters), longest)])
	}
	return hint.Distance(cut(a), cut(b))
}
