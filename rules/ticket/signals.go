package ticket

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"rollwarden/rules/event"
)

// The reasons that a run.stopped read from a signal begins with.
const (
	ReasonJam     = "jam"     // the film is caught on its way
	ReasonStalled = "stalled" // something that the run needs is not there
	ReasonPaused  = "paused"  // a person or a plan suspended it
	ReasonFailed  = "failed"  // it was given up
	ReasonStopped = "stopped" // for another reason, which follows it
)

// report gathers the signals of one file.
type report struct {
	r       *reader
	doc     *Document
	job     jobPart // of the ticket whose audits these are; empty for messages
	signals []Signal
	told    map[string]bool  // facts that are among the signals already
	open    map[jobPart]bool // jobs whose last word in this file is not the end
	waste   []wasted
	totals  map[string]int // where a total stands in waste
}

type jobPart struct{ job, part string }

// jobOf reads which job an element is about.
func (p *report) jobOf(n *node) jobPart {
	if id := n.get("JobID"); id != "" {
		return jobPart{id, n.get("JobPartID")}
	}
	return p.job
}

func (r *reader) newReport(doc *Document) *report {
	return &report{r: r, doc: doc, told: map[string]bool{}, open: map[jobPart]bool{}, totals: map[string]int{}}
}

// add keeps a signal, unless the same fact was told before in this file.
func (p *report) add(s Signal) {
	s.Time, s.position = s.Time.UTC(), len(p.signals)+1
	if s.facts != nil {
		fact := event.DerivedID(append([]string{string(s.Type), s.DeviceID}, s.facts...)...)
		if p.told[fact] {
			return
		}
		p.told[fact] = true
	}
	p.signals = append(p.signals, s)
}

// done gives out the signals in the order in which things happened.
func (p *report) done() ([]Signal, error) {
	p.countWaste()
	for _, s := range p.signals {
		if err := s.check(); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(p.signals, func(a, b Signal) int { return a.Time.Compare(b.Time) })
	return p.signals, nil
}

// phase is one job phase of a status message or audit.
type phase struct {
	jobPart
	device          string
	status, details string
	at              time.Time // when the message was sent
	began, ended    *time.Time
	metres          *float64
}

// phase turns one job phase into signals, by the table in the documentation
// of the formats: in progress, stopped, suspended, completed, aborted.
func (p *report) phase(f phase) {
	if f.job == "" {
		p.doc.note("a job phase with status %s names no job and was not used", quote(f.status))
		return
	}
	p.open[f.jobPart] = true
	switch f.status {
	case "InProgress":
		p.running(f)
	case "Stopped":
		p.stopped(f, stopReason(f.details), f.began)
	case "Suspended":
		p.stopped(f, withDetails(ReasonPaused, f.details), f.began)
	case "Aborted":
		p.open[f.jobPart] = false
		p.stopped(f, withDetails(ReasonFailed, f.details), f.ended)
	case "Completed":
		p.open[f.jobPart] = false
		p.run("run.finished", f, f.ended, &event.RunFinished{Run: f.payload("")})
	default:
		p.doc.note("%s %s: a job phase with status %s changes nothing", f.job, f.part, quote(f.status))
	}
}

func (f phase) payload(reason string) event.Run {
	return event.Run{Job: f.job, Part: f.part, Metres: f.metres, Reason: reason}
}

// running says that the job runs. A machine repeats this for as long as it
// does; the start of the phase makes all of them one run.started.
func (p *report) running(f phase) {
	started := f.payload("")
	started.Metres = nil
	p.run("run.started", f, f.began, &event.RunStarted{Run: started})
	if f.metres != nil && *f.metres > 0 {
		p.add(Signal{DeviceID: f.device, Time: f.at, Type: "run.progress", Data: &event.RunProgress{Run: f.payload("")}})
	}
}

func (p *report) stopped(f phase, reason string, when *time.Time) {
	p.run("run.stopped", f, when, &event.RunStopped{Run: f.payload(reason)})
	if reason == ReasonJam {
		p.doc.note("%s %s stopped on a jam: if the carriage hit the film, record a strike, for a signal cannot tell", f.job, f.part)
	}
}

// run adds a signal about the run. If the phase says when it happened, that
// is its time and its identity.
func (p *report) run(t event.Type, f phase, when *time.Time, data event.Payload) {
	s := Signal{DeviceID: f.device, Time: f.at, Type: t, Data: data}
	if when != nil {
		s.Time = *when
		s.facts = []string{f.job, f.part, when.UTC().Format(time.RFC3339Nano)}
	}
	p.add(s)
}

// stopReason turns StatusDetails, an open token, into a reason.
func stopReason(details string) string {
	switch {
	case strings.HasSuffix(details, "Jam"):
		return ReasonJam
	case details == "MissResources":
		return ReasonStalled
	}
	return withDetails(ReasonStopped, details)
}

func withDetails(reason, details string) string {
	if details == "" {
		return reason
	}
	return reason + ": " + details
}

// metresOf reads an amount that counts as metres only if its unit says so.
func (p *report) metresOf(n *node, attribute, unit string) (*float64, error) {
	text, ok := n.lookup(attribute)
	if !ok {
		return nil, nil
	}
	v, ok := parseNumber(text)
	if !ok {
		return nil, n.bad(attribute, "a number")
	}
	if unit != "m" {
		if v != 0 {
			p.doc.note("%s %s is in %s, not metres, and was not used as a length", n.path(attribute), plain(v), unitName(unit))
		}
		return nil, nil
	}
	return &v, nil
}

func unitName(unit string) string {
	if unit == "" {
		return "no stated unit"
	}
	return unit
}

// timeOf reads an optional time.
func (p *report) timeOf(n *node, attribute string) (*time.Time, error) {
	text, ok := n.lookup(attribute)
	if !ok {
		return nil, nil
	}
	t, zoned, err := parseTime(text, p.r.location)
	if err != nil {
		return nil, n.bad(attribute, wantTime)
	}
	if !zoned {
		p.doc.note("%s has no time zone and was read in %s", n.path(attribute), p.r.location)
	}
	return &t, nil
}

// wasted is the waste of one amount of film, as one message tells it.
type wasted struct {
	jobPart
	device  string
	at      time.Time
	lot     string
	stock   string
	widthMM *float64
	total   float64
	parts   []wastePart // the breakdown; what it leaves over is "other"
	audit   bool        // an audit is final whatever else the file says
}

type wastePart struct {
	metres float64
	cause  string
}

// addWaste keeps the newest total for each job, stock and lot, because a
// machine reports running totals; of one moment, the one that is told last.
func (p *report) addWaste(w wasted) {
	if w.total == 0 && len(w.parts) == 0 {
		return
	}
	key := event.DerivedID(w.device, w.job, w.part, w.lot, w.stock)
	if i, again := p.totals[key]; again {
		if !w.at.Before(p.waste[i].at) {
			p.waste[i] = w
		}
		return
	}
	p.totals[key] = len(p.waste)
	p.waste = append(p.waste, w)
}

// countWaste makes signals of the totals that are final. A total of a job
// that still runs will come again, larger; counting both would double it.
func (p *report) countWaste() {
	for _, w := range p.waste {
		if p.open[w.jobPart] && !w.audit {
			p.doc.note("%s %s: %s m of waste so far, which will count when the job has ended", w.job, w.part, plain(w.total))
			continue
		}
		p.wasteSignals(w)
	}
}

func (p *report) wasteSignals(w wasted) {
	for i, part := range w.breakdown() {
		if part.cause == "head-strike" {
			p.doc.note("%s %s: %s m were wasted on a head strike: record the strike itself too, for waste does not say when and how it happened", w.job, w.part, plain(part.metres))
		}
		p.add(Signal{
			DeviceID: w.device, Time: w.at, Type: "film.wasted",
			Data:  &event.FilmWasted{LengthM: part.metres, WidthMM: w.widthMM, Cause: part.cause},
			facts: w.facts(i),
		})
	}
}

// facts identifies one part of a total. An audit that tells the same total
// without the breakdown is the same as its first part and adds nothing.
func (w wasted) facts(i int) []string {
	if w.job == "" {
		return nil
	}
	return []string{w.job, w.part, w.lot, w.stock, strconv.FormatFloat(w.total, 'f', 4, 64), strconv.Itoa(i)}
}

// breakdown lists the parts and, when they do not add up to the total, the
// rest as other. Amounts closer than a tenth of a millimetre are equal.
func (w wasted) breakdown() []wastePart {
	parts := slices.Clone(w.parts)
	rest := w.total
	for _, part := range parts {
		rest -= part.metres
	}
	if rest > 1e-4 {
		parts = append(parts, wastePart{math.Round(rest*1e6) / 1e6, "other"})
	}
	return parts
}

// wasteCause turns a WasteDetails token into a cause of the contract: the
// token's words with hyphens, if that is one, else other.
func (p *report) wasteCause(details string) string {
	cause := hyphened(details)
	if slices.Contains(event.WasteCauses, cause) {
		return cause
	}
	if details != "" {
		p.doc.note("waste of kind %s is counted as other", quote(details))
	}
	return "other"
}

// hyphened writes HeadStrike as head-strike.
func hyphened(token string) string {
	var b strings.Builder
	for i, r := range token {
		if unicode.IsUpper(r) && i > 0 {
			b.WriteByte('-')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// check refuses a signal that the contract would refuse later.
func (s Signal) check() error {
	err := s.Data.Check()
	if err == nil {
		return nil
	}
	err = blame(err, nil)
	var e *Error
	if errors.As(err, &e) {
		e.Field = string(s.Type) + " " + e.Field
	}
	return err
}
