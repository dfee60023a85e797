package monthly

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/bojanz/currency"

	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

// figure is one number of a report, for programs and spreadsheets. Names and
// units are the same in every language.
type figure struct {
	section, name string
	of            string // the machine, cause, month or other thing that it is of; empty for all
	unit          string // SI, a currency, or what is counted
	value         units.Maybe
	low, high     units.Maybe
	n             units.Maybe // what it was computed from: starts, runs, points
	note          string
}

// columns name what Figures have.
var columns = []string{"month", "site", "section", "figure", "of", "unit", "value", "low", "high", "n", "note"}

// ledger collects figures.
type ledger struct {
	section string
	list    []figure
}

func (l *ledger) add(name, of, unit string, value units.Maybe) {
	l.list = append(l.list, figure{section: l.section, name: name, of: of, unit: unit, value: value})
}

func (l *ledger) count(name, of, unit string, n uint64) {
	l.add(name, of, unit, units.Some(float64(n)))
}

func (l *ledger) estimate(name, of, unit string, e reliability.Estimate, n uint64) {
	l.list = append(l.list, figure{l.section, name, of, unit, e.Value, e.Low, e.High, units.Some(float64(n)), e.Words})
}

// cost adds an amount in its own currency, and the film without a price.
func (l *ledger) cost(name, of string, c reliability.Cost) {
	if c.Amount != nil {
		l.amount(name, of, c.Amount)
	}
	if c.UnpricedM2 > 0 {
		l.add(name+"_unpriced", of, "m2", units.Some(c.UnpricedM2))
	}
}

func (l *ledger) amount(name, of string, a *currency.Amount) {
	l.add(name, of, a.CurrencyCode(), units.Some(number(*a)))
}

func (l *ledger) compare(name, of string, c *reliability.Comparison) {
	l.list = append(l.list, figure{l.section, name, of, "ratio", c.Ratio.Value, c.Ratio.Low, c.Ratio.High, units.Some(float64(c.Starts + c.BeforeStarts)), c.Words})
	l.add(name+"_p", of, "probability", c.P)
}

// figuresOf lists every number of a report.
func figuresOf(r *reliability.Report) []figure {
	var l ledger
	l.ofFront(r)
	l.ofMachines(r)
	l.ofStrikes(r)
	l.ofTrend(r)
	l.ofCharts(r)
	l.ofAlarms(r)
	l.ofRest(r)
	return l.list
}

func (l *ledger) ofFront(r *reliability.Report) {
	f := &r.Front
	l.section = "front"
	l.count("strikes", "", "strikes", f.Strikes)
	l.count("starts", "", "starts", f.Starts)
	l.estimate("starts_between_strikes", "", "starts", f.StartsBetween, f.Starts)
	l.compare("strikes_per_start_against_before", "", &f.Before)
	l.add("waste", "", "m2", units.Some(f.WasteM2))
	l.cost("waste_cost", "", f.WasteCost)
	l.count("reprints", "", "job parts", f.Reprints)
	l.estimate("strikes_prevented", "", "strikes", f.Prevented.Estimate, f.Prevented.Starts)
	for i, s := range f.Next {
		of := fmt.Sprintf("%d: %s", i+1, s.Title)
		if s.Saving != nil {
			l.amount("next_saving", of, s.Saving)
		}
		l.add("next_strikes_fewer", of, "strikes", s.Strikes)
	}
	l.section = "waste"
	for _, c := range r.Waste {
		l.add("waste", c.Name, "m2", units.Some(c.Value))
		l.add("waste_share", c.Name, "ratio", units.Some(c.Share))
		l.cost("waste_cost", c.Name, c.Cost)
	}
	for _, b := range r.Reprints {
		l.add("reprints", b.Name, "job parts", units.Some(b.Value))
	}
}

func (l *ledger) ofMachines(r *reliability.Report) {
	l.section = "machines"
	for i := range r.Machines {
		m := &r.Machines[i]
		of := m.Site + "/" + m.Machine
		k := tally{of, m.Strikes, m.Starts}
		l.count("starts", of, "starts", m.Starts)
		l.count("strikes", of, "strikes", m.Strikes)
		l.estimate("strikes_per_1000_starts", of, "strikes", k.perThousand(), m.Starts)
		l.estimate("starts_between_strikes", of, "starts", m.StartsBetween, m.Starts)
		for _, f := range []struct {
			name, unit string
			value      units.Maybe
		}{
			{"printed", "m", units.Some(m.PrintedM)}, {"printed", "m2", units.Some(m.PrintedM2)}, {"run", "s", units.Some(m.RunS)}, {"down", "s", units.Some(m.DownS)},
			{"waste", "m2", units.Some(m.WasteM2)}, {"availability", "ratio", m.KPIs.Availability}, {"technical_efficiency", "ratio", m.KPIs.TechnicalEfficiency},
			{"mtbf", "s", m.KPIs.MTBFS}, {"mtbf_lower", "s", m.KPIs.MTBFLowerS}, {"mttr", "s", m.KPIs.MTTRS}, {"quality_ratio", "ratio", m.KPIs.QualityRatio},
			{"scrap_ratio", "ratio", m.KPIs.ScrapRatio}, {"rework_ratio", "ratio", m.KPIs.ReworkRatio}, {"longest_silence", "s", units.Some(m.SilentS)},
		} {
			l.add(f.name, of, f.unit, f.value)
		}
		l.cost("waste_cost", of, m.WasteCost)
		l.count("reprints", of, "job parts", m.Reprints)
	}
}

func (l *ledger) ofStrikes(r *reliability.Report) {
	l.section = "strikes"
	for _, k := range r.Kinds {
		of := string(k.Class) + "/" + k.Treatment
		l.count("starts", of, "starts", k.Starts)
		l.count("strikes", of, "strikes", k.Strikes)
		l.estimate("odds", of, "probability", k.Odds, k.Starts)
	}
	for _, m := range r.Months {
		of := m.From.Format(layout)
		k := tally{of, m.Strikes, m.Starts}
		l.count("starts", of, "starts", m.Starts)
		l.count("strikes", of, "strikes", m.Strikes)
		l.estimate("strikes_per_1000_starts", of, "strikes", k.perThousand(), m.Starts)
		l.add("waste", of, "m2", units.Some(m.WasteM2))
	}
	for i := range r.Changes {
		c := &r.Changes[i]
		l.compare("strikes_per_start_after_change", c.Label, &c.Effect)
	}
	for _, s := range r.Strikes {
		of := s.At.UTC().Format("2006-01-02T15:04:05Z") + " " + s.Site + "/" + s.Machine + " " + event.JobName(s.Job, s.Part)
		l.list = append(l.list, figure{section: l.section, name: "down", of: of, unit: "s", value: s.DownS, note: s.DownBy})
	}
	l.section = "remedies"
	for i := range r.Remedies {
		m := &r.Remedies[i]
		l.count("starts", m.Treatment, "starts", m.Starts)
		l.count("struck", m.Treatment, "starts", m.Struck)
		l.estimate("odds", m.Treatment, "probability", m.Odds, m.Starts)
		l.add("expected_strikes", m.Treatment, "strikes", m.Expected)
		if m.Cost != nil {
			l.amount("cost", m.Treatment, m.Cost)
		}
		if m.Against != nil {
			l.compare("strikes_per_start_against_none", m.Treatment, m.Against)
		}
	}
}

func (l *ledger) ofTrend(r *reliability.Report) {
	t := &r.Trend
	l.section = "trend"
	l.count("strikes", "", "strikes", uint64(t.Strikes))
	l.count("starts", "", "starts", t.Starts)
	l.estimate("beta", "", "1", t.Beta, uint64(t.Strikes))
	l.add("lambda", "", "1", t.Lambda)
	l.estimate("starts_between_strikes_now", "", "starts", t.Between, uint64(t.Strikes))
	l.add("cramer_von_mises", "", "1", t.Cramer)
	l.add("cramer_von_mises_limit", "", "1", t.CramerLimit)
	for _, q := range t.Points {
		l.add("strike_at_start", strconv.Itoa(q.Strikes), "starts", units.Some(q.Starts+0.5))
		l.add("strikes_expected", strconv.Itoa(q.Strikes), "strikes", q.Model)
	}
}

func (l *ledger) ofCharts(r *reliability.Report) {
	l.section = "charts"
	for _, c := range r.Charts {
		l.list = append(l.list, figure{section: l.section, name: c.Name + "_center", unit: c.Unit, value: units.Some(c.Center), n: units.Some(float64(len(c.Points))), note: c.Words})
		for _, p := range c.Points {
			note := ""
			if p.Beyond {
				note = "beyond its limits"
			}
			l.list = append(l.list, figure{l.section, c.Name, p.Label, c.Unit, units.Some(p.Value), units.Some(p.Low), units.Some(p.High), units.Maybe{}, note})
		}
	}
}

func (l *ledger) ofAlarms(r *reliability.Report) {
	a := &r.Alarms
	l.section = "alarms"
	l.count("annunciations", "", "alarms", a.Annunciations)
	l.add("per_10_min", "", "alarms", a.PerTenMinutes)
	l.count("peak_per_10_min", "", "alarms", a.Peak)
	l.count("floods", "", "floods", a.Floods)
	l.add("flood_share", "", "ratio", a.FloodShare)
	l.count("chattering", "", "alarms", a.Chattering)
	l.count("fleeting", "", "alarms", a.Fleeting)
	l.count("stale", "", "alarms", a.Stale)
	l.add("top_10_share", "", "ratio", a.TopTenShare)
	for _, b := range a.Top {
		l.add("annunciations", b.Name, "alarms", units.Some(b.Value))
	}
	for _, b := range a.Priorities {
		l.add("annunciations", "priority "+b.Name, "alarms", units.Some(b.Value))
	}
	for _, h := range a.Hazards {
		l.count("alarms", h.Hazard, "alarms", h.Alarms)
		l.count("acknowledged", h.Hazard, "alarms", h.Acknowledged)
		l.add("median_to_acknowledge", h.Hazard, "s", h.MedianAckS)
		l.add("median_lead", h.Hazard, "s", h.MedianLeadS)
		l.add("tenth_lead", h.Hazard, "s", h.TenthLeadS)
		l.count("treated", h.Hazard, "starts", h.Treated)
		l.count("untreated", h.Hazard, "starts", h.Untreated)
		l.count("struck", h.Hazard, "starts", h.Struck)
	}
	q := &a.BareEdge
	l.count("warned_treated", "bare-edge", "starts", q.WarnedTreated)
	l.count("warned_treated_struck", "bare-edge", "starts", q.WarnedTreatedStruck)
	l.count("warned_untreated", "bare-edge", "starts", q.WarnedUntreated)
	l.count("warned_untreated_struck", "bare-edge", "starts", q.WarnedUntreatedStruck)
	l.count("unwarned", "bare-edge", "starts", q.Unwarned)
	l.count("unwarned_struck", "bare-edge", "starts", q.UnwarnedStruck)
	l.estimate("precision", "bare-edge", "probability", q.Precision, q.WarnedUntreated)
	l.estimate("recall", "bare-edge", "probability", q.Recall, q.WarnedUntreatedStruck+q.WarnedTreatedStruck+q.UnwarnedStruck)
}

func (l *ledger) ofRest(r *reliability.Report) {
	if f := r.Forecast; f != nil {
		l.section = "forecast"
		n := units.Some(float64(f.Starts))
		for _, v := range []struct {
			name  string
			value units.Maybe
		}{
			{"brier", units.Some(f.Brier)}, {"brier_of_average", units.Some(f.AverageBrier)}, {"skill_against_average", f.AgainstAverage}, {"skill", f.Skill}, {"reliability", units.Some(f.Reliability)},
			{"resolution", units.Some(f.Resolution)}, {"uncertainty", units.Some(f.Uncertainty)}, {"within", units.Some(f.Within)},
		} {
			l.list = append(l.list, figure{section: l.section, name: v.name, unit: "1", value: v.value, n: n, note: f.Words})
		}
		for _, b := range f.Bins {
			of := fmt.Sprintf("%g to %g", b.Low, b.High)
			l.add("mean_odds", of, "probability", units.Some(b.MeanP))
			l.estimate("rate", of, "probability", b.Rate, uint64(b.Starts))
		}
	}
	l.section = "tickets"
	l.count("received", "", "tickets", r.Tickets.Received)
	l.count("withdrawn", "", "tickets", r.Tickets.Withdrawn)
	l.count("rejected", "", "files", r.Tickets.Rejected)
	for _, b := range r.Tickets.Kinds {
		l.add("rejected", b.Name, "files", units.Some(b.Value))
	}
	for _, b := range r.Tickets.Advice {
		l.add("advice_accepted", b.Name, "times", units.Some(b.Value))
	}
	l.section = "quality"
	l.count("events", "", "events", r.Events)
	for _, d := range r.Quality {
		l.list = append(l.list, figure{section: l.section, name: d.Code, unit: "times", value: units.Some(float64(d.Count)), note: d.Words})
	}
}

// writeCSV writes the figures as RFC 4180 has it: a header, CRLF, and quotes
// where a text needs them.
func writeCSV(w io.Writer, e *Edition) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(columns); err != nil {
		return err
	}
	for _, f := range figuresOf(&e.Report) {
		row := []string{
			e.Month.String(), harmless(e.Site), f.section, f.name, harmless(f.of), f.unit,
			decimal(f.value), decimal(f.low), decimal(f.high), decimal(f.n), harmless(f.note),
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// decimal writes a number that every spreadsheet reads; nothing when unknown.
func decimal(m units.Maybe) string {
	v, known := m.Get()
	if !known {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// harmless keeps a text from being taken for a formula: a spreadsheet computes
// what begins like one, whoever wrote it on a ticket. The apostrophe before it
// is common practice, as in OWASP's page on CSV injection.
func harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}
