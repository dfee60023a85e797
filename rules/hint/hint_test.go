package hint_test

import (
	"errors"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"rollwarden/rules/hint"
)

func TestNearest(t *testing.T) {
	options := []string{"tail_m", "stale_after", "dry_air_rh_pct", "priority", "do"}
	for _, row := range []struct{ word, want string }{
		{"tial_m", "tail_m"}, {"Tail_M", "tail_m"}, {"prority", "priority"}, {"stale_afer", "stale_after"},
		{"banana", ""}, {"x", ""}, {"", ""}, {"d", ""},
	} {
		if got := hint.Nearest(row.word, options); got != row.want {
			t.Errorf("%q: want %q, got %q", row.word, row.want, got)
		}
	}
	if got := hint.DidYouMean("prority", options); got != `: did you mean "priority"?` {
		t.Error(got)
	}
	if got := hint.DidYouMean("banana", options); got != "" {
		t.Errorf("banana was taken for something: %s", got)
	}
}

// TestDistance takes pairs whose edit distance is common knowledge: kitten to
// sitting is 3 (the usual textbook example, value from memory), which is too
// far for a word of 6 letters but near enough for one of 9.
func TestDistance(t *testing.T) {
	if got := hint.Nearest("kitten", []string{"sitting"}); got != "" {
		t.Errorf("kitten was taken for %s", got)
	}
	if got := hint.Nearest("saturdays", []string{"sundays"}); got != "sundays" {
		t.Errorf("saturdays, three letters from sundays, was taken for %q", got)
	}
}

type config struct {
	Name  string        `yaml:"name"`
	Wait  time.Duration `yaml:"wait"`
	At    time.Time     `yaml:"at"`
	On    bool          `yaml:"on"`
	Width float64       `yaml:"width_mm"`
	List  []string      `yaml:"list"`
	Sub   *struct {
		Deep float64 `yaml:"deep"`
	} `yaml:"sub"`
	Self   []config `yaml:"self"`
	Hidden string   `yaml:"-"`
	Bare   string
}

func TestYAML(t *testing.T) {
	for _, row := range []struct{ text, want string }{
		{"name: a\nwidht_mm: 3\n", `c.yaml:2:1: unknown key "widht_mm": did you mean "width_mm"?`},
		{"sub:\n  depe: 3\n", `c.yaml:2:3: unknown key "depe": did you mean "deep"?`},
		{"zzzzzz: 3\n", `c.yaml:1:1: unknown key "zzzzzz"`},
		{"width_mm: wide\n", `c.yaml:1:11: width_mm: want a number, got "wide"`},
		{"on: 3\n", `c.yaml:1:5: on: want true or false, got "3"`},
		{"wait: 3\n", `c.yaml:1:7: wait: want a time such as 90s, 15m or 4h, got "3"`},
		{"at: 3\n", `c.yaml:1:5: at: want a moment such as 2026-03-02T08:00:00Z, got "3"`},
		{"name: a\nname: b\n", `c.yaml:2:1: mapping key "name" already defined at [1:1]: write it once, with all that belongs to it`},
		{"list:\n  - {a: b}\n", `c.yaml:2:5: want a text, got "{"`},
	} {
		var c config
		err := yaml.UnmarshalWithOptions([]byte(row.text), &c, yaml.Strict())
		if err == nil {
			t.Errorf("%q was read", row.text)
			continue
		}
		if got := hint.YAML("c.yaml", err, config{}).Error(); got != row.want {
			t.Errorf("%q:\nwant %s\ngot  %s", row.text, row.want, got)
		}
	}
	plain := errors.New("disk on fire")
	if err := hint.YAML("c.yaml", plain, config{}); !errors.Is(err, plain) || err.Error() != "c.yaml: disk on fire" {
		t.Errorf("another error was changed to %v", err)
	}
}

func TestKeys(t *testing.T) {
	want := []string{"name", "wait", "at", "on", "width_mm", "list", "sub", "deep", "self"}
	if got := hint.Keys(reflect.TypeFor[map[string]config]()); !slices.Equal(got, want) {
		t.Errorf("want %v, got %v", want, got)
	}
	if got := hint.Keys(nil); got != nil {
		t.Errorf("want no keys of nothing, got %v", got)
	}
}
