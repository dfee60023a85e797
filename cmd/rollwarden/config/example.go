package config

import (
	"bytes"
	_ "embed"
)

//go:embed example.yaml
var example []byte

// Example is the commented configuration file. As it stands it equals the
// defaults; its commented-out settings show an invented shop.
func Example() []byte { return bytes.Clone(example) }

//go:embed rulebook.yaml
var ruleBookExample []byte

// RuleBookExample is a commented rule book with hazards, overrides, a
// condition and cases, for the machine of the defaults.
func RuleBookExample() []byte { return bytes.Clone(ruleBookExample) }
