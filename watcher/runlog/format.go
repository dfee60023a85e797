package runlog

import (
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
	"rollwarden/rules/units"
)

// Format says how the rows of a log are written and what their columns mean.
type Format struct {
	Separator string // one ASCII character; a comma when empty
	Decimal   string // the decimal mark, "." or ","; a point when empty
	Charset   string // one of Charsets; UTF-8 when empty. A byte order mark wins
	Header    bool   // whether the first row names the columns

	// Columns leads from a name of Names to a column: its name in the header or,
	// from 1, its number. Several with " + " between them are read as one, with a
	// space between: a date and a time of day.
	Columns map[string]string
	Units   map[string]string // from "metres" or "cure" to the unit that the log has it in

	Time string         // such as "DD.MM.YYYY hh:mm:ss"; RFC 3339 and its like when empty
	Zone *time.Location // of times that name none; UTC when nil

	// States leads from a word in the state column to what it means, one of
	// Meanings.
	States map[string]string
}

// Name is something that a column can hold.
type Name struct {
	Name, Doc string
}

// Names are what a column can hold.
var Names = []Name{
	{"job", "job id"},
	{"part", "job part id"},
	{"state", "what happened, in the words of states"},
	{"time", "when it happened"},
	{"started", "when the run started"},
	{"finished", "when it ended"},
	{"metres", "metres fed since the start"},
	{"passes", "print passes"},
	{"cure", "cure temperature"},
	{"recipe", "name of the print recipe"},
	{"reason", "why it stopped"},
}

// The meanings of a state.
const (
	started  = "started"
	progress = "progress"
	finished = "finished"
	stopped  = "stopped"
	ignored  = "ignored"
)

// Meanings are what a word in the state column can stand for.
var Meanings = []string{started, progress, finished, stopped, ignored}

// Charsets are the encodings that a log can have.
var Charsets = []string{"utf-8", "utf-16", "windows-1252"}

// Check refuses a format that could not be read. The error is an *event.Fault
// whose Field is the key to mend, as in columns.job.
func (f *Format) Check() error {
	if len(f.Separator) > 1 || strings.ContainsAny(f.Separator, "\"\r\n") || f.Separator > "~" {
		return &event.Fault{Field: "separator", Want: `one character such as ";" or a tab`, Got: strconv.Quote(f.Separator)}
	}
	if f.Decimal == "," && f.separator() == ',' {
		return &event.Fault{Field: "decimal", Want: "another mark than the separator", Got: `","`}
	}
	if f.Charset != "" && !slices.Contains(Charsets, f.Charset) {
		return fault("charset", f.Charset, Charsets)
	}
	if err := f.checkColumns(); err != nil {
		return err
	}
	for _, word := range slices.Sorted(maps.Keys(f.States)) {
		if meaning := f.States[word]; !slices.Contains(Meanings, meaning) {
			return fault("states."+word, meaning, Meanings)
		}
	}
	for _, what := range slices.Sorted(maps.Keys(f.Units)) {
		unit, ok := unitOf[what]
		if !ok {
			return fault("units."+what, what, slices.Sorted(maps.Keys(unitOf)))
		}
		if _, ok := units.Parse("1 "+f.Units[what], unit); !ok {
			return fault("units."+what, f.Units[what], units.Symbols(unit))
		}
	}
	return f.checkTime()
}

// unitOf is what the journal has a column in.
var unitOf = map[string]string{"metres": "m", "cure": "°C"}

func fault(field, got string, want []string) error {
	return &event.Fault{Field: field, Want: "one of " + strings.Join(want, ", "), Got: strconv.Quote(got) + hint.DidYouMean(got, want)}
}

// checkColumns wants to learn which job it is, and when it did what.
func (f *Format) checkColumns() error {
	names := make([]string, len(Names))
	for i, n := range Names {
		names[i] = n.Name
	}
	for _, name := range slices.Sorted(maps.Keys(f.Columns)) {
		if !slices.Contains(names, name) {
			return fault("columns."+name, name, names)
		}
		for _, column := range parts(f.Columns[name]) {
			n, err := strconv.Atoi(column)
			switch {
			case column == "" || err == nil && n < 1:
				return &event.Fault{Field: "columns." + name, Want: "the name of a column, or its number from 1", Got: strconv.Quote(f.Columns[name])}
			case err != nil && !f.Header:
				return &event.Fault{Field: "columns." + name, Want: "the number of a column, from 1, because there is no header", Got: strconv.Quote(f.Columns[name])}
			}
		}
	}
	has := func(name string) bool { return f.Columns[name] != "" }
	switch {
	case !has("job"):
		return &event.Fault{Field: "columns.job", Want: "the column with the job id"}
	case has("state") && !has("time") && (!has("started") || !has("finished")):
		return &event.Fault{Field: "columns.time", Want: "the column that says when it happened, or both started and finished"}
	case !has("state") && !has("started"):
		return &event.Fault{Field: "columns.state", Want: "the column that says what happened, or one that says when the run started"}
	case has("state") && len(f.States) == 0:
		return &event.Fault{Field: "states", Want: "the words of the state column and what they mean: " + strings.Join(Meanings, ", ")}
	}
	return nil
}

// checkTime wants a layout to keep a moment to the minute.
func (f *Format) checkTime() error {
	at := time.Date(2026, 11, 25, 16, 7, 0, 0, time.UTC)
	for _, layout := range f.layouts() {
		back, err := time.Parse(layout, at.Format(layout))
		if err != nil || !back.Equal(at) {
			return &event.Fault{Field: "time", Want: "a form with YYYY, MM, DD, hh and mm, such as DD.MM.YYYY hh:mm:ss", Got: strconv.Quote(f.Time)}
		}
	}
	return nil
}

func parts(columns string) []string { return strings.Split(columns, " + ") }

func (f *Format) separator() rune {
	if f.Separator == "" {
		return ','
	}
	return rune(f.Separator[0])
}

func (f *Format) zone() *time.Location {
	if f.Zone == nil {
		return time.UTC
	}
	return f.Zone
}

// usualLayouts are RFC 3339 and what ISO 8601 looks like without a zone.
var usualLayouts = []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04"}

// timeLetters are the letters of a time's form, and how the time package writes
// them. Seconds may have a fraction without being asked.
var timeLetters = regexp.MustCompile(`YYYY|YY|MM|M|DD|D|hh|h|mm|ss|AM|PM`)

func (f *Format) layouts() []string {
	if f.Time == "" {
		return usualLayouts
	}
	words := map[string]string{
		"YYYY": "2006", "YY": "06", "MM": "01", "M": "1", "DD": "02", "D": "2",
		"hh": "15", "h": "15", "mm": "04", "ss": "05", "AM": "PM", "PM": "PM",
	}
	if strings.Contains(f.Time, "AM") || strings.Contains(f.Time, "PM") {
		words["hh"], words["h"] = "03", "3"
	}
	return []string{timeLetters.ReplaceAllStringFunc(f.Time, func(s string) string { return words[s] })}
}

// timeForm is what a time looks like, for messages.
func (f *Format) timeForm() string {
	if f.Time == "" {
		return "a time such as 2026-03-02 08:00:00"
	}
	return "a time of the form " + f.Time
}
