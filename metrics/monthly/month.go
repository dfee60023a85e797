package monthly

import (
	"fmt"
	"time"

	"rollwarden/rules/reliability"
)

// Month is a calendar month of no zone yet.
type Month struct {
	Year  int
	Month time.Month
}

// MonthOf is the month of a moment in a zone.
func MonthOf(t time.Time, zone *time.Location) Month {
	y, m, _ := t.In(zone).Date()
	return Month{y, m}
}

// ParseMonth reads a month as in 2026-03.
func ParseMonth(text string) (Month, error) {
	t, err := time.Parse(layout, text)
	if err != nil || len(text) != len(layout) {
		return Month{}, fmt.Errorf("month: want one such as 2026-03, got %q", text)
	}
	return Month{t.Year(), t.Month()}, nil
}

const layout = "2006-01"

// String is the month as ParseMonth reads it.
func (m Month) String() string { return fmt.Sprintf("%04d-%02d", m.Year, m.Month) }

// Add is the month that lies n months later.
func (m Month) Add(n int) Month {
	t := time.Date(m.Year, m.Month+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	return Month{t.Year(), t.Month()}
}

// Before reports whether m lies before o.
func (m Month) Before(o Month) bool { return m.Year < o.Year || m.Year == o.Year && m.Month < o.Month }

// In is the month between its edges in a zone.
func (m Month) In(zone *time.Location) reliability.Period {
	return reliability.MonthOf(time.Date(m.Year, m.Month, 1, 12, 0, 0, 0, zone), zone)
}
