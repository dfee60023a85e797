package config

import (
	"github.com/rs/zerolog"
)

// Secret holds a password, a key or an address with a token. Whatever prints,
// logs or encodes it, or a value that contains it, shows "[secret]" or the
// address of a function: the text is held by a closure, which no formatter
// looks into.
type Secret struct{ reveal func() string }

// NewSecret wraps text. An empty text gives the zero Secret.
func NewSecret(text string) Secret {
	if text == "" {
		return Secret{}
	}
	return Secret{reveal: func() string { return text }}
}

// Reveal returns the text, for the one place that must send it.
func (s Secret) Reveal() string {
	if s.reveal == nil {
		return ""
	}
	return s.reveal()
}

// Set reports whether there is a secret.
func (s Secret) Set() bool { return s.reveal != nil }

const hiddenText = "[secret]"

// String hides the text; an empty Secret is the empty string.
func (s Secret) String() string {
	if !s.Set() {
		return ""
	}
	return hiddenText
}

// GoString hides the text from %#v.
func (s Secret) GoString() string { return `config.NewSecret("` + s.String() + `")` }

// MarshalText hides the text from every encoder that writes text.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// MarshalJSON hides the text from JSON.
func (s Secret) MarshalJSON() ([]byte, error) { return []byte(`"` + s.String() + `"`), nil }

// MarshalYAML hides the text from YAML.
func (s Secret) MarshalYAML() (any, error) { return s.String(), nil }

// MarshalZerologObject hides the text from the log.
func (s Secret) MarshalZerologObject(e *zerolog.Event) { e.Bool("set", s.Set()) }
