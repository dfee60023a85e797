package ticket

import "slices"

// audits reads the audits of an XJDF ticket as signals. Audits of devices
// other than those that print are noted and left out; where the ticket names
// no printing device, all count.
func (r *reader) audits(root *node, devices []string, doc *Document) ([]Signal, error) {
	p := r.newReport(doc)
	p.job = jobPart{root.get("JobID"), root.get("JobPartID")}
	for _, a := range root.child("AuditPool").kids {
		if !a.own || !tellsOfRun(a) {
			continue
		}
		if id := a.child("Header").get("DeviceID"); id != "" && len(devices) > 0 && !slices.Contains(devices, id) {
			doc.note("%s of device %s is not about printing and was not used", a.local, quote(id))
			continue
		}
		if err := p.audit(a); err != nil {
			return nil, err
		}
	}
	return p.done()
}

// tellsOfRun reports whether an audit holds actuals. AuditCreated and
// AuditNotification only say what became of the ticket.
func tellsOfRun(a *node) bool {
	switch a.local {
	case "AuditStatus", "AuditResource", "AuditProcessRun":
		return true
	}
	return false
}

func (p *report) audit(a *node) error {
	switch a.local {
	case "AuditStatus":
		return p.status(a, header{}, true)
	case "AuditResource":
		return p.resource(a, header{}, true)
	}
	h := messageHeader(a, header{})
	at, err := p.sent(h, "Time")
	if err != nil {
		return err
	}
	run := phase{jobPart: p.job, device: h.device(), at: at}
	for _, pr := range a.children("ProcessRun") {
		if err := p.processRun(run, pr, pr.get("EndStatus")); err != nil {
			return err
		}
	}
	return nil
}

// processRun reads the audit of a whole run: its start, which a phase may have
// told already, and its end.
func (p *report) processRun(run phase, pr *node, endStatus string) (err error) {
	if run.began, err = p.timeOf(pr, "Start"); err != nil {
		return err
	}
	if run.ended, err = p.timeOf(pr, "End"); err != nil {
		return err
	}
	if run.began != nil {
		start := run
		start.status, start.at = "InProgress", *run.began
		p.phaseOf(start, true)
	}
	run.status = endStatus
	if run.ended != nil {
		run.at = *run.ended
	}
	if endStatus == "Stopped" || endStatus == "Suspended" {
		run.began = run.ended // the stop is at the end of this run, not at its start
	}
	p.phaseOf(run, true)
	return nil
}
