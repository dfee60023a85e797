package command

import (
	"context"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/units"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/journal"
)

type replayCommand struct {
	Rejudge bool   `help:"Judge the whole journal by the present rule book and print what differs. The journal stays as it is."`
	Refused bool   `help:"Print every message that could not be decoded, with its reason."`
	NATS    string `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// Run reads the journal from its start.
func (r replayCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	site, err := cfg.Site()
	if err != nil {
		return err
	}
	j, done, err := openJournal(e.ctx, cfg, r.NATS)
	if err != nil {
		return err
	}
	defer done()
	return r.read(e, j, site)
}

// openJournal opens the journal to read, of a running watch or of one that does
// not run. Whoever reads it calls done at the end.
func openJournal(ctx context.Context, cfg *config.Config, url string) (j *journal.Journal, done func(), err error) {
	b, err := openBus(ctx, cfg, url)
	if err != nil {
		return nil, nil, err
	}
	done = func() {
		end, cancel := context.WithTimeout(context.Background(), sendWithin)
		defer cancel()
		b.Close(end)
	}
	if j, err = journal.Look(ctx, b.JetStream(), cfg.JournalOptions(zerolog.Nop())); err != nil {
		done()
		return nil, nil, err
	}
	return j, done, nil
}

// openBus reaches a running watch, or opens the store of one that is not running.
func openBus(ctx context.Context, cfg *config.Config, url string) (*bus.Bus, error) {
	b, err := connect(ctx, cfg, url)
	if err == nil || url != "" || cfg.NATS.URL != "" {
		return b, err
	}
	o := cfg.BusOptions("rollwarden-replay", zerolog.Nop())
	o.Listen, o.MQTT = "", ""
	if _, none := os.Stat(o.StoreDir); none != nil {
		return nil, fmt.Errorf("no watch runs and none has left a journal here: %w: go where the watch runs, or give --config or --nats", none)
	}
	return bus.Open(ctx, o)
}

func (r replayCommand) read(e *env, j *journal.Journal, site rules.Site) error {
	engine, again := rules.New(site), rules.NewRejudge(site)
	var first, last time.Time
	err := j.Read(e.ctx, 1, 0, "", func(m journal.Entry) error {
		ev, err := event.Decode(m.Message)
		if err != nil {
			engine.Refuse(m.Seq, m.Stored, m.Subject, err)
			if r.Refused {
				fmt.Fprintf(e.out, "%d %s %s: %v\n    %s\n", m.Seq, m.Stored.UTC().Format(time.RFC3339), m.Subject, err, m.Data)
			}
			return nil
		}
		if first.IsZero() {
			first = ev.Time
		}
		last = ev.Time
		if engine.Apply(m.Seq, ev) && r.Rejudge {
			again.Apply(m.Stored, ev)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if r.Rejudge {
		return printDifferences(e, again.Differences())
	}
	if !r.Refused {
		printTotals(e, engine.View(last), first, last)
	}
	return nil
}

func printDifferences(e *env, diffs []rules.Difference) error {
	for _, d := range diffs {
		what := "would be raised now " + d.Now.Format(time.RFC3339)
		if d.Now.IsZero() {
			what = "was raised then " + d.Was.Format(time.RFC3339) + ", and would not be now"
		}
		name := strings.TrimSpace(d.Key.Hazard + " " + event.JobName(d.Key.Job, d.Key.Part))
		fmt.Fprintf(e.out, "%s/%s %s: %s\n    %s\n", d.Site, d.Machine, name, what, d.Message)
	}
	_, err := fmt.Fprintf(e.out, "alarms that differ: %d\n", len(diffs))
	return err
}

func printTotals(e *env, v *rules.View, first, last time.Time) {
	c := v.Floor.Counts
	var events uint64
	for _, n := range c.Events {
		events += n
	}
	fmt.Fprintf(e.out, "journal: %d entries, %d events from %s to %s (%s), %d of unknown types, %d refused, %d copies\n", v.Seq, events,
		first.UTC().Format(time.RFC3339), last.UTC().Format(time.RFC3339), units.Span(last.Sub(first)), c.Unknown, c.Rejected["event"], c.Duplicate)
	for _, m := range v.Floor.Sorted() {
		tally, waste := m.Tally.Net(), 0.0
		for _, m2 := range tally.WasteM2 {
			waste += m2
		}
		fmt.Fprintf(e.out, "%s/%s: %d starts, %d head strikes, %d finished, %.1f m² printed, %.2f m² wasted\n", m.Site, m.Name,
			tally.TotalStarts(), tally.TotalStrikes(), tally.Finished, tally.PrintedM2, waste)
	}
	t := v.Alarms.Totals
	fmt.Fprintf(e.out, "strikes with a bare-edge alarm before them: %d, without: %d\n", t.Warned, t.Unwarned)
	for _, kind := range slices.Sorted(maps.Keys(v.Floor.Anomalies.Total)) {
		fmt.Fprintf(e.out, "anomaly %s: %d\n", kind, v.Floor.Anomalies.Total[kind])
	}
}
