package alarm

import (
	"maps"
	"slices"
)

// Merge shows the books of several journals, no two of them with the same
// machine in, as one. It is for readers and must not be changed.
func Merge(books ...*Book) *Book {
	all := NewBook()
	for _, b := range books {
		maps.Copy(all.Alarms, b.Alarms)
		maps.Copy(all.Warnings, b.Warnings)
		maps.Copy(all.Starts, b.Starts)
		all.Requests = append(all.Requests, b.Requests...)
		all.Pages = append(all.Pages, b.Pages...)
		all.Totals.add(b.Totals)
	}
	slices.SortStableFunc(all.Pages, func(a, b Page) int { return a.At.Compare(b.At) })
	return all
}

// add adds what another book counted.
func (t *Totals) add(o Totals) {
	for hazard, counts := range o.Transitions {
		if t.Transitions[hazard] == nil {
			t.Transitions[hazard] = map[State]uint64{}
		}
		addCounts(t.Transitions[hazard], counts)
	}
	maps.Copy(t.Leads, o.Leads) // by machine, as LeadSum is
	maps.Copy(t.LeadSum, o.LeadSum)
	t.Warned += o.Warned
	t.Unwarned += o.Unwarned
	addCounts(t.Sent, o.Sent)
	addCounts(t.Failed, o.Failed)
	addCounts(t.Dropped, o.Dropped)
}

func addCounts[K comparable](to, from map[K]uint64) {
	for k, n := range from {
		to[k] += n
	}
}
