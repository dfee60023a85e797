package desk

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
	"rollwarden/rules/remedy"
)

// alarm makes the event of what a person did about an alarm.
func (d *desk) alarm(q *request) (event.Event, error) {
	v := q.values
	note := &event.OperatorNoted{
		Hazard: v.text("hazard"), Job: v.text("job"), Part: v.text("part"), Action: v.text("action"), By: q.by, Reason: strings.TrimSpace(v.text("reason")),
	}
	if note.Hazard != "" && len(d.o.Hazards) > 0 && !slices.Contains(d.o.Hazards, note.Hazard) {
		return event.Event{}, faults{unlisted("hazard", note.Hazard, d.o.Hazards)}
	}
	if note.Reason == "" && (note.Action == event.ActShelve || note.Action == event.ActNote) {
		return event.Event{}, faults{{Field: "reason", Want: "the reason, or what is to be noted"}}
	}
	until, err := q.shelfEnd()
	if err != nil {
		return event.Event{}, err
	}
	note.Until = until
	return q.event("operator.noted", note)
}

// shelfEnd is when shelving ends; nil for what is no shelving.
func (q *request) shelfEnd() (*time.Time, error) {
	until, span := q.values["until"], q.values["for_s"]
	most := q.now.Add(longestShelf)
	end := most
	switch {
	case q.values.text("action") != event.ActShelve:
		if !until.isEmpty() || !span.isEmpty() {
			return nil, faults{{Field: "until", Want: "no end: only shelving has one", Got: "one"}}
		}
		return nil, nil
	case until.isEmpty() == span.isEmpty():
		return nil, faults{either("until", "when shelving ends, either until or for_s", until.isEmpty())}
	case until.isEmpty():
		x, _ := number(event.Field{Unit: "s"}, span)
		end = q.now.Add(time.Duration(x * float64(time.Second)))
	default:
		end, _ = time.Parse(time.RFC3339, until.texts[0])
	}
	if !end.After(q.now) || end.After(most) {
		return nil, faults{{Field: "until", Want: fmt.Sprintf("a time to come, at most %s ahead", longestShelf), Got: shown(end.UTC().Format(time.RFC3339))}}
	}
	end = end.UTC()
	return &end, nil
}

// maxOrder is the most jobs that an order of the queue may name.
const maxOrder = 100

// advice makes the event of a piece of advice that a person took: a remedy or an
// order of the queue.
func (d *desk) advice(q *request) (event.Event, error) {
	v := q.values
	taken := &event.AdviceAccepted{
		Remedy: v.text("remedy"), Hazard: v.text("hazard"), Job: v.text("job"), Part: v.text("part"), Order: v["order"].texts, By: q.by,
	}
	var all faults
	switch {
	case (taken.Remedy == "") == (len(taken.Order) == 0):
		all = faults{either("remedy", "either remedy or order", taken.Remedy == "")}
	case len(taken.Order) > 0:
		all = checkOrder(taken)
	case !slices.Contains(remedyCodes(), taken.Remedy):
		all = faults{unlisted("remedy", taken.Remedy, remedyCodes())}
	case taken.Hazard == "":
		all = faults{{Field: "hazard", Want: "the code of the hazard that it answers"}}
	}
	if len(all) > 0 {
		return event.Event{}, all
	}
	return q.event("advice.accepted", taken)
}

func remedyCodes() []string {
	codes := make([]string, len(remedy.Table))
	for i, row := range remedy.Table {
		codes[i] = row.Code
	}
	return codes
}

// either is the fault of two members of which one is wanted, and none or both came.
func either(field, want string, none bool) *event.Fault {
	f := &event.Fault{Field: field, Want: want}
	if !none {
		f.Got = "both"
	}
	return f
}

func checkOrder(a *event.AdviceAccepted) faults {
	sorted := slices.Sorted(slices.Values(a.Order))
	switch {
	case len(a.Order) > maxOrder:
		return faults{{Field: "order", Want: fmt.Sprintf("at most %d jobs", maxOrder), Got: strconv.Itoa(len(a.Order))}}
	case sorted[0] == "" || len(slices.Compact(sorted)) < len(a.Order):
		return faults{{Field: "order", Want: "each job once", Got: "an empty one, or one twice"}}
	case a.Hazard != "" || a.Job != "" || a.Part != "":
		return faults{{Field: "hazard", Want: "nothing beside an order but who accepted it", Got: "hazard, job or part"}}
	}
	return nil
}

// event puts a payload in an event of the request.
func (q *request) event(typ event.Type, data event.Payload) (event.Event, error) {
	if err := data.Check(); err != nil {
		return event.Event{}, named(err, nil)
	}
	return event.Event{ID: q.id, Source: action.Source, Type: typ, Time: q.now.UTC(), Site: q.site, Machine: q.machine, Data: data}, nil
}
