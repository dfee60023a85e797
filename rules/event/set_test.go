package event_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
)

type pairs = map[string]string

// typed holds, for every kind that a person can send, one full command line
// and the payload that it stands for.
var typed = map[event.Type]struct {
	pairs pairs
	want  event.Payload
}{
	"ticket.withdrawn": {pairs{"job": "KLD-1041", "part": "2", "reason": "customer changed the colour"}, &event.TicketWithdrawn{Job: "KLD-1041", Part: "2", Reason: "customer changed the colour"}},
	"roll.loaded": {
		pairs{"stock": "MONO-GLOSS-137", "film_class": "monomeric", "lot": "L-77", "width_mm": "1370", "length_m": "42.5", "thickness_um": "210"},
		&event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, Lot: "L-77", WidthMM: ptr(1370.0), LengthM: ptr(42.5), ThicknessUM: ptr(210.0)},
	},
	"roll.removed":    {pairs{"stock": "CAST-WRAP-152"}, &event.RollRemoved{Stock: "CAST-WRAP-152"}},
	"edge.moved":      {pairs{"by_mm": "+40", "cause": "feed"}, &event.EdgeMoved{ByMM: ptr(40.0), Cause: event.CauseFeed}},
	"leader.attached": {pairs{"length_mm": "9e2", "thickness_um": "130"}, &event.LeaderAttached{LengthMM: 900, ThicknessUM: ptr(130.0)}},
	"leader.removed":  {pairs{"length_mm": "0", "by": "ann"}, &event.LeaderRemoved{LengthMM: ptr(0.0), By: "ann"}},
	"edge.shaped":     {pairs{"shape": "rounded"}, &event.EdgeShaped{Shape: "rounded"}},
	"run.queued": {
		pairs{"job": "KLD-1041", "recipe": "mono-10-pass", "metres": "11.5", "start_at": "2026-03-02T08:00:00Z", "position": "1"},
		&event.RunQueued{Job: "KLD-1041", Recipe: "mono-10-pass", Metres: ptr(11.5), StartAt: &eight, Position: ptr(1.0)},
	},
	"run.started":      {pairs{"job": "KLD-1041"}, &event.RunStarted{Run: event.Run{Job: "KLD-1041"}}},
	"run.progress":     {pairs{"job": "KLD-1041", "metres": "3.2"}, &event.RunProgress{Run: event.Run{Job: "KLD-1041", Metres: ptr(3.2)}}},
	"run.finished":     {pairs{"job": "KLD-1041", "part": "2", "by": "ann"}, &event.RunFinished{Run: event.Run{Job: "KLD-1041", Part: "2", By: "ann"}}},
	"run.stopped":      {pairs{"job": "KLD-1041", "reason": "banding"}, &event.RunStopped{Run: event.Run{Job: "KLD-1041", Reason: "banding"}}},
	"cut.finished":     {pairs{"rewound": "No", "at_mm": "250"}, &event.CutFinished{Rewound: ptr(false), AtMM: ptr(250.0)}},
	"strike.recorded":  {pairs{"nozzles_lost": "14", "downtime_s": "2700", "note": "left corner lifted"}, &event.StrikeRecorded{NozzlesLost: ptr(14.0), DowntimeS: ptr(2700.0), Note: "left corner lifted"}},
	"head.checked":     {pairs{"nozzles_ok": "yes", "obstruction_clear": "TRUE"}, &event.HeadChecked{NozzlesOK: ptr(true), ObstructionClear: ptr(true)}},
	"film.wasted":      {pairs{"length_m": "0", "cause": "edge-advance"}, &event.FilmWasted{LengthM: 0, Cause: "edge-advance"}},
	"job.reprinted":    {pairs{"job": "KLD-1041", "cause": "head-strike", "copies": "1"}, &event.JobReprinted{Job: "KLD-1041", Cause: "head-strike", Copies: ptr(1.0)}},
	"strip.measured":   {pairs{"axis": "feed", "nominal_mm": "1000", "measured_mm": "998.7", "cure_c": "93"}, &event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 998.7, CureC: 93}},
	"machine.reported": {pairs{"state": "stopped", "reasons": "media-empty-error,door-open", "accepting": "yes"}, &event.MachineReported{State: event.MachineStopped, Reasons: []string{"media-empty-error", "door-open"}, Accepting: ptr(true)}},
	"climate.read":     {pairs{"temp_c": "-4.5", "rh_pct": "38"}, &event.ClimateRead{TempC: ptr(-4.5), RHPct: ptr(38.0)}},
	"change.marked":    {pairs{"label": "leaders on every cheap roll", "since": "2026-03-02T09:00:00+01:00"}, &event.ChangeMarked{Label: "leaders on every cheap roll", Since: &eight}},
	"advice.accepted":  {pairs{"by": "night shift", "order": "KLD-1041/2,KLD-1044/1"}, &event.AdviceAccepted{By: "night shift", Order: []string{"KLD-1041/2", "KLD-1044/1"}}},
	"entry.undone":     {pairs{"event": "7b1c", "type": "film.wasted", "by": "ann", "reason": "wrong machine"}, &event.EntryUndone{Event: "7b1c", Type: "film.wasted", By: "ann", Reason: "wrong machine"}},
	"operator.noted":   {pairs{"hazard": "bare-edge", "action": "shelve", "by": "night shift", "until": "2026-03-02T09:00:00Z"}, &event.OperatorNoted{Hazard: "bare-edge", Action: event.ActShelve, By: "night shift", Until: &nine}},
}

func TestSetEveryOperatorKind(t *testing.T) {
	for _, kind := range event.Kinds {
		if kind.From != event.FromOperator {
			continue
		}
		tt, ok := typed[kind.Type]
		if !ok {
			t.Errorf("no command line for %s: add one to typed", kind.Type)
			continue
		}
		got, err := event.Set(kind, tt.pairs)
		if diff := cmp.Diff(tt.want, got); err != nil || diff != "" {
			t.Errorf("%s %v: %v (-want +got):\n%s", kind.Type, tt.pairs, err, diff)
		}
		for _, f := range event.Fields(kind) {
			setFaults(t, kind, tt.pairs, f)
		}
	}
}

// setFaults gives one field of a good command line a value of no use.
func setFaults(t *testing.T, kind event.Kind, good pairs, f event.Field) {
	t.Helper()
	spoilt := pairs{}
	for name, text := range good {
		spoilt[name] = text
	}
	spoilt[f.Name] = ""
	_, err := event.Set(kind, spoilt)
	wantFault(t, err, f.Name)
	delete(spoilt, f.Name)
	if _, err = event.Set(kind, spoilt); f.Required {
		wantFault(t, err, f.Name)
	}
	if f.Type != "string" || f.Format != "" || f.Enum != nil {
		if f.Type != "array" {
			spoilt[f.Name] = "a word"
			_, err = event.Set(kind, spoilt)
			wantFault(t, err, f.Name)
		}
	}
	spoilt[f.Name+"x"] = "1"
	_, err = event.Set(kind, spoilt)
	if err == nil || !strings.Contains(err.Error(), f.Name) {
		t.Errorf("%s: %sx is taken for %v", kind.Type, f.Name, err)
	}
}

func TestSetMessages(t *testing.T) {
	const number = "want a number from 1 to 20000 mm, without the unit and with a point, such as 12.5"
	for _, tt := range []struct {
		typ   event.Type
		pairs pairs
		want  string
	}{
		{"leader.attached", pairs{"lenght_mm": "900"}, "lenght_mm: want a field of leader.attached; did you mean length_mm?, got an unknown field"},
		{"leader.attached", pairs{"length": "900"}, "length: want a field of leader.attached; did you mean length_mm?, got an unknown field"},
		{"leader.attached", pairs{"Length_mm": "900"}, "Length_mm: want a field of leader.attached; did you mean length_mm?, got an unknown field"},
		{"leader.attached", pairs{"colour": "red"}, "colour: want a field of leader.attached: length_mm, thickness_um, by, got an unknown field"},
		{"leader.attached", pairs{}, "length_mm is missing: want a number from 1 to 20000 mm"},
		{"leader.attached", pairs{"length_mm": "900mm"}, "length_mm: " + number + `, got "900mm"`},
		{"leader.attached", pairs{"length_mm": "900,5"}, "length_mm: " + number + `, got "900,5"`},
		{"leader.attached", pairs{"length_mm": "NaN"}, "length_mm: " + number + `, got "NaN"`},
		{"leader.attached", pairs{"length_mm": "Inf"}, "length_mm: " + number + `, got "Inf"`},
		{"leader.attached", pairs{"length_mm": "0x10p4"}, "length_mm: " + number + `, got "0x10p4"`},
		{"leader.attached", pairs{"length_mm": "1e400"}, "length_mm: " + number + `, got "1e400"`},
		{"leader.attached", pairs{"length_mm": "30000"}, "length_mm: want a number from 1 to 20000 mm, got 30000"},
		{"cut.finished", pairs{"rewound": "maybe"}, `rewound: want true or false, yes or no, got "maybe"`},
		{"cut.finished", pairs{"job": "J"}, "rewound is missing: want true or false"},
		{"change.marked", pairs{"label": "x", "since": "monday"}, `since: want a time such as 2026-03-02T08:00:00Z, got "monday"`},
		{"change.marked", pairs{"label": "x", "since": "2026-03-02T8:00:00Z"}, `since: want a time such as 2026-03-02T08:00:00Z, got "2026-03-02T8:00:00Z"`},
		{"change.marked", pairs{"label": "x", "since": "2026-03-02T08:00:00+24:00"}, `since: want a time such as 2026-03-02T08:00:00Z, got "2026-03-02T08:00:00+24:00"`},
		{"edge.moved", pairs{"by_mm": "1", "cause": "pull"}, `cause: want one of rewind, advance, feed, trim, got "pull"`},
		{"edge.moved", pairs{"cause": "feed"}, "position_mm is missing: want either position_mm or by_mm"},
		{"edge.moved", pairs{"cause": "feed", "by_mm": "1", "position_mm": "1"}, "by_mm: want either position_mm or by_mm, got both"},
		{"operator.noted", pairs{"action": "shelve", "by": "ann", "hazard": "bare-edge"}, "until is missing: want the time when shelving ends, such as 2026-03-02T08:00:00Z; an alarm is never shelved for ever"},
		{"run.started", pairs{"job": ""}, `job: want a text that is not empty, got ""`},
		{"run.started", pairs{"job": "\xff"}, `job: want UTF-8 text, got "\xff"`},
		{"advice.accepted", pairs{"by": "ann", "order": ""}, `order: want texts with commas between them, got ""`},
		{"alarm.changed", pairs{"remedies": "leader"}, `remedies: want nothing here: a list of objects can only be sent as JSON, got "leader"`},
		// The first fault in the order of the names, so that the same line always gets the same answer.
		{"leader.attached", pairs{"b": "1", "a": "1"}, "a: want a field of leader.attached: length_mm, thickness_um, by, got an unknown field"},
	} {
		p, err := event.Set(kindOf(t, tt.typ), tt.pairs)
		if _, ok := errors.AsType[*event.Fault](err); !ok || p != nil || err.Error() != tt.want {
			t.Errorf("%s %v\n got %v, %v\nwant %s", tt.typ, tt.pairs, p, err, tt.want)
		}
	}
}
