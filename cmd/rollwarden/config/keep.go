package config

import (
	"fmt"
	"time"
)

// What the reports need of the journal: near the end of a month, that of the
// last one needs two months and a day, for what comes late. The month before
// that, which it compares with, is taken from the states in data/months, or from
// a third month of the journal where these were lost.
const (
	keepForReport = (2*31 + 1) * 24 * time.Hour
	keepForMonths = (3*31 + 1) * 24 * time.Hour
)

// shortKeep says what the reports lose by nats.keep; empty for nothing.
func (n NATS) shortKeep() string {
	lost := "near the end of a month the report of the last one misses its beginning"
	switch {
	case n.Keep == 0 || n.Keep >= keepForMonths:
		return ""
	case n.Keep >= keepForReport:
		lost = "reports compare with the month before only as long as data/months is kept"
	}
	return fmt.Sprintf("nats.keep is %s: %s; set it to %.0fh or more, or to 0s, which keeps all", n.Keep, lost, keepForMonths.Hours())
}
