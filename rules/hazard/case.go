package hazard

import (
	"time"

	"rollwarden/rules/hint"
)

// Case is a test of a rule book: given a floor and a queue, written as the
// events that lead there, these hazards are expected and no others.
type Case struct {
	Name    string      `yaml:"name"`
	Site    string      `yaml:"site"`
	Machine string      `yaml:"machine"`
	Now     time.Time   `yaml:"now"`
	Given   []CaseEvent `yaml:"given"`
	Expect  []Code      `yaml:"expect"`
	Remedy  string      `yaml:"remedy"` // expected cheapest remedy of the first hazard; may be empty
}

// CaseEvent is one event of a case; Ago is how long before Now it happened.
type CaseEvent struct {
	Type    string         `yaml:"type"`
	Ago     time.Duration  `yaml:"ago"`
	Machine string         `yaml:"machine"`
	Data    map[string]any `yaml:"data"`
}

func (c *Case) check(b *Book) error {
	if c.Name == "" {
		return faultf("want a name that says what the case shows").in("name")
	}
	if c.Machine == "" {
		return faultf("want the machine that the case %q is about", c.Name).in("machine")
	}
	if c.Remedy != "" && len(c.Expect) == 0 {
		return faultf("want the hazard that %q is the cheapest remedy of in expect", c.Remedy).in("remedy")
	}
	for i, code := range c.Expect {
		if b.Index(code) < 0 {
			return faultf("no such hazard %q%s", code, hint.DidYouMean(string(code), b.codes())).in("expect", i)
		}
	}
	return nil
}
