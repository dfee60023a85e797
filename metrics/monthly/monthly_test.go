package monthly_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/xuri/excelize/v2"
	"go.uber.org/goleak"

	"rollwarden/metrics/monthly"
	"rollwarden/metrics/web"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

var update = flag.Bool("update", false, "write the generated files anew")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var later = at(time.May, 1, 8, 0)

func press(t testing.TB, lang string) *monthly.Press { return monthly.NewPress(kit(t, later), lang) }

func write(t testing.TB, e *monthly.Edition, lang, format string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := press(t, lang).Write(&b, e, format, later); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// program finds a program that reads a format besides ours.
func program(t *testing.T, name, from string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s of %s is not installed: sh deploy/test.sh installs it", name, from)
	}
	return path
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, out)
	}
	return string(out)
}

// TestSameBytes wants the same edition to be the same file every time.
func TestSameBytes(t *testing.T) {
	e := edition(t)
	for _, format := range monthly.Formats {
		if format == "xlsx" {
			continue // a zip whose order is the library's; what is in it is compared below
		}
		if !bytes.Equal(write(t, e, "en", format), write(t, e, "en", format)) {
			t.Errorf("%s: two writings of one edition differ", format)
		}
	}
	if err := press(t, "en").Write(io.Discard, e, "docx", later); err == nil || !strings.Contains(err.Error(), "want one of html, pdf") {
		t.Errorf("an unknown format: got %v", err)
	}
}

// rows reads the CSV back by the reader of Go, which follows RFC 4180.
func rows(t *testing.T, data []byte) [][]string {
	t.Helper()
	list, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// figure finds a figure of the CSV.
func figure(t *testing.T, list [][]string, section, name, of string) []string {
	t.Helper()
	for _, r := range list {
		if r[2] == section && r[3] == name && r[4] == of {
			return r
		}
	}
	t.Fatalf("no figure %s of %q in %s", name, of, section)
	return nil
}

// TestCSV holds the table against RFC 4180: a header, CRLF after every record,
// as many fields in each; and wants no text that a spreadsheet would compute.
func TestCSV(t *testing.T) {
	e := edition(t)
	data := write(t, e, "de", "csv")
	if n := bytes.Count(data, []byte("\n")); n != bytes.Count(data, []byte("\r\n")) || !bytes.HasSuffix(data, []byte("\r\n")) {
		t.Error("a record ends without CRLF")
	}
	list := rows(t, data)
	if got := strings.Join(list[0], ","); got != "month,site,section,figure,of,unit,value,low,high,n,note" {
		t.Errorf("header %s", got)
	}
	for i, r := range list[1:] {
		for k, text := range r {
			_, err := strconv.ParseFloat(text, 64)
			switch numeric := k >= 6 && k <= 9; {
			case numeric && text != "" && err != nil:
				t.Errorf("record %d: %s is %q, want a number", i+2, list[0][k], text)
			case !numeric && text != "" && strings.ContainsAny(text[:1], "=+-@\t\r"):
				t.Errorf("record %d: %s is %q, which a spreadsheet computes", i+2, list[0][k], text)
			}
		}
	}
	change := figure(t, list, "strikes", "strikes_per_start_after_change", `'=HYPERLINK("http://evil.example")`)
	if change[6] == "" || change[7] == "" || change[8] == "" {
		t.Errorf("the change has no ratio with its interval: %v", change)
	}
	strikes := figure(t, list, "front", "strikes", "")
	if strikes[0] != "2026-03" || strikes[5] != "strikes" || strikes[6] != strconv.FormatUint(e.Report.Front.Strikes, 10) {
		t.Errorf("strikes: %v", strikes)
	}
}

// TestRatePerThousand works the rate of a machine out by hand: x strikes in n
// starts are 1000·x/n, with Garwood's limits of x at the same scale. Those of 10
// are 4.7954 and 18.3904 (R's poisson.test(10)).
func TestRatePerThousand(t *testing.T) {
	m := &memory{t: t}
	m.season(at(time.March, 1, 8, 0), at(time.March, 3, 8, 0))
	r, err := books(m, later, "").Report(t.Context(), march, "")
	if err != nil {
		t.Fatal(err)
	}
	r.Machines = []reliability.MachineFigures{{Site: "north", Machine: "heron", Starts: 200, Strikes: 10}}
	list := rows(t, write(t, &monthly.Edition{Report: r, Month: march}, "en", "csv"))
	got := figure(t, list, "machines", "strikes_per_1000_starts", "north/heron")
	for i, want := range map[int]float64{6: 50, 7: 5 * 4.7954, 8: 5 * 18.3904, 9: 200} {
		if v, err := strconv.ParseFloat(got[i], 64); err != nil || v < want-0.001 || v > want+0.001 {
			t.Errorf("%s is %s, want %g", list[0][i], got[i], want)
		}
	}
}

// TestWorkbook opens the workbook in LibreOffice, which knows nothing of the
// library that wrote it, and wants the sheet of all figures to say what the CSV
// says.
func TestWorkbook(t *testing.T) {
	office := program(t, "soffice", "libreoffice-calc-nogui")
	e, dir := edition(t), t.TempDir()
	data := write(t, e, "en", "xlsx")
	if err := os.WriteFile(filepath.Join(dir, "report.xlsx"), data, 0o600); err != nil {
		t.Fatal(err)
	}
	// Commas, quotes, UTF-8, values and not what is shown of them, and every sheet
	// into a file of its own (LibreOffice, "Filter Options for CSV").
	run(t, office, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless",
		"--convert-to", "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1", "--outdir", dir, filepath.Join(dir, "report.xlsx"))
	book, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	sheets := book.GetSheetList()
	if len(sheets) != 14 || sheets[0] != "In short" {
		t.Errorf("sheets: %q", sheets)
	}
	text, err := os.ReadFile(filepath.Join(dir, "report-All figures.csv"))
	if err != nil {
		t.Fatal(err)
	}
	reader := csv.NewReader(bytes.NewReader(text))
	reader.FieldsPerRecord = -1
	got, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := rows(t, write(t, e, "en", "csv"))
	if len(got) != len(want) {
		t.Fatalf("%d rows, want %d", len(got), len(want))
	}
	for i := range want {
		for k := range want[i] {
			if !sameCell(got[i][k], want[i][k]) {
				t.Fatalf("row %d, %s: LibreOffice reads %q, the CSV has %q", i+1, want[0][k], got[i][k], want[i][k])
			}
		}
	}
	noFormulas(t, data)
}

// sameCell compares numbers to the digits that a spreadsheet shows, and texts as
// they are but for the apostrophe that a CSV needs.
func sameCell(got, want string) bool {
	a, errA := strconv.ParseFloat(got, 64)
	b, errB := strconv.ParseFloat(want, 64)
	if errA == nil && errB == nil {
		return a-b <= 1e-6*max(1, b) && b-a <= 1e-6*max(1, b)
	}
	return got == strings.TrimPrefix(want, "'")
}

// noFormulas looks into the file itself (ECMA-376: an element f holds one).
func noFormulas(t *testing.T, data []byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		r.Close()
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(f.Name, "worksheets/") && regexp.MustCompile(`<f[ >/]`).Match(text) {
			t.Errorf("%s has a formula", f.Name)
		}
	}
}

const schemaFile = "../../deploy/report.schema.json"

// TestSchema wants the published schema to be that of the type, and every
// report to be valid by it.
func TestSchema(t *testing.T) {
	want := schema(t)
	if *update {
		if err := os.WriteFile(schemaFile, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is out of date: run go test ./metrics/monthly -update", schemaFile)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(got))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("report.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("report.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	empty, err := books(&memory{t: t}, later, "").Report(t.Context(), march, "")
	if err != nil {
		t.Fatal(err)
	}
	for name, e := range map[string]*monthly.Edition{"busy": edition(t), "empty": {Report: empty, Month: march}} {
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(write(t, e, "en", "json")))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(value); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		delete(value.(map[string]any), "front")
		if s.Validate(value) == nil {
			t.Errorf("%s: a report without its first page is valid", name)
		}
	}
}

// TestJSONComesBack reads a report back without loss.
func TestJSONComesBack(t *testing.T) {
	e := edition(t)
	data := write(t, e, "en", "json")
	var f monthly.File
	if err := json.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	again := write(t, &monthly.Edition{Report: f.Report, Month: march, Shop: f.Shop}, "en", "json")
	if !bytes.Equal(again, data) {
		t.Error("a report that was read back is written differently")
	}
}

// TestPDF reads the file with Poppler: pages, contents and what stands on them.
func TestPDF(t *testing.T) {
	totext, info := program(t, "pdftotext", "poppler-utils"), program(t, "pdfinfo", "poppler-utils")
	e, file := edition(t), filepath.Join(t.TempDir(), "report.pdf")
	for lang, title := range map[string]string{"en": "Reliability in March 2026", "de": "Zuverlässigkeit im März 2026"} {
		if err := os.WriteFile(file, write(t, e, lang, "pdf"), 0o600); err != nil {
			t.Fatal(err)
		}
		facts := run(t, info, file)
		if !strings.Contains(facts, title) || !strings.Contains(facts, "A4") || strings.Contains(facts, "Error") {
			t.Errorf("%s: %s", lang, facts)
		}
		pages := strings.Split(strings.TrimSuffix(run(t, totext, "-layout", file, "-"), "\f"), "\f")
		if n := regexp.MustCompile(`Pages: +(\d+)`).FindStringSubmatch(facts); n == nil || n[1] != strconv.Itoa(len(pages)) {
			t.Fatalf("%s: %v pages, and %d of text", lang, n, len(pages))
		}
		words := kit(t, later).PenIn(lang)
		for i, page := range pages {
			if foot := words.Say("report.page", i+1, len(pages)); !strings.Contains(page, foot) {
				t.Errorf("%s: page %d has no %q", lang, i+1, foot)
			}
		}
		for _, want := range []string{title, strconv.FormatUint(e.Report.Front.Strikes, 10), words.Say("report.next")} {
			if !strings.Contains(pages[0], want) {
				t.Errorf("%s: the first page has no %q:\n%s", lang, want, pages[0])
			}
		}
		contentsAreTrue(t, words, pages)
	}
}

// contentsAreTrue finds each title on the page that the contents name.
func contentsAreTrue(t *testing.T, words web.Pen, pages []string) {
	t.Helper()
	found := 0
	contents, _, ended := strings.Cut(pages[1], strings.Join(strings.Fields(words.Say("adviser"))[:2], " "))
	if !ended {
		t.Fatalf("no adviser's note under the contents:\n%s", pages[1])
	}
	for _, m := range regexp.MustCompile(`(?m)^ *(\S.*?) {2,}(\d+)$`).FindAllStringSubmatch(contents, -1) {
		n, err := strconv.Atoi(m[2])
		if err != nil || n < 1 || n > len(pages) {
			t.Fatalf("the contents name page %s", m[2])
		}
		if found++; !strings.Contains(pages[n-1], m[1]) {
			t.Errorf("%q is not on page %d", m[1], n)
		}
	}
	if found != 12 || !strings.Contains(pages[1], words.Say("report.contents")) {
		t.Errorf("the contents have %d sections:\n%s", found, pages[1])
	}
}

// element is one of a page.
type element struct {
	name string
	attr map[string]string
}

// elements takes a page apart; one whose elements do not close in order fails.
func elements(t *testing.T, page []byte) (list []element) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	d.Entity = xml.HTMLEntity
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		}
		if err != nil {
			t.Fatalf("the page is not well-formed: %v", err)
		}
		if s, ok := token.(xml.StartElement); ok {
			e := element{s.Name.Local, map[string]string{}}
			for _, a := range s.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			list = append(list, e)
		}
	}
}

// wellMade wants what holds for every page of a report.
func wellMade(t *testing.T, page []byte) {
	t.Helper()
	list, ids, count := elements(t, page), map[string]bool{}, map[string]int{}
	for _, e := range list {
		count[e.name]++
		if id := e.attr["id"]; id != "" {
			if ids[id] {
				t.Errorf("two elements have the id %s", id)
			}
			ids[id] = true
		}
		if e.attr["style"] != "" {
			t.Errorf("%s has an inline style", e.name)
		}
		if e.name == "svg" && (e.attr["role"] != "img" || e.attr["aria-label"] == "") {
			t.Error("a chart has no name for those who do not see it")
		}
		if e.name == "th" && e.attr["scope"] == "" {
			t.Error("a heading of a table has no scope")
		}
	}
	for _, e := range list {
		for _, name := range []string{"aria-labelledby", "href"} {
			if to, here := strings.CutPrefix(e.attr[name], "#"); (here || name != "href") && e.attr[name] != "" && !ids[to] {
				t.Errorf("%s of %s leads nowhere: %q", name, e.name, e.attr[name])
			}
		}
	}
	if count["h1"] != 1 || count["main"] != 1 || count["title"] != 1 || list[0].attr["lang"] == "" {
		t.Errorf("h1, main, title: %v, lang %q", count, list[0].attr["lang"])
	}
	if count["svg"] == 0 || count["svg"] != count["details"] {
		t.Errorf("%d charts have %d tables behind them", count["svg"], count["details"])
	}
}

// TestFileStandsAlone wants a file that asks for nothing from anywhere.
func TestFileStandsAlone(t *testing.T) {
	e := edition(t)
	for _, lang := range []string{"en", "de"} {
		page := write(t, e, lang, "html")
		wellMade(t, page)
		for _, e := range elements(t, page) {
			if e.name == "link" || e.name == "script" || e.attr["src"] != "" || strings.Contains(e.attr["href"], ":") {
				t.Errorf("%s leads out of the file: %v", e.name, e.attr)
			}
		}
		for _, word := range []string{"url(", "@import", "ZgotmplZ", "%!", "report.col.", "report.chart."} {
			if bytes.Contains(page, []byte(word)) {
				t.Errorf("%s: the file has %q", lang, word)
			}
		}
		if !bytes.Contains(page, []byte("=HYPERLINK(&#34;http://evil.example&#34;)")) {
			t.Errorf("%s: the change's label is not there, or not escaped", lang)
		}
	}
}

// TestGerman wants no sentence of the rules to stay English in German, the busy
// month's as well as those that this one does not have.
func TestGerman(t *testing.T) {
	e := edition(t)
	for _, el := range elements(t, write(t, e, "de", "html"))[1:] {
		if el.attr["lang"] != "" {
			t.Errorf("%s stayed %s", el.name, el.attr["lang"])
		}
	}
	phrases := kit(t, later).Phrases()
	sentences := []string{
		reliability.TooFew, reliability.TrendBetter, reliability.TrendWorse, reliability.TrendFlat, reliability.TrendNotPower,
		reliability.NothingElse, reliability.NotShown, "the odds told more than the average of the starts before", "the odds told no more than the average of the starts before",
		`Find out why nobody acts on the alarm "Dry air"`, "it was announced 12 times of 40, 30 %, and mostly not acknowledged: alarms that are not heeded hide others",
		"Leave low-grade film uncut where another run follows on the roll, instead of cutting and advancing it",
		"no starts", "no strike; at least the lower limit", "few strikes: only the interval tells",
		"fewer strikes per start than in the 3 months before", "more strikes per start than with nothing done", "fewer strikes per start than before; what else changed then, figures cannot tell",
		"not estimated: no odds were given", "no alarm was announced", "more than a person can manage", "a load that can be managed on average, with floods in between", "a load that can be managed",
		"1 of 12 beyond the limits: look for what was different then", "3 of 4 strikes came without one, so that their cost is a guess",
	}
	for _, kind := range floor.AnomalyKinds {
		if kind.Code != "unknown-type" && kind.Code != "waste-without-width" { // the report has words of its own for them
			sentences = append(sentences, kind.Doc)
		}
	}
	for _, s := range sentences {
		if _, ok := phrases.In("de", s); !ok {
			t.Errorf("no German for %q", s)
		}
	}
}

// TestGermanNamesHazards wants the title of a hazard in a step to be the reader's,
// and no code of the program's in it.
func TestGermanNamesHazards(t *testing.T) {
	got, ok := kit(t, later).Phrases().In("de", `Find out why nobody acts on the alarm "Dry air"`)
	if want := kit(t, later).PenIn("de").Say("phrase.dry-air.title"); !ok || !strings.Contains(got, want) {
		t.Errorf("got %q, want %q in it", got, want)
	}
}

// TestPreventedInWords wants no figure on the first page where nothing is shown,
// but what is known of it in words.
func TestPreventedInWords(t *testing.T) {
	e := edition(t)
	e.Report.Front.Prevented = reliability.Prevented{
		Estimate: reliability.Estimate{Value: units.Some(-1.21), Low: units.Some(-8.4), High: units.Some(15.5), Words: reliability.NotShown}, Starts: 40,
		How: "estimated, not counted: over the 40 starts that were warned of and treated, the odds of a strike untreated less the odds as treated",
	}
	for lang, want := range map[string]string{
		"en": "Strikes that alarms prevented: too few starts to tell  (the best guess is 0, and anything from none to 16 fits the odds as well)",
		"de": "Durch Alarme verhinderte Crashs: zu wenige Starts, um das zu sagen  (am ehesten 0, und alles von keinem bis 16 passt ebenso gut zu den Wahrscheinlichkeiten)",
	} {
		if text := press(t, lang).Text(e); !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// TestTheFirstPageIsRough gives an estimate no digits that it does not carry, and
// leaves them all to the table of figures.
func TestTheFirstPageIsRough(t *testing.T) {
	e := edition(t)
	f := &e.Report.Front
	f.Prevented.Estimate = reliability.Estimate{Value: units.Some(0.379), Low: units.Some(-0.00944), High: units.Some(0.834), Words: reliability.TooFew}
	f.Prevented.Starts = 2
	f.StartsBetween = reliability.Estimate{Low: units.Some(1.63)}
	for lang, wants := range map[string][]string{
		"en": {"Starts between strikes: at least 1.6", "too few starts to tell  (the best guess is 0.38, and anything from none to 0.83 fits"},
		"de": {"Starts zwischen zwei Crashs: mindestens 1,6", "zu wenige Starts, um das zu sagen  (am ehesten 0,38, und alles von keinem bis 0,83 passt"},
	} {
		text := press(t, lang).Text(e)
		for _, want := range wants {
			if !strings.Contains(text, want) {
				t.Errorf("no %q in\n%s", want, text)
			}
		}
	}
	f.StartsBetween = reliability.Estimate{Value: units.Some(163.7), Low: units.Some(40.04), High: units.Some(9996)}
	f.Prevented.Estimate = reliability.Estimate{Value: units.Some(3.21), Low: units.Some(0.0944), High: units.Some(7.96)}
	text := press(t, "en").Text(e)
	for _, want := range []string{"Starts between strikes: 160  (with 95 percent confidence between 40 and 10000", "about 3.2  (with 95 percent confidence between 0.094 and 8.0"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	var table strings.Builder
	if err := press(t, "en").Write(&table, e, "csv", later); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"163.7", "40.04", "9996", "3.21", "0.0944", "7.96"} {
		if !strings.Contains(table.String(), want) {
			t.Errorf("the table of figures has no %s", want)
		}
	}
}

// TestTreatmentsArePricedByMachine works two advances out by hand, at 1.20 USD a
// m² and 10 s of a person at 30 USD an hour: from the print line 35 mm past the
// cure exit, 1.37 m wide. A machine that nobody configured takes the longer path,
// and film with a price of its own has that one.
func TestTreatmentsArePricedByMachine(t *testing.T) {
	s := site()
	s.Machines = append(s.Machines, plant.Machine{Site: "quay", Name: "plover", Path: plant.Path{CureEntryMM: 300, CureExitMM: 565}, MaxWidthMM: 1370})
	price := monthly.ParamsOf(s)(nil).TreatmentCost
	for _, row := range []struct {
		site, machine, stock, treatment, want string
	}{
		{"north", "heron", "MONO-GLOSS-137", "advance", "0.68 USD"}, // 0.365 · 1.37 · 1.20 + 0.0833
		{"quay", "plover", "MONO-GLOSS-137", "advance", "1.07 USD"}, // 0.600 · 1.37 · 1.20 + 0.0833
		{"quay", "stray", "", "advance", "1.07 USD"},
		{"north", "heron", "POLY-GLOSS-137", "advance", "1.38 USD"}, // 0.365 · 1.37 · 2.60 + 0.0833
		{"quay", "plover", "MONO-GLOSS-137", "leader", "0.65 USD"},
	} {
		got, ok := price(&reliability.Start{Entry: reliability.Entry{Site: row.site, Machine: row.machine}, Stock: row.stock}, row.treatment)
		if !ok || got.String() != row.want {
			t.Errorf("%+v: got %v, %v", row, got, ok)
		}
	}
	if _, ok := price(&reliability.Start{}, "none"); ok {
		t.Error("doing nothing has a price")
	}
}

// TestText puts the first page into a few lines.
func TestText(t *testing.T) {
	e := edition(t)
	text := press(t, "en").Text(e)
	for _, want := range []string{
		"Kestrel Lane Decals: Reliability in March 2026\n", "  Head strikes: " + strconv.FormatUint(e.Report.Front.Strikes, 10) + "\n", "What to do next:\n", "Expected to save ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Count(text, "\n") > 25 {
		t.Errorf("%d lines are not short", strings.Count(text, "\n"))
	}
}

// TestSmallNumbersSaySo lets a month of a few starts tell nothing.
func TestSmallNumbersSaySo(t *testing.T) {
	m := &memory{t: t}
	m.season(at(time.March, 2, 8, 0), at(time.March, 2, 14, 0))
	r, err := books(m, later, "").Report(t.Context(), march, "")
	if err != nil {
		t.Fatal(err)
	}
	text := press(t, "en").Text(&monthly.Edition{Report: r, Month: march})
	page := string(write(t, &monthly.Edition{Report: r, Month: march}, "en", "html"))
	if r.Front.Starts > 5 || !strings.Contains(text, "fewer than 5") || !strings.Contains(text, "only the interval tells") || strings.Count(page, "too few to tell") < 5 {
		t.Errorf("a month of %d starts tells too much:\n%s", r.Front.Starts, text)
	}
}
