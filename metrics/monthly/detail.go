package monthly

import (
	"strconv"
	"strings"

	"rollwarden/rules/reliability"
	"rollwarden/rules/units"
)

// waste says what film was thrown away, and why.
func (p *writer) waste() section {
	s := section{ID: "waste", Title: p.Say("report.waste")}
	t := p.table(p.Say("report.waste.by-machine"), "machine", "#printed", "#waste", "#waste-share", "cost", "#reprints")
	for _, m := range p.r.Machines {
		t.row(text(m.Site+"/"+m.Machine), p.value(m.PrintedM2, 1), p.value(m.WasteM2, 2), text(p.perPrinted(m.WasteM2, m.PrintedM2)), text(p.cost(m.WasteCost)), p.count(m.Reprints))
	}
	s.show(t)
	var pieces []piece
	causes := p.table(p.Say("report.waste.by-cause"), "cause", "#waste", "cost", "#share", "#cumulative")
	for _, c := range p.r.Waste {
		name, area := p.cause(c.Name), p.number(c.Value, 2)+" m²"
		causes.row(text(name), p.value(c.Value, 2), text(p.cost(c.Cost)), text(p.percent(c.Share, 1)), text(p.percent(c.Cumulative, 1)))
		pieces = append(pieces, piece{name, area + ", " + p.percent(c.Share, 0), c.Share, c.Cumulative})
	}
	s.draw(p.pareto(causes.Title, p.Say("report.chart.pareto"), pieces), causes)
	p.showBars(&s, p.Say("report.reprints.by-cause"), "cause", p.r.Reprints, p.cause)
	return s
}

// perPrinted is waste per film printed.
func (p *writer) perPrinted(waste, printed float64) string {
	if printed <= 0 {
		return p.Say("unknown")
	}
	return p.percent(waste/printed, 1)
}

// showBars draws counts as a Pareto chart.
func (p *writer) showBars(s *section, title, column string, bars []reliability.Bar, name func(string) string) {
	t := p.table(title, column, "#count", "#share", "#cumulative")
	var pieces []piece
	for _, b := range bars {
		t.row(text(name(b.Name)), p.value(b.Value, 0), text(p.percent(b.Share, 1)), text(p.percent(b.Cumulative, 1)))
		pieces = append(pieces, piece{name(b.Name), p.number(b.Value, 0) + ", " + p.percent(b.Share, 0), b.Share, b.Cumulative})
	}
	s.draw(p.pareto(title, p.Say("report.chart.pareto"), pieces), t)
}

// machines are the key figures of ISO 22400.
func (p *writer) machines() section {
	s := section{ID: "machines", Title: p.Say("report.machines")}
	if len(p.r.Machines) == 0 {
		return s
	}
	s.say(p.Say("report.machines.intro"))
	times := p.table(p.Say("report.machines.times"), "machine", "#run", "#down", "#availability", "#efficiency", "#mtbf", "#mttr", "heard")
	good := p.table(p.Say("report.machines.quality"), "machine", "#printed", "#quality", "#scrap", "#rework")
	for _, m := range p.r.Machines {
		k, name := &m.KPIs, text(m.Site+"/"+m.Machine)
		mtbf := estimate(p, reliability.Estimate{Value: k.MTBFS, Low: k.MTBFLowerS}, func(v float64) string { return p.span(units.Some(v)) })
		times.row(name, text(p.span(units.Some(m.RunS))), text(p.span(units.Some(m.DownS))), text(p.share(k.Availability)), text(p.share(k.TechnicalEfficiency)),
			text(mtbf), text(p.span(k.MTTRS)), text(p.heard(&m)))
		good.row(name, p.value(m.PrintedM2, 1), text(p.share(k.QualityRatio)), text(p.share(k.ScrapRatio)), text(p.share(k.ReworkRatio)))
	}
	s.show(times)
	s.show(good)
	return s
}

func (p *writer) heard(m *reliability.MachineFigures) string {
	switch {
	case m.LastHeard.IsZero():
		return p.Say("report.never-heard")
	case m.Silent:
		return p.Say("report.silent", p.span(units.Some(m.SilentS)))
	}
	return p.moment(m.LastHeard)
}

// remedies is the league table.
func (p *writer) remedies() section {
	s := section{ID: "remedies", Title: p.Say("report.remedies")}
	t := p.table(p.Say("report.remedies.table"), "treatment", "#starts", "#strikes", "#odds", "#expected", "cost", "#against", "worth")
	var rows []span
	for _, m := range p.r.Remedies {
		against, worth := "–", m.Odds.Words
		if m.Against != nil {
			against, worth = p.estimate(m.Against.Ratio), m.Against.Words
		}
		cost := "–"
		if m.Cost != nil {
			cost = p.money(m.Cost)
		}
		t.row(text(p.treatment(m.Treatment)), p.count(m.Starts), p.count(m.Struck), text(p.odds(m.Odds)), text(p.maybe(m.Expected)), text(cost), text(against), p.words(worth))
		row := spanOf(p.treatment(m.Treatment), p.Say("report.of-starts", m.Struck, m.Starts), inPercent(m.Odds))
		if expected, known := m.Expected.Get(); known && m.Starts > 0 {
			row.said = 100 * expected / float64(m.Starts)
		}
		rows = append(rows, row)
	}
	if len(t.Rows) == 0 {
		return s
	}
	s.say(p.Say("report.remedies.intro"))
	s.draw(p.intervals(t.Title, p.Say("report.chart.expected"), p.Say("report.chart.odds"), rows), t)
	return s
}

// inPercent scales a probability.
func inPercent(e reliability.Estimate) reliability.Estimate {
	scale := func(m units.Maybe) units.Maybe {
		v, known := m.Get()
		if !known {
			return m
		}
		return units.Some(100 * v)
	}
	return reliability.Estimate{Value: scale(e.Value), Low: scale(e.Low), High: scale(e.High), Words: e.Words}
}

// alarms are judged by IEC 62682, and by the starts that followed.
func (p *writer) alarms() section {
	s := section{ID: "alarms", Title: p.Say("report.alarms")}
	a := &p.r.Alarms
	s.say(p.Say("report.alarms.says", a.Annunciations) + " " + p.said(a.Words).Text + ".")
	if a.Annunciations == 0 {
		return s
	}
	rates := p.table(p.Say("report.alarms.rates"), "figure", "#value", "meaning")
	peak := p.count(a.Peak).Text
	if !a.PeakAt.IsZero() {
		peak += ", " + p.moment(a.PeakAt)
	}
	for _, row := range []struct{ key, value string }{
		{"per-ten", p.maybe(a.PerTenMinutes)}, {"peak", peak}, {"floods", p.count(a.Floods).Text}, {"flood-share", p.share(a.FloodShare)},
		{"chattering", p.count(a.Chattering).Text}, {"fleeting", p.count(a.Fleeting).Text}, {"stale", p.count(a.Stale).Text}, {"top-ten", p.share(a.TopTenShare)},
	} {
		rates.row(text(p.Say("report.alarms."+row.key)), text(row.value), text(p.Say("report.alarms."+row.key+".means")))
	}
	s.show(rates)
	p.showBars(&s, p.Say("report.alarms.top"), "alarm", a.Top, p.alarm)
	p.showBareEdge(&s)
	p.showHazards(&s)
	return s
}

// alarm writes the name of an alarm, which is that of a hazard on a machine.
func (p *writer) alarm(name string) string {
	hazard, machine, ok := strings.Cut(name, " on ")
	if !ok {
		return name
	}
	return p.Say("report.on", p.hazard(hazard), machine)
}

// showBareEdge shows how far the alarm that all is about can be trusted.
func (p *writer) showBareEdge(s *section) {
	q := &p.r.Alarms.BareEdge
	t := p.table(p.Say("report.bare-edge"), "starts-were", "#starts", "#strikes")
	t.row(text(p.Say("report.bare-edge.treated")), p.count(q.WarnedTreated), p.count(q.WarnedTreatedStruck))
	t.row(text(p.Say("report.bare-edge.untreated")), p.count(q.WarnedUntreated), p.count(q.WarnedUntreatedStruck))
	t.row(text(p.Say("report.bare-edge.unwarned")), p.count(q.Unwarned), p.count(q.UnwarnedStruck))
	s.show(t)
	s.say(p.Say("report.bare-edge.precision", p.odds(q.Precision)) + p.doubt(q.Precision))
	s.say(p.Say("report.bare-edge.recall", p.odds(q.Recall)) + p.doubt(q.Recall))
}

// doubt says what an estimate is worth, if that must be said.
func (p *writer) doubt(e reliability.Estimate) string {
	if e.Words == "" {
		return ""
	}
	return " (" + p.said(e.Words).Text + ")"
}

func (p *writer) showHazards(s *section) {
	t := p.table(p.Say("report.hazards"), "hazard", "#annunciations", "#alarms", "#acknowledged", "#to-acknowledge", "#lead", "#lead-tenth", "#treated", "#untreated", "#strikes", "retune")
	for _, h := range p.r.Alarms.Hazards {
		t.row(text(p.hazard(h.Hazard)), p.count(h.Annunciations), p.count(h.Alarms), p.count(h.Acknowledged), text(p.span(h.MedianAckS)), text(p.span(h.MedianLeadS)),
			text(p.span(h.TenthLeadS)), p.count(h.Treated), p.count(h.Untreated), p.count(h.Struck), text(or(p.retune(&h))))
	}
	s.show(t)
}

// What makes a rule worth a look, beside a number that is large enough to tell:
// values from judgement.
const (
	retuneShare   = 0.25 // of all annunciations
	retuneHeeded  = 0.5  // of its alarms acknowledged or treated
	retuneMinimum = 20   // annunciations
)

// retune says why a rule should be looked at; empty when nothing tells so.
func (p *writer) retune(h *reliability.HazardFigures) string {
	total := float64(p.r.Alarms.Annunciations)
	switch {
	case h.Annunciations < retuneMinimum:
		return ""
	case float64(h.Acknowledged+h.Treated) < retuneHeeded*float64(h.Alarms):
		return p.Say("report.retune.unheeded")
	case float64(h.Annunciations) > 2*float64(h.Alarms):
		return p.Say("report.retune.repeats")
	case float64(h.Annunciations) > retuneShare*total:
		return p.Say("report.retune.often")
	}
	return ""
}

// forecast holds the odds that were given against what came.
func (p *writer) forecast() section {
	s := section{ID: "forecast", Title: p.Say("report.forecast")}
	f := p.r.Forecast
	if f == nil {
		return s
	}
	s.say(p.Say("report.forecast.intro", f.Strikes, f.Starts) + " " + p.said(f.Words).Text + ".")
	s.say(p.Say("report.forecast.how", strikeFits))
	t := p.table(p.Say("report.forecast.score"), "figure", "#value", "meaning")
	for _, row := range []struct {
		key   string
		value units.Maybe
	}{
		{"brier", units.Some(f.Brier)}, {"average", units.Some(f.AverageBrier)}, {"skill", f.AgainstAverage}, {"reliability", units.Some(f.Reliability)},
		{"resolution", units.Some(f.Resolution)}, {"uncertainty", units.Some(f.Uncertainty)}, {"within", units.Some(f.Within)},
	} {
		t.row(text(p.Say("report.forecast."+row.key)), text(p.maybe(row.value)), text(p.Say("report.forecast."+row.key+".means")))
	}
	s.show(t)
	bins := p.table(p.Say("report.forecast.bins"), "odds-given", "#mean-odds", "#starts", "#strikes", "#came", "worth")
	var rows []span
	for _, b := range f.Bins {
		name := p.percent(b.Low, 1) + " – " + p.percent(b.High, 1)
		bins.row(text(name), text(p.percent(b.MeanP, 1)), p.count(uint64(b.Starts)), p.count(uint64(b.Strikes)), text(p.odds(b.Rate)), p.words(b.Rate.Words))
		row := spanOf(name, p.Say("report.of-starts", b.Strikes, b.Starts), inPercent(b.Rate))
		row.said = 100 * b.MeanP
		rows = append(rows, row)
	}
	s.draw(p.intervals(bins.Title, p.Say("report.chart.expected"), p.Say("report.chart.odds"), rows), bins)
	return s
}

// tickets counts what came in.
func (p *writer) tickets() section {
	s := section{ID: "tickets", Title: p.Say("report.tickets")}
	k := &p.r.Tickets
	t := p.table(p.Say("report.tickets.table"), "figure", "#count")
	t.row(text(p.Say("report.tickets.received")), p.count(k.Received))
	t.row(text(p.Say("report.tickets.withdrawn")), p.count(k.Withdrawn))
	t.row(text(p.Say("report.tickets.rejected")), p.count(k.Rejected))
	for _, b := range k.Kinds {
		t.row(text(p.Say("report.tickets.rejected")+": "+p.Name("reject", b.Name, b.Name)), p.value(b.Value, 0))
	}
	for _, b := range k.Advice {
		t.row(text(p.Say("report.tickets.advice", p.treatment(b.Name))), p.value(b.Value, 0))
	}
	s.show(t)
	return s
}

// quality lists what makes figures less sure.
func (p *writer) quality() section {
	s := section{ID: "quality", Title: p.Say("report.quality")}
	s.say(p.Say("report.quality.events", strconv.FormatUint(p.r.Events, 10)))
	if len(p.r.Quality) == 0 {
		s.say(p.Say("report.quality.none"))
	}
	t := p.table(p.Say("report.quality.table"), "#count", "what", "code")
	for _, d := range p.r.Quality {
		t.row(p.count(d.Count), p.words(d.Words), text(d.Code))
	}
	s.show(t)
	return s
}

// method says how the figures came about.
func (p *writer) method() section {
	s := section{ID: "method", Title: p.Say("report.method")}
	for _, key := range []string{"interval", "edges", "closed", "odds", "standards"} {
		s.say(p.Say("report.method." + key))
	}
	return s
}
