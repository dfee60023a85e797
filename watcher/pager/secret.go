package pager

import (
	"cmp"
	"slices"
	"strings"
)

// Secret holds a password or signing key. Whatever prints, logs or encodes a
// value that contains one shows "[secret]" or an address, never the text: the
// text is held by a function, which no formatter can look into.
type Secret struct{ reveal func() string }

// NewSecret wraps text. An empty text gives the zero Secret.
func NewSecret(text string) Secret {
	if text == "" {
		return Secret{}
	}
	return Secret{reveal: func() string { return text }}
}

const hidden = "[secret]"

// String implements fmt.Stringer and hides the text.
func (s Secret) String() string {
	if s.empty() {
		return ""
	}
	return hidden
}

// MarshalText implements encoding.TextMarshaler and hides the text.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

func (s Secret) empty() bool { return s.reveal == nil }

func (s Secret) text() string {
	if s.empty() {
		return ""
	}
	return s.reveal()
}

// redactor returns a function that takes every one of the texts out of what it
// is given, the longest first so that one within another leaves no rest. A
// server can echo what it was sent, and its answer ends in the journal.
func redactor(texts ...string) func(string) string {
	texts = slices.DeleteFunc(slices.Clone(texts), func(s string) bool { return s == "" })
	slices.SortFunc(texts, func(a, b string) int { return cmp.Compare(len(b), len(a)) })
	return func(s string) string {
		for _, text := range texts {
			s = strings.ReplaceAll(s, text, hidden)
		}
		return s
	}
}
