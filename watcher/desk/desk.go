// Package desk is the way in over HTTP for what people do: entries of what
// happened at a machine, taking one back, acting on an alarm, and accepting
// advice. Each becomes one event in the journal.
//
// An answer is given once the event is stored, so whoever has one may go. The id
// of a request is the id of its event: sending a request again, because its
// answer got lost or the watch could not write just then, is safe for ever,
// because the fold counts an event once. What the desk remembers of its own
// answers only makes the second one the same as the first.
//
// Requests are JSON or, from a page without a script, forms with the same names.
// Both are read by the same tables, from which the OpenAPI document is made too.
// Reading is strict, and whatever is refused is refused with the field, what was
// wanted and what came.
//
// The desk decides what a role may do and leaves the rest of who may come in,
// from where and how often, to the gate before it.
package desk

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// Role says what a person may do; each includes the ones before it.
type Role int

// The roles that the desk tells apart.
const (
	Operator   Role = iota + 1 // does what is done at a machine
	Supervisor                 // also decides what others rely on
)

// Options are what the desk works with. Publish, Machines and Who are required.
type Options struct {
	// Publish returns nil once every event is stored. After an error they may
	// be stored all the same.
	Publish func(context.Context, ...event.Event) error

	// Newest returns the newest messages of a machine that are of the given
	// types, newest first, at most n. It finds an entry that came before a
	// restart; may be nil, and then there is none.
	Newest func(ctx context.Context, site, machine string, types []event.Type, n int) ([]event.Message, error)

	// Machines lists the machines that are configured or were heard of, as
	// floor.Key names them.
	Machines func() []string

	// Who says who sends a request. It is not ok when nobody may be let in; a
	// name is empty where nobody has to log in, and then it has to be typed.
	Who func(*http.Request) (name string, role Role, ok bool)

	Hazards []string // codes that can be acted on; any when empty

	// Refuse draws a page for a form that was refused and writes the status.
	// The form is in r.PostForm. The problem is sent as JSON when nil.
	Refuse func(w http.ResponseWriter, r *http.Request, p Problem)

	Now func() time.Time // must agree with the journal's clock; time.Now when nil
	Log zerolog.Logger
}

const (
	longestShelf = alarm.LongestShelf
	storeWithin  = 10 * time.Second // for one event
	mostPending  = 64               // requests that wait for the journal at one time
	retryAfter   = "5"              // s, when the journal cannot be written

	// UndoWithin is how long after its arrival an entry can be taken back.
	UndoWithin = time.Minute
)

// desk is the handler's state.
type desk struct {
	o       Options
	memory  *memory
	pending chan struct{} // one token for each request that waits for the journal
}

// Handler serves the paths that Patterns lists.
func Handler(o Options) http.Handler {
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &desk{o: o, memory: newMemory(), pending: make(chan struct{}, mostPending)}
	mux := http.NewServeMux()
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, newProblem(r, http.StatusNotFound, "there is "+strings.Join(Patterns(), ", ")))
	})
	for i := range routes {
		mux.HandleFunc(routes[i].pattern(), d.serve(&routes[i]))
	}
	return mux
}

// Patterns lists what the handler serves, as patterns for an http.ServeMux. They
// take every method, and the handler answers all but POST by saying so.
func Patterns() []string {
	all := make([]string, len(routes))
	for i := range routes {
		all[i] = routes[i].pattern()
	}
	return all
}

// request is one request on its way to an event.
type request struct {
	*http.Request
	site, machine string
	form          bool
	values        values
	back          string // where a form returns to
	id            string // a UUID in lower case
	by            string
	role          Role
	now           time.Time
}

// serve answers the requests of one route.
func (d *desk) serve(route *route) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		q := &request{Request: r, site: r.PathValue("site"), machine: r.PathValue("machine"), form: isForm(r), now: d.o.Now()}
		done, again, err := d.handle(w, route, q)
		switch {
		case err != nil:
			d.refuse(w, q, err)
		case q.form:
			// Set by hand: what was checked is what is sent, byte for byte.
			w.Header().Set("Location", q.back)
			w.WriteHeader(http.StatusSeeOther)
		case again:
			writeJSON(w, http.StatusOK, "application/json", answerOf(done))
		default:
			writeJSON(w, http.StatusCreated, "application/json", answerOf(done))
		}
	}
}

// handle reads a request, stores its event and returns what is remembered of it.
// again is true for a request that was answered before.
func (d *desk) handle(w http.ResponseWriter, route *route, q *request) (done record, again bool, err error) {
	if err := d.admit(w, route, q); err != nil {
		return record{}, false, err
	}
	prior, known, ok := d.memory.claim(q.id, q.fingerprint(route))
	switch {
	case !ok:
		return record{}, false, refusal{http.StatusConflict, sentBefore(q.form)}
	case known && !prior.stored.IsZero():
		return prior, true, nil
	}
	e, err := route.build(d, q)
	if errors.Is(err, errStoredBefore) {
		return record{id: q.id}, true, nil
	}
	if err != nil {
		if !known {
			d.memory.release(q.id)
		}
		return record{}, false, err
	}
	if err := d.store(q.Context(), e); err != nil {
		return record{}, false, err
	}
	done, again = d.memory.store(e, d.o.Now())
	return done, again, nil
}

// admit reads a request as far as all routes have it in common.
func (d *desk) admit(w http.ResponseWriter, route *route, q *request) error {
	if q.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		return refusal{http.StatusMethodNotAllowed, "only POST is served here"}
	}
	name, role, ok := "", Role(0), false
	if d.o.Who != nil {
		name, role, ok = d.o.Who(q.Request)
	}
	if !ok {
		return refusal{http.StatusForbidden, "log in first"}
	}
	q.role = role
	if err := q.read(w); err != nil {
		return err
	}
	if err := d.checkMachine(q); err != nil {
		return err
	}
	if faults := q.values.check(route); len(faults) > 0 {
		return faults
	}
	if need := route.needs(q.values); role < need {
		return refusal{http.StatusForbidden, "this needs the role of a " + need.String() + ": ask one to do it"}
	}
	return q.identify(name)
}

// String is the name of the role.
func (r Role) String() string {
	switch r {
	case Operator:
		return "operator"
	case Supervisor:
		return "supervisor"
	}
	return "nobody"
}

// identify takes the id of the request, and who sends it: a name that is logged
// in wins over one that is typed.
func (q *request) identify(loggedIn string) error {
	var wrong faults
	text := q.values.text("id")
	id, err := uuid.Parse(text)
	if err != nil || len(text) != len(id.String()) || id == uuid.Nil {
		wrong = append(wrong, faultOf(idField, text))
	}
	q.id = id.String()
	if q.by = loggedIn; q.by == "" {
		if q.by = strings.TrimSpace(q.values.text("by")); q.by == "" {
			wrong = append(wrong, faultOf(byField, ""))
		}
	}
	if len(wrong) > 0 {
		return wrong
	}
	return nil
}

// checkMachine wants a machine that somebody has configured or heard of, because
// a slip of the pen would otherwise make a new one.
func (d *desk) checkMachine(q *request) error {
	known, key := d.o.Machines(), floor.Key(q.site, q.machine)
	if slices.Contains(known, key) {
		return nil
	}
	const most = 20
	detail := fmt.Sprintf("no machine %.130q%s", key, meant(key, known))
	if len(known) > 0 {
		detail += " (there is " + strings.Join(known[:min(len(known), most)], ", ") + ")"
	}
	return refusal{http.StatusNotFound, detail}
}

// store publishes one event. It goes on when the client does not wait for the
// answer, because the event may be on its way already.
func (d *desk) store(ctx context.Context, e event.Event) error {
	select {
	case d.pending <- struct{}{}:
		defer func() { <-d.pending }()
	default:
		return refusal{http.StatusServiceUnavailable, "the journal does not keep up: " + sendAgain}
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeWithin)
	defer cancel()
	err := d.o.Publish(ctx, e)
	if err == nil {
		return nil
	}
	if f, ok := errors.AsType[*event.Fault](err); ok {
		return faults{f} // nothing was sent
	}
	d.o.Log.Error().Err(err).Str("id", e.ID).Str("type", string(e.Type)).Msg("an entry was not stored, or nobody knows: its sender was told to send it again")
	return refusal{http.StatusServiceUnavailable, "the journal did not confirm that it stored this: " + sendAgain}
}

// sentBefore says that an id came with something else, to programs and to people
// who sent a form.
func sentBefore(form bool) string {
	if form {
		return "this form was sent before with something else: go back, load the page again, and see what stands there now"
	}
	return "this id was sent with something else: make a new id for a new entry, and send the old one again only as it was"
}

const sendAgain = "send it again as it is, with the same id; it counts once however often it is sent"
