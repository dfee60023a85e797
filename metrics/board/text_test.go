package board

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// tables are the keys that are put together from a table of the rules.
func tables() []string {
	var keys []string
	for _, c := range event.Classes {
		keys = append(keys, "class."+string(c))
	}
	for _, s := range alarm.States {
		if s != alarm.Normal {
			keys = append(keys, "state."+string(s))
		}
	}
	for _, p := range hazard.Priorities {
		keys = append(keys, "priority."+string(p), "summary."+string(p))
	}
	for _, c := range []string{event.CauseRewind, event.CauseAdvance, event.CauseFeed, event.CauseTrim} {
		keys = append(keys, "cause."+c)
	}
	for _, k := range append(slices.Clone(event.RejectKinds), "event") {
		keys = append(keys, "reject."+k)
	}
	for _, page := range []string{"reading", "missing"} {
		keys = append(keys, page+".title", page+".text")
	}
	return keys
}

// written are the keys that stand in the source.
func written(t *testing.T) []string {
	t.Helper()
	var keys []string
	for pattern, files := range map[*regexp.Regexp]string{
		regexp.MustCompile(`\bt "([^"]+)"`):                 "templates/*.html",
		regexp.MustCompile(`say\("([a-z.-]+)"`):             "*.go",
		regexp.MustCompile(`"((?:fact|roll|air)\.[a-z]+)"`): "*.go",
	} {
		names, err := filepath.Glob(files)
		if err != nil || len(names) == 0 {
			t.Fatalf("no files %s: %v", files, err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") || name == "text.go" {
				continue
			}
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range pattern.FindAllStringSubmatch(string(data), -1) {
				if !strings.HasSuffix(m[1], ".") { // a prefix that a table completes
					keys = append(keys, m[1])
				}
			}
		}
	}
	return keys
}

// TestTexts wants each language to have every text that is used, and no text
// that is not.
func TestTexts(t *testing.T) {
	used := append(tables(), written(t)...)
	for _, key := range slices.Clone(used) {
		if _, ok := catalogue["en"][key+".no"]; ok {
			used = append(used, key+".no")
		}
	}
	for _, lang := range languages {
		texts, ok := catalogue[lang]
		if !ok {
			t.Fatalf("language %s has no texts", lang)
		}
		for _, key := range used {
			if texts[key] == "" {
				t.Errorf("%s: no text for %q", lang, key)
			}
		}
		for key := range texts {
			if !slices.Contains(used, key) {
				t.Errorf("%s: nobody says %q", lang, key)
			}
			if strings.Count(texts[key], "%") != strings.Count(catalogue["en"][key], "%") {
				t.Errorf("%s: %q takes other values than in English", lang, key)
			}
		}
	}
}

// TestPick falls back to the first language for a reader of any other. The
// header's grammar is RFC 9110, section 12.5.4.
func TestPick(t *testing.T) {
	for _, header := range []string{"", "en-IE, en;q=0.8", "fi", "*", "not a language;;;"} {
		if got := pick(header); got != "en" {
			t.Errorf("Accept-Language %q gives %q, want en", header, got)
		}
	}
}
