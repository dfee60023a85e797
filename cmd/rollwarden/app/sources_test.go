package app

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/upkeep"
	"rollwarden/rules/event"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/signal"
)

// TestSignalsWaitFromTheStart: before the journal has been read, and so before anything
// is mapped, there is a place where signals wait.
func TestSignalsWaitFromTheStart(t *testing.T) {
	cfg := shopOf(t, 1)
	length, cause := "0.1", "make-ready"
	cfg.Sources.Signals = []config.Signal{{
		Topic: "kestrel/{machine}/spoiled", Event: "film.wasted",
		Fields: map[string]config.SignalField{"length_m": {Value: &length}, "cause": {Value: &cause}},
	}}
	a := &App{opts: Options{Config: cfg}, cfg: cfg, clock: RealClock{}, log: zerolog.Nop(), ground: &Ground{}}
	t.Cleanup(func() {
		if err := a.ground.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	for _, step := range []func(context.Context) error{a.openSite, a.openBus, a.openJournals, a.openPager, a.openLeases, a.openFront} {
		if err := step(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.openShard(t.Context(), 0, always); err != nil { // nothing runs yet
		t.Fatal(err)
	}
	for _, stream := range []string{signal.StreamName, "$MQTT_msgs"} {
		if _, err := a.bus.JetStream().Consumer(t.Context(), stream, signal.Consumer); err != nil {
			t.Errorf("%s: %v", stream, err)
		}
	}
}

// TestATakeoverLosesNoRow: what is written into a run log after the last look of a
// daemon is told by the one that takes over from it, and what was history stays so.
func TestATakeoverLosesNoRow(t *testing.T) {
	url, file := elsewhereNATS(t, 1), filepath.Join(t.TempDir(), "runs.csv")
	write := func(text string) {
		t.Helper()
		f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		fail(t, err)
		_, err = f.WriteString(text)
		fail(t, err)
		fail(t, f.Close())
	}
	join := func(name string) *App {
		t.Helper()
		cfg := shopOf(t, 1)
		cfg.NATS.URL, cfg.NATS.Listen, cfg.NATS.Name, cfg.NATS.Lease, cfg.NATS.Partitions = url, "", name, 2*time.Second, 1
		cfg.Sources.Poll = time.Second
		cfg.Sources.RunLogs = []config.RunLog{{Machine: "north/m0", Files: file, Columns: map[string]string{"job": "Job", "started": "Begin", "finished": "End"}}}
		a, err := Start(t.Context(), Options{Config: cfg, Log: zerolog.Nop()})
		fail(t, err)
		t.Cleanup(func() { _ = a.Stop() }) // the first is stopped already
		return a
	}
	told := func(a *App, want ...string) {
		t.Helper()
		var got []string
		eventually(t, "the rows are told", func() bool {
			entries, _, err := a.journals[0].Newest(deadline(t), journal.Query{Site: "north", Machine: "m0", Types: []event.Type{"run.finished"}, N: 10})
			fail(t, err)
			got = nil
			for _, e := range slices.Backward(entries) {
				d, err := event.Decode(e.Message)
				fail(t, err)
				got = append(got, d.Data.(*event.RunFinished).Job)
			}
			return len(got) >= len(want)
		})
		if !slices.Equal(got, want) {
			t.Fatalf("want the runs %v, got %v", want, got)
		}
	}
	write("Job,Begin,End\nKL-1,2026-03-02 08:00,2026-03-02 08:20\n")
	heron := join("heron")
	fail(t, heron.Settle(deadline(t)))
	store, err := heron.journals[0].OpenShared(deadline(t), heron.bus.JetStream(), 1)
	fail(t, err)
	eventually(t, "heron has looked at the log", func() bool { _, err := store.Kept(runLogsKept); return err == nil })
	write("KL-2,2026-03-02 09:00,2026-03-02 09:20\n")
	told(heron, "KL-2")
	wren := join("wren")
	fail(t, heron.Stop())
	write("KL-3,2026-03-02 10:00,2026-03-02 10:20\n")
	told(wren, "KL-2", "KL-3")
}

// TestTroubleOfASourceIsShown on the page about the watch: a run log whose folder goes
// away and comes back, and signals.
func TestTroubleOfASourceIsShown(t *testing.T) {
	cfg := shopOf(t, 1)
	dir := filepath.Join(t.TempDir(), "share")
	length, cause := "0.1", "make-ready"
	cfg.Sources.Poll = time.Second
	cfg.Sources.RunLogs = []config.RunLog{{Machine: "north/m0", Files: filepath.Join(dir, "runs*.csv"), Columns: map[string]string{"job": "Job", "started": "Begin"}}}
	cfg.Sources.Signals = []config.Signal{{
		Topic: "kestrel/{machine}/spoiled", Event: "film.wasted",
		Fields: map[string]config.SignalField{"length_m": {Value: &length}, "cause": {Value: &cause}},
	}}
	a := startApp(t, Options{Config: cfg})
	shows := func(trouble string) {
		t.Helper()
		eventually(t, "the page says "+trouble, func() bool {
			got := a.upkeep(t.Context()).Sources
			if len(got) != 2 || got[0].Name != "north/m0: "+filepath.Join(dir, "runs*.csv") || got[1] != (upkeep.Source{}) {
				t.Fatalf("the sources are %+v", got)
			}
			why := got[0].Trouble
			return (why == "") == (trouble == "") && strings.Contains(why, trouble)
		})
	}
	shows("share: no such file or directory")
	fail(t, os.Mkdir(dir, 0o755))
	shows("")
	fail(t, os.WriteFile(filepath.Join(dir, "runs-1.csv"), []byte("Name,Size\n"), 0o644))
	shows(`want a column "Job"`)
	fail(t, os.Remove(filepath.Join(dir, "runs-1.csv")))
	shows("")
}
