package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/monthly"
	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/watcher/pager"
)

// postbox takes letters, or refuses them.
type postbox struct {
	letters []pager.Letter
	refuse  []error // of the next posts, in order
}

func (p *postbox) Post(_ context.Context, l pager.Letter) error {
	if len(p.refuse) > 0 {
		err := p.refuse[0]
		p.refuse = p.refuse[1:]
		if err != nil {
			return err
		}
	}
	p.letters = append(p.letters, l)
	return nil
}

// marchShop is a watch with a start and a strike in March, that stands at a
// moment of Lisbon's clock.
func marchShop(t *testing.T, now time.Time) (*App, *ManualClock, *config.Config) {
	t.Helper()
	cfg, clock := shopOf(t, 1), NewManualClock(now)
	cfg.Shop.TimeZone, cfg.Report.Formats = "Europe/Lisbon", []string{"html", "pdf", "csv", "xlsx", "json"}
	a := startApp(t, Options{Config: cfg, Clock: clock})
	at := time.Date(2026, 3, 20, 9, 0, 0, 0, time.UTC)
	publish(t, a, append(loaded("m0", at, 0),
		say("m0", at, "run.started", &event.RunStarted{Run: event.Run{Job: "KL-1"}}),
		say("m0", at.Add(time.Minute), "strike.recorded", &event.StrikeRecorded{Job: "KL-1", DowntimeS: f(600)}),
		say("m0", at.Add(time.Hour), "run.finished", &event.RunFinished{Run: event.Run{Job: "KL-1", Metres: f(3)}}))...)
	return a, clock, cfg
}

func reportsOf(t *testing.T, a *App, mail poster) *reports {
	t.Helper()
	kit, err := web.New(web.Options{Zone: a.tickets.Location, Now: a.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	r, err := a.newReports(kit)
	if err != nil {
		t.Fatal(err)
	}
	r.mail = mail
	return r
}

// lisbon is a moment by the shop's clock.
func lisbon(t *testing.T, month time.Month, day, hour, minute int) time.Time {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return time.Date(2026, month, day, hour, minute, 0, 0, zone)
}

func filesIn(t *testing.T, folder string) string {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return strings.Join(names, " ")
}

const marchFiles = "2026-03.csv 2026-03.html 2026-03.json 2026-03.pdf 2026-03.xlsx"

// TestReportOnTheFirst writes the report an hour into the new month by the shop's
// clock, once, and mails it.
func TestReportOnTheFirst(t *testing.T) {
	a, clock, cfg := marchShop(t, lisbon(t, time.March, 31, 23, 0))
	box := &postbox{}
	r := reportsOf(t, a, box)
	next := r.round(t.Context())
	if want := lisbon(t, time.April, 1, 1, 0); !next.Equal(want) || filesIn(t, cfg.ReportFolder()) != "" {
		t.Fatalf("the next look is at %s, want %s; files %q", next, want, filesIn(t, cfg.ReportFolder()))
	}
	clock.Set(lisbon(t, time.April, 1, 0, 59))
	if r.round(t.Context()); filesIn(t, cfg.ReportFolder()) != "" {
		t.Error("it was written before the month has settled")
	}
	clock.Set(next)
	if next = r.round(t.Context()); !next.Equal(lisbon(t, time.May, 1, 1, 0)) || filesIn(t, cfg.ReportFolder()) != marchFiles {
		t.Errorf("the next look is at %s; files %q", next, filesIn(t, cfg.ReportFolder()))
	}
	if len(box.letters) != 1 || box.letters[0].Subject != "Rollwarden: Reliability in March 2026" || !strings.HasPrefix(string(box.letters[0].File.Data), "%PDF-") ||
		!strings.Contains(box.letters[0].Text, "Head strikes: 1  (fewer than 5") {
		t.Errorf("letters: %+v", box.letters)
	}

	// A file that is there stays, one that was taken away comes back, and nobody
	// is mailed twice, after a restart neither.
	pdf, csv := filepath.Join(cfg.ReportFolder(), "2026-03.pdf"), filepath.Join(cfg.ReportFolder(), "2026-03.csv")
	if err := errors.Join(os.WriteFile(pdf, []byte("mine"), 0o600), os.Remove(csv)); err != nil {
		t.Fatal(err)
	}
	reportsOf(t, a, box).round(t.Context())
	if data, err := os.ReadFile(pdf); err != nil || string(data) != "mine" || filesIn(t, cfg.ReportFolder()) != marchFiles || len(box.letters) != 1 {
		t.Errorf("%q, %v, files %q, %d letters", data, err, filesIn(t, cfg.ReportFolder()), len(box.letters))
	}
}

// TestReportIsCaughtUp writes the report that was due while the watch was down,
// and none of a month that nothing was watched in.
func TestReportIsCaughtUp(t *testing.T) {
	a, clock, cfg := marchShop(t, lisbon(t, time.April, 17, 12, 0))
	r := reportsOf(t, a, nil)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.run(ctx) }()
	for patience := deadline(t); filesIn(t, cfg.ReportFolder()) != marchFiles; time.Sleep(10 * time.Millisecond) {
		if patience.Err() != nil {
			t.Fatal("no report came")
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	clock.Set(lisbon(t, time.June, 2, 0, 0))
	if reportsOf(t, a, nil).round(t.Context()); strings.Contains(filesIn(t, cfg.ReportFolder()), "2026-05") {
		t.Errorf("an empty May has a report: %q", filesIn(t, cfg.ReportFolder()))
	}
}

// TestReportsAreCaughtUp writes and mails the reports of all months that ended
// while the watch was away, the oldest first, and goes on with them after a failure.
// Of those before, that an earlier watch has done, it makes none again.
func TestReportsAreCaughtUp(t *testing.T) {
	cfg, clock := shopOf(t, 1), NewManualClock(lisbon(t, time.August, 2, 8, 0))
	cfg.Shop.TimeZone, cfg.Report.Formats = "Europe/Lisbon", nil // the watch itself writes none
	a := startApp(t, Options{Config: cfg, Clock: clock})
	for _, month := range []time.Month{time.March, time.April, time.June, time.July} {
		publish(t, a, say("m0", lisbon(t, month, 15, 12, 0), "operator.noted", &event.OperatorNoted{Action: "note", By: "Ada", Reason: "all is well"}))
	}
	if err := errors.Join(os.MkdirAll(cfg.ReportFolder(), 0o700), os.WriteFile(filepath.Join(cfg.ReportFolder(), "2026-04.csv"), []byte("mine"), 0o600)); err != nil {
		t.Fatal(err)
	}
	box := &postbox{refuse: []error{nil, errors.New("no answer")}}
	r := reportsOf(t, a, box)
	r.formats = []string{"csv"}
	next := r.round(t.Context())
	if got := filesIn(t, cfg.ReportFolder()); got != "2026-04.csv 2026-06.csv" || len(box.letters) != 1 {
		t.Errorf("until the mail failed: files %q, %d letters", got, len(box.letters))
	}
	clock.Set(next)
	if next = r.round(t.Context()); !next.Equal(lisbon(t, time.September, 1, 1, 0)) {
		t.Errorf("the next look is at %s", next)
	}
	if got := filesIn(t, cfg.ReportFolder()); got != "2026-04.csv 2026-06.csv 2026-07.csv" {
		t.Errorf("files %q, want none of an empty May and none from before what was there", got)
	}
	var keys []string
	for _, l := range box.letters {
		keys = append(keys, l.Key)
	}
	if want := "report Rollwarden 2026-04, report Rollwarden 2026-06, report Rollwarden 2026-07"; strings.Join(keys, ", ") != want {
		t.Errorf("letters %q, want %q", keys, want)
	}
}

// TestReportsAreCaughtUpForAYear writes none of a month that lies further back.
func TestReportsAreCaughtUpForAYear(t *testing.T) {
	a, _, _ := marchShop(t, lisbon(t, time.March, 31, 23, 0))
	for month, want := range map[time.Month]string{time.April + 12: "", time.March + 12: "2026-03.csv"} {
		r := reportsOf(t, a, nil)
		r.formats, r.folder, r.clock = []string{"csv"}, t.TempDir(), NewManualClock(lisbon(t, month, 2, 8, 0))
		if r.round(t.Context()); filesIn(t, r.folder) != want {
			t.Errorf("on %s there are %q, want %q", r.clock.Now().Format(time.DateOnly), filesIn(t, r.folder), want)
		}
	}
}

// TestReportIsMailedAtLeastOnce tries again later when the mail server is away,
// and at the next start when it refuses.
func TestReportIsMailedAtLeastOnce(t *testing.T) {
	a, clock, _ := marchShop(t, lisbon(t, time.April, 2, 8, 0))
	box := &postbox{refuse: []error{errors.New("no answer"), pager.Permanent(errors.New("no such user")), nil}}
	r := reportsOf(t, a, box)
	next := r.round(t.Context())
	if !next.Equal(clock.Now().Add(retryReport)) || len(box.letters) != 0 {
		t.Errorf("after a failure the next look is at %s", next)
	}
	if again := r.round(t.Context()); !again.Equal(next) || len(box.refuse) != 2 {
		t.Error("it was tried again too soon")
	}
	clock.Set(next)
	if r.round(t.Context()); len(box.letters) != 0 || len(box.refuse) != 1 {
		t.Errorf("refused for good: %d letters, %d answers left", len(box.letters), len(box.refuse))
	}
	reportsOf(t, a, box).round(t.Context())
	reportsOf(t, a, box).round(t.Context())
	if len(box.letters) != 1 || box.letters[0].Key != "report Rollwarden 2026-03" {
		t.Errorf("letters: %+v", box.letters)
	}
}

// TestAReportThatFailsHoldsUpNoOther finishes the report of one site while that of
// another fails, which is tried again by itself.
func TestAReportThatFailsHoldsUpNoOther(t *testing.T) {
	a, clock, _ := marchShop(t, lisbon(t, time.April, 2, 8, 0))
	box := &postbox{refuse: []error{errors.New("no answer")}}
	r := reportsOf(t, a, box)
	r.formats, r.mine = []string{"csv"}, func() []string { return []string{"", "north"} }
	next := r.round(t.Context())
	if want := clock.Now().Add(retryReport); !next.Equal(want) || len(box.letters) != 1 || box.letters[0].Key != "report Rollwarden 2026-03-north" {
		t.Fatalf("the next look is at %s, want %s; letters %+v", next, want, box.letters)
	}
	clock.Set(next)
	if next = r.round(t.Context()); !next.Equal(lisbon(t, time.May, 1, 1, 0)) || len(box.letters) != 2 {
		t.Errorf("the next look is at %s; %d letters", next, len(box.letters))
	}
}

// TestReportIsTheFloor holds the numbers of the report against those of the
// watch's own view.
func TestReportIsTheFloor(t *testing.T) {
	a, _, _ := marchShop(t, lisbon(t, time.April, 2, 8, 0))
	report, err := reportsOf(t, a, nil).books.Report(t.Context(), monthly.Month{Year: 2026, Month: time.March}, "")
	if err != nil {
		t.Fatal(err)
	}
	m := a.View().Floor.Machine("north", "m0")
	if report.Front.Strikes != m.Tally.TotalStrikes() || report.Front.Starts != m.Tally.TotalStarts() || report.Machines[0].PrintedM2 != m.Tally.PrintedM2 || report.Front.Strikes != 1 {
		t.Errorf("the report has %+v, the floor %+v", report.Front, m.Tally)
	}
}
