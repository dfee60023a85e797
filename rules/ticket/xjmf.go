package ticket

import (
	"strings"
	"time"
)

// xjmf reads a message file. Every message has its own header; the one of the
// file only fills what that leaves out.
func (r *reader) xjmf(root *node) (Document, error) {
	doc := Document{Format: FormatXJMF}
	p := r.newReport(&doc)
	file := header{node: root.child("Header")}
	for _, m := range root.kids {
		if !m.own || m.local == "Header" {
			continue
		}
		if err := p.message(m, file); err != nil {
			return doc, err
		}
	}
	var err error
	doc.Signals, err = p.done()
	return doc, err
}

// message reads one message of an XJMF file.
func (p *report) message(m *node, file header) error {
	switch m.local {
	case "SignalStatus":
		return p.status(m, file, false)
	case "SignalResource":
		return p.resource(m, file, false)
	case "SignalNotification":
		p.notification(m)
	case "CommandSubmitQueueEntry", "CommandResubmitQueueEntry":
		return p.submission(m)
	default:
		p.doc.note("message %s is no signal that is used here", quote(m.local))
	}
	return nil
}

// submission refuses a command that would have a ticket fetched from
// elsewhere. Inside a package the ticket lies beside it, and the package's
// reader has already followed it.
func (p *report) submission(m *node) error {
	if p.r.inPackage {
		return nil
	}
	params := m.child("QueueSubmissionParams")
	return params.fault("URL", unsupported, "the ticket itself, or a ZIP package with the message and the ticket; no reference is followed out of a file", shownURL(params.get("URL")))
}

// header is where a message says who sent it and when.
type header struct {
	*node
	outer *node // used where node says nothing; may be nil
}

func messageHeader(m *node, file header) header {
	return header{node: m.child("Header"), outer: file.node}
}

func (h header) device() string {
	if id := h.get("DeviceID"); id != "" || h.outer == nil {
		return id
	}
	return h.outer.get("DeviceID")
}

func (p *report) sent(h header, attribute string) (time.Time, error) {
	for _, n := range []*node{h.node, h.outer} {
		if n == nil {
			continue
		}
		t, err := p.timeOf(n, attribute)
		if err != nil {
			return time.Time{}, err
		}
		if t != nil {
			return *t, nil
		}
	}
	return time.Time{}, h.missing(attribute, "the time of the message, "+wantTime)
}

// status reads SignalStatus or AuditStatus.
func (p *report) status(m *node, file header, audit bool) error {
	h := messageHeader(m, file)
	at, err := p.sent(h, "Time")
	if err != nil {
		return err
	}
	for _, info := range m.children("DeviceInfo") {
		for _, jp := range info.children("JobPhase") {
			f := phase{jobPart: p.jobOf(jp), device: h.device(), status: jp.get("Status"), details: jp.get("StatusDetails"), at: at}
			if err := p.phaseValues(&f, jp, info.get("CounterUnit")); err != nil {
				return err
			}
			p.phaseOf(f, audit)
		}
	}
	return nil
}

func (p *report) phaseValues(f *phase, jp *node, unit string) (err error) {
	if f.began, err = p.timeOf(jp, "StartTime"); err != nil {
		return err
	}
	if f.ended, err = p.timeOf(jp, "EndTime"); err != nil {
		return err
	}
	f.metres, err = p.metresOf(jp, "Amount", unit)
	return err
}

// phaseOf hands a phase on. An audit tells of a phase that is over, so a job
// in progress then does not mean that it is still open.
func (p *report) phaseOf(f phase, audit bool) {
	p.phase(f)
	if audit {
		delete(p.open, f.jobPart)
	}
}

// resource reads the waste of SignalResource or AuditResource.
func (p *report) resource(m *node, file header, audit bool) error {
	h := messageHeader(m, file)
	at, err := p.sent(h, "Time")
	if err != nil {
		return err
	}
	for _, info := range m.children("ResourceInfo") {
		if scope := info.get("Scope"); scope != "" && scope != "Job" {
			p.doc.note("resource information of scope %s is no use of film and was not read", quote(scope))
			continue
		}
		w := wasted{jobPart: p.jobOf(info), device: h.device(), at: at, audit: audit}
		for _, set := range info.children("ResourceSet") {
			if err := p.wasteOf(set, w); err != nil {
				return err
			}
		}
	}
	return nil
}

func (p *report) wasteOf(set *node, w wasted) error {
	if set.get("Name") != "Media" {
		return nil
	}
	for _, res := range set.children("Resource") {
		v := view{res.child("Media")}
		if !isFilm(v, set.get("ProcessUsage")) {
			continue
		}
		w.stock, w.widthMM = res.get("ExternalID"), widthOf(v)
		for _, pa := range res.child("AmountPool").children("PartAmount") {
			if err := p.wasteAmount(pa, set.get("Unit"), w); err != nil {
				return err
			}
		}
	}
	return nil
}

func widthOf(v view) *float64 {
	pt, ok := firstOf(v.get("Dimension"))
	if !ok || pt <= 0 {
		return nil
	}
	mm := roundedMM(pt)
	return &mm
}

// wasteAmount reads one PartAmount with its breakdown.
func (p *report) wasteAmount(pa *node, unit string, w wasted) error {
	total, err := p.metresOf(pa, "Waste", unit)
	if err != nil {
		return err
	}
	w.lot = strings.Join(lotsOf(nil, pa), " ")
	for _, pw := range pa.children("PartWaste") {
		m, err := p.metresOf(pw, "Waste", unit)
		if err != nil {
			return err
		}
		if m != nil && *m != 0 {
			w.parts = append(w.parts, wastePart{*m, p.wasteCause(pw.get("WasteDetails"))})
		}
	}
	if total != nil {
		w.total = *total
	}
	if total == nil {
		for _, part := range w.parts {
			w.total += part.metres
		}
	}
	p.addWaste(w)
	return nil
}

// notification keeps what a device says in words, for the log.
func (p *report) notification(m *node) {
	n := m.child("Notification")
	for _, e := range n.children("Event") {
		p.doc.note("%s %s: notification of class %s: %s %s", n.get("JobID"), n.get("JobPartID"), n.get("Class"), e.get("EventID"), quote(e.get("EventValue")))
	}
}
