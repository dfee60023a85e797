package monthly_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/metrics/monthly"
	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
	"rollwarden/watcher/journal"
)

// forgetful is a journal that has let its first entries go.
type forgetful struct {
	*memory
	first uint64
}

func (f forgetful) Read(ctx context.Context, from, to uint64, filter string, handle func(journal.Entry) error) error {
	return f.memory.Read(ctx, max(from, f.first), to, filter, handle)
}

func (f forgetful) Get(ctx context.Context, seq uint64) (journal.Entry, error) {
	if seq < f.first {
		return journal.Entry{}, journal.ErrNotFound
	}
	return f.memory.Get(ctx, seq)
}

func (f forgetful) Span(ctx context.Context) (first, last uint64, err error) {
	_, last, err = f.memory.Span(ctx)
	return f.first, last, err
}

func letGo(r reliability.Report) uint64 {
	if i := slices.IndexFunc(r.Quality, func(d reliability.Doubt) bool { return d.Code == reliability.LetGo }); i >= 0 {
		return r.Quality[i].Count
	}
	return 0
}

// TestWhatWasLetGoIsSaid counts the starts that are left and says how many
// entries are not, on the first page too; a later month misses nothing.
func TestWhatWasLetGoIsSaid(t *testing.T) {
	m := &memory{t: t}
	for day := range 20 {
		m.say(time.Date(2026, 3, 1+day, 12, 0, 0, 0, time.UTC), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: string(rune('a' + day))}})
	}
	m.say(time.Date(2026, 4, 2, 12, 0, 0, 0, time.UTC), "heron", "run.started", &event.RunStarted{Run: event.Run{Job: "z"}})
	april := march.Add(1)
	b := books(m, later, "")
	if r := report(t, b, march, ""); r.Front.Starts != 20 || letGo(r) != 0 {
		t.Errorf("the whole journal has %d starts and %d entries let go", r.Front.Starts, letGo(r))
	}
	b = books(forgetful{m, 8}, later, "")
	r := report(t, b, march, "")
	if r.Front.Starts != 13 || letGo(r) != 7 {
		t.Errorf("want 13 starts and 7 entries let go, got %d and %d", r.Front.Starts, letGo(r))
	}
	if text := press(t, "en").Text(&monthly.Edition{Month: march, Report: r}); !strings.Contains(text, "no longer held 7 entries of this month") {
		t.Errorf("the report in short says nothing of it:\n%s", text)
	}
	if r := report(t, b, april, ""); r.Front.Starts != 1 || letGo(r) != 0 {
		t.Errorf("April has %d starts and %d entries let go", r.Front.Starts, letGo(r))
	}
	// A month of which nothing is left.
	if r := report(t, books(forgetful{m, 21}, later, ""), march, ""); r.Front.Starts != 0 || letGo(r) != 20 {
		t.Errorf("want no start and 20 entries let go, got %d and %d", r.Front.Starts, letGo(r))
	}
	// The state at which April begins was kept before March was let go.
	dir := t.TempDir()
	whole := report(t, books(m, later, dir), april, "")
	if r := report(t, books(forgetful{m, 21}, later, dir), april, ""); letGo(r) != 0 || asJSON(t, r) != asJSON(t, whole) {
		t.Errorf("with the state of April's beginning %d entries are missing", letGo(r))
	}
	// It is not that of another journal, which has let as many entries go.
	other := &memory{t: t, entries: m.entries, made: later}
	if r := report(t, books(forgetful{other, 21}, later, dir), april, ""); letGo(r) != 20 {
		t.Errorf("in a journal made later %d entries are missing, want all 20: the state of another was used", letGo(r))
	}
}
