package monthly_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/rs/zerolog"

	"rollwarden/metrics/monthly"
	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
	"rollwarden/watcher/journal"
)

func TestMonths(t *testing.T) {
	for _, text := range []string{"", "2026", "2026-3", "2026-13", "2026-03-01", "26-03", "2026-00"} {
		if m, err := monthly.ParseMonth(text); err == nil {
			t.Errorf("%q is read as %s", text, m)
		}
	}
	m, err := monthly.ParseMonth("2026-01")
	if err != nil || m.Add(-1).String() != "2025-12" || m.Add(14).String() != "2027-03" || !m.Add(-1).Before(m) || m.Before(m) {
		t.Errorf("%s, %v", m, err)
	}
	// On 29 March 2026 clocks in Berlin went from 2:00 to 3:00, so that the
	// month has 743 hours (IANA time zone data).
	if p := march.In(berlin); p.To.Sub(p.From) != 743*time.Hour || p.From.UTC().Format(time.RFC3339) != "2026-02-28T23:00:00Z" {
		t.Errorf("March in Berlin is %v", p)
	}
}

// asJSON is a report as the file has it.
func asJSON(t testing.TB, r reliability.Report) string {
	t.Helper()
	data, err := json.Marshal(r, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func report(t testing.TB, b *monthly.Books, m monthly.Month, site string) reliability.Report {
	t.Helper()
	r, err := b.Report(t.Context(), m, site)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestEdgesFollowTheShop counts a start at half past midnight by the shop's clock
// in the month that has just begun there, whatever month it still is elsewhere.
func TestEdgesFollowTheShop(t *testing.T) {
	m := &memory{t: t}
	for i, when := range []string{"2026-02-28T22:59:59Z", "2026-02-28T23:00:00Z", "2026-03-31T21:59:59Z", "2026-03-31T22:00:00Z"} {
		m.say(must(time.Parse(time.RFC3339, when)), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: string(rune('a' + i))}})
	}
	b := books(m, later, "")
	for month, want := range map[string]uint64{"2026-02": 1, "2026-03": 2, "2026-04": 1, "2026-01": 0, "2026-05": 0} {
		if got := report(t, b, must(monthly.ParseMonth(month)), "").Front.Starts; got != want {
			t.Errorf("%s has %d starts, want %d", month, got, want)
		}
	}
	if _, err := b.Report(t.Context(), march.Add(3), ""); !errors.Is(err, monthly.ErrNotYet) {
		t.Errorf("a month that has not begun: got %v", err)
	}
	months, err := b.Months(t.Context(), "")
	if err != nil || len(months) != 4 || months[0].String() != "2026-05" || months[3].String() != "2026-02" {
		t.Errorf("months %v, %v", months, err)
	}
}

// TestStatesChangeNothing wants the report of a month that starts from a saved
// state to be that of the whole journal, in less reading; and one that finds only
// rubbish to read the whole.
func TestStatesChangeNothing(t *testing.T) {
	m, folder := busy(t), filepath.Join(t.TempDir(), "states")
	want := asJSON(t, report(t, books(m, later, ""), march, ""))
	all := m.read
	if got := asJSON(t, report(t, books(m, later, folder), march, "")); got != want {
		t.Error("a report that saves states differs")
	}
	m.read = 0
	if got := asJSON(t, report(t, books(m, later, folder), march, "")); got != want {
		t.Error("a report from a state differs")
	}
	if m.read == 0 || m.read > all*2/3 {
		t.Errorf("read %d entries of %d although there was a state", m.read, all)
	}
	names, err := os.ReadDir(folder)
	if err != nil || len(names) != 2 { // of February and March
		t.Fatalf("states %v, %v", names, err)
	}
	for _, n := range names {
		if err := os.WriteFile(filepath.Join(folder, n.Name()), []byte(`{"version": 1, "month`), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got := asJSON(t, report(t, books(m, later, folder), march, "")); got != want {
		t.Error("a report beside broken states differs")
	}
}

// TestStateOfAnotherJournal is of no use, and neither is one of another zone.
func TestStateOfAnotherJournal(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "states")
	report(t, books(busy(t), later, folder), march, "")
	other := &memory{t: t}
	other.season(at(time.January, 2, 8, 0), at(time.April, 10, 8, 0))
	want := asJSON(t, report(t, books(other, later, ""), march, ""))
	if got := asJSON(t, report(t, books(other, later, folder), march, "")); got != want {
		t.Error("the state of another journal was used")
	}
	elsewhere := monthly.NewBooks(monthly.BooksOptions{
		Source: other, Zone: time.UTC, Now: func() time.Time { return later }, Params: monthly.ParamsOf(site()), Folder: folder, ReadOnly: true, Log: zerolog.Nop(),
	})
	if r := report(t, elsewhere, march, ""); r.Zone != "UTC" || asJSON(t, r) == want {
		t.Error("the state of another zone was used")
	}
}

// TestReadOnlyWritesNothing leaves a folder as it is.
func TestReadOnlyWritesNothing(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "states")
	b := monthly.NewBooks(monthly.BooksOptions{
		Source: busy(t), Zone: berlin, Now: func() time.Time { return later }, Params: monthly.ParamsOf(site()), Folder: folder, ReadOnly: true, Log: zerolog.Nop(),
	})
	report(t, b, march, "")
	if _, err := os.Stat(folder); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder is there: %v", err)
	}
}

// TestClosedMonthStays lets a month be asked for before and after more came in
// for it: once an entry of the next month has come, nothing changes it.
func TestClosedMonthStays(t *testing.T) {
	m := busy(t)
	b := books(m, later, "")
	was := asJSON(t, report(t, b, march, ""))
	m.say(at(time.March, 20, 12, 0), "heron", "strike.recorded", &event.StrikeRecorded{Job: "KL-9"})
	m.say(at(time.April, 30, 12, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "KL-10"}})
	if asJSON(t, report(t, b, march, "")) != was || asJSON(t, report(t, books(m, later, ""), march, "")) != was {
		t.Error("a month that was closed changed")
	}
	found := false
	for _, d := range report(t, b, march.Add(1), "").Quality {
		found = found || d.Code == "late-event" && d.Count == 1
	}
	if !found {
		t.Error("April does not tell of the late entry")
	}
}

// TestRunningMonth goes on where it stopped, says that it is running, and is what
// reading the whole at once gives.
func TestRunningMonth(t *testing.T) {
	m := &memory{t: t}
	m.season(at(time.March, 1, 8, 0), at(time.March, 10, 8, 0))
	now := at(time.March, 10, 12, 0)
	b := monthly.NewBooks(monthly.BooksOptions{Source: m, Zone: berlin, Now: func() time.Time { return now }, Params: monthly.ParamsOf(site()), Log: zerolog.Nop()})
	if r := report(t, b, march, ""); !r.Running || !r.Until.Equal(now) {
		t.Errorf("running %v until %s", r.Running, r.Until)
	}
	was := m.read
	m.say(now, "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "KL-new"}})
	now = now.Add(time.Hour)
	got := report(t, b, march, "")
	if m.read != was+1 {
		t.Errorf("one new entry was read as %d", m.read-was)
	}
	if want := asJSON(t, report(t, books(m, now, ""), march, "")); asJSON(t, got) != want {
		t.Error("reading on gives another report than reading it all")
	}
	page := string(write(t, &monthly.Edition{Report: got, Month: march}, "en", "html"))
	if !strings.Contains(page, "This month is still running: figures are up to 2026-03-10 13:00.") {
		t.Error("the page does not say that the month is running")
	}
}

// TestClockThatRunsAhead does not let a machine with a wrong date end the month.
func TestClockThatRunsAhead(t *testing.T) {
	m := &memory{t: t}
	m.say(at(time.March, 3, 8, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "a"}})
	m.say(at(time.August, 3, 8, 0), "wren", "run.started", &event.RunStarted{Run: event.Run{Job: "b"}})
	m.entries[1].Stored = at(time.March, 3, 9, 0)
	m.say(at(time.March, 3, 10, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "c"}})
	if got := report(t, books(m, later, ""), march, "").Front.Starts; got != 2 {
		t.Errorf("%d starts, want the 2 of March", got)
	}
}

// TestPagesEndNoMonth lets the pager, which has a clock of its own, say in May
// whom it told; what comes after that of March still counts in March.
func TestPagesEndNoMonth(t *testing.T) {
	m := &memory{t: t}
	m.say(at(time.March, 3, 8, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "a"}})
	m.say(at(time.May, 3, 8, 0), "heron", "page.sent", &event.PageSent{Alarm: "a", Channel: "log", Attempt: 1, Key: "k"})
	m.say(at(time.March, 3, 10, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "c"}})
	if got := report(t, books(m, later, ""), march, "").Front.Starts; got != 2 {
		t.Errorf("%d starts, want both of March", got)
	}
}

// TestOneSite has only what happened there.
func TestOneSite(t *testing.T) {
	b := books(busy(t), later, "")
	all, north, quay := report(t, b, march, ""), report(t, b, march, "north"), report(t, b, march, "quay")
	if len(all.Machines) != 4 || len(north.Machines) != 3 || len(quay.Machines) != 1 || quay.Front.Starts != 0 || north.Front.Starts != all.Front.Starts {
		t.Errorf("%d machines are %d and %d", len(all.Machines), len(north.Machines), len(quay.Machines))
	}
}

// serve opens the pages of a journal.
func serve(t *testing.T, m monthly.Source, now time.Time) http.Handler {
	t.Helper()
	k, mux := kit(t, now), http.NewServeMux()
	monthly.Register(mux, monthly.Options{
		Kit: k, Books: books(m, now, ""), Shop: "Kestrel Lane Decals", Sites: []string{"north", "quay"}, Now: func() time.Time { return now }, Life: t.Context(),
	})
	return mux
}

func get(t *testing.T, h http.Handler, url, lang string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, url, nil)
	r.Header.Set("Accept-Language", lang)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestPage(t *testing.T) {
	m := busy(t)
	h := serve(t, m, later)
	for lang, title := range map[string]string{"en": "Reliability in March 2026", "de": "Zuverlässigkeit im März 2026"} {
		answer := get(t, h, "/report/2026-03", lang)
		page := answer.Body.Bytes()
		wellMade(t, page)
		if answer.Code != http.StatusOK || !bytes.Contains(page, []byte("<h1>"+title+"</h1>")) || bytes.Contains(page, []byte("<style")) {
			t.Errorf("%s: %d", lang, answer.Code)
		}
		if !regexp.MustCompile(`<link rel="stylesheet" href="/assets/monthly\.[0-9a-f]+\.css" />`).Match(page) {
			t.Error("the page has no style sheet of its own")
		}
		for _, link := range []string{"/report/2026-02", "/report/2026-04", "/report/2026-03/report.pdf", "/report/2026-03?site=quay"} {
			if !bytes.Contains(page, []byte(`href="`+link+`"`)) {
				t.Errorf("no link to %s", link)
			}
		}
	}
	list := get(t, h, "/report/", "en").Body.String()
	if strings.Count(list, `href="/report/2026-`) != 5 || !strings.Contains(list, ">January 2026<") {
		t.Errorf("the months are not listed:\n%s", list)
	}
	for url, code := range map[string]int{
		"/report/2026-13": 404, "/report/2026-03/report.doc": 404, "/report/2026-03/x": 404, "/report/2026-03?site=moon": 404, "/report/2027-01": 404, "/report/2026-05": 200,
	} {
		if got := get(t, h, url, "en").Code; got != code {
			t.Errorf("%s: got %d, want %d", url, got, code)
		}
	}
	r := httptest.NewRequest(http.MethodPost, "/report/2026-03", nil)
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: got %d", w.Code)
	}
}

// TestPageGivesTheFileOfTheCommand wants every file of the page to be, byte for
// byte, what Write gives of books that were read by themselves.
func TestPageGivesTheFileOfTheCommand(t *testing.T) {
	m := busy(t)
	h := serve(t, m, later)
	e := &monthly.Edition{Report: report(t, books(m, later, ""), march, "north"), Month: march, Site: "north", Shop: "Kestrel Lane Decals"}
	for _, format := range []string{"json", "csv", "html"} {
		answer := get(t, h, "/report/2026-03/report."+format+"?site=north", "en")
		if !bytes.Equal(answer.Body.Bytes(), write(t, e, "en", format)) {
			t.Errorf("%s: the page's file differs", format)
		}
		if got := answer.Header().Get("Content-Disposition"); got != `attachment; filename="rollwarden-2026-03-north.`+format+`"` {
			t.Errorf("%s: %s", format, got)
		}
	}
}

// TestPageIsReadOnce serves a month again without reading, until something new
// is in the journal, and then reads only that.
func TestPageIsReadOnce(t *testing.T) {
	m := busy(t)
	h := serve(t, m, at(time.April, 15, 12, 0))
	get(t, h, "/report/2026-04", "en")
	was := m.read
	get(t, h, "/report/2026-04", "de")
	if m.read != was {
		t.Errorf("the same month was read again: %d entries", m.read-was)
	}
	m.say(at(time.April, 15, 11, 0), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "KL-new"}})
	get(t, h, "/report/2026-04", "en")
	if m.read != was+1 {
		t.Errorf("one new entry was read as %d", m.read-was)
	}
}

// slow is a journal that is read only once its gate is open.
type slow struct {
	*memory
	gate chan struct{}
}

func (s slow) Read(ctx context.Context, from, to uint64, filter string, handle func(journal.Entry) error) error {
	select {
	case <-s.gate:
		return s.memory.Read(ctx, from, to, filter, handle)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// TestReadingsAreBounded puts off whoever asks for one month more while as many are
// being read as are remembered, and starts nothing for him.
func TestReadingsAreBounded(t *testing.T) {
	m := busy(t)
	synctest.Test(t, func(t *testing.T) {
		s := slow{m, make(chan struct{})}
		h := serve(t, s, later)
		var all sync.WaitGroup
		var put, read atomic.Int64
		for i := range 40 {
			all.Go(func() {
				answer := get(t, h, "/report/"+march.Add(-i).String(), "en")
				switch {
				case answer.Code == http.StatusOK:
					read.Add(1)
				case answer.Code == http.StatusServiceUnavailable && answer.Header().Get("Retry-After") != "":
					put.Add(1)
				}
			})
		}
		synctest.Wait()
		if put.Load() != 16 {
			t.Errorf("of 40 months that were asked for at once %d were put off, want 16", put.Load())
		}
		close(s.gate)
		if all.Wait(); read.Load() != 24 {
			t.Errorf("%d were read, want 24", read.Load())
		}
		for i := range 40 {
			if got := get(t, h, "/report/"+march.Add(-i).String(), "en").Code; got != http.StatusOK {
				t.Errorf("%s: asked for again: got %d", march.Add(-i), got)
			}
		}
	})
}

// TestJournalAway says so, and lets the page try again.
func TestJournalAway(t *testing.T) {
	m := busy(t)
	m.away = errors.New("no servers")
	h := serve(t, m, later)
	for _, url := range []string{"/report/", "/report/2026-03", "/report/2026-03/report.json"} {
		answer := get(t, h, url, "en")
		if answer.Code != http.StatusServiceUnavailable || answer.Header().Get("Retry-After") == "" || !strings.Contains(answer.Body.String(), "The journal cannot be reached") {
			t.Errorf("%s: got %d", url, answer.Code)
		}
	}
	m.away = nil
	if got := get(t, h, "/report/2026-03", "en").Code; got != http.StatusOK {
		t.Errorf("with the journal back: got %d", got)
	}
}

// floorOfTen is what ten machines do from one moment to another, each with a run
// every so often.
func floorOfTen(b *testing.B, from, to time.Time, every time.Duration) *memory {
	m := &memory{t: b}
	n := 0
	for now := from.Add(time.Hour); now.Before(to); now = now.Add(every) {
		for i := range 10 {
			name, job := "m"+string(rune('0'+i)), "KL-"+now.Format("01021504")+string(rune('0'+i))
			if n++; n <= 10 {
				m.load(now.Add(-time.Minute), name)
			}
			m.say(now, name, "run.started", &event.RunStarted{Run: event.Run{Job: job}})
			for k := range 12 {
				m.say(now.Add(time.Duration(k)*time.Minute), name, "run.progress", &event.RunProgress{Run: event.Run{Job: job, Metres: p(float64(k) / 4)}})
			}
			if n%60 == 0 {
				m.say(now.Add(13*time.Minute), name, "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(600)})
			}
			m.say(now.Add(14*time.Minute), name, "run.finished", &event.RunFinished{Run: event.Run{Job: job, Metres: p(3)}})
		}
	}
	return m
}

// BenchmarkMonth loads the state at which a busy month of ten machines began,
// folds the month and makes its report.
func BenchmarkMonth(b *testing.B) {
	m := floorOfTen(b, at(time.February, 28, 0, 0), at(time.April, 1, 0, 0), 90*time.Minute)
	fromStates(b, m)
}

// BenchmarkJournal makes the same report of the last month of journals of 1, 3
// and 12 months, a fifth as busy. Only the state grows with the journal, by the
// keys of its events.
func BenchmarkJournal(b *testing.B) {
	for _, months := range []int{1, 3, 12} {
		b.Run(fmt.Sprint(months, " months"), func(b *testing.B) {
			from := time.Date(2026, time.Month(4-months), 0, 0, 0, 0, 0, berlin).UTC() // the day before the first month
			fromStates(b, floorOfTen(b, from, at(time.April, 1, 0, 0), 450*time.Minute))
		})
	}
}

// fromStates makes the report of March again and again from what was kept when
// it was made first.
func fromStates(b *testing.B, m *memory) {
	const ahead = 300 // entries that may be read beyond the end of the month
	folder := b.TempDir()
	want := report(b, books(m, later, folder), march, "").Events
	b.ResetTimer()
	for range b.N {
		m.read = 0
		if r := report(b, books(m, later, folder), march, ""); r.Events != want || m.read > int(want)+ahead {
			b.Fatalf("%d events of %d, after reading %d", r.Events, want, m.read)
		}
	}
	b.ReportMetric(float64(len(m.entries)), "journal")
	b.ReportMetric(float64(want), "events")
}

// BenchmarkWrite renders that month.
func BenchmarkWrite(b *testing.B) {
	e := &monthly.Edition{Report: report(b, books(floorOfTen(b, at(time.March, 1, 0, 0), at(time.April, 1, 0, 0), 90*time.Minute), later, ""), march, ""), Month: march}
	pr := press(b, "en")
	for _, format := range monthly.Formats {
		b.Run(format, func(b *testing.B) {
			size := 0
			for range b.N {
				var out bytes.Buffer
				if err := pr.Write(io.MultiWriter(&out, io.Discard), e, format, later); err != nil {
					b.Fatal(err)
				}
				size = out.Len()
			}
			b.ReportMetric(float64(size)/1024, "KiB")
		})
	}
}
