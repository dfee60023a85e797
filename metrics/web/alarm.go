package web

import "strings"

// marks show the priority by their number, so that colour is never alone.
var marks = map[string]string{"high": "▲▲▲", "medium": "▲▲△", "low": "▲△△"}

// Marks are what stands beside an alarm of a priority.
func Marks(priority string) string { return marks[priority] }

// tails are what the rules add to the reason in an alarm's sentence. A page
// shows each of them by itself, as it is now and not as it was then.
var tails = []string{"; the run has started", "; it may start at any moment", "; its start is due", "; it starts in ", ". Do: ", ". Cheapest: "}

// Clauses takes the machine and job off an alarm's sentence, and returns its
// reason alone beside the whole.
func Clauses(machine, job, message string) (reason, whole string) {
	head := machine
	if job != "" {
		head += ", " + job
	}
	whole = strings.TrimPrefix(message, head+": ")
	reason = whole
	for _, tail := range tails {
		reason, _, _ = strings.Cut(reason, tail)
	}
	return strings.TrimSuffix(reason, "."), whole
}
