package main

import (
	"flag"
	"os"
	"strings"
	"testing"

	"rollwarden/rules/alarm"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
)

var update = flag.Bool("update", false, "write the generated parts of the documents anew")

// TestGeneratedDocs compares the parts of the documents that are made from
// tables of data with those tables.
func TestGeneratedDocs(t *testing.T) {
	for _, c := range []struct{ file, mark, text string }{
		{"../../README.md", "hazards", hazard.Table(hazard.Builtin)},
		{"../../README.md", "remedies", remedyTable()},
		{"../../README.md", "facts", hazard.FactTable()},
		{"../../DEVELOPERS.md", "lifecycle", "```mermaid\n" + alarm.Mermaid() + "```\n"},
		{"../../DEVELOPERS.md", "anomalies", anomalyTable()},
	} {
		have, err := os.ReadFile(c.file)
		if err != nil {
			t.Fatal(err)
		}
		open, end := "<!-- "+c.mark+" -->\n", "<!-- /"+c.mark+" -->"
		before, rest, ok := strings.Cut(string(have), open)
		_, after, ok2 := strings.Cut(rest, end)
		if !ok || !ok2 {
			t.Errorf("%s: want a part between %q and %q", c.file, open, end)
			continue
		}
		want := before + open + c.text + end + after
		if want == string(have) {
			continue
		}
		if !*update {
			t.Errorf("%s: the part %q is not what its table says: run go test ./cmd/rollwarden -run TestGeneratedDocs -update", c.file, c.mark)
			continue
		}
		if err := os.WriteFile(c.file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func remedyTable() string {
	var b strings.Builder
	b.WriteString("| remedy | what it is | settles it |\n|---|---|---|\n")
	for _, r := range remedy.Table {
		settles := ""
		if r.Settles {
			settles = "yes"
		}
		b.WriteString("| `" + r.Code + "` | " + r.Doc + " | " + settles + " |\n")
	}
	return b.String()
}

func anomalyTable() string {
	var b strings.Builder
	b.WriteString("| anomaly | what it means |\n|---|---|\n")
	for _, k := range floor.AnomalyKinds {
		b.WriteString("| `" + k.Code + "` | " + k.Doc + " |\n")
	}
	return b.String()
}
