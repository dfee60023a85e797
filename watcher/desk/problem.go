package desk

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"rollwarden/rules/event"
)

// Problem is why a request was refused, as RFC 9457 lays it out. Its type is
// about:blank: the status says what kind of problem it is, and the detail what
// to do.
type Problem struct {
	Type     string       `json:"type"`
	Title    string       `json:"title"`
	Status   int          `json:"status"`
	Detail   string       `json:"detail"`
	Instance string       `json:"instance"`
	Errors   []FieldError `json:"errors,omitzero"` // what is wrong field by field
	Back     string       `json:"-"`               // for a page: where the form leads back to; empty when it does not say
}

// FieldError says which field is wrong, what was wanted, and what came; Got is
// empty when nothing did.
type FieldError struct {
	Field string `json:"field"`
	Want  string `json:"want"`
	Got   string `json:"got,omitzero"`
}

// refusal is a request that cannot be carried out, with what to do instead.
type refusal struct {
	status int
	detail string
}

// Error is the detail.
func (r refusal) Error() string { return r.detail }

// faults are the fields that are wrong, in the order of the route's table.
type faults []*event.Fault

// Error joins what is wrong into one line.
func (f faults) Error() string {
	all := make([]string, len(f))
	for i := range f {
		all[i] = f[i].Error()
	}
	return strings.Join(all, "; ")
}

// faultOf says that a field holds something that it cannot; got is as it was
// sent, empty when nothing was.
func faultOf(field event.Field, got string) *event.Fault {
	f := &event.Fault{Field: field.Name, Want: want(field)}
	if got != "" {
		f.Got = shown(got)
	}
	return f
}

// shown is a text in a message: quoted, so that it can do no harm, and short.
func shown(text string) string {
	const most = 60 // characters
	if runes := []rune(text); len(runes) > most {
		text = string(runes[:most]) + "…"
	}
	return strconv.Quote(text)
}

// refuse answers with a problem, on a page if a form was sent.
func (d *desk) refuse(w http.ResponseWriter, q *request, err error) {
	p := d.problem(q, err)
	if p.Status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", retryAfter)
	}
	if q.form && d.o.Refuse != nil {
		p.Back = q.back
		d.o.Refuse(w, q.Request, p)
		return
	}
	writeProblem(w, p)
}

func (d *desk) problem(q *request, err error) Problem {
	if r, ok := errors.AsType[refusal](err); ok {
		return newProblem(q.Request, r.status, r.detail)
	}
	if all, ok := errors.AsType[faults](err); ok {
		p := newProblem(q.Request, http.StatusUnprocessableEntity, all.Error())
		for _, f := range all {
			p.Errors = append(p.Errors, FieldError{f.Field, f.Want, f.Got})
		}
		return p
	}
	d.o.Log.Error().Err(err).Str("path", q.URL.Path).Msg("a request failed for a reason that is not the sender's")
	return newProblem(q.Request, http.StatusInternalServerError, "something went wrong here, and the log says what: "+sendAgain)
}

func newProblem(r *http.Request, status int, detail string) Problem {
	return Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Instance: r.URL.EscapedPath()}
}

func writeProblem(w http.ResponseWriter, p Problem) {
	writeJSON(w, p.Status, "application/problem+json", p)
}

// answer is what a request that was carried out is answered with.
type answer struct {
	ID        string     `json:"id"`
	Event     string     `json:"event"`      // id of the event, as an undo names it
	UndoUntil *time.Time `json:"undo_until"` // null when it cannot be taken back
}

func answerOf(r record) answer {
	a := answer{ID: r.id, Event: r.id}
	if r.undoable {
		until := r.stored.Add(UndoWithin).UTC()
		a.UndoUntil = &until
	}
	return a
}

// writeJSON sends a value as indented JSON, which people read too.
func writeJSON(w http.ResponseWriter, status int, kind string, v any) {
	// A detail may hold what a client sent; as JSON it is data and no markup,
	// whatever a browser takes it for.
	data, err := json.Marshal(v, jsontext.WithIndent("  "), jsontext.EscapeForHTML(true), jsontext.AllowInvalidUTF8(true))
	if err != nil {
		http.Error(w, "the answer could not be written: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n'))
}
