package ticket

import "strings"

// jmf reads a message file of JDF 1.x. Its root carries what XJMF has in a
// header; a signal may carry its own time.
func (r *reader) jmf(root *node) (Document, error) {
	doc := Document{Format: FormatJMF}
	p := r.newReport(&doc)
	for _, m := range root.kids {
		if !m.own {
			continue
		}
		if err := p.classicMessage(m, root); err != nil {
			return doc, err
		}
	}
	var err error
	doc.Signals, err = p.done()
	return doc, err
}

func (p *report) classicMessage(m, root *node) error {
	kind := m.get("Type")
	switch {
	case m.local == "Signal" && kind == "Status":
		return p.classicStatus(m, root)
	case m.local == "Signal" && kind == "Resource":
		return p.classicResource(m, root)
	case m.local == "Signal" && kind == "Notification":
		p.notification(m)
	case m.local == "Command" && (kind == "SubmitQueueEntry" || kind == "ResubmitQueueEntry"):
		return p.submission(m)
	default:
		p.doc.note("message %s of type %s is no signal that is used here", quote(m.local), quote(kind))
	}
	return nil
}

// classicDevice says which device a message is about.
func classicDevice(info, root *node) string {
	for _, id := range []string{info.get("DeviceID"), info.child("Device").get("DeviceID"), root.get("SenderID")} {
		if id != "" {
			return id
		}
	}
	return ""
}

// classicHeader finds the time of a message in the message or in the file.
func classicHeader(m, root *node) (header, string) {
	if _, ok := m.lookup("Time"); ok {
		return header{node: m}, "Time"
	}
	return header{node: root}, "TimeStamp"
}

func (p *report) classicStatus(m, root *node) error {
	h, attribute := classicHeader(m, root)
	at, err := p.sent(h, attribute)
	if err != nil {
		return err
	}
	for _, info := range m.children("DeviceInfo") {
		for _, jp := range info.children("JobPhase") {
			f := phase{jobPart: p.jobOf(jp), device: classicDevice(info, root), status: jp.get("Status"), details: jp.get("StatusDetails"), at: at}
			if err := p.classicPhase(&f, jp, info.get("CounterUnit")); err != nil {
				return err
			}
			p.phase(f)
		}
	}
	return nil
}

// classicPhase reads the times of a phase. StartTime is the start of the job
// and PhaseStartTime that of the phase, so only the latter dates a stop.
func (p *report) classicPhase(f *phase, jp *node, unit string) (err error) {
	if f.began, err = p.timeOf(jp, "PhaseStartTime"); err != nil {
		return err
	}
	if f.began == nil && f.status == "InProgress" {
		if f.began, err = p.timeOf(jp, "StartTime"); err != nil {
			return err
		}
	}
	if f.ended, err = p.timeOf(jp, "EndTime"); err != nil {
		return err
	}
	f.metres, err = p.metresOf(jp, "Amount", unit)
	return err
}

// classicResource reads waste: amounts whose Condition is not Good.
func (p *report) classicResource(m, root *node) error {
	h, attribute := classicHeader(m, root)
	at, err := p.sent(h, attribute)
	if err != nil {
		return err
	}
	for _, info := range m.children("ResourceInfo") {
		media := view{info.child("Media"), info}
		if name := info.get("ResourceName"); name != "Media" && !media[0].own || !isFilm(media, info.get("ProcessUsage")) {
			continue
		}
		w := wasted{jobPart: p.jobOf(info), device: classicDevice(info, root), at: at, stock: media.get("ProductID"), widthMM: widthOf(media)}
		if err := p.classicWaste(info.child("AmountPool"), media.get("Unit"), usedAmount, w); err != nil {
			return err
		}
	}
	return nil
}

// classicWaste adds up what an AmountPool says was spoiled, for each lot.
// amount names the attribute that holds it.
func (p *report) classicWaste(pool *node, unit string, amount func(*node) string, w wasted) error {
	byLot, order := map[string]*wasted{}, []string{}
	for _, pa := range pool.children("PartAmount") {
		part := pa.child("Part")
		condition := part.get("Condition")
		if condition == "" || condition == "Good" {
			continue
		}
		metres, err := p.metresOf(pa, amount(pa), unit)
		if err != nil {
			return err
		}
		if metres == nil || *metres == 0 {
			continue
		}
		lot := part.get("LotID")
		if byLot[lot] == nil {
			spoiled := w
			spoiled.lot = lot
			byLot[lot], order = &spoiled, append(order, lot)
		}
		byLot[lot].total += *metres
		byLot[lot].parts = append(byLot[lot].parts, wastePart{*metres, p.wasteCause(classicDetails(part))})
	}
	for _, lot := range order {
		p.addWaste(*byLot[lot])
	}
	return nil
}

// usedAmount names the attribute that holds what was used in truth. In a
// message Amount can only mean that too.
func usedAmount(pa *node) string {
	if _, ok := pa.lookup("ActualAmount"); ok {
		return "ActualAmount"
	}
	return "Amount"
}

// classicDetails says what kind of waste a part is: its WasteDetails, or a
// Condition such as HeadStrikeWaste. The plain word Waste says nothing more.
func classicDetails(part *node) string {
	if d := part.get("WasteDetails"); d != "" {
		return d
	}
	return strings.TrimSuffix(part.get("Condition"), "Waste")
}
