package event_test

import (
	"testing"
	"time"

	"rollwarden/rules/event"
)

var (
	eight = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	nine  = eight.Add(time.Hour)
)

func ptr[T any](v T) *T { return &v }

// samples holds one true-to-life payload of every kind.
func samples() map[event.Type]event.Payload {
	run := event.Run{Job: "KLD-1041", Part: "2", Recipe: "mono-10-pass", Metres: ptr(3.2), By: "night shift"}
	roll := event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, Lot: "L-77", WidthMM: ptr(1370.0), LengthM: ptr(42.0), ThicknessUM: ptr(210.0), EdgeMM: ptr(120.0), By: "night shift"}
	return map[event.Type]event.Payload{
		"ticket.received": &event.TicketReceived{
			Job: "KLD-1041", Part: "2", Machine: "heron", Title: "Van sides, blue", Stock: "MONO-GLOSS-137",
			FilmClass: event.Monomeric, Lot: "L-77", RollWidthMM: ptr(1370.0), ThicknessUM: ptr(80.0), LengthM: ptr(11.5),
			AreaM2: ptr(15.8), Copies: ptr(4.0), Passes: ptr(10.0), InkDensityPct: ptr(100.0), CureC: ptr(93.0),
			ContourCut: true, MarkSpacingMM: ptr(600.0), Laminate: true, RestS: ptr(86400.0), StartAt: &eight, FinishAt: &nine,
			Due: ptr(nine.Add(48 * time.Hour)), Priority: ptr(60.0), Flags: []string{"width taken from the stock"},
			SourceFile: "KLD-1041.xjdf", SourceSHA256: "9f86d081884c7d65", SourceFormat: "xjdf", Replaces: "60303ae22b998861",
		},
		"ticket.withdrawn": &event.TicketWithdrawn{Job: "KLD-1041", Part: "2", Reason: "customer changed the colour"},
		"ticket.rejected":  &event.TicketRejected{SourceFile: "bad.xjdf", SourceSHA256: "9f86d081884c7d65", Kind: "malformed", Reason: "line 3: an element is not closed"},
		"roll.loaded":      &roll,
		"roll.removed":     &event.RollRemoved{Stock: roll.Stock, LengthM: roll.LengthM, By: roll.By},
		"edge.moved":       &event.EdgeMoved{PositionMM: ptr(412.5), Cause: event.CauseAdvance},
		"leader.attached":  &event.LeaderAttached{LengthMM: 900, ThicknessUM: ptr(130.0), By: roll.By},
		"leader.removed":   &event.LeaderRemoved{LengthMM: ptr(900.0), ThicknessUM: ptr(130.0), By: roll.By},
		"edge.shaped":      &event.EdgeShaped{Shape: "rounded", By: roll.By},
		"run.queued":       &event.RunQueued{Job: "KLD-1041", Part: "2", Recipe: "mono-10-pass", Metres: ptr(11.5), StartAt: &eight, Position: ptr(1.0)},
		"run.started":      &event.RunStarted{Run: run},
		"run.progress":     &event.RunProgress{Run: run},
		"run.finished":     &event.RunFinished{Run: run},
		"run.stopped":      &event.RunStopped{Run: event.Run{Job: "KLD-1041", Metres: ptr(1.0), Reason: "banding", By: roll.By}},
		"cut.finished":     &event.CutFinished{Job: "KLD-1041", Part: "2", Rewound: ptr(false), AtMM: ptr(250.0), By: roll.By},
		"strike.recorded":  &event.StrikeRecorded{Job: "KLD-1041", Part: "2", NozzlesLost: ptr(14.0), DowntimeS: ptr(2700.0), Note: "left corner lifted", By: roll.By},
		"head.checked":     &event.HeadChecked{NozzlesOK: ptr(true), ObstructionClear: ptr(false), By: roll.By},
		"film.wasted":      &event.FilmWasted{LengthM: 1.2, WidthMM: ptr(1370.0), Cause: "edge-advance", By: roll.By},
		"job.reprinted":    &event.JobReprinted{Job: "KLD-1041", Part: "2", Cause: "head-strike", Copies: ptr(1.0), By: roll.By},
		"strip.measured":   &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93, Passes: ptr(10.0), Stock: "MONO-GLOSS-137", By: roll.By},
		"machine.reported": &event.MachineReported{State: event.MachineStopped, Reasons: []string{"media-jam-error", "cover-open"}, Message: "clear the path", Accepting: ptr(true), Media: []string{"roll_max_1370x50000mm"}},
		"climate.read":     &event.ClimateRead{TempC: ptr(21.5), RHPct: ptr(38.0)},
		"change.marked":    &event.ChangeMarked{Label: "leaders on every cheap roll", Since: &eight},
		"advice.accepted":  &event.AdviceAccepted{Remedy: "leader", Hazard: "bare-edge", Job: "KLD-1041", Part: "2", Order: []string{"KLD-1041/2", "KLD-1044/1"}, By: "night shift"},
		"operator.noted":   &event.OperatorNoted{Hazard: "bare-edge", Job: "KLD-1041", Part: "2", Action: event.ActShelve, By: "night shift", Reason: "tape is out", Until: &nine},
		"entry.undone":     &event.EntryUndone{Event: "7b1c", Type: "roll.loaded", By: "night shift", Reason: "that was wren"},
		"alarm.changed": &event.AlarmChanged{
			Hazard: "bare-edge", Job: "KLD-1041", Part: "2", From: "normal", To: "unacknowledged", On: "condition", Emit: "annunciate",
			Phase: "queued", Priority: "high",
			Remedies: []event.Remedy{{Code: "leader", Text: "tape a leader of 900 mm", Cost: "1.10 USD", Expected: "1.30 USD", Settles: true, Cheapest: true}, {Code: "no-cut", Text: "leave the last job on", WhyNot: "already cut"}},
			Evidence: []event.Evidence{{Name: "edge", Value: "12 mm", Limit: "640 mm"}, {Name: "leader"}},
			Caution:  "the carriage can strike the film", ReadyAt: &nine, Until: &nine, By: "night shift", Reason: "first run",
			Message: "bare edge of MONO-GLOSS-137 will enter the cure zone", Page: []string{"phone"}, Cause: "7b1c",
		},
		"page.sent":   &event.PageSent{Alarm: "a1", Channel: "phone", Attempt: 1, Key: "k-1"},
		"page.failed": &event.PageFailed{Alarm: "a1", Channel: "phone", Attempt: 3, Reason: "no answer", Final: true},
	}
}

// sample returns an event of the kind, as it could stand in the journal.
func sample(t testing.TB, kind event.Kind) event.Event {
	t.Helper()
	data, ok := samples()[kind.Type]
	if !ok {
		t.Fatalf("no sample of %s: add one to samples", kind.Type)
	}
	return event.Event{
		ID: event.DerivedID("sample", string(kind.Type)), Source: "/kestrel-lane-decals/north/heron",
		Type: kind.Type, Time: eight, Site: "north", Machine: "heron", Data: data,
	}
}

// message puts an event on the journal as a publisher would.
func message(t testing.TB, e event.Event) event.Message {
	t.Helper()
	data, err := event.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	return event.Message{Subject: e.Subject(), Data: data, Stored: eight.Add(time.Second)}
}

func kindOf(t testing.TB, typ event.Type) event.Kind {
	t.Helper()
	kind, ok := event.KindOf(typ)
	if !ok {
		t.Fatalf("no kind %s", typ)
	}
	return kind
}
