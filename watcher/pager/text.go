package pager

import (
	"fmt"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// maxSummary is the longest summary, in bytes. RFC 5322 section 2.1.1 asks for
// lines of at most 78 characters, and a phone's lock screen shows about that.
const maxSummary = 78

// clock is how times of day are written for people.
const clock = "15:04 MST"

// summary says the page in one short line, the urgent words first.
func summary(p Page, loc *time.Location) string {
	word := strings.ToUpper(p.Priority)
	if p.Cleared() {
		word = "CLEARED"
	}
	line := fmt.Sprintf("%s %s, %s", word, p.Hazard, place(p))
	if p.Job != "" {
		line += ": job " + jobOf(p)
	}
	if p.ReadyAt != nil && !p.Cleared() {
		line += ", starts " + p.ReadyAt.In(loc).Format(clock)
	}
	return oneLine(line, maxSummary)
}

func place(p Page) string {
	if p.Machine == event.AnyMachine {
		return "site " + p.Site
	}
	return p.Machine
}

func jobOf(p Page) string {
	if p.Part == "" {
		return p.Job
	}
	return p.Job + "/" + p.Part
}

// describe gives the message and what was seen.
func describe(p Page) string {
	lines := []string{p.Message}
	for _, e := range p.Evidence {
		lines = append(lines, evidenceLine(e))
	}
	return strings.TrimSpace(strings.Join(lines, "\n"))
}

func evidenceLine(e event.Evidence) string {
	line := e.Name + ": " + e.Value
	if e.Limit != "" {
		line += " (limit " + e.Limit + ")"
	}
	return line
}

// bestRemedy returns the first remedy that can be taken, or "".
func bestRemedy(p Page) string {
	for _, r := range p.Remedies {
		if r.WhyNot == "" {
			return remedyLine(r)
		}
	}
	return ""
}

func remedyLine(r event.Remedy) string {
	var notes []string
	if r.Cost != "" {
		notes = append(notes, r.Cost)
	}
	if r.Settles {
		notes = append(notes, "settles it")
	}
	if r.Cheapest {
		notes = append(notes, "cheapest in expectation")
	}
	if r.WhyNot != "" {
		notes = append(notes, "not here: "+r.WhyNot)
	}
	line := r.Text
	if line == "" {
		line = r.Code
	}
	if len(notes) > 0 {
		line += " (" + strings.Join(notes, ", ") + ")"
	}
	return line
}
