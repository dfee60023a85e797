package rules

import (
	"time"

	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
)

// Decide compares what can be done about the edge at the machine's running run,
// else at its next one, and explains which pays; false when nothing runs and
// nothing is queued, or nothing was heard of the machine.
func (r Reader) Decide(now time.Time, site, name string) (remedy.Decision, bool) {
	m := r.e.floor.Machine(site, name)
	row, known := r.e.site.Book.Row(hazard.BareEdge)
	if m == nil || !known {
		return remedy.Decision{}, false
	}
	r.e.scenes(now, m)
	for i := range r.e.scratch[1:] {
		if s := &r.e.scratch[i+1]; s.Next {
			return r.e.advisor.Decide(row, s), true
		}
	}
	return remedy.Decision{}, false
}
