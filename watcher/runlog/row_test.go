package runlog

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// split takes a text apart into records, as a file of it would be.
func split(text string) [][]string {
	var all [][]string
	f := &Format{}
	s := scriptOf(nil, "utf-8")
	for data := []byte(text); len(data) > 0; {
		n := s.record(data, ',')
		if n == 0 {
			n = len(data)
		}
		if cells, err := f.cells(string(data[:n])); err != nil {
			all = append(all, []string{"error"})
		} else if cells != nil {
			all = append(all, cells)
		}
		data = data[n:]
	}
	return all
}

// TestRFC4180 reads the examples of RFC 4180, section 2, rule by rule, and what
// that section calls wrong.
func TestRFC4180(t *testing.T) {
	for _, c := range []struct {
		rule, text string
		want       [][]string
	}{
		{"1: lines end with CRLF", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2: the last may have no end", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"4: spaces are part of a field", "aaa, bbb ,ccc\r\n", [][]string{{"aaa", " bbb ", "ccc"}}},
		{"5: fields may be in quotes", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"5: else there are no quotes in them", "aaa,b\"bb,ccc\r\nzzz,yyy,xxx", [][]string{{"error"}, {"zzz", "yyy", "xxx"}}},
		{"6: commas and line breaks in quotes", "\"aaa\",\"b\r\nb,b\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b\nb,b", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"7: a quote in quotes is doubled", "\"aaa\",\"b\"\"bb\",\"ccc\"\r\n", [][]string{{"aaa", `b"bb`, "ccc"}}},
		{"empty fields", ",,\r\n\"\",,\"\"\r\n", [][]string{{"", "", ""}, {"", "", ""}}},
	} {
		if diff := cmp.Diff(c.want, split(c.text)); diff != "" {
			t.Errorf("rule %s (-want +got):\n%s", c.rule, diff)
		}
	}
}

// TestSplitAgreesWithTheLibrary holds the split of a file into records, which the
// library cannot do on a file that still grows, against the library's own reading
// of the whole.
func TestSplitAgreesWithTheLibrary(t *testing.T) {
	cell := rapid.StringMatching(`[ab ,"\n]{0,5}`)
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, 2, 4), 1, 5).Draw(t, "rows")
		var out bytes.Buffer
		w := csv.NewWriter(&out)
		w.UseCRLF = rapid.Bool().Draw(t, "crlf")
		if err := w.WriteAll(rows); err != nil {
			t.Fatal(err)
		}
		r := csv.NewReader(bytes.NewReader(out.Bytes()))
		r.FieldsPerRecord = -1
		want, err := r.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, split(out.String())); diff != "" {
			t.Fatalf("%q (-library +split):\n%s", out.String(), diff)
		}
	})
}

// FuzzFile reads whatever a log may hold: every byte is part of one record, and
// every record is told or refused.
func FuzzFile(f *testing.F) {
	for _, seed := range []string{titles + "KL-1,done,2026-03-02 08:00:00,1.5\n", "\xff\xfeJ\x00\n\x00", "\"", "a,\"b\nc\n", "\r\n\r\n"} {
		for charset := range Charsets {
			f.Add([]byte(seed), byte(charset))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, charset byte) {
		l := Log{Site: "north", Machine: "heron", Format: plain()}
		l.Format.Charset = Charsets[int(charset)%len(Charsets)]
		r := &reader{visit: &visit{follower: &follower{Options: Options{Now: func() time.Time { return noon }}}, log: &l}, name: "runs.csv"}
		s, names, first, err := l.Format.begin(data)
		if err != nil {
			return
		}
		r.script = s
		if r.header, err = l.Format.locate(names); err != nil {
			r.header, _ = l.Format.locate(strings.Split("Job,State,Time,Fed", ","))
		}
		for rest := data[first:]; len(rest) >= s.width; {
			n, broken := r.next(rest, true)
			if n <= 0 || n > len(rest) {
				t.Fatalf("%d bytes of %d", n, len(rest))
			}
			for _, e := range r.tell(rest[:n], 1, broken) {
				if err := e.Data.Check(); err != nil {
					t.Fatalf("%s: %v", e.Type, err)
				}
			}
			rest = rest[n:]
		}
	})
}

// TestARowInWords reads rows as machines write them. What each must tell was read
// off the row by hand; time zones are those of the IANA database, in which
// Europe/Lisbon is at UTC in winter and an hour ahead from 29 March 2026.
func TestARowInWords(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	check(t, err)
	berlin, err := time.LoadLocation("Europe/Berlin")
	check(t, err)
	whole := Format{
		Separator: ";", Decimal: ",", Header: true, Time: "DD.MM.YYYY hh:mm:ss", Zone: berlin,
		Columns: map[string]string{"job": "Auftrag", "state": "Ergebnis", "started": "Beginn", "finished": "Ende", "metres": "Meter", "passes": "Pässe", "cure": "Grad"},
		States:  map[string]string{"OK": "finished", "Abbruch": "stopped"},
	}
	summer := Format{
		Columns: map[string]string{"job": "2", "started": "1"}, Time: "M/D/YYYY h:mm PM", Zone: lisbon,
	}
	feet := Format{
		Separator: "\t", Header: true, Columns: map[string]string{"job": "job", "part": "part", "state": "what", "time": "day + clock", "metres": "fed", "cure": "heat", "reason": "why"},
		Units: map[string]string{"metres": "ft", "cure": "F"}, States: map[string]string{"stop": "stopped", "go": "started"},
	}
	for _, c := range []struct {
		name   string
		format Format
		titles string
		row    string
		want   []string // type, time and data
	}{
		{"a whole run in one row", whole, "Auftrag;Beginn;Ende;Meter;Pässe;Grad;Ergebnis", "KL-1042;02.03.2026 08:00:10;02.03.2026 08:31:00;12,75;8;93,5;ok",
			[]string{
				`started 2026-03-02T07:00:10Z {"job":"KL-1042","recipe":"8 passes, 93.5 °C"}`,
				`finished 2026-03-02T07:31:00Z {"job":"KL-1042","recipe":"8 passes, 93.5 °C","metres":12.75}`,
			}},
		{"one that was broken off", whole, "Auftrag;Beginn;Ende;Meter;Pässe;Grad;Ergebnis", "KL-1042;02.03.2026 08:00:10;02.03.2026 08:31:00;0,4;;;Abbruch",
			[]string{`started 2026-03-02T07:00:10Z {"job":"KL-1042"}`, `stopped 2026-03-02T07:31:00Z {"job":"KL-1042","metres":0.4}`}},
		{"no header, an afternoon in summer", summer, "", "8/3/2025 1:05 PM,KL-7", []string{`started 2025-08-03T12:05:00Z {"job":"KL-7"}`}},
		{"feet and degrees Fahrenheit", feet, "day\tclock\tjob\tpart\twhat\tfed\theat\twhy", "2026-03-02\t08:00:00\tKL-1\tP2\tstop\t10\t200\tfilm broke",
			[]string{`stopped 2026-03-02T08:00:00Z {"job":"KL-1","part":"P2","recipe":"93.3333333333 °C","metres":3.048,"reason":"film broke"}`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			check(t, c.format.Check())
			got, err := parse(c.format, c.titles, c.row)
			check(t, err)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func parse(f Format, titles, text string) ([]string, error) {
	names, err := f.cells(titles)
	if err != nil {
		return nil, err
	}
	h, err := f.locate(names)
	if err != nil {
		return nil, err
	}
	cells, err := f.cells(text)
	if err != nil {
		return nil, err
	}
	all, err := (&row{&f, h, cells, noon}).tell()
	var said []string
	for _, t := range all {
		data, err := json.Marshal(t.data)
		if err != nil {
			return nil, err
		}
		said = append(said, fmt.Sprintf("%s %s %s", t.meaning, t.at.Format(time.RFC3339), data))
	}
	return said, err
}

// TestARowThatDoesNotFit names the column and what was expected in it.
func TestARowThatDoesNotFit(t *testing.T) {
	for text, want := range map[string]string{
		",printing,2026-03-02 08:00:00,1":        `column 1 (Job) is missing: want a job id`,
		"KL-1,flying,2026-03-02 08:00:00,1":      `column 2 (State): want one of the words of states: aborted, done, feeding, idle, printing, got "flying"`,
		"KL-1,done,,1":                           `column 3 (Time) is missing: want a time such as 2026-03-02 08:00:00`,
		"KL-1,done,02.03.2026,1":                 `column 3 (Time): want a time such as 2026-03-02 08:00:00, got "02.03.2026"`,
		"KL-1,done,2026-03-02 12:02:00,1":        `column 3 (Time): want a time that is not ahead: set the machine's clock, or the zone of its log, got "2026-03-02 12:02:00"`,
		"KL-1,done,2026-03-02 08:00:00,1e3":      `column 4 (Fed): want a number with a decimal point and nothing between thousands, got "1e3"`,
		"KL-1,done,2026-03-02 08:00:00,-2":       `data.metres: want a number from 0 to 100000 m, got -2`,
		"KL-1,done,2026-03-02 08:00:00":          `column 4 (Fed): want at least 4 columns, got 3`,
		`KL-1,done,"2026-03-02 08:00:00,1`:       `character 33: want fields in which quotes stand in pairs (RFC 4180), got extraneous or missing " in quoted-field`,
		"KL-1,done,2026-03-02 08:00:00,1,234":    `the row: want as many columns as the header has, which is 4, got 5`,
		"KL-1,done,2026-03-02 08:00:00,1,,":      ``,
		"KL-1,idle,,":                            ``,
		"KL-1, done ,2026-03-02T08:00:00+01:00,": ``,
	} {
		_, err := parse(plain(), strings.TrimSpace(titles), text)
		if got := fmt.Sprint(errors.Join(err)); got != want && (err != nil || want != "") {
			t.Errorf("%s:\nwant %s\ngot  %s", text, want, got)
		}
	}
	both := plain()
	both.Columns["started"], both.Decimal, both.Separator = "From", ",", ";"
	if _, err := parse(both, "Job;State;Time;Fed;From", "KL-1;done;2026-03-02 08:00:00;1.234,5;"); err == nil || !strings.Contains(err.Error(), "decimal comma") {
		t.Error(err)
	}
	if _, err := parse(both, "Job;State;Time;Fed;From", "KL-1;done;2026-03-02 08:00:00;1;2026-03-02 09:00:00"); err == nil || !strings.Contains(err.Error(), "a start before the end") {
		t.Error(err)
	}
}

// TestTheClockIsSetBack: in the hour that comes twice a time is the first of the two,
// and a run that seems to end before it began has ended in the second. Source: IANA time
// zone database, Europe/Lisbon 2026-10-25 01:00 UTC, America/New_York 2026-11-01 06:00
// UTC.
func TestTheClockIsSetBack(t *testing.T) {
	for zone, c := range map[string]struct{ day, began, ended string }{
		"Europe/Lisbon":    {"2026-10-25", "2026-10-25T00:50:00Z", "2026-10-25T01:10:00Z"},
		"America/New_York": {"2026-11-01", "2026-11-01T05:50:00Z", "2026-11-01T06:10:00Z"},
	} {
		f := plain()
		f.Columns["started"] = "From"
		var err error
		if f.Zone, err = time.LoadLocation(zone); err != nil {
			t.Fatal(err)
		}
		columns, err := f.locate([]string{"Job", "State", "Time", "Fed", "From"})
		if err != nil {
			t.Fatal(err)
		}
		cells := []string{"KL-1", "done", c.day + " 01:10:00", "1", c.day + " 01:50:00"}
		all, err := (&row{&f, columns, cells, time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)}).tell()
		if err != nil || len(all) != 2 {
			t.Fatalf("%s: %v, %v", zone, all, err)
		}
		for i, want := range []string{c.began, c.ended} {
			if got := all[i].at.Format(time.RFC3339); got != want {
				t.Errorf("%s: want %s at %s, got %s", zone, all[i].meaning, want, got)
			}
		}
	}
}

// TestOneFaultHasOneComplaint: each new complaint is told to somebody.
func TestOneFaultHasOneComplaint(t *testing.T) {
	f := plain()
	want := "columns.job"
	for range 100 {
		if _, err := f.locate([]string{"Name", "Size"}); err == nil || !strings.Contains(err.Error(), want) {
			t.Fatalf("want a complaint about %s, got %v", want, err)
		}
	}
}

func TestFormatsThatCannotWork(t *testing.T) {
	for want, change := range map[string]func(*Format){
		`separator: want one character such as ";" or a tab, got ";;"`:                        func(f *Format) { f.Separator = ";;" },
		`decimal: want another mark than the separator`:                                       func(f *Format) { f.Decimal = "," },
		`charset: want one of utf-8, utf-16, windows-1252, got "utf8": did you mean "utf-8"?`: func(f *Format) { f.Charset = "utf8" },
		`columns.metre: want one of`:                                                          func(f *Format) { f.Columns["metre"] = "Fed" },
		`got "metre": did you mean "metres"?`:                                                 func(f *Format) { f.Columns["metre"] = "Fed" },
		`columns.job: want the number of a column, from 1, because there is no header`:        func(f *Format) { f.Header = false },
		`columns.metres: want the name of a column, or its number from 1, got "0"`:            func(f *Format) { f.Columns["metres"] = "0" },
		`columns.job is missing: want the column with the job id`:                             func(f *Format) { delete(f.Columns, "job") },
		`columns.time is missing`:                                                             func(f *Format) { delete(f.Columns, "time") },
		`columns.state is missing`:                                                            func(f *Format) { delete(f.Columns, "state") },
		`states is missing`:                                                                   func(f *Format) { f.States = nil },
		`states.done: want one of`:                                                            func(f *Format) { f.States["done"] = "finish" },
		`did you mean "finished"?`:                                                            func(f *Format) { f.States["done"] = "finish" },
		`units.metres: want one of mm, m`:                                                     func(f *Format) { f.Units = map[string]string{"metres": "km"} },
		`units.cure: want one of °C, °F, K`:                                                   func(f *Format) { f.Units = map[string]string{"cure": "m"} },
		`time: want a form with YYYY, MM, DD, hh and mm`:                                      func(f *Format) { f.Time = "DD.MM. hh:mm" },
	} {
		f := plain()
		change(&f)
		if err := f.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %s, got %v", want, err)
		}
	}
}

// TestCharsets reads what iconv of the GNU C library wrote, with and without the
// byte order marks of Unicode (version 17, section 23.8).
func TestCharsets(t *testing.T) {
	text := "Job;State;Time\r\nKL-Größe-µ-€;done;2026-03-02 08:00:00\r\n"
	for _, c := range []struct{ iconv, mark, charset string }{
		{"UTF-8", "", ""}, {"UTF-8", "\xef\xbb\xbf", ""}, {"UTF-8", "\xef\xbb\xbf", "windows-1252"},
		{"UTF-16LE", "\xff\xfe", ""}, {"UTF-16BE", "\xfe\xff", "utf-16"}, {"UTF-16LE", "", "utf-16"},
		{"WINDOWS-1252", "", "windows-1252"},
	} {
		t.Run(fmt.Sprintf("%s %x %s", c.iconv, c.mark, c.charset), func(t *testing.T) {
			cmd := exec.Command("iconv", "-f", "UTF-8", "-t", c.iconv)
			cmd.Stdin = strings.NewReader(text)
			data, err := cmd.Output()
			check(t, err)
			f := plain()
			f.Separator, f.Charset, f.Columns = ";", c.charset, map[string]string{"job": "Job", "state": "State", "time": "Time"}
			r := newRig(t, f, "runs.csv")
			r.look()
			// It comes byte by byte: no half of a character is taken for one.
			whole := c.mark + string(data)
			for i := range len(whole) {
				r.add("runs.csv", whole[i:i+1])
				if i%7 == 0 || i > len(whole)-4 {
					r.look()
				}
			}
			r.want("finished KL-Größe-µ-€")
		})
	}
	r := newRig(t, plain(), "runs.csv")
	r.look()
	r.write("runs.csv", titles+"KL-Gr\xf6\xdfe,done,2026-03-02 08:00:00,1\n"+at("KL-2", "done", 3))
	r.look()
	if said := r.said(); !strings.Contains(said, "! runs.csv, line 2: the row: want UTF-8 text; set the log's charset") || !strings.HasSuffix(said, "finished KL-2") {
		t.Error(said)
	}
}

// A quote that nobody closes costs its own line, not the file.
func TestAQuoteThatIsNeverClosed(t *testing.T) {
	r := newRig(t, plain(), "runs.csv")
	r.look()
	text := titles + "KL-0,\"done,2026-03-02 08:00:00,1\n"
	n := 0
	for ; len(text) < 2*maxRecord; n++ {
		text += at(fmt.Sprint("KL-", n+1), "printing", n%60)
	}
	r.write("runs.csv", text)
	r.look()
	if !strings.HasPrefix(r.said(), "! runs.csv, line 2: the row: want quotes in pairs") || len(r.order) != n+1 {
		t.Errorf("%d of %d rows: %.200s", len(r.order)-1, n, r.said())
	}
}

// TestPreview shows the first rows of the newest file.
func TestPreview(t *testing.T) {
	r := newRig(t, plain(), "*.csv")
	if _, _, err := Preview(r.o.Logs[0], noon, 3); err == nil || !strings.Contains(err.Error(), "it is taken up when it is there") {
		t.Error(err)
	}
	r.write("a.csv", titles+at("KL-1", "printing", 1)+at("KL-1", "idle", 2)+"KL-1,off,2026-03-02 08:00:00,\n"+at("KL-1", "done", 4)+at("KL-2", "done", 5))
	path, lines, err := Preview(r.o.Logs[0], noon, 3)
	check(t, err)
	var got []string
	for _, l := range lines {
		text := fmt.Sprint(l.Number, " ", l.Err)
		for _, e := range l.Events {
			text += " " + string(e.Type)
		}
		got = append(got, text)
	}
	want := []string{"2 <nil> run.started", `4 column 2 (State): want one of the words of states: aborted, done, feeding, idle, printing, got "off"`, "5 <nil> run.finished"}
	if diff := cmp.Diff(want, got); diff != "" || filepath.Base(path) != "a.csv" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
	if entries, err := os.ReadDir(r.dir); err != nil || len(entries) != 1 {
		t.Errorf("a preview wrote something: %v, %v", entries, err)
	}
}

// TestKinds wants every kind of rejection to be one of the contract.
func TestKinds(t *testing.T) {
	for _, err := range []error{errors.New("x"), &event.Fault{Field: "column 1"}, &event.Fault{Field: "column 1", Got: "x"}, &event.Fault{Field: "the row", Got: "x"}} {
		if kind := kindOf(err); !slices.Contains(event.RejectKinds, kind) {
			t.Errorf("%v: %q", err, kind)
		}
	}
}
