package rules

import "time"

// ClearAdvance is how far, in mm, a machine's film has to go forward for its
// edge, or the end of its leader, to lie past the cure exit and the margin
// before the next start. Nobody knows where the edge or the feed path is not
// known.
func (r Reader) ClearAdvance(now time.Time, site, name string) (mm float64, known bool) {
	m := r.e.floor.Machine(site, name)
	if m == nil {
		return 0, false
	}
	s := r.nextScene(now, m)
	if !s.FrontMM().Known() || !s.Plant.Configured {
		return 0, false
	}
	return s.ClearAdvanceMM(), true
}
