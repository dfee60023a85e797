package event

import "github.com/go-json-experiment/json/jsontext"

// Every Check hands its fields over in the order of the struct, to be held
// against the limits in their tags; a test finds one that was left out or
// swapped. Beside that stands what no single field can say: how fields depend
// on each other.

// related is a payload whose fields depend on each other. The fragment says in
// JSON Schema what its Check says in Go; a test holds the two together.
type related interface{ relation() jsontext.Value }

// Check implements Payload.
func (p *TicketReceived) Check() error {
	return check(p, p.Job, p.Part, p.Machine, p.Title, p.Stock, p.FilmClass, p.Lot, p.RollWidthMM,
		p.ThicknessUM, p.LengthM, p.AreaM2, p.Copies, p.Passes, p.InkDensityPct, p.CureC,
		p.ContourCut, p.MarkSpacingMM, p.Laminate, p.RestS, p.StartAt, p.FinishAt, p.Due,
		p.Priority, p.Flags, p.SourceFile, p.SourceSHA256, p.SourceFormat, p.Replaces)
}

// Check implements Payload.
func (p *TicketWithdrawn) Check() error { return check(p, p.Job, p.Part, p.Reason) }

// Check implements Payload.
func (p *TicketRejected) Check() error {
	return check(p, p.SourceFile, p.SourceSHA256, p.Kind, p.Reason)
}

// Check implements Payload.
func (p *RollLoaded) Check() error {
	return check(p, p.Stock, p.FilmClass, p.Lot, p.WidthMM, p.LengthM, p.ThicknessUM, p.EdgeMM, p.By)
}

// Check implements Payload.
func (p *RollRemoved) Check() error {
	return check(p, p.Stock, p.FilmClass, p.Lot, p.WidthMM, p.LengthM, p.ThicknessUM, p.By)
}

// Check implements Payload. The edge is either somewhere or moved by something.
func (p *EdgeMoved) Check() error {
	switch {
	case p.PositionMM == nil && p.ByMM == nil:
		return &Fault{Field: "data.position_mm", Want: "either position_mm or by_mm"}
	case p.PositionMM != nil && p.ByMM != nil:
		return &Fault{Field: "data.by_mm", Want: "either position_mm or by_mm", Got: "both"}
	}
	return check(p, p.PositionMM, p.ByMM, p.Cause, p.By)
}

func (*EdgeMoved) relation() jsontext.Value {
	return jsontext.Value(`{"oneOf": [{"required": ["position_mm"]}, {"required": ["by_mm"]}]}`)
}

// Check implements Payload.
func (p *LeaderAttached) Check() error { return check(p, p.LengthMM, p.ThicknessUM, p.By) }

// Check implements Payload.
func (p *LeaderRemoved) Check() error { return check(p, p.LengthMM, p.ThicknessUM, p.By) }

// Check implements Payload.
func (p *EdgeShaped) Check() error { return check(p, p.Shape, p.By) }

// Check implements Payload.
func (p *RunQueued) Check() error {
	return check(p, p.Job, p.Part, p.Recipe, p.Metres, p.StartAt, p.Position)
}

// Check implements Payload.
func (p *Run) Check() error { return check(p, p.Job, p.Part, p.Recipe, p.Metres, p.Reason, p.By) }

// Check implements Payload.
func (p *CutFinished) Check() error { return check(p, p.Job, p.Part, p.Rewound, p.AtMM, p.By) }

// Check implements Payload.
func (p *StrikeRecorded) Check() error {
	return check(p, p.Job, p.Part, p.NozzlesLost, p.DowntimeS, p.Note, p.By)
}

// Check implements Payload.
func (p *HeadChecked) Check() error { return check(p, p.NozzlesOK, p.ObstructionClear, p.By) }

// Check implements Payload.
func (p *FilmWasted) Check() error { return check(p, p.LengthM, p.WidthMM, p.Cause, p.By) }

// Check implements Payload.
func (p *JobReprinted) Check() error { return check(p, p.Job, p.Part, p.Cause, p.Copies, p.By) }

// Check implements Payload.
func (p *StripMeasured) Check() error {
	return check(p, p.Axis, p.NominalMM, p.MeasuredMM, p.CureC, p.Passes, p.Stock, p.By)
}

// Check implements Payload. A reading of nothing is no reading.
func (p *ClimateRead) Check() error {
	if p.TempC == nil && p.RHPct == nil {
		return &Fault{Field: "data.rh_pct", Want: "rh_pct, temp_c or both"}
	}
	return check(p, p.TempC, p.RHPct)
}

func (*ClimateRead) relation() jsontext.Value {
	return jsontext.Value(`{"anyOf": [{"required": ["temp_c"]}, {"required": ["rh_pct"]}]}`)
}

// Check implements Payload.
func (p *MachineReported) Check() error {
	return check(p, p.State, p.Reasons, p.Message, p.Accepting, p.Media)
}

// Check implements Payload.
func (p *ChangeMarked) Check() error { return check(p, p.Label, p.Since) }

// Check implements Payload.
func (p *AdviceAccepted) Check() error {
	return check(p, p.Remedy, p.Hazard, p.Job, p.Part, p.Order, p.By)
}

// Check implements Payload.
func (p *EntryUndone) Check() error { return check(p, p.Event, string(p.Type), p.By, p.Reason) }

// Check implements Payload. Only a note may stand without a hazard, and an
// alarm is never shelved for ever.
func (p *OperatorNoted) Check() error {
	if err := check(p, p.Hazard, p.Job, p.Part, p.Action, p.By, p.Reason, p.Until); err != nil {
		return err
	}
	if p.Action != ActNote && p.Hazard == "" {
		return &Fault{Field: "data.hazard", Want: "the code of the hazard to " + p.Action}
	}
	if p.Action == ActShelve && p.Until == nil {
		return &Fault{Field: "data.until", Want: "the time when shelving ends, such as " + sampleTime + "; an alarm is never shelved for ever"}
	}
	return nil
}

func (*OperatorNoted) relation() jsontext.Value {
	return jsontext.Value(`{"allOf": [
		{"if": {"properties": {"action": {"const": "` + ActNote + `"}}},
		 "else": {"required": ["hazard"], "properties": {"hazard": {"minLength": 1}}}},
		{"if": {"properties": {"action": {"const": "` + ActShelve + `"}}},
		 "then": {"required": ["until"]}}]}`)
}

// Check implements Payload.
func (p *AlarmChanged) Check() error {
	return check(p, p.Hazard, p.Job, p.Part, p.From, p.To, p.On, p.Emit, p.Phase, p.Priority,
		p.Remedies, p.Evidence, p.Caution, p.ReadyAt, p.Until, p.By, p.Reason, p.Message,
		p.Page, p.Cause)
}

// Check implements Payload.
func (p *PageSent) Check() error { return check(p, p.Alarm, p.Channel, p.Attempt, p.Key) }

// Check implements Payload.
func (p *PageFailed) Check() error {
	return check(p, p.Alarm, p.Channel, p.Attempt, p.Reason, p.Final)
}

func (r *Remedy) check() *Fault {
	return planOf(r).check([]any{r.Code, r.Text, r.Cost, r.Expected, r.Settles, r.WhyNot, r.Cheapest})
}

func (e *Evidence) check() *Fault { return planOf(e).check([]any{e.Name, e.Value, e.Limit}) }
