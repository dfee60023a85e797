package advice

import (
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/queue"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
)

// TestAPictureIsKept works a picture out once for each view and machine, and again
// when time alone may have changed it.
func TestAPictureIsKept(t *testing.T) {
	films, err := film.NewCatalogue(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	b := newBureau(rules.Site{
		Films: films, Book: hazard.DefaultBook(), Drift: register.ClassDefault{Share: 0.2}, Advisor: &remedy.Advisor{Odds: risk.DefaultPrior(), Films: films},
	}, queue.DefaultPrices())
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	view := func(seq uint64) *rules.View {
		return &rules.View{Seq: seq, At: now, Floor: floor.New(), Alarms: alarm.NewBook()}
	}
	first := b.picture(view(1), now, "north", "heron")
	for name, c := range map[string]struct {
		seq     uint64
		at      time.Time
		machine string
		same    bool
	}{
		"at once":          {1, now, "heron", true},
		"soon after":       {1, now.Add(keep - 1), "heron", true},
		"later":            {1, now.Add(keep), "heron", false},
		"a new view":       {2, now, "heron", false},
		"another machine":  {1, now, "wren", false},
		"a clock put back": {1, now.Add(-keep), "heron", false},
	} {
		b.kept[floor.Key("north", "heron")] = first
		if got := b.picture(view(c.seq), c.at, "north", c.machine); (got == first) != c.same {
			t.Errorf("%s: the same picture: %v, want %v", name, got == first, c.same)
		}
	}
}
