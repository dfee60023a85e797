package ticket

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// draft is a ticket in the making. It remembers where each value came from,
// so that a value out of range is blamed on its attribute and line.
type draft struct {
	event.TicketReceived
	r    *reader
	from map[string]reading
}

func (r *reader) newDraft(format string) *draft {
	d := &draft{r: r, from: map[string]reading{}}
	d.SourceFile, d.SourceSHA256, d.SourceFormat = r.file, r.sha, format
	return d
}

// MaxFlags is how many flags a ticket keeps; a person reads them.
const MaxFlags = 32

// flag says what the reader could not be sure of.
func (d *draft) flag(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(d.Flags) < MaxFlags && !slices.Contains(d.Flags, text) {
		d.Flags = append(d.Flags, text)
	}
}

// target returns the field of the payload that a member of the contract fills. That
// there is one does not depend on any ticket: without it this program is wrong.
func (d *draft) target(member string) **float64 {
	switch member {
	case "roll_width_mm":
		return &d.RollWidthMM
	case "thickness_um":
		return &d.ThicknessUM
	case "length_m":
		return &d.LengthM
	case "area_m2":
		return &d.AreaM2
	case "copies":
		return &d.Copies
	case "passes":
		return &d.Passes
	case "ink_density_pct":
		return &d.InkDensityPct
	case "cure_c":
		return &d.CureC
	case "mark_spacing_mm":
		return &d.MarkSpacingMM
	case "rest_s":
		return &d.RestS
	case "priority":
		return &d.Priority
	}
	panic("ticket: no number of the contract is called " + member)
}

func (d *draft) set(member string, v float64, from reading) {
	*d.target(member) = &v
	d.from[member] = from
}

// agree returns the one value that all sources give. Where they differ the
// value is unknown, and the ticket is flagged.
func agree[T comparable](d *draft, what string, values []T) (T, bool) {
	var none T
	for _, v := range values {
		if v != values[0] {
			d.flag("%s: the ticket gives %v and %v, so none was taken", what, values[0], v)
			return none, false
		}
	}
	if len(values) == 0 {
		return none, false
	}
	return values[0], true
}

// time reads the found times and keeps the earliest.
func (d *draft) time(target **time.Time, member string, found []reading) error {
	var kept *time.Time
	for _, f := range found {
		t, zoned, err := parseTime(f.text, d.r.location)
		if err != nil {
			return f.bad(wantTime)
		}
		if !zoned {
			d.flag("%s: %s has no time zone and was read in %s", member, f.at.path(f.name), d.r.location)
		}
		if kept != nil && !kept.Equal(t) {
			d.flag("%s: the ticket gives several times, the earliest was taken", member)
		}
		if kept == nil || t.Before(*kept) {
			kept = &t
		}
	}
	if kept != nil {
		*target = kept
	}
	return nil
}

// number reads one number of the standard.
func (d *draft) number(member string, f reading) error {
	v, ok := parseNumber(f.text)
	if !ok {
		return f.bad("a number")
	}
	d.set(member, v, f)
	return nil
}

// finish checks the ranges of the contract and gives the ticket out.
func (d *draft) finish(devices []string) (Ticket, error) {
	if err := d.Check(); err != nil {
		return Ticket{}, blame(err, d.from)
	}
	return Ticket{DeviceIDs: devices, Data: d.TicketReceived}, nil
}

// blame turns a fault of the contract into an error about the input: about the
// place in from that the value was read at, if there is one.
func blame(err error, from map[string]reading) error {
	var f *event.Fault
	if !errors.As(err, &f) {
		return err
	}
	member := strings.TrimPrefix(f.Field, "data.")
	e := &Error{Field: member, Kind: badValue, Want: strings.TrimSpace(f.Want), Got: f.Got}
	if f.Got == "" {
		e.Kind = missingField
	}
	if v, ok := from[member]; ok && v.at != nil {
		e.Line, e.Field = v.at.line, v.at.path(v.name)
		e.Want += " for " + member
	}
	return e
}
