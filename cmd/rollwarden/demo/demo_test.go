package demo

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"rollwarden/rules/event"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// played plays a week as fast as it can and hands the show over before it is
// closed.
func played(t *testing.T, seed uint64, look func(*show)) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	var out bytes.Buffer
	s, err := open(ctx, &out, Options{Seed: seed, Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.week(); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	if look != nil {
		look(s)
	}
	if err := s.close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(s.dir); !os.IsNotExist(err) {
		t.Errorf("the folder %s is still there", s.dir)
	}
	return regexp.MustCompile(`(http|nats)://127\.0\.0\.1:\d+`).ReplaceAllString(out.String(), "$1://…")
}

func TestTheSameSeedPlaysTheSameWeek(t *testing.T) {
	first := played(t, 7, func(s *show) {
		everyStrikeWasWarned(t, s)
		metricsAgree(t, s)
		everyTicketIsSettled(t, s)
	})
	if again := played(t, 7, nil); again != first {
		t.Errorf("two plays of one seed differ:\n%s\n----\n%s", first, again)
	}
	if other := played(t, 8, nil); other == first {
		t.Error("two seeds play the same week")
	}
	for _, want := range []string{"not a safety interlock", "was rejected", "Head strikes", "with an alarm before", "lead time"} {
		if !strings.Contains(first, want) {
			t.Errorf("the week does not say %q", want)
		}
	}
}

// everyStrikeWasWarned is what the watch is for: no strike on a bare edge of
// cheap film comes without an alarm before the start.
func everyStrikeWasWarned(t *testing.T, s *show) {
	for _, o := range s.score.outcomes {
		if o.struck && !o.alarmed {
			t.Errorf("%s struck on %s without an alarm before", o.job, o.machine)
		}
		if o.alarmed && o.lead < 0 {
			t.Errorf("%s on %s: the alarm came %s after the start", o.job, o.machine, -o.lead)
		}
	}
}

// metricsAgree holds the demo's own counts against what the daemon exports.
func metricsAgree(t *testing.T, s *show) {
	res, err := http.Get(s.app.URL() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	http.DefaultClient.CloseIdleConnections()
	for _, c := range []struct {
		metric string
		want   float64
	}{
		{"rollwarden_head_strikes_total", float64(s.score.count(func(o outcome) bool { return o.struck }))},
		{"rollwarden_starts_total", float64(s.score.starts)},
		{`rollwarden_rejected_inputs_total`, float64(s.score.broken)},
		{`rollwarden_events_total{type="ticket.received"}`, float64(s.score.tickets)},
		{`rollwarden_strikes_by_warning_total{warned="no"}`, 0},
	} {
		if got := sum(string(text), c.metric); got != c.want {
			t.Errorf("%s: the daemon says %g, the world %g", c.metric, got, c.want)
		}
	}
}

// sum adds the samples of a metric.
func sum(text, metric string) (total float64) {
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, metric); ok && (rest[0] == ' ' || rest[0] == '{') {
			var v float64
			fmt.Sscan(rest[strings.LastIndex(rest, " ")+1:], &v)
			total += v
		}
	}
	return total
}

func everyTicketIsSettled(t *testing.T, s *show) {
	accepted, rejected := 0, 0
	for _, p := range places {
		for _, where := range []struct {
			dir string
			n   *int
		}{{"accepted", &accepted}, {"rejected", &rejected}} {
			files, err := filepath.Glob(filepath.Join(s.tickets(), p.name, where.dir, "KL-*"))
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range files {
				if !strings.HasSuffix(f, ".reason.txt") {
					*where.n++
				}
			}
		}
	}
	if want := s.score.tickets + s.score.signals; accepted != want || rejected != s.score.broken {
		t.Errorf("%d files accepted, want %d; %d rejected, want %d", accepted, want, rejected, s.score.broken)
	}
}

// The truth keeps the order that common practice gives (no source): heat and
// dry air make cheap film lift more often, better film hardly lifts, and an
// edge past the cure exit does not.
func TestTheTruthAboutLifting(t *testing.T) {
	usual := start{class: event.Monomeric, cureC: 93, rhPct: 50}
	with := func(change func(*start)) float64 {
		s := usual
		change(&s)
		return s.strikes()
	}
	base := usual.strikes()
	if base < 0.05 || base > 0.3 {
		t.Errorf("a bare edge strikes with %.2f: the demo would show nothing, or be absurd", base)
	}
	for name, ok := range map[string]bool{
		"hotter is worse":      with(func(s *start) { s.cureC = 116 }) > base,
		"drier is worse":       with(func(s *start) { s.rhPct = 25 }) > base,
		"a rounded lip helps":  with(func(s *start) { s.shaped = true }) < base,
		"and settles nothing":  with(func(s *start) { s.shaped = true }) > 0,
		"polymeric lies flat":  with(func(s *start) { s.class = event.Polymeric }) < base/20,
		"a settled edge is at": with(func(s *start) { s.settled = true }) == 0,
	} {
		if !ok {
			t.Errorf("not so: %s", name)
		}
	}
}
