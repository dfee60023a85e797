package desk

import (
	"errors"
	"net/http"
	"slices"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

// errStoredBefore means that a request was carried out before the desk forgot it.
var errStoredBefore = errors.New("this was stored before")

// instead says what to do about an entry that cannot be taken back.
const instead = ": enter what is true now, and leave a note if the record misleads"

// undo makes the event that takes an entry back.
func (d *desk) undo(q *request) (event.Event, error) {
	of, err := d.find(q, q.values.text("event"))
	if err != nil {
		return event.Event{}, err
	}
	conflict := func(detail string) (event.Event, error) {
		return event.Event{}, refusal{http.StatusConflict, detail + instead}
	}
	switch {
	case of.stored.IsZero():
		return conflict("no such entry arrived at this machine within the last minute")
	case of.undone:
		return event.Event{}, refusal{http.StatusConflict, "it is taken back already: there is nothing left to do"}
	case !of.undoable:
		return conflict("this is something that cannot be taken back")
	case q.now.Sub(of.stored) > UndoWithin:
		return conflict("it arrived more than a minute ago, and others have relied on it since")
	}
	e, err := action.Undo(action.Entry{
		ID: q.id, Site: q.site, Machine: q.machine, At: q.now, By: q.by, Values: map[string]string{"reason": q.values.text("reason")},
	}, of.id, of.typ)
	return e, named(err, nil)
}

// find looks for an entry of the request's machine: in memory, and in the journal
// for one that came before a restart. The record is empty when there is none.
func (d *desk) find(q *request, id string) (record, error) {
	if r, ok := d.memory.find(id); ok {
		if r.site == q.site && r.machine == q.machine {
			return r, nil
		}
		return record{}, nil
	}
	if d.o.Newest == nil {
		return record{}, nil
	}
	const most = 200 // far more than people enter in a minute
	messages, err := d.o.Newest(q.Context(), q.site, q.machine, append(slices.Clone(event.Undoable), "entry.undone"), most)
	if err != nil {
		d.o.Log.Error().Err(err).Msg("the journal could not be read for an entry that is to be taken back")
		return record{}, refusal{http.StatusServiceUnavailable, "the journal cannot be read just now: " + sendAgain}
	}
	return search(messages, id, q.id)
}

// search finds an entry among messages, newest first, and what became of it. The
// error is errStoredBefore when the undo itself is among them.
func search(messages []event.Message, id, undoID string) (record, error) {
	found, undone := record{}, false
	for _, m := range messages {
		e, err := event.Decode(m)
		if err != nil || e.Source != action.Source {
			continue
		}
		if e.ID == undoID {
			return record{}, errStoredBefore
		}
		if undo, ok := e.Data.(*event.EntryUndone); ok && undo.Event == id {
			undone = true
		}
		if e.ID == id { // an older copy counts: it arrived first
			found = record{id: id, stored: m.Stored, typ: e.Type, site: e.Site, machine: e.Machine, undoable: undoable(e)}
		}
	}
	found.undone = undone
	return found, nil
}

// undoable reports whether an event can be taken back for a moment.
func undoable(e event.Event) bool {
	if note, ok := e.Data.(*event.OperatorNoted); ok && note.Action != event.ActNote {
		return false
	}
	return slices.Contains(event.Undoable, e.Type)
}
