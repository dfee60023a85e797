package runlog

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
	"rollwarden/rules/units"
)

// header is where the columns of a format stand.
type header struct {
	columns map[string][]int // from a name of Names, counted from 0
	titles  []string         // of the columns; nil without a header
}

// locate finds the columns in the first row; titles is nil without a header.
func (f *Format) locate(titles []string) (header, error) {
	h := header{map[string][]int{}, titles}
	for _, name := range slices.Sorted(maps.Keys(f.Columns)) { // so that one fault has one complaint
		for _, column := range parts(f.Columns[name]) {
			i, err := strconv.Atoi(column)
			if err != nil {
				i = 1 + slices.IndexFunc(titles, func(t string) bool { return strings.EqualFold(strings.TrimSpace(t), column) })
			}
			if i == 0 {
				return h, &event.Fault{Field: "header", Want: fmt.Sprintf("a column %q, as columns.%s says", column, name),
					Got: strconv.Quote(strings.Join(titles, string(f.separator()))) + hint.DidYouMean(column, titles)}
			}
			h.columns[name] = append(h.columns[name], i-1)
		}
	}
	return h, nil
}

// cells splits a record; it returns none for a line without anything in it.
func (f *Format) cells(record string) ([]string, error) {
	r := csv.NewReader(strings.NewReader(record))
	r.Comma, r.FieldsPerRecord = f.separator(), -1
	cells, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, nil
	}
	var parse *csv.ParseError
	if errors.As(err, &parse) {
		return nil, &event.Fault{Field: fmt.Sprintf("character %d", parse.Column), Want: "fields in which quotes stand in pairs (RFC 4180)", Got: parse.Err.Error()}
	}
	return cells, err
}

// row is one record with its columns.
type row struct {
	*Format
	header
	cells []string
	now   time.Time
}

// cell returns what stands in the columns of a name; it is empty when the log has
// no such column.
func (r *row) cell(name string) (string, error) {
	var texts []string
	for _, i := range r.columns[name] {
		if i >= len(r.cells) {
			return "", &event.Fault{Field: r.where(name), Want: fmt.Sprintf("at least %d columns", i+1), Got: strconv.Itoa(len(r.cells))}
		}
		texts = append(texts, strings.TrimSpace(r.cells[i]))
	}
	return strings.TrimSpace(strings.Join(texts, " ")), nil
}

// where names the column of a name, as people find it in the file.
func (r *row) where(name string) string {
	i := r.columns[name][0]
	if i < len(r.titles) {
		return fmt.Sprintf("column %d (%s)", i+1, strings.TrimSpace(r.titles[i]))
	}
	return fmt.Sprintf("column %d", i+1)
}

func (r *row) bad(name, want, got string) error {
	f := &event.Fault{Field: r.where(name), Want: want}
	if got != "" {
		f.Got = strconv.Quote(got)
	}
	return f
}

// moment reads a time; it is zero when the cell is empty or there is no column.
func (r *row) moment(name string) (time.Time, error) {
	text, err := r.cell(name)
	if err != nil || text == "" {
		return time.Time{}, err
	}
	for _, layout := range r.layouts() {
		at, err := time.ParseInLocation(layout, text, r.zone())
		if err != nil {
			continue
		}
		if layout != time.RFC3339 { // of two that it may be, the library takes either
			at = r.shifted(at, -time.Hour)
		}
		if at.After(r.now.Add(event.MaxSkew)) {
			return at, r.bad(name, "a time that is not ahead: set the machine's clock, or the zone of its log", text)
		}
		return at.UTC(), nil
	}
	return time.Time{}, r.bad(name, r.timeForm(), text)
}

// number reads a number in the journal's unit.
func (r *row) number(name string) (*float64, error) {
	text, err := r.cell(name)
	if err != nil || text == "" {
		return nil, err
	}
	plain := text
	if r.Decimal == "," {
		if strings.Contains(text, ".") {
			return nil, r.bad(name, "a number with a decimal comma and nothing between thousands", text)
		}
		plain = strings.Replace(text, ",", ".", 1)
	}
	if unit := r.Units[name]; unit != "" {
		plain += " " + unit
	}
	v, ok := units.Parse(plain, unitOf[name])
	if !ok {
		want := "a number with a decimal point and nothing between thousands"
		if r.Decimal == "," {
			want = "a number with a decimal comma and nothing between thousands"
		}
		return nil, r.bad(name, want, text)
	}
	return &v, nil
}

// told is one event of a row, before it is known whose it is.
type told struct {
	meaning string
	at      time.Time
	data    event.Payload
}

// tell makes the events of a row, in the order in which they happened.
func (r *row) tell() ([]told, error) {
	if err := r.checkWidth(); err != nil {
		return nil, err
	}
	run, err := r.run()
	if err != nil {
		return nil, err
	}
	meaning, err := r.meaning()
	if err != nil || meaning == ignored {
		return nil, err
	}
	if run.Job == "" {
		return nil, r.bad("job", "a job id", "")
	}
	times := map[string]time.Time{}
	for _, name := range []string{"time", started, finished} {
		if times[name], err = r.moment(name); err != nil {
			return nil, err
		}
	}
	if meaning == "" { // the row is a whole run, or the beginning of one
		if meaning = started; !times[finished].IsZero() {
			meaning = finished
		}
	}
	var all []told
	if at := times[started]; meaning != started && !at.IsZero() {
		all = append(all, told{started, at, &event.RunStarted{Run: event.Run{Job: run.Job, Part: run.Part, Recipe: run.Recipe}}})
	}
	last, err := r.last(meaning, times, run)
	return append(all, last), err
}

// checkWidth refuses a row that is wider than the header (RFC 4180, rule 4): its
// values may have been torn apart, and stand in the wrong columns. Many programs
// end each row with a separator, which tears nothing.
func (r *row) checkWidth() error {
	if r.titles == nil || len(r.cells) <= len(r.titles) || strings.Join(r.cells[len(r.titles):], "") == "" {
		return nil
	}
	return &event.Fault{Field: "the row", Want: fmt.Sprintf("as many columns as the header has, which is %d", len(r.titles)), Got: strconv.Itoa(len(r.cells))}
}

// last makes the event that the row is about.
func (r *row) last(meaning string, times map[string]time.Time, run event.Run) (told, error) {
	column := map[string]string{started: started, stopped: finished, finished: finished}[meaning]
	at := times[column]
	if at.IsZero() {
		column, at = "time", times["time"]
	}
	if at.IsZero() {
		for _, name := range []string{"time", finished, started} {
			if len(r.columns[name]) > 0 {
				column = name
				break
			}
		}
		return told{}, r.bad(column, r.timeForm(), "")
	}
	began := times[started]
	if at.Before(began) {
		at = r.shifted(at, time.Hour) // the clock was set back during the run
	}
	if at.Before(began) {
		return told{}, r.bad(started, "a start before the end", began.Format(time.RFC3339))
	}
	t := told{meaning: meaning, at: at}
	switch meaning {
	case started:
		run.Metres, run.Reason = nil, ""
		t.data = &event.RunStarted{Run: run}
	case progress:
		t.data = &event.RunProgress{Run: run}
	case stopped:
		t.data = &event.RunStopped{Run: run}
	default:
		t.data = &event.RunFinished{Run: run}
	}
	return t, t.data.Check()
}

// shifted is the moment an hour off at which the clock of the log showed the same,
// because it was set back between the two; at itself when there is none.
func (r *row) shifted(at time.Time, by time.Duration) time.Time {
	const clock = "2006-01-02 15:04:05"
	if other := at.Add(by); other.In(r.zone()).Format(clock) == at.In(r.zone()).Format(clock) {
		return other
	}
	return at
}

// meaning is what the row's state stands for; empty when the log has no such
// column.
func (r *row) meaning() (string, error) {
	word, err := r.cell("state")
	if err != nil || len(r.columns["state"]) == 0 {
		return "", err
	}
	for known, meaning := range r.States {
		if strings.EqualFold(known, word) {
			return meaning, nil
		}
	}
	var words []string
	for known := range r.States {
		words = append(words, known)
	}
	slices.Sort(words)
	return "", r.bad("state", "one of the words of states: "+strings.Join(words, ", "), word)
}

// run reads what the row says of the run. Passes and cure temperature are part of
// how it was printed, and so of the recipe.
func (r *row) run() (run event.Run, err error) {
	for _, text := range []struct {
		name string
		to   *string
	}{{"job", &run.Job}, {"part", &run.Part}, {"recipe", &run.Recipe}, {"reason", &run.Reason}} {
		if *text.to, err = r.cell(text.name); err != nil {
			return run, err
		}
	}
	if run.Metres, err = r.number("metres"); err != nil {
		return run, err
	}
	var how []string
	if run.Recipe != "" {
		how = append(how, run.Recipe)
	}
	for _, n := range []struct{ name, form string }{{"passes", "%g passes"}, {"cure", "%g °C"}} {
		v, err := r.number(n.name)
		if err != nil {
			return run, err
		}
		if v != nil {
			how = append(how, fmt.Sprintf(n.form, *v))
		}
	}
	run.Recipe = strings.Join(how, ", ")
	return run, nil
}
