package hazard

import (
	"fmt"
	"strings"
)

// Table writes rows as a Markdown table for the documentation.
func Table(rows []Row) string {
	var b strings.Builder
	b.WriteString("| code | priority | judged on | when it holds | why that is bad | remedies |\n|---|---|---|---|---|---|\n")
	for _, r := range rows {
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", r.Code, r.Priority, r.Scope, r.When, r.Why, strings.Join(r.Remedies, ", "))
	}
	return b.String()
}

// FactTable writes the facts that a condition can name as a Markdown table.
func FactTable() string {
	var b strings.Builder
	b.WriteString("| fact | kind | what it is |\n|---|---|---|\n")
	for _, f := range Facts {
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", f.Name, f.Kind, f.Doc)
	}
	return b.String()
}
