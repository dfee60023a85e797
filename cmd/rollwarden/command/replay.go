package command

import (
	"context"
	"errors"
	"fmt"
	"io"
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
	// It would be read part by part, and what is judged over all of it would be wrong.
	if n := cfg.NATS.Partitions; n > 1 {
		return nil, nil, fmt.Errorf("the journal is divided among %d streams (nats.partitions): look at the board of the watch that has the site instead", n)
	}
	b, err := openBus(ctx, cfg, url)
	if err != nil {
		return nil, nil, err
	}
	if j, err = journal.Look(ctx, b.JetStream(), cfg.JournalOptions(zerolog.Nop())); err != nil {
		closeBus(b)
		return nil, nil, err
	}
	return j, func() { closeBus(b) }, nil
}

// closeBus ends a connection, and the server that was opened for it. A command that
// was stopped closes it too.
func closeBus(b *bus.Bus) {
	end, cancel := context.WithTimeout(context.Background(), sendWithin)
	defer cancel()
	_ = b.Close(end) // what was sent was acknowledged before
}

// openBus reaches a running watch, or opens the store of one that is not running.
func openBus(ctx context.Context, cfg *config.Config, url string) (*bus.Bus, error) {
	b, err := connect(ctx, cfg, url)
	var other *otherShop
	if err == nil || url != "" || cfg.NATS.URL != "" || errors.As(err, &other) {
		return b, err
	}
	o := cfg.BusOptions("rollwarden-replay", zerolog.Nop())
	o.Listen, o.MQTT = "", ""
	if _, none := os.Stat(o.StoreDir); none != nil {
		return nil, fmt.Errorf("no watch runs and none has left a journal here: %w: go where the watch runs, or give --config or --nats", none)
	}
	return bus.Open(ctx, o)
}

// replayDocument is what the journal holds.
type replayDocument struct {
	Entries  uint64            `json:"entries"`
	Events   uint64            `json:"events" jsonschema:"entries that could be read, without copies"`
	First    time.Time         `json:"first,omitzero" jsonschema:"time of the first event; absent without one"`
	Last     time.Time         `json:"last,omitzero" jsonschema:"time of the last event; absent without one"`
	Unknown  uint64            `json:"unknown" jsonschema:"events of types outside the contract"`
	Refused  uint64            `json:"refused" jsonschema:"messages that could not be decoded"`
	Copies   uint64            `json:"copies" jsonschema:"events that were there already"`
	Machines []totalsDocument  `json:"machines"`
	Warned   uint64            `json:"strikes_with_alarm" jsonschema:"head strikes with a bare-edge alarm before the start"`
	Unwarned uint64            `json:"strikes_without_alarm"`
	Odd      map[string]uint64 `json:"anomalies" jsonschema:"what did not fit, by kind"`

	Messages    []refusedDocument    `json:"refused_messages,omitzero" jsonschema:"only with --refused"`
	Differences []differenceDocument `json:"differences,omitzero" jsonschema:"only with --rejudge"`
}

type totalsDocument struct {
	Site      string  `json:"site"`
	Machine   string  `json:"machine"`
	Starts    uint64  `json:"starts"`
	Strikes   uint64  `json:"strikes" jsonschema:"head strikes"`
	Finished  uint64  `json:"finished" jsonschema:"runs that ended well"`
	PrintedM2 float64 `json:"printed_m2"`
	WastedM2  float64 `json:"wasted_m2"`
}

type refusedDocument struct {
	Seq      uint64    `json:"seq" jsonschema:"of the entry in the journal"`
	StoredAt time.Time `json:"stored_at"`
	Subject  string    `json:"subject"`
	Problems []problem `json:"problems" jsonschema:"why it could not be decoded"`
	Data     string    `json:"data" jsonschema:"as it came, with a mark for what is no text"`

	reason error
}

type differenceDocument struct {
	Site    string     `json:"site"`
	Machine string     `json:"machine"`
	Hazard  string     `json:"hazard"`
	Job     string     `json:"job,omitzero"`
	Part    string     `json:"part,omitzero"`
	WasAt   *time.Time `json:"was_raised_at" jsonschema:"null when it was not"`
	NowAt   *time.Time `json:"would_be_raised_at" jsonschema:"null when it would not be"`
	Message string     `json:"message" jsonschema:"of the alarm that was, or would be, raised"`
}

// read goes through the journal and prints what was asked for.
func (r replayCommand) read(e *env, j *journal.Journal, site rules.Site) error {
	var d replayDocument
	engine, again := rules.New(site), rules.NewRejudge(site)
	tick, end := e.progress("reading the journal")
	err := counted{j, tick}.Read(e.ctx, 1, 0, "", func(m journal.Entry) error {
		ev, err := event.Decode(m.Message)
		if err != nil {
			engine.Refuse(m.Seq, m.Stored, m.Subject, err)
			if r.Refused {
				d.Messages = append(d.Messages, refusedDocument{m.Seq, m.Stored.UTC(), m.Subject, problemsOf(err), string(m.Data), err})
			}
			return nil
		}
		if d.First.IsZero() {
			d.First = ev.Time.UTC()
		}
		d.Last = ev.Time.UTC()
		if engine.Apply(m.Seq, ev) && r.Rejudge {
			again.Apply(m.Stored, ev)
		}
		return nil
	})
	end()
	if err != nil {
		return err
	}
	d.total(engine.View(d.Last))
	if r.Rejudge {
		d.Differences = differences(again.Differences())
	}
	return e.answer(d, func(w io.Writer) error {
		switch {
		case r.Rejudge:
			return d.printDifferences(w)
		case r.Refused:
			return d.printRefused(w)
		}
		return d.printTotals(w)
	})
}

// total fills in what the whole journal comes to.
func (d *replayDocument) total(v *rules.View) {
	c := v.Floor.Counts
	for _, n := range c.Events {
		d.Events += n
	}
	d.Entries, d.Unknown, d.Refused, d.Copies = v.Seq, c.Unknown, c.Rejected["event"], c.Duplicate
	for _, m := range v.Floor.Sorted() {
		tally, waste := m.Tally.Net(), 0.0
		for _, m2 := range tally.WasteM2 {
			waste += m2
		}
		d.Machines = append(d.Machines, totalsDocument{m.Site, m.Name, tally.TotalStarts(), tally.TotalStrikes(), tally.Finished, tally.PrintedM2, waste})
	}
	d.Warned, d.Unwarned, d.Odd = v.Alarms.Totals.Warned, v.Alarms.Totals.Unwarned, v.Floor.Anomalies.Total
}

func differences(all []rules.Difference) []differenceDocument {
	out := []differenceDocument{}
	for _, d := range all {
		out = append(out, differenceDocument{d.Site, d.Machine, d.Key.Hazard, d.Key.Job, d.Key.Part, orNull(d.Was), orNull(d.Now), d.Message})
	}
	return out
}

func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (d *replayDocument) printDifferences(w io.Writer) error {
	for _, one := range d.Differences {
		var what string
		if one.NowAt != nil {
			what = "would be raised now " + one.NowAt.Format(time.RFC3339)
		} else {
			what = "was raised then " + one.WasAt.Format(time.RFC3339) + ", and would not be now"
		}
		name := strings.TrimSpace(one.Hazard + " " + event.JobName(one.Job, one.Part))
		fmt.Fprintf(w, "%s/%s %s: %s\n    %s\n", one.Site, one.Machine, name, what, one.Message)
	}
	_, err := fmt.Fprintf(w, "alarms that differ: %d\n", len(d.Differences))
	return err
}

func (d *replayDocument) printRefused(w io.Writer) error {
	for _, m := range d.Messages {
		if _, err := fmt.Fprintf(w, "%d %s %s: %v\n    %s\n", m.Seq, m.StoredAt.Format(time.RFC3339), m.Subject, m.reason, m.Data); err != nil {
			return err
		}
	}
	return nil
}

func (d *replayDocument) printTotals(w io.Writer) error {
	fmt.Fprintf(w, "journal: %d entries, %d events from %s to %s (%s), %d of unknown types, %d refused, %d copies\n", d.Entries, d.Events,
		d.First.Format(time.RFC3339), d.Last.Format(time.RFC3339), units.Span(d.Last.Sub(d.First)), d.Unknown, d.Refused, d.Copies)
	for _, m := range d.Machines {
		fmt.Fprintf(w, "%s/%s: %d starts, %d head strikes, %d finished, %.1f m² printed, %.2f m² wasted\n", m.Site, m.Machine,
			m.Starts, m.Strikes, m.Finished, m.PrintedM2, m.WastedM2)
	}
	_, err := fmt.Fprintf(w, "strikes with a bare-edge alarm before them: %d, without: %d\n", d.Warned, d.Unwarned)
	for _, kind := range slices.Sorted(maps.Keys(d.Odd)) {
		fmt.Fprintf(w, "anomaly %s: %d\n", kind, d.Odd[kind])
	}
	return err
}
