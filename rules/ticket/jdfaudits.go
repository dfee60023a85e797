package ticket

// audits reads the audits of one node as signals: PhaseTime, ProcessRun, and
// at the end of a run the waste that its media link holds. It reports whether
// the node has run.
func (t *jdfTicket) audits(n *node, links []link, p *report) (bool, error) {
	ran, device := false, ""
	if ids := devicesOf(links); len(ids) > 0 {
		device = ids[0]
	}
	for _, a := range n.child("AuditPool").kids {
		if !a.own || a.local != "PhaseTime" && a.local != "ProcessRun" {
			continue
		}
		run, err := p.classicAudit(a, device)
		if err != nil {
			return false, err
		}
		ran = true
		if a.local == "PhaseTime" {
			p.phaseOf(run, true)
			continue
		}
		if err := p.processRun(run, a, a.get("EndStatus")); err != nil {
			return false, err
		}
		if err := t.runWaste(links, p, run); err != nil {
			return false, err
		}
	}
	return ran, nil
}

// classicAudit reads what PhaseTime and ProcessRun have in common.
func (p *report) classicAudit(a *node, device string) (phase, error) {
	f := phase{jobPart: p.job, device: device, status: a.get("Status"), details: a.get("StatusDetails")}
	if id := a.child("Device").get("DeviceID"); id != "" {
		f.device = id
	}
	var err error
	if f.at, err = p.sent(header{node: a}, "TimeStamp"); err != nil {
		return f, err
	}
	if f.began, err = p.timeOf(a, "Start"); err != nil {
		return f, err
	}
	f.ended, err = p.timeOf(a, "End")
	return f, err
}

// runWaste reads the waste that a run left on its media links.
func (t *jdfTicket) runWaste(links []link, p *report, run phase) error {
	at := run.at
	if run.ended != nil {
		at = *run.ended
	}
	for _, l := range printed(links, "Media") {
		if len(l.parts) == 0 || !anyFilm(l) {
			continue
		}
		v := l.parts[0]
		w := wasted{jobPart: p.job, device: run.device, at: at, stock: v.get("ProductID"), widthMM: widthOf(v), audit: true}
		for _, pool := range l.children("AmountPool") {
			if err := p.classicWaste(pool, v.get("Unit"), actualAmount, w); err != nil {
				return err
			}
		}
	}
	return nil
}

// actualAmount names the attribute of a link that holds an actual; its Amount
// is a plan, of waste too.
func actualAmount(*node) string { return "ActualAmount" }
