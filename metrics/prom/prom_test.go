package prom_test

import (
	"bytes"
	"cmp"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"pgregory.net/rapid"

	"rollwarden/metrics/prom"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
)

var update = flag.Bool("update", false, "write metrics/catalogue.md")

// morning plays a small journal whose numbers can be added up by hand.
func morning(d *desk) {
	const site, name = "north", "heron"
	d.say(site, name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1000), LengthM: num(50), ThicknessUM: num(220)})
	d.say(site, name, "edge.moved", &event.EdgeMoved{PositionMM: num(0), Cause: event.CauseRewind})
	d.say(site, name, "ticket.received", &event.TicketReceived{
		Job: "J1", Part: "P1", Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, RollWidthMM: num(1000), LengthM: num(3),
		Passes: num(12), InkDensityPct: num(100), CureC: num(93), ContourCut: true, MarkSpacingMM: num(400),
	})
	d.now = d.now.Add(45 * time.Second)
	d.say(site, name, "run.started", &event.RunStarted{Run: run("J1", nil)})
	d.say(site, name, "run.progress", &event.RunProgress{Run: run("J1", num(2))})
	d.say(site, name, "strike.recorded", &event.StrikeRecorded{Job: "J1", Part: "P1", DowntimeS: num(1800)})
	d.say(site, name, "run.stopped", &event.RunStopped{Run: run("J1", num(2))})
	d.say(site, name, "film.wasted", &event.FilmWasted{LengthM: 2, Cause: "head-strike"})
	d.say(site, name, "film.wasted", &event.FilmWasted{LengthM: 0.5, Cause: "trim"})
	d.say(site, name, "job.reprinted", &event.JobReprinted{Job: "J1", Part: "P1", Cause: "head-strike", Copies: num(40)})
	// Two machines that nobody configured, and a stock without a price.
	d.say("quay", "plover", "film.wasted", &event.FilmWasted{LengthM: 1, WidthMM: num(1500), Cause: "roll-end"})
	d.say("quay", "wren", "film.wasted", &event.FilmWasted{LengthM: 2, WidthMM: num(500), Cause: "roll-end"})
	// A file that was refused, a type outside the contract, a second copy.
	d.say(site, name, "ticket.rejected", &event.TicketRejected{SourceFile: "a.xjdf", Kind: "incomplete", Reason: "it ends early"})
	odd := event.Event{ID: "odd", Source: "test", Type: "moon.phase", Time: d.now, Site: site, Machine: name}
	d.engine.Apply(d.seq+1, odd)
	d.engine.Apply(d.seq+2, odd)
	d.engine.Refuse(d.seq+3, d.now, "floor.north.heron.edge.moved", errors.New("data.cause is missing"))
	d.seq += 3
}

// TestMorning compares with numbers that were added up by hand: 2 m of film
// 1 m wide at 1.20 USD per m² cost 2.40 USD, and so on. The name of the price list
// is the beginning of what sha256sum says of the lines "USD", "class monomeric 0 "
// and so on through the classes, and `stock "MONO-GLOSS-137" 1.20 USD`.
func TestMorning(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	o := options(d.site, d.view)
	o.Lag = func() float64 { return 3 }
	o.OpenPages, o.RefusedLogins = func() int { return 2 }, func() uint64 { return 5 }
	o.ConfigurationRefused = func() bool { return true }
	o.FoldersInTrouble = func() int { return 3 }
	o.Standby = func() bool { return true } // not with Ready, outside a test
	o.Odds = func(_ *rules.View, site, machine string) (float64, bool) {
		return 0.19, site+"/"+machine == "north/heron"
	}
	_, r := registry(t, o)
	const want = `
# HELP rollwarden_starts_total Runs started, by the film loaded and what had been done about its edge.
# TYPE rollwarden_starts_total counter
rollwarden_starts_total{film_class="monomeric",machine="heron",site="north",treatment="none"} 1
# HELP rollwarden_head_strikes_total Head strikes recorded, by the film loaded and what had been done about its edge.
# TYPE rollwarden_head_strikes_total counter
rollwarden_head_strikes_total{film_class="monomeric",machine="heron",site="north",treatment="none"} 1
# HELP rollwarden_strikes_by_warning_total Head strikes recorded, by whether a bare-edge alarm stood before.
# TYPE rollwarden_strikes_by_warning_total counter
rollwarden_strikes_by_warning_total{warned="yes"} 1
# HELP rollwarden_strike_probability Probability of a head strike at the machine's next start as it stands; absent when no run is next.
# TYPE rollwarden_strike_probability gauge
rollwarden_strike_probability{machine="heron",site="north"} 0.19
# HELP rollwarden_runs_ended_total Runs that ended, finished or stopped before their end.
# TYPE rollwarden_runs_ended_total counter
rollwarden_runs_ended_total{machine="heron",result="stopped",site="north"} 1
# HELP rollwarden_printed_square_meters_total Film area fed by runs.
# TYPE rollwarden_printed_square_meters_total counter
rollwarden_printed_square_meters_total{machine="heron",site="north"} 2
# HELP rollwarden_downtime_seconds_total Time out of production after head strikes, as recorded.
# TYPE rollwarden_downtime_seconds_total counter
rollwarden_downtime_seconds_total{machine="heron",site="north"} 1800
# HELP rollwarden_film_waste_square_meters_total Film thrown away.
# TYPE rollwarden_film_waste_square_meters_total counter
rollwarden_film_waste_square_meters_total{cause="head-strike",machine="heron",site="north"} 2
rollwarden_film_waste_square_meters_total{cause="roll-end",machine="unconfigured",site="unconfigured"} 2.5
rollwarden_film_waste_square_meters_total{cause="trim",machine="heron",site="north"} 0.5
# HELP rollwarden_film_waste_cost_total All film ever thrown away, at the price list in use, in units of the currency. Another price list is another counter.
# TYPE rollwarden_film_waste_cost_total counter
rollwarden_film_waste_cost_total{cause="head-strike",currency="USD",machine="heron",prices="4514ba55",site="north"} 2.4
rollwarden_film_waste_cost_total{cause="trim",currency="USD",machine="heron",prices="4514ba55",site="north"} 0.6
# HELP rollwarden_film_waste_unpriced_square_meters_total All film ever thrown away for which the price list in use gives no price, so that the cost leaves it out. Another price list is another counter.
# TYPE rollwarden_film_waste_unpriced_square_meters_total counter
rollwarden_film_waste_unpriced_square_meters_total{machine="unconfigured",prices="4514ba55",site="unconfigured"} 2.5
# HELP rollwarden_reprints_total Reprints recorded.
# TYPE rollwarden_reprints_total counter
rollwarden_reprints_total{cause="head-strike",machine="heron",site="north"} 1
# HELP rollwarden_reprinted_copies_total Copies printed again, where the number was recorded.
# TYPE rollwarden_reprinted_copies_total counter
rollwarden_reprinted_copies_total{cause="head-strike",machine="heron",site="north"} 40
# HELP rollwarden_roll_remaining_meters Film left on the roll; absent when unknown.
# TYPE rollwarden_roll_remaining_meters gauge
rollwarden_roll_remaining_meters{machine="heron",site="north"} 48
# HELP rollwarden_edge_position_meters Leading edge, downstream of the print line; absent when unknown.
# TYPE rollwarden_edge_position_meters gauge
rollwarden_edge_position_meters{machine="heron",site="north"} 2
# HELP rollwarden_machine_last_heard_timestamp_seconds When the machine or its operator was last heard, seconds since 1970; 0 for never.
# TYPE rollwarden_machine_last_heard_timestamp_seconds gauge
rollwarden_machine_last_heard_timestamp_seconds{machine="heron",site="north"} 1.772438445e+09
# HELP rollwarden_alarm_lead_seconds Time from the first bare-edge alarm of a run to its start.
# TYPE rollwarden_alarm_lead_seconds histogram
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="10"} 0
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="30"} 0
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="60"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="120"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="300"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="600"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="1800"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="3600"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="7200"} 1
rollwarden_alarm_lead_seconds_bucket{machine="heron",site="north",le="+Inf"} 1
rollwarden_alarm_lead_seconds_sum{machine="heron",site="north"} 45
rollwarden_alarm_lead_seconds_count{machine="heron",site="north"} 1
# HELP rollwarden_duplicate_events_total Events that came again and changed nothing.
# TYPE rollwarden_duplicate_events_total counter
rollwarden_duplicate_events_total 1
# HELP rollwarden_rejected_inputs_total Files and messages that could not be read.
# TYPE rollwarden_rejected_inputs_total counter
rollwarden_rejected_inputs_total{kind="event"} 1
rollwarden_rejected_inputs_total{kind="incomplete"} 1
# HELP rollwarden_anomalies_total Events that did not fit the model of the floor.
# TYPE rollwarden_anomalies_total counter
rollwarden_anomalies_total{kind="refused-event"} 1
rollwarden_anomalies_total{kind="unknown-type"} 1
# HELP rollwarden_journal_lag_messages Messages of the journal that are not folded yet.
# TYPE rollwarden_journal_lag_messages gauge
rollwarden_journal_lag_messages 3
# HELP rollwarden_open_pages Pages that are open and kept up to date.
# TYPE rollwarden_open_pages gauge
rollwarden_open_pages 2
# HELP rollwarden_refused_logins_total Logins and tokens that were refused since the program started.
# TYPE rollwarden_refused_logins_total counter
rollwarden_refused_logins_total 5
# HELP rollwarden_configuration_refused 1 when the configuration was read again and could not be taken up, so that the one before is in use.
# TYPE rollwarden_configuration_refused gauge
rollwarden_configuration_refused 1
# HELP rollwarden_ticket_folders_in_trouble Ticket folders that cannot be used, or in which tickets wait because they cannot be read or moved.
# TYPE rollwarden_ticket_folders_in_trouble gauge
rollwarden_ticket_folders_in_trouble 3
# HELP rollwarden_ready 1 when the watch shows something of the floor, and all that it shows was read to its end and can be read and written now.
# TYPE rollwarden_ready gauge
rollwarden_ready 1
# HELP rollwarden_standby 1 when the watch is well and shows nothing because others show all of the floor; it is not ready then, and takes over when they fall silent.
# TYPE rollwarden_standby gauge
rollwarden_standby 1
# HELP rollwarden_site_watched 1 for a site that this watch shows, 0 for one that it leaves to another or has not read yet.
# TYPE rollwarden_site_watched gauge
rollwarden_site_watched{site="north"} 1
`
	if err := testutil.GatherAndCompare(nonzero(r), strings.NewReader(want), namesIn(want)...); err != nil {
		t.Error(err)
	}
	families := gather(t, nonzero(r))
	if got := value(families["rollwarden_journal_sequence"].Metric[0]); got != float64(d.seq) {
		t.Errorf("the journal's sequence is %g, want %d", got, d.seq)
	}
	if got := label(families["rollwarden_build_info"].Metric[0], "version"); got != "test" {
		t.Errorf("build_info says version %q", got)
	}
	checkAgainstBook(t, d, families)
}

// checkAgainstBook adds up alarms, transitions and pages from the view itself:
// how many hazards a scene shows is not this package's business.
func checkAgainstBook(t *testing.T, d *desk, families map[string]*dto.MetricFamily) {
	t.Helper()
	v := d.view()
	standing, due := 0, 0
	transitions := uint64(0)
	for _, list := range v.Alarms.Alarms {
		standing += len(list)
	}
	for _, p := range v.Alarms.Pages {
		due += len(p.Open)
	}
	for _, states := range v.Alarms.Totals.Transitions {
		for _, n := range states {
			transitions += n
		}
	}
	for name, want := range map[string]float64{
		"rollwarden_alarms": float64(standing), "rollwarden_pages_due": float64(due),
		"rollwarden_alarm_transitions_total": float64(transitions),
	} {
		got := 0.0
		for _, m := range families[name].GetMetric() {
			got += value(m)
		}
		if got != want || want == 0 {
			t.Errorf("%s adds up to %g, want %g and more than nothing", name, got, want)
		}
	}
}

func namesIn(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if f := strings.Fields(line); len(f) > 2 && f[1] == "TYPE" {
			out = append(out, f[2])
		}
	}
	return out
}

func label(m *dto.Metric, name string) string {
	for _, l := range m.Label {
		if l.GetName() == name {
			return l.GetValue()
		}
	}
	return ""
}

// TestPages counts every result per channel.
func TestPages(t *testing.T) {
	d := newDesk(t, shop(t))
	d.fold("north", "heron", "page.sent", &event.PageSent{Alarm: "a", Channel: "log", Attempt: 1})
	d.fold("north", "heron", "page.failed", &event.PageFailed{Alarm: "a", Channel: "office", Attempt: 1, Reason: "refused"})
	d.fold("north", "heron", "page.failed", &event.PageFailed{Alarm: "a", Channel: "office", Attempt: 2, Reason: "refused", Final: true})
	d.fold("north", "heron", "page.sent", &event.PageSent{Alarm: "a", Channel: "old-pager", Attempt: 1})
	_, r := registry(t, options(d.site, d.view))
	const want = `
# HELP rollwarden_pages_total Pages sent, tries that failed, and pages given up.
# TYPE rollwarden_pages_total counter
rollwarden_pages_total{channel="log",result="dropped"} 0
rollwarden_pages_total{channel="log",result="failed"} 0
rollwarden_pages_total{channel="log",result="sent"} 1
rollwarden_pages_total{channel="office",result="dropped"} 1
rollwarden_pages_total{channel="office",result="failed"} 2
rollwarden_pages_total{channel="office",result="sent"} 0
rollwarden_pages_total{channel="unconfigured",result="dropped"} 0
rollwarden_pages_total{channel="unconfigured",result="failed"} 0
rollwarden_pages_total{channel="unconfigured",result="sent"} 1
`
	if err := testutil.GatherAndCompare(r, strings.NewReader(want), namesIn(want)...); err != nil {
		t.Error(err)
	}
}

// TestZeroFromTheStart wants every counter and histogram of the table, with
// every value of its labels, before anything has happened.
func TestZeroFromTheStart(t *testing.T) {
	d := newDesk(t, shop(t, machine("north", "heron"), machine("quay", "plover")))
	o := options(d.site, d.view)
	o.Lag = func() float64 { return 0 }
	o.OpenPages, o.RefusedLogins = func() int { return 0 }, func() uint64 { return 0 }
	o.ConfigurationRefused = func() bool { return false }
	o.FoldersInTrouble = func() int { return 0 }
	o.Standby = func() bool { return false }
	_, r := registry(t, o)
	families := gather(t, r)
	for _, m := range prom.Table {
		want := 1
		for _, l := range m.Labels {
			switch {
			case l.Name == "site":
				want *= 3 // two machines and the others; their sites and names go together
			case l.Name == "machine", l.Values == nil:
			default:
				want *= len(l.Values(&o))
			}
		}
		switch m.Name {
		case "rollwarden_strike_probability", "rollwarden_roll_remaining_meters", "rollwarden_edge_position_meters":
			want = 0 // nobody knows, and zero would be a lie
		case "rollwarden_machine_last_heard_timestamp_seconds", "rollwarden_site_watched":
			want = 2
		case "rollwarden_fact_unknown":
			want = 2 * 3
		}
		got := families[m.Name].GetMetric()
		if len(got) != want {
			t.Errorf("%s has %d series at the start, want %d", m.Name, len(got), want)
		}
		for _, s := range got {
			if m.Type != prom.Gauge && value(s) != 0 {
				t.Errorf("%s starts at %g: %v", m.Name, value(s), s)
			}
		}
	}
	for _, s := range families["rollwarden_fact_unknown"].GetMetric() {
		if value(s) != 1 {
			t.Errorf("nothing was said yet, but a fact is known: %v", s)
		}
	}
}

// TestJournalNotRead holds the counters back until the whole journal has been
// read, and shows them from then on whatever becomes of the connection.
func TestJournalNotRead(t *testing.T) {
	d := newDesk(t, shop(t))
	var view *rules.View
	ready := false
	o := options(d.site, func() *rules.View { return view })
	o.Ready = func() bool { return ready }
	_, r := registry(t, o)
	live := []string{"rollwarden_build_info", "rollwarden_event_to_alarm_seconds", "rollwarden_ready", "rollwarden_site_watched"}
	check := func(when string, wantAll bool) {
		t.Helper()
		var got []string
		for name := range gather(t, r) {
			got = append(got, name)
		}
		slices.Sort(got)
		if wantAll != slices.Contains(got, "rollwarden_events_total") {
			t.Errorf("%s: the journal's counters are shown: %v, want %v", when, !wantAll, wantAll)
		}
		if !wantAll && !slices.Equal(got, live) {
			t.Errorf("%s: shown are %v, want %v", when, got, live)
		}
	}
	check("while the journal is read", false)
	view, ready = d.view(), true
	check("when it has been read", true)
	ready = false
	check("when the connection is lost later", true)
	if got := value(gather(t, r)["rollwarden_ready"].Metric[0]); got != 0 {
		t.Errorf("ready is %g without the journal, want 0", got)
	}
	view = nil
	check("when another watch shows it", false)
	if got := value(gather(t, r)["rollwarden_site_watched"].Metric[0]); got != 0 {
		t.Errorf("a site that another watch shows is %g, want 0", got)
	}
}

// TestLint holds names, help and units against the checks that Prometheus
// publishes as promlint, and the unit against OpenMetrics 1.0, which wants it
// as the suffix of the name.
// Source: https://prometheus.io/docs/practices/naming/ and
// https://prometheus.io/docs/specs/om/open_metrics_spec/ ("Unit").
func TestLint(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	c, r := registry(t, options(d.site, d.view))
	c.ObserveAlarm(time.Millisecond, "e1")
	problems, err := testutil.GatherAndLint(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for _, m := range prom.Table {
		stem := m.Name
		if m.Type == prom.Counter {
			stem = strings.TrimSuffix(stem, "_total")
		}
		if m.Unit != "" && !strings.HasSuffix(stem, "_"+m.Unit) {
			t.Errorf("%s does not end in its unit %q", m.Name, m.Unit)
		}
		if !strings.HasPrefix(m.Name, "rollwarden_") {
			t.Errorf("%s lacks the prefix", m.Name)
		}
	}
}

// TestRestart compares a running watch with one that came back from a
// snapshot: not one byte may differ.
func TestRestart(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	_, before := registry(t, options(d.site, d.view))
	saved, err := d.engine.Freeze().Encode()
	if err != nil {
		t.Fatal(err)
	}
	again := newDesk(t, d.site)
	again.now = d.now
	if err := again.engine.Restore(saved); err != nil {
		t.Fatal(err)
	}
	_, after := registry(t, options(d.site, again.view))
	if got, want := text(t, after), text(t, before); got != want {
		t.Errorf("after a restart:\n%s\nbefore:\n%s", got, want)
	}
}

func text(t testing.TB, g prometheus.Gatherer) string {
	t.Helper()
	all, err := g.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	for _, f := range all {
		if _, err := expfmt.MetricFamilyToText(&b, f); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

// TestUndone takes a strike and some waste back: the counters stay, and what they
// count too much is counted as well.
func TestUndone(t *testing.T) {
	d := newDesk(t, shop(t))
	_, r := registry(t, options(d.site, d.view))
	for i, typ := range []event.Type{"strike.recorded", "film.wasted"} {
		d.fold("north", "heron", typ, []event.Payload{&event.StrikeRecorded{}, &event.FilmWasted{LengthM: 2, WidthMM: num(1000), Cause: "trim"}}[i])
		d.fold("north", "heron", "entry.undone", &event.EntryUndone{Event: fmt.Sprint("e", d.seq), Type: typ, By: "ada"})
	}
	d.fold("attic", "stray", "film.wasted", &event.FilmWasted{LengthM: 2, WidthMM: num(1000), Cause: "trim"})
	d.fold("attic", "stray", "entry.undone", &event.EntryUndone{Event: fmt.Sprint("e", d.seq), Type: "film.wasted", By: "ada"})
	const want = `
# HELP rollwarden_entries_undone_total Entries that a person took back. Other counters keep what those had counted: subtract them to know what stands.
# TYPE rollwarden_entries_undone_total counter
rollwarden_entries_undone_total{machine="heron",site="north",type="film.wasted"} 1
rollwarden_entries_undone_total{machine="heron",site="north",type="strike.recorded"} 1
rollwarden_entries_undone_total{machine="unconfigured",site="unconfigured",type="film.wasted"} 1
# HELP rollwarden_film_waste_square_meters_total Film thrown away.
# TYPE rollwarden_film_waste_square_meters_total counter
rollwarden_film_waste_square_meters_total{cause="trim",machine="heron",site="north"} 2
rollwarden_film_waste_square_meters_total{cause="trim",machine="unconfigured",site="unconfigured"} 2
# HELP rollwarden_head_strikes_total Head strikes recorded, by the film loaded and what had been done about its edge.
# TYPE rollwarden_head_strikes_total counter
rollwarden_head_strikes_total{film_class="unknown",machine="heron",site="north",treatment="none"} 1
`
	if err := testutil.GatherAndCompare(nonzero(r), strings.NewReader(want), "rollwarden_entries_undone_total", "rollwarden_film_waste_square_meters_total", "rollwarden_head_strikes_total"); err != nil {
		t.Error(err)
	}
}

// TestBounded floods the journal with names from outside and wants not one
// series more, while nothing goes uncounted.
func TestBounded(t *testing.T) {
	d := newDesk(t, shop(t))
	o := options(d.site, d.view)
	_, r := registry(t, o)
	count := func() int {
		n, err := testutil.GatherAndCount(r)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	d.fold("north", "heron", "head.checked", &event.HeadChecked{NozzlesOK: truth(true), ObstructionClear: truth(true)})
	before := count()
	for i := range 1000 {
		name := fmt.Sprint("stray", i)
		d.fold("attic", name, "roll.loaded", &event.RollLoaded{Stock: name, WidthMM: num(1000)})
		d.fold("attic", name, "run.started", &event.RunStarted{Run: run(name, nil)})
		d.fold("attic", name, "film.wasted", &event.FilmWasted{LengthM: 1, Cause: "other"})
		d.fold("attic", name, "page.sent", &event.PageSent{Alarm: name, Channel: name, Attempt: 1})
		d.fold("attic", name, "alarm.changed", &event.AlarmChanged{Hazard: name, From: "normal", To: name, On: "condition", Priority: "low", Message: "stray"})
	}
	if after := count(); after != before {
		t.Errorf("1000 strangers made %d series out of %d", after, before)
	}
	families := gather(t, r)
	for name, want := range map[string]map[string]string{
		"rollwarden_starts_total":                            {"machine": "unconfigured", "film_class": "unknown", "treatment": "none"},
		"rollwarden_pages_total":                             {"channel": "unconfigured", "result": "sent"},
		"rollwarden_alarm_transitions_total":                 {"hazard": "unconfigured", "to": "unconfigured"},
		"rollwarden_film_waste_unpriced_square_meters_total": {"machine": "unconfigured"},
	} {
		if got := find(families[name], want); got != 1000 {
			t.Errorf("%s%v is %g, want 1000", name, want, got)
		}
	}
	checkValues(t, &o, families)
}

func find(f *dto.MetricFamily, labels map[string]string) float64 {
	for _, m := range f.GetMetric() {
		same := true
		for k, v := range labels {
			same = same && label(m, k) == v
		}
		if same {
			return value(m)
		}
	}
	return -1
}

// checkValues wants every label value to be one that the table announces.
func checkValues(t *testing.T, o *prom.Options, families map[string]*dto.MetricFamily) {
	t.Helper()
	for _, m := range prom.Table {
		for _, l := range m.Labels {
			if l.Values == nil {
				continue
			}
			allowed := l.Values(o)
			for _, s := range families[m.Name].GetMetric() {
				if v := label(s, l.Name); !slices.Contains(allowed, v) {
					t.Errorf("%s has %s=%q, which is none of %v", m.Name, l.Name, v, allowed)
				}
			}
		}
	}
}

// TestNeverDown plays random events on known and unknown machines of a divided
// floor, whose partitions go from one watch to another, and whose watches read
// another price list now and then. It wants every counter and every bucket to stay
// or to grow, whoever shows it, and to be shown by nobody but who has its partition
// and its prices.
// Source: https://prometheus.io/docs/concepts/metric_types/ ("Counter").
func TestNeverDown(t *testing.T) {
	sites := []rules.Site{shop(t, machine("north", "heron")), shop(t, machine("quay", "plover"))}
	lists := []*film.Catalogue{
		sites[0].Films, nil,
		priced(t, map[string]string{"MONO-GLOSS-137": "0.80"}),
		priced(t, map[string]string{"MONO-GLOSS-137": "1.20", "CAST-WRAP-152": "3.10"}),
	}
	rapid.Check(t, func(rt *rapid.T) {
		f := &divided{t: t, holder: make([]int, len(sites))}
		for _, site := range sites {
			d := newDesk(t, site)
			d.fold(site.Machines[0].Site, site.Machines[0].Name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1000)})
			f.desks = append(f.desks, d)
		}
		last := map[string]float64{}
		for range rapid.IntRange(1, 40).Draw(rt, "events") {
			n := rapid.IntRange(0, len(sites)-1).Draw(rt, "partition")
			randomEvent(rt, f.desks[n])
			f.holder[n] = rapid.SampledFrom([]int{f.holder[n], f.holder[n], f.holder[n], 0, 1, nobody}).Draw(rt, "holder")
			if rapid.IntRange(0, 3).Draw(rt, "scrape") > 0 {
				continue
			}
			for watch := range 2 {
				shown := monotone(t, f.watch(watch, lists[rapid.IntRange(0, len(lists)-1).Draw(rt, "prices")]))
				list := ""
				for series, is := range shown {
					if is < last[series] {
						rt.Fatalf("%s went from %g to %g at watch %d", series, last[series], is, watch)
					}
					last[series] = is
					list = cmp.Or(list, labelIn(series, "prices"))
				}
				for series := range last {
					of, _ := strconv.Atoi(labelIn(series, "partition"))
					want := f.holder[of] == watch && cmp.Or(labelIn(series, "prices"), list) == list
					if _, there := shown[series]; there != want {
						rt.Fatalf("%s is shown at watch %d: %v", series, watch, there)
					}
				}
			}
		}
	})
}

// divided is a floor of one desk for each partition.
type divided struct {
	t      *testing.T
	desks  []*desk
	holder []int // which watch has the partition
}

const nobody = -1

// watch is one of several on the floor, which has just read a price list.
func (f *divided) watch(number int, films *film.Catalogue) prometheus.Gatherer {
	o := options(f.desks[0].site, nil)
	o.Parts, o.Ready, o.Films = nil, nil, films
	for n, d := range f.desks {
		o.Parts = append(o.Parts, prom.Part{Partition: strconv.Itoa(n), Machines: d.site.Machines, View: func() *rules.View {
			if f.holder[n] != number {
				return nil
			}
			return d.view()
		}})
	}
	_, r := registry(f.t, o)
	return r
}

// labelIn reads a label of a series that monotone returned; empty when it has none.
func labelIn(series, name string) string {
	_, rest, _ := strings.Cut(series, ","+name+"=")
	value, _, _ := strings.Cut(rest, ",")
	return value
}

// TestSumsHoldStill sums parts whose sum depends on the order in floating
// point, 0.1 + 0.2 + 0.3 m², and wants the same digits on every scrape.
func TestSumsHoldStill(t *testing.T) {
	d := newDesk(t, shop(t))
	for i, length := range []float64{0.1, 0.2, 0.3} {
		d.fold("attic", fmt.Sprint("stray", i), "film.wasted", &event.FilmWasted{LengthM: length, WidthMM: num(1000), Cause: "trim"})
	}
	_, r := registry(t, options(d.site, d.view))
	first := text(t, r)
	for range 50 {
		if text(t, r) != first {
			t.Fatal("two scrapes of one view differ")
		}
	}
}

func randomEvent(rt *rapid.T, d *desk) {
	machine := rapid.SampledFrom([]string{d.site.Machines[0].Name, "stray1", "stray2", "stray3"}).Draw(rt, "machine")
	job := rapid.SampledFrom([]string{"J1", "J2"}).Draw(rt, "job")
	length := rapid.Float64Range(0, 30).Draw(rt, "length")
	cause := rapid.SampledFrom(event.WasteCauses).Draw(rt, "cause")
	class := rapid.SampledFrom(event.Classes).Draw(rt, "class")
	stock := rapid.SampledFrom([]string{"MONO-GLOSS-137", "CAST-WRAP-152", ""}).Draw(rt, "stock")
	d.now = d.now.Add(time.Duration(rapid.IntRange(-100, 1000).Draw(rt, "seconds")) * time.Second)
	kinds := []struct {
		typ event.Type
		p   event.Payload
	}{
		{"roll.loaded", &event.RollLoaded{Stock: stock, FilmClass: class, WidthMM: num(1 + 40*length), LengthM: num(length)}},
		{"roll.removed", &event.RollRemoved{}},
		{"edge.moved", &event.EdgeMoved{PositionMM: num(length), Cause: event.CauseRewind}},
		{"leader.attached", &event.LeaderAttached{LengthMM: 1 + length}},
		{"ticket.received", &event.TicketReceived{Job: job, Part: "P1", FilmClass: class, LengthM: num(length)}},
		{"run.started", &event.RunStarted{Run: run(job, nil)}},
		{"run.progress", &event.RunProgress{Run: run(job, num(length))}},
		{"run.finished", &event.RunFinished{Run: run(job, num(length))}},
		{"run.stopped", &event.RunStopped{Run: run(job, nil)}},
		{"cut.finished", &event.CutFinished{Job: job, Part: "P1", Rewound: truth(true)}},
		{"strike.recorded", &event.StrikeRecorded{DowntimeS: num(length)}},
		{"film.wasted", &event.FilmWasted{LengthM: length, Cause: cause}},
		{"job.reprinted", &event.JobReprinted{Job: job, Cause: cause, Copies: num(length)}},
		{"page.failed", &event.PageFailed{Alarm: "a", Channel: stock + "c", Attempt: 1, Reason: "r", Final: true}},
		{"ticket.withdrawn", &event.TicketWithdrawn{Job: job, Part: "P1"}},
	}
	k := rapid.SampledFrom(kinds).Draw(rt, "kind")
	d.say(d.site.Machines[0].Site, machine, k.typ, k.p)
}

// monotone returns everything of the floor that may only grow.
func monotone(t testing.TB, r prometheus.Gatherer) map[string]float64 {
	out := map[string]float64{}
	for name, f := range gather(t, r) {
		if name == "rollwarden_event_to_alarm_seconds" {
			continue // of the process
		}
		for _, m := range f.Metric {
			id := name
			for _, l := range m.Label {
				id += "," + l.GetName() + "=" + l.GetValue()
			}
			if f.GetType() == dto.MetricType_COUNTER {
				out[id] = m.Counter.GetValue()
			}
			if h := m.Histogram; h != nil {
				out[id] = float64(h.GetSampleCount())
				out[id+",sum"] = h.GetSampleSum()
				for _, b := range h.Bucket {
					out[fmt.Sprint(id, ",le=", b.GetUpperBound())] = float64(b.GetCumulativeCount())
				}
			}
		}
	}
	return out
}

// TestOpenMetrics reads a scrape in the OpenMetrics format with the decoder of
// prometheus/common, which knows no exemplars, and checks those and the end
// mark by the text of the standard.
// Source: https://prometheus.io/docs/specs/om/open_metrics_spec/ (a set ends
// with "# EOF"; an exemplar's labels have at most 128 letters).
func TestOpenMetrics(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	c, r := registry(t, options(d.site, d.view))
	plain := scrape(t, r)
	if !strings.HasSuffix(plain, "# EOF\n") {
		t.Error("the scrape does not end in # EOF")
	}
	decoder := expfmt.NewDecoder(strings.NewReader(plain), expfmt.NewFormat(expfmt.TypeOpenMetrics))
	families := map[string]*dto.MetricFamily{}
	for {
		f := &dto.MetricFamily{}
		if err := decoder.Decode(f); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		families[f.GetName()] = f
	}
	if got := families["rollwarden_film_waste_cost_total"].GetMetric(); len(got) != 2*len(event.WasteCauses) {
		t.Errorf("the decoder found %d series of waste cost, want %d", len(got), 2*len(event.WasteCauses))
	}
	if got := families["rollwarden_alarm_lead_seconds"].GetType(); got != dto.MetricType_HISTOGRAM {
		t.Errorf("the decoder takes alarm_lead_seconds for a %v", got)
	}

	c.ObserveAlarm(7*time.Millisecond, "e42")
	const exemplar = `le="0.01"} 1 # {event_id="e42"} 0.007 `
	if got := scrape(t, r); !strings.Contains(got, exemplar) {
		t.Errorf("the scrape lacks the exemplar %s", exemplar)
	}
}

func scrape(t testing.TB, r prometheus.Gatherer) string {
	t.Helper()
	handler := promhttp.HandlerFor(r, promhttp.HandlerOpts{EnableOpenMetrics: true})
	request := httptest.NewRequest("GET", "/metrics", nil)
	request.Header.Set("Accept", "application/openmetrics-text; version=1.0.0")
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, request)
	if got := w.Header().Get("Content-Type"); !strings.HasPrefix(got, "application/openmetrics-text") {
		t.Fatalf("the scrape is %s", got)
	}
	return w.Body.String()
}

// TestWhileFolding scrapes while the watch goes on: a view is shared with it,
// and the race detector sees a view that changes.
func TestWhileFolding(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	var view atomic.Pointer[rules.View]
	view.Store(d.view())
	c, r := registry(t, options(d.site, view.Load))
	var scrapers sync.WaitGroup
	for range 2 {
		scrapers.Go(func() {
			for range 20 {
				c.ObserveAlarm(time.Millisecond, "e1")
				if _, err := r.Gather(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range 200 {
		d.say("north", "heron", "film.wasted", &event.FilmWasted{LengthM: 1, Cause: "trim"})
		d.say("north", "heron", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric})
		view.Store(d.view())
	}
	scrapers.Wait()
}

// TestObserveAlarm takes ids that no exemplar may carry, and a clock that runs
// ahead, without losing the observation.
func TestObserveAlarm(t *testing.T) {
	d := newDesk(t, shop(t))
	c, r := registry(t, options(d.site, d.view))
	c.ObserveAlarm(time.Second, "")
	c.ObserveAlarm(time.Second, strings.Repeat("ß", 200))
	c.ObserveAlarm(time.Second, "\xff")
	c.ObserveAlarm(-time.Hour, "from the future")
	h := gather(t, r)["rollwarden_event_to_alarm_seconds"].Metric[0].Histogram
	if h.GetSampleCount() != 4 || h.GetSampleSum() != 3 {
		t.Errorf("count %d and sum %g, want 4 and 3", h.GetSampleCount(), h.GetSampleSum())
	}
	if h.Schema == nil || len(h.PositiveSpan) == 0 {
		t.Error("the histogram has no native buckets")
	}
}

// TestLeadBucketsMatch holds the shape of the fold's counts and the bounds
// together: one count per bound and one above all.
func TestLeadBucketsMatch(t *testing.T) {
	d := newDesk(t, shop(t))
	morning(d)
	for machine, counts := range d.view().Alarms.Totals.Leads {
		if len(counts) != len(alarm.LeadBounds)+1 {
			t.Errorf("%s has %d lead counts for %d bounds", machine, len(counts), len(alarm.LeadBounds))
		}
	}
	if !slices.IsSorted(alarm.LeadBounds) {
		t.Error("the lead bounds are not sorted")
	}
}

func TestNewRefuses(t *testing.T) {
	view := func() *rules.View { return nil }
	of := func(machines ...plant.Machine) []prom.Part { return []prom.Part{{Machines: machines, View: view}} }
	for _, c := range []struct {
		name string
		o    prom.Options
		want string
	}{
		{"nothing to show", prom.Options{}, "no view"},
		{"no view", prom.Options{Parts: []prom.Part{{Partition: "0", View: view}, {Partition: "1"}}}, "parts[1]: no view"},
		{"partition twice", prom.Options{Parts: []prom.Part{{Partition: "0", View: view}, {Partition: "0", View: view}}}, "parts[1]: want a name of its own"},
		{"partition without a name", prom.Options{Parts: []prom.Part{{Partition: "0", View: view}, {View: view}}}, "parts[1]: want a name of its own"},
		{"twice", prom.Options{Parts: of(machine("north", "heron"), machine("north", "heron"))}, "machines[1]: north/heron is listed twice"},
		{"reserved", prom.Options{Parts: of(machine("north", "unconfigured"))}, "choose another"},
		{"bad site", prom.Options{Parts: of(machine("", "heron"))}, "machines[0]: site is missing"},
		{"channel twice", prom.Options{Parts: of(), Channels: []string{"log", "log"}}, "channels[1]"},
	} {
		if _, err := prom.New(c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", c.name, err, c.want)
		}
	}
}

// TestCatalogue keeps metrics/catalogue.md in step with the table.
func TestCatalogue(t *testing.T) {
	const file = "../catalogue.md"
	if *update {
		if err := os.WriteFile(file, []byte(prom.Catalogue()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != prom.Catalogue() {
		t.Error("metrics/catalogue.md is out of date: run go test ./metrics/prom -update")
	}
}

// TestTablesStillFit fails when a table of the rules outgrows the tally, whose
// arrays this package walks by index.
func TestTablesStillFit(t *testing.T) {
	var tally floor.Tally
	if len(tally.Starts) != len(event.Classes) || len(tally.Starts[0]) != len(floor.Treatments) || len(tally.WasteM2) != len(event.WasteCauses) {
		t.Error("the tally and the tables that label it differ in size")
	}
}

func BenchmarkScrape(b *testing.B) {
	for _, n := range []int{50, 1000} {
		b.Run(fmt.Sprint(n, " machines"), func(b *testing.B) { benchmarkScrape(b, n) })
	}
}

func benchmarkScrape(b *testing.B, n int) {
	var machines []plant.Machine
	for i := range n {
		machines = append(machines, machine("north", fmt.Sprint("m", i)))
	}
	d := newDesk(b, shop(b, machines...))
	for _, m := range machines {
		d.fold(m.Site, m.Name, "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: num(1000), LengthM: num(50)})
		d.fold(m.Site, m.Name, "run.started", &event.RunStarted{Run: run("J1", num(1))})
		d.fold(m.Site, m.Name, "film.wasted", &event.FilmWasted{LengthM: 1, Cause: "trim"})
	}
	view := d.view()
	c, err := prom.New(options(d.site, func() *rules.View { return view }))
	if err != nil {
		b.Fatal(err)
	}
	r := prometheus.NewRegistry()
	r.MustRegister(c)
	handler := promhttp.HandlerFor(r, promhttp.HandlerOpts{EnableOpenMetrics: true, DisableCompression: true})
	b.ReportAllocs()
	for b.Loop() {
		handler.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/metrics", nil))
	}
}
