// Package plant describes what does not change while the watch runs: the
// machines with their feed path, the ink they cure, the cutter's tolerance, and
// what a head strike costs this shop. The formulas that need nothing else stand
// beside them: how far to advance, how long film cures, and how well.
package plant

import "github.com/bojanz/currency"

// Path is the feed path of one machine. Positions are mm downstream of the
// print line, which is 0.
type Path struct {
	CureEntryMM float64 // where the cure zone starts
	CureExitMM  float64 // where it ends
	TakeUpMM    float64 // where film reaches the take-up or the floor
	GapUM       float64 // carriage height above the platen, µm
	Assumed     bool    // nobody has measured it: the rest are careful guesses
}

// ZoneMM is the length of the cure zone.
func (p Path) ZoneMM() float64 { return p.CureExitMM - p.CureEntryMM }

// ClearAdvance returns how far an edge at edgeMM must be advanced, in mm, to
// lie marginMM past the cure exit. It is 0 for an edge that is there already.
func (p Path) ClearAdvance(edgeMM, marginMM float64) float64 {
	return max(0, p.CureExitMM+marginMM-edgeMM)
}

// Machine is one printer of the shop.
type Machine struct {
	Site, Name  string
	DeviceIDs   []string // names that tickets and signals use for it
	Inbox       string   // folder below the ticket root
	Path        Path
	SwathMM     float64 // height that one carriage pass covers
	StrokeS     float64 // time of one carriage stroke
	MaxWidthMM  float64 // widest roll
	Ink         Ink
	ToleranceMM float64 // print-to-cut tolerance of the cutter, mm
	Configured  bool    // false for a machine only known from its events
}

// FeedSpeed returns how fast film moves at a number of passes, in mm/s: each
// stroke moves it on by one swath divided by the passes.
func (m *Machine) FeedSpeed(passes float64) float64 {
	if passes <= 0 || m.StrokeS <= 0 {
		return 0
	}
	return m.SwathMM / passes / m.StrokeS
}

// Dwell returns how long film stays in the cure zone, in s, at a number of
// passes.
func (m *Machine) Dwell(passes float64) float64 {
	speed := m.FeedSpeed(passes)
	if speed == 0 {
		return 0
	}
	return m.Path.ZoneMM() / speed
}

// Costs are what a head strike and the remedies cost this shop.
type Costs struct {
	Currency      string
	LabourPerHour currency.Amount
	DownPerHour   currency.Amount // a machine standing still
	HeadShare     currency.Amount // share of a printhead lost per strike
	StrikeDownS   float64         // usual standstill after a strike, s
	StrikeReprint float64         // usual film reprinted after a strike, m²
	LeaderTape    currency.Amount // tape and strip for one leader
	LeaderWorkS   float64         // work to tape a leader, s
	AdvanceWorkS  float64         // work to advance the film, s
	ShapeWorkS    float64         // work to cut a rounded lip, s
	CoolerSlowPct float64         // run time added by a cooler recipe, percent
	PauseS        float64         // standstill of a run that is paused and started again, s
}
