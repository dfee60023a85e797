package ticket

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/sosodev/duration"

	"rollwarden/rules/units"
)

// parseNumber reads a decimal number as XML Schema writes it. "INF", "NaN" and
// hexadecimal forms are refused: none of them is an amount of anything.
func parseNumber(s string) (float64, bool) {
	if s == "" || strings.Trim(s, "0123456789+-.eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// roundedMM converts desktop-publishing points to mm and rounds to the
// nearest µm. Tickets write points with three decimals, so that 1370 mm comes
// as 3883.465 pt; the rest of the digits is noise of that rounding.
func roundedMM(points float64) float64 {
	return math.Round(units.PointsToMM(points)*1000) / 1000
}

// wantTime is what the messages about times ask for.
const wantTime = "an ISO 8601 time such as 2026-03-04T16:00:00+01:00"

// parseTime reads the dateTime of XML Schema, and the offset without a colon
// that some writers produce. A time without zone is taken in loc, and zoned
// is false.
func parseTime(s string, loc *time.Location) (t time.Time, zoned bool, err error) {
	s, midnight := cutMidnight24(s)
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999Z0700"} {
		if t, err = time.Parse(layout, s); err == nil {
			return midnight(t.UTC()), true, nil
		}
	}
	if t, err = time.ParseInLocation("2006-01-02T15:04:05.999999999", s, loc); err == nil {
		return midnight(t).UTC(), false, nil
	}
	return time.Time{}, false, err
}

// cutMidnight24 turns 24:00:00, the end of a day in ISO 8601, into 00:00:00
// and a function that adds the day.
func cutMidnight24(s string) (string, func(time.Time) time.Time) {
	day, clock, _ := strings.Cut(s, "T")
	rest, ok := strings.CutPrefix(clock, "24:00:00")
	if !ok || !zeroFraction(rest) {
		return s, func(t time.Time) time.Time { return t }
	}
	return day + "T00:00:00" + rest, func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }
}

// zeroFraction reports whether a fraction of a second, if there is one before
// the zone, holds only zeros.
func zeroFraction(rest string) bool {
	fraction, ok := strings.CutPrefix(rest, ".")
	if !ok {
		return true
	}
	if i := strings.IndexAny(fraction, "Z+-"); i >= 0 {
		fraction = fraction[:i]
	}
	return strings.Trim(fraction, "0") == ""
}

// The longest month and year. A duration in calendar units has no fixed
// length; where ink has to rest, the longest reading is the careful one.
const (
	longestMonth = 31 * 24 * time.Hour
	longestYear  = 366 * 24 * time.Hour
)

// parseDuration reads an ISO 8601 duration in seconds. calendar says that it
// held years or months, which were read at their longest.
func parseDuration(s string) (seconds float64, calendar bool, err error) {
	const longest = 64 // bytes; no real duration comes near
	if len(s) > longest || strings.Trim(s, "PYMWDTHS0123456789.") != "" || strings.TrimLeft(s, "PT") == "" || strings.HasSuffix(s, "T") {
		return 0, false, errors.New("not an ISO 8601 duration")
	}
	d, err := duration.Parse(s)
	if err != nil {
		return 0, false, err
	}
	seconds = d.Seconds + 60*d.Minutes + 3600*d.Hours + 86400*d.Days + 7*86400*d.Weeks +
		longestMonth.Seconds()*d.Months + longestYear.Seconds()*d.Years
	return seconds, d.Months != 0 || d.Years != 0, nil
}
