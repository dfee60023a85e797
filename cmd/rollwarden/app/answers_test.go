package app

import (
	"encoding/json"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

// anyText is what a text field of a made-up event says: names that meet each other.
var anyText = map[string][]string{
	"job": {"KL-1", "KL-2", "KL-3"}, "part": {"", "P1"}, "stock": {"MONO-GLOSS-137", "POLY-GLOSS-137"}, "machine": {"m0"}, "event": {"1", "2"},
}

// anyEvent draws an event of the contract with fields that are missing, at one of
// their limits, or something between.
func anyEvent(t *rapid.T) (event.Type, event.Payload) {
	kind := rapid.SampledFrom(event.Kinds).Draw(t, "kind")
	pairs := map[string]string{}
	for _, f := range event.Fields(kind) {
		if f.Items != nil || !f.Required && rapid.Bool().Draw(t, f.Name+" is missing") {
			continue
		}
		from := anyText[f.Name]
		switch {
		case f.Enum != nil:
			from = f.Enum
		case f.Type == "boolean":
			from = []string{"true", "false"}
		case f.Format == "date-time":
			from = []string{"2026-03-02T07:00:00Z", "2026-03-02T09:00:00Z"}
		case f.Type == "number":
			for _, v := range []float64{f.Min, max(f.Min, min(f.Max, 1)), max(f.Min, min(f.Max, 93)), max(f.Min, min(f.Max, 1370)), f.Max} {
				from = append(from, strconv.FormatFloat(v, 'f', -1, 64))
			}
		case from == nil:
			from = []string{"x"}
		}
		pairs[f.Name] = rapid.SampledFrom(from).Draw(t, f.Name)
	}
	p, err := event.Set(kind, pairs)
	if err != nil {
		return "", nil // what one field says forbids another: no such event can come
	}
	return kind.Type, p
}

// TestEveryAnswerCanBeWritten tells a watch anything that the contract allows, up to
// its limits, and asks for every answer to programs: whatever is unknown, settled or
// beyond all bounds is written as JSON, which has no infinity (RFC 8259, section 6).
func TestEveryAnswerCanBeWritten(t *testing.T) {
	w := newWindow(t)
	rapid.Check(t, func(rt *rapid.T) {
		w.clear()
		for range rapid.IntRange(1, 12).Draw(rt, "events") {
			typ, p := anyEvent(rt)
			if p == nil {
				continue
			}
			e := say("m0", fuzzAt, typ, p)
			data, err := event.Encode(e)
			fail(t, err)
			w.take(t, event.Message{Subject: e.Subject(), Data: data})
		}
		for _, address := range []string{
			"/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies", "/api/v1/machines/north/m0/events", "/api/v1/machines/north/m0/advice",
		} {
			if got := w.ask(address); got.Code != 200 || !json.Valid(got.Body.Bytes()) {
				rt.Fatalf("%s: status %d: %.300s", address, got.Code, got.Body)
			}
		}
	})
}
