// Package hazard holds the catalogue of what can go wrong at a start: each
// hazard is a row of data with its title, priority, reason, remedies and
// caution, and one pure check over a Scene. The shop's rule book turns rows on
// and off, tunes them, and adds conditions of its own.
package hazard

import (
	"cmp"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

// Phase says where the judged run stands.
type Phase string

// The phases of a run.
const (
	Queued  Phase = "queued"
	Running Phase = "running"
	Resting Phase = "resting" // printed, not yet finished
)

// Drift predicts the print-to-cut residual in mm, between marks that stand feedMM
// apart along the roll and crossMM across it; see package register.
type Drift interface {
	Residual(f *film.Film, cureC, feedMM, crossMM float64) (mm float64)
	Basis(f *film.Film) string // what the prediction rests on
}

// Scene is all that one judgement may look at. Machine, Plant, Rules and Drift
// are always there.
type Scene struct {
	Now     time.Time
	Machine *floor.Machine
	Plant   *plant.Machine
	Climate floor.Climate
	Rules   *Rules // resolved for this site, machine, stock and class
	Drift   Drift
	Display units.Display

	Loaded film.Film // what is on the machine
	Wanted film.Film // what the ticket asks for

	Run     *floor.Run // nil when the machine itself is judged
	Phase   Phase
	Next    bool      // the run is the next to start, or running
	ReadyAt time.Time // when it is expected to start; zero when any moment
	Pace    float64   // real over computed time of the machine's runs; 0 before any is learnt
}

// ticket returns the run's ticket, or nil.
func (s *Scene) ticket() *event.TicketReceived {
	if s.Run == nil || s.Run.Ticket == nil {
		return nil
	}
	return &s.Run.Ticket.Data
}

// asked is the run's ticket, or an empty one.
func (s *Scene) asked() event.TicketReceived {
	if t := s.ticket(); t != nil {
		return *t
	}
	return event.TicketReceived{}
}

// frontMM is how far the film's front has come: the leading edge or the end of
// its leader. While a run feeds from an edge that nobody knows, at least the
// metres fed lie downstream of the print line, unless the roll was changed.
func (s *Scene) frontMM() units.Maybe {
	front := floor.FrontMM(s.Machine.Edge, s.Machine.Leader)
	if !front.Known() && s.Phase == Running && !s.Machine.Roll.At.After(s.Run.Started) {
		if fed := s.Run.FedM.Or(0) * 1000; fed >= s.Plant.Path.CureExitMM {
			return units.Some(fed)
		}
	}
	return front
}

// FrontMM is where the film's front is, mm downstream of the print line.
func (s *Scene) FrontMM() units.Maybe { return s.frontMM() }

// ClearAdvanceMM is how far the film must be advanced for its front to lie past
// the cure exit with the margin; from a front that nobody knows it is the whole
// path.
func (s *Scene) ClearAdvanceMM() float64 {
	return s.Plant.Path.ClearAdvance(s.frontMM().Or(0), s.Rules.AdvanceMarginMM)
}

// NewLeaderMM is how long a leader must be to reach as far. It is taped to the
// edge: one that is on already is taken off first.
func (s *Scene) NewLeaderMM() float64 {
	return s.Plant.Path.ClearAdvance(s.Machine.Edge.PositionMM.Or(0), s.Rules.AdvanceMarginMM)
}

// Spans are how far apart marks of a spacing can stand, in mm: along the roll no
// further than the run is long, and across it no further than the film is wide.
func (s *Scene) Spans(spacingMM float64) (feedMM, crossMM float64) {
	feedMM, crossMM = spacingMM, spacingMM
	if s.Run != nil {
		if length, known := s.Run.LengthM().Get(); known && length > 0 {
			feedMM = min(feedMM, length*1000)
		}
	}
	if width := s.WidthMM(); width > 0 {
		crossMM = min(crossMM, width)
	}
	return feedMM, crossMM
}

// WidthMM is the width of what is loaded, else of a full roll of that stock,
// else of the widest roll that the machine takes.
func (s *Scene) WidthMM() float64 {
	return s.Machine.Roll.WidthMM.Else(s.Loaded.WidthMM).Or(s.Plant.MaxWidthMM)
}

// PlannedM is the length of the run in m, from its ticket's length, else from
// its area and the ticket's own roll width.
func (s *Scene) PlannedM() (m units.Maybe, fromArea bool) {
	if s.Run == nil {
		return units.Maybe{}, false
	}
	return plannedM(s.Run)
}

func plannedM(r *floor.Run) (m units.Maybe, fromArea bool) {
	if m = r.LengthM(); m.Known() || r.Ticket == nil {
		return m, false
	}
	if t := &r.Ticket.Data; t.AreaM2 != nil && t.RollWidthMM != nil && *t.RollWidthMM > 0 {
		return units.Some(*t.AreaM2 / *t.RollWidthMM * 1000), true
	}
	return m, false
}

// DurationS is how long the run is expected to take, in s.
func (s *Scene) DurationS() units.Maybe {
	length, _ := s.PlannedM()
	l, ok := length.Get()
	speed := s.Plant.FeedSpeed(s.passes().Or(s.Rules.AssumedPasses))
	if !ok || speed <= 0 {
		return units.Maybe{}
	}
	return units.Some(l * 1000 / speed * cmp.Or(s.Pace, 1))
}

func (s *Scene) passes() units.Maybe {
	if t := s.ticket(); t != nil {
		return units.From(t.Passes)
	}
	return units.Maybe{}
}

func (s *Scene) cureC() units.Maybe {
	if t := s.ticket(); t != nil {
		return units.From(t.CureC)
	}
	return units.Maybe{}
}

// CureC is the planned cure temperature, °C.
func (s *Scene) CureC() units.Maybe { return s.cureC() }

// Band is what the ink and the film leave of cure temperatures when the run is
// printed so many times slower. It is not known while its passes or the time in
// the cure zone are not.
func (s *Scene) Band(slower float64) (b plant.Band, known bool) {
	passes, known := s.passes().Get()
	if !known || s.Plant.Dwell(passes) <= 0 {
		return plant.Band{}, false
	}
	pct, _ := s.density()
	return s.Plant.Band(passes*slower, pct, []plant.Ceiling{{Code: string(HotRecipe), C: s.ceilingC()}}), true
}

// thicknessUM is the film with its liner, as loaded.
func (s *Scene) thicknessUM() units.Maybe {
	return s.Machine.Roll.ThicknessUM.Else(s.Loaded.ThicknessUM)
}

// restS is how long the run's ink must rest before its finishing step, in s.
func (s *Scene) restS() float64 {
	t := s.ticket()
	if t == nil {
		return 0
	}
	rest := 0.0
	if t.Laminate {
		rest = s.Plant.Ink.RestLaminateS
	}
	if t.ContourCut {
		rest = max(rest, s.Plant.Ink.RestCutS)
	}
	return units.From(t.RestS).Or(rest)
}

// finishBy is when finishing is planned: the ticket's own word, else its due
// time, by when finishing must have begun.
func (s *Scene) finishBy() time.Time {
	t := s.ticket()
	switch {
	case t == nil:
	case t.FinishAt != nil:
		return *t.FinishAt
	case t.Due != nil:
		return *t.Due
	}
	return time.Time{}
}

// printedBy is when the run has been printed: its end, else the expected one,
// which is never in the past.
func (s *Scene) printedBy() time.Time {
	if s.Phase == Resting {
		return s.Run.Ended
	}
	from := s.ReadyAt
	if s.Phase == Running {
		from = s.Run.Started
	} else if from.Before(s.Now) {
		from = s.Now
	}
	if by := from.Add(units.Seconds(s.DurationS().Or(0))); by.After(s.Now) {
		return by
	}
	return s.Now
}
