package desk

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

// The limits of when an entry was made. A tablet that was offline sends what
// happened hours ago; what is older belongs on paper, because the floor has moved
// on since. Clocks differ by some seconds.
const (
	maxAhead = time.Minute
	maxAge   = 7 * 24 * time.Hour
)

// entry makes the event of what was done at a machine.
func (d *desk) entry(q *request) (event.Event, error) {
	a, _ := action.ByCode(q.values.text("action")) // one of the table's, or it would not have come this far
	at := q.now
	if text := q.values.text("at"); text != "" {
		at, _ = time.Parse(time.RFC3339, text)
		if at.After(q.now.Add(maxAhead)) || at.Before(q.now.Add(-maxAge)) {
			return event.Event{}, faults{{Field: "at", Want: "a time of the last 7 days, and not in the future", Got: shown(text)}}
		}
	}
	filled, err := q.values.fill(a)
	if err != nil {
		return event.Event{}, err
	}
	e, err := a.Build(action.Entry{ID: q.id, Site: q.site, Machine: q.machine, At: at, By: q.by, Values: filled})
	return e, named(err, a.Fields)
}

// fill takes the values of an action, in the units of the contract.
func (v values) fill(a *action.Action) (map[string]string, error) {
	filled, names := map[string]string{}, make([]string, len(a.Fields))
	var all faults
	for i, f := range a.Fields {
		names[i] = f.Name
		path := fieldsPrefix + f.Name
		f.Required = f.Required && f.Default == ""
		if fault := v.checkField(f.Field, path); fault != nil {
			all = append(all, fault)
			continue
		}
		one := v[path]
		switch {
		case one.isEmpty():
		case f.Type == "number":
			x, _ := number(f.Field, one)
			filled[f.Name] = strconv.FormatFloat(x, 'f', -1, 64)
		default:
			filled[f.Name] = strings.TrimSpace(one.texts[0])
		}
	}
	for _, name := range sortedKeys(v) {
		rest, within := strings.CutPrefix(name, fieldsPrefix)
		if within && len(all) < mostFaults && !slices.Contains(names, rest) {
			f := unknown(rest, names)
			if len(names) == 0 {
				f.Want = "no values"
			}
			f.Field = fieldsPrefix + f.Field
			all = append(all, f)
		}
	}
	if len(all) > 0 {
		return nil, all
	}
	return filled, nil
}

// named turns the fault of an event into that of the request which it was made
// from, where the values of an action stand in an object of their own.
func named(err error, of []action.Field) error {
	f, ok := errors.AsType[*event.Fault](err)
	if !ok {
		return err
	}
	name := strings.TrimPrefix(f.Field, "data.")
	if slices.ContainsFunc(of, func(f action.Field) bool { return f.Name == name }) {
		name = fieldsPrefix + name
	}
	return faults{{Field: name, Want: f.Want, Got: f.Got}}
}
