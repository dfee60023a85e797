package floor

import (
	"maps"
	"slices"
)

// Merge shows the floors of several journals, no two of them with the same site
// in, as one. It is for readers and must not be changed.
func Merge(floors ...*State) *State {
	all := New()
	all.Strips = map[string][]Strip{}
	for _, s := range floors {
		maps.Copy(all.Machines, s.Machines)
		maps.Copy(all.Rooms, s.Rooms)
		all.Tickets.parts = append(all.Tickets.parts, s.Tickets)
		all.Anomalies.Newest = append(all.Anomalies.Newest, s.Anomalies.Newest...)
		addCounts(all.Anomalies.Total, s.Anomalies.Total)
		addCounts(all.Counts.Events, s.Counts.Events)
		addCounts(all.Counts.Rejected, s.Counts.Rejected)
		all.Counts.Unknown += s.Counts.Unknown
		all.Counts.Duplicate += s.Counts.Duplicate
		all.Rejects = append(all.Rejects, s.Rejects...)
		for stock, strips := range s.Strips {
			all.Strips[stock] = append(all.Strips[stock], strips...)
		}
	}
	slices.SortStableFunc(all.Anomalies.Newest, func(a, b Anomaly) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(all.Rejects, func(a, b Reject) int { return a.At.Compare(b.At) })
	for _, strips := range all.Strips {
		slices.SortStableFunc(strips, func(a, b Strip) int { return a.At.Compare(b.At) })
	}
	return all
}

func addCounts[K comparable](to, from map[K]uint64) {
	for k, n := range from {
		to[k] += n
	}
}
