package desk_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
	"rollwarden/watcher/desk"
)

func undoOf(i, of int) string {
	return fmt.Sprintf(`{"id": %q, "event": %q, "by": "Ada", "reason": "wrong machine"}`, id(i), id(of))
}

func enter(t *testing.T, s *shop, i int) {
	t.Helper()
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(i)+`", "action": "round-lip", "by": "Ada"}`).wants(t, 201)
}

func TestUndo(t *testing.T) {
	s := open(t, nil)
	enter(t, s, 1)
	s.pass(time.Minute)
	r := s.send(t, heron+"undo", jsonType, undoOf(2, 1)).wants(t, 201)
	want := event.Event{
		ID: id(2), Source: "rollwarden/desk", Type: "entry.undone", Time: eight.Add(time.Minute), Site: "north", Machine: "heron",
		Data: &event.EntryUndone{Event: id(1), Type: "edge.shaped", By: "Ada", Reason: "wrong machine"},
	}
	if d := cmp.Diff(want, s.last(t)); d != "" || r.Undo != nil {
		t.Errorf("event (-want +got):\n%s\nto be undone itself until %v", d, r.Undo)
	}
	s.pass(time.Hour)
	s.send(t, heron+"undo", jsonType, undoOf(2, 1)).wants(t, 200) // the answer got lost
	if len(s.journal) != 2 {
		t.Errorf("%d events are stored, want 2", len(s.journal))
	}
}

func TestUndoIsRefused(t *testing.T) {
	s := open(t, nil)
	enter(t, s, 1)
	s.send(t, heron+"undo", jsonType, undoOf(2, 9)).wants(t, 409).says(t, "no such entry", "enter what is true now")
	s.send(t, "/api/v1/machines/north/wren/undo", jsonType, undoOf(3, 1)).wants(t, 409).says(t, "at this machine")
	s.send(t, heron+"undo", jsonType, undoOf(4, 1)).wants(t, 201)
	s.send(t, heron+"undo", jsonType, undoOf(5, 1)).wants(t, 409).says(t, "already")
	s.send(t, heron+"undo", jsonType, undoOf(6, 4)).wants(t, 409).says(t, "cannot be taken back")
	s.send(t, heron+"alarm", jsonType, `{"id": "`+id(7)+`", "action": "acknowledge", "hazard": "bare-edge", "by": "Ada"}`).wants(t, 201)
	s.send(t, heron+"undo", jsonType, undoOf(8, 7)).wants(t, 409).says(t, "cannot be taken back")
	enter(t, s, 10)
	s.pass(time.Minute + time.Second)
	s.send(t, heron+"undo", jsonType, undoOf(11, 10)).wants(t, 409).says(t, "more than a minute ago", "leave a note")
	s.send(t, heron+"undo", jsonType, `{"id": "`+id(12)+`", "by": "Ada"}`).wants(t, 422, "event")
}

// TestUndoCountsFromArrival: an entry of an offline tablet may be hours old when
// it arrives, and can be taken back for a minute all the same.
func TestUndoCountsFromArrival(t *testing.T) {
	s := open(t, nil)
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(1)+`", "action": "round-lip", "by": "Ada", "at": "2026-03-02T03:00:00Z"}`).wants(t, 201)
	s.send(t, heron+"undo", jsonType, undoOf(2, 1)).wants(t, 201)
}

// TestUndoAfterARestart finds the entry in the journal.
func TestUndoAfterARestart(t *testing.T) {
	before := open(t, nil)
	for i := range 4 {
		enter(t, before, i)
	}
	s := open(t, func(o *desk.Options) { o.Newest = before.newest })
	s.pass(50 * time.Second)
	s.send(t, heron+"undo", jsonType, undoOf(11, 1)).wants(t, 201)
	s.send(t, heron+"undo", jsonType, undoOf(12, 9)).wants(t, 409).says(t, "no such entry")
	before.journal = append(before.journal, s.journal...)

	// Restarted again: what was taken back is known to be, also to its own sender.
	s = open(t, func(o *desk.Options) { o.Newest = before.newest })
	s.pass(50 * time.Second)
	s.send(t, heron+"undo", jsonType, undoOf(13, 1)).wants(t, 409).says(t, "already")
	s.send(t, heron+"undo", jsonType, undoOf(11, 1)).wants(t, 200)
	s.pass(11 * time.Second)
	s.send(t, heron+"undo", jsonType, undoOf(14, 2)).wants(t, 409).says(t, "more than a minute ago")

	blind := open(t, func(o *desk.Options) {
		o.Newest = func(context.Context, string, string, []event.Type, int) ([]event.Message, error) {
			return nil, errors.New("no answer")
		}
	})
	blind.send(t, heron+"undo", jsonType, undoOf(15, 2)).wants(t, 503).says(t, "same id")
}

// TestUndoByTheFirstCopy: an entry that was sent twice arrived the first time.
func TestUndoByTheFirstCopy(t *testing.T) {
	before := open(t, nil)
	before.lie = errors.New("no answer")
	body := `{"id": "` + id(1) + `", "action": "round-lip", "by": "Ada"}`
	before.send(t, heron+"entries", jsonType, body).wants(t, 503)
	before.pass(45 * time.Second)
	before.send(t, heron+"entries", jsonType, body).wants(t, 503)
	s := open(t, func(o *desk.Options) { o.Newest = before.newest })
	s.pass(90 * time.Second)
	s.send(t, heron+"undo", jsonType, undoOf(2, 1)).wants(t, 409).says(t, "more than a minute ago")
}

func TestAlarm(t *testing.T) {
	at := func(d time.Duration) *time.Time { end := eight.Add(d); return &end }
	for _, tt := range []struct {
		body   string // after id and by
		want   *event.OperatorNoted
		faults string
	}{
		{`"action": "acknowledge", "hazard": "bare-edge", "job": "K-101", "part": "P1"`,
			&event.OperatorNoted{Action: "acknowledge", Hazard: "bare-edge", Job: "K-101", Part: "P1"}, ""},
		{`"action": "note", "reason": "tape is on"`, &event.OperatorNoted{Action: "note", Reason: "tape is on"}, ""},
		{`"action": "shelve", "hazard": "dry-air", "reason": "hygrometer away", "for_s": 3600`,
			&event.OperatorNoted{Action: "shelve", Hazard: "dry-air", Reason: "hygrometer away", Until: at(time.Hour)}, ""},
		{`"action": "shelve", "hazard": "dry-air", "reason": "hygrometer away", "for_s": "8 h"`,
			&event.OperatorNoted{Action: "shelve", Hazard: "dry-air", Reason: "hygrometer away", Until: at(8 * time.Hour)}, ""},
		{`"action": "shelve", "hazard": "dry-air", "reason": "hygrometer away", "until": "2026-03-02T16:00:00+01:00"`,
			&event.OperatorNoted{Action: "shelve", Hazard: "dry-air", Reason: "hygrometer away", Until: at(7 * time.Hour)}, ""},
		{`"action": "shelve", "hazard": "dry-air", "reason": "no end"`, nil, "until"},
		{`"action": "shelve", "hazard": "dry-air", "reason": "both", "for_s": 60, "until": "2026-03-02T09:00:00Z"`, nil, "until"},
		{`"action": "shelve", "hazard": "dry-air", "for_s": 3600`, nil, "reason"},
		{`"action": "shelve", "reason": "no hazard", "for_s": 3600`, nil, "hazard"},
		{`"action": "shelve", "hazard": "dry-air", "reason": "over", "until": "2026-03-02T08:00:00Z"`, nil, "until"},
		{`"action": "shelve", "hazard": "dry-air", "reason": "too long", "until": "2026-03-03T08:00:01Z"`, nil, "until"},
		{`"action": "shelve", "hazard": "dry-air", "reason": "too long", "for_s": 86401`, nil, "for_s"},
		{`"action": "shelve", "hazard": "dry-air", "reason": "too long", "for_s": "25 h"`, nil, "for_s"},
		{`"action": "acknowledge", "hazard": "bare-edge", "for_s": 60`, nil, "until"},
		{`"action": "acknowledge"`, nil, "hazard"},
		{`"action": "acknowledge", "hazard": "bare-egde"`, nil, "hazard"},
		{`"action": "note"`, nil, "reason"},
		{`"action": "silence", "hazard": "bare-edge"`, nil, "action"},
	} {
		s := open(t, nil)
		r := s.send(t, heron+"alarm", jsonType, `{"id": "`+id(1)+`", "by": "Ada", `+tt.body+`}`)
		if tt.want == nil {
			r.wants(t, 422, tt.faults)
			continue
		}
		r.wants(t, 201)
		tt.want.By = "Ada"
		if d := cmp.Diff(event.Payload(tt.want), s.last(t).Data); d != "" || s.last(t).Type != "operator.noted" {
			t.Errorf("%s (-want +got):\n%s", tt.body, d)
		}
	}
}

func TestAdvice(t *testing.T) {
	for _, tt := range []struct {
		body   string
		want   *event.AdviceAccepted
		faults string
	}{
		{`"remedy": "leader", "hazard": "bare-edge", "job": "K-101"`, &event.AdviceAccepted{Remedy: "leader", Hazard: "bare-edge", Job: "K-101"}, ""},
		{`"remedy": "humidify", "hazard": "dry-air"`, &event.AdviceAccepted{Remedy: "humidify", Hazard: "dry-air"}, ""},
		{`"order": ["K-102", "K-101/P1"]`, &event.AdviceAccepted{Order: []string{"K-102", "K-101/P1"}}, ""},
		{`"remedy": "leader"`, nil, "hazard"},
		{`"remedy": "laeder", "hazard": "bare-edge"`, nil, "remedy"},
		{`"job": "K-101"`, nil, "remedy"},
		{`"remedy": "leader", "hazard": "bare-edge", "order": ["K-101"]`, nil, "remedy"},
		{`"order": ["K-101"], "job": "K-101"`, nil, "hazard"},
		{`"order": ["K-101", "K-101"]`, nil, "order"},
		{`"order": ["K-101", ""]`, nil, "order"},
		{`"order": ["K-101", 5]`, nil, "order"},
		{`"order": "K-101"`, nil, "order"},
		{`"order": ["` + strings.Repeat(`x", "`, 100) + `y"]`, nil, "order"},
	} {
		s := open(t, nil)
		r := s.send(t, heron+"advice", jsonType, `{"id": "`+id(1)+`", "by": "Ada", `+tt.body+`}`)
		if tt.want == nil {
			r.wants(t, 422, tt.faults)
			continue
		}
		r.wants(t, 201)
		tt.want.By = "Ada"
		if d := cmp.Diff(event.Payload(tt.want), s.last(t).Data); d != "" || s.last(t).Type != "advice.accepted" {
			t.Errorf("%s (-want +got):\n%s", tt.body, d)
		}
	}
}
