package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
)

// TestRunbooks holds the pages against the catalogue: one for each hazard, with
// what the catalogue says about it and with everything that a person needs.
func TestRunbooks(t *testing.T) {
	var want []string
	for _, row := range hazard.Builtin {
		name := string(row.Code) + ".md"
		want = append(want, name)
		checkRunbook(t, deployed("runbooks", name), row)
	}
	var have []string
	for _, file := range matches(t, deployed("runbooks", "*.md")) {
		if name := filepath.Base(file); name != "README.md" {
			have = append(have, name)
		}
	}
	slices.Sort(want)
	if !slices.Equal(have, want) {
		t.Errorf("want a page for each hazard and no more, %v, got %v", want, have)
	}
}

// The parts that a page is made of, in their order. What it means and the
// cautions stand in the part that the catalogue fills.
var runbookParts = []string{"\n## Look\n", "\n## Do, in this order\n\n1. ", "\n## Tell the watch\n", "\n## Call\n"}

func checkRunbook(t *testing.T, file string, row hazard.Row) {
	t.Helper()
	have := readFile(t, file)
	const open, end = "<!-- hazard -->\n", "<!-- /hazard -->"
	before, rest, ok := strings.Cut(have, open)
	_, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 || before != "# "+string(row.Code)+"\n\n" {
		t.Errorf("%s: want the code as its heading, then a part between %q and %q", file, open, end)
		return
	}
	text := after
	for _, part := range runbookParts {
		_, next, ok := strings.Cut(text, part)
		if !ok {
			t.Errorf("%s: want a part %q, in the order of the others", file, strings.TrimSpace(part))
			return
		}
		text = next
	}
	want := before + open + skeleton(row) + end + after
	switch {
	case want == have:
	case !*update:
		t.Errorf("%s: not what the catalogue says: run go test ./cmd/rollwarden -run TestRunbooks -update", file)
	default:
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// skeleton is what the catalogue says about a hazard.
func skeleton(row hazard.Row) string {
	var b strings.Builder
	fmt.Fprintf(&b, "**%s.** Priority %s.\n\n", row.Title, row.Priority)
	fmt.Fprintf(&b, "It holds when %s.\n\nIt matters because %s.\n\n", row.When, row.Why)
	fmt.Fprintf(&b, "It is judged by: %s.\n\n> **Caution.** %s\n\n", row.Knows, row.Caution)
	b.WriteString("What helps:\n\n")
	for _, code := range row.Remedies {
		i := slices.IndexFunc(remedy.Table, func(r remedy.Row) bool { return r.Code == code })
		r, settles := remedy.Table[i], ""
		if r.Settles || r.Of == row.Code {
			settles = " (settles this)"
		}
		fmt.Fprintf(&b, "- `%s`: %s%s\n", code, r.Doc, settles)
	}
	return b.String()
}

// link finds the links of a page to other files.
var link = regexp.MustCompile(`\]\(([^):#]+)(?:#[^)]*)?\)`)

// TestPagesLeadSomewhere follows the links between the pages of deploy.
func TestPagesLeadSomewhere(t *testing.T) {
	for _, pattern := range []string{"*.md", "runbooks/*.md", "prometheus/*.md"} {
		for _, file := range matches(t, deployed(pattern)) {
			for _, m := range link.FindAllStringSubmatch(readFile(t, file), -1) {
				if _, err := os.Stat(filepath.Join(filepath.Dir(file), m[1])); err != nil {
					t.Errorf("%s leads to %s: %v", file, m[1], err)
				}
			}
		}
	}
}
