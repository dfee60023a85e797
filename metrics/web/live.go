package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Audience says whom a page is made for. All readers of one audience get the
// same bytes.
type Audience struct {
	Page  string // what kind of page, such as board
	Of    string // what it is about, such as north/heron; may be empty
	Lang  string
	Role  string // what the reader may do; empty when anybody may do anything
	Named bool   // whether readers are logged in, so that none is asked for a name
}

// Part is a piece of a page that changes by itself: one element with its id.
type Part struct {
	ID   string
	HTML []byte
}

// Painter makes the parts of a page as they are now. Only the hub's own
// goroutine calls it.
type Painter func(Audience) ([]Part, error)

// Pulse is how well the watch is.
type Pulse struct {
	Ready bool // the journal has been read, and can be read and written
}

// HubOptions are what a hub needs. Kit and Pulse are required.
type HubOptions struct {
	Kit     *Kit
	Pulse   func() Pulse
	Role    func(*http.Request) string // may be nil
	Streams int                        // the most readers at a time; DefaultStreams when 0
	Failed  func(Audience, error)      // told of a page that cannot be made, once until it can; may be nil
}

// DefaultStreams is how many pages are kept live at a time unless told otherwise.
const DefaultStreams = 500

// How often things happen. A page that heard nothing for three beats says so.
const (
	beatEvery    = 2 * time.Second
	paintEvery   = 100 * time.Millisecond // at most, while views pour in
	restPerPaint = 4                      // times as long as the last painting took, so that painting leaves the watch its processor
	repaintEvery = 20 * time.Second       // at least, since time alone changes a page too
	writeLimit   = 10 * time.Second       // for one message to one reader
)

// Hub keeps open pages up to date by server-sent events (WHATWG HTML, section
// 9.2). Each audience is painted once for each new view, whatever the number of
// its readers. A reader has no queue: it remembers the last version that it got,
// and when it is woken it takes what is newer. A slow one thus misses steps in
// between and never the newest state, and costs next to no memory.
type Hub struct {
	o        HubOptions
	painters map[string]Painter
	changed  chan struct{} // there is a new view; has room for one
	joined   chan struct{} // there is a page that nobody has painted yet; has room for one
	ended    chan struct{} // closed when the hub no longer runs

	mu      sync.Mutex
	topics  map[Audience]*topic // those that somebody reads
	readers int
}

// topic is what the readers of one audience share.
type topic struct {
	audience Audience
	readers  map[*reader]bool
	version  uint64 // of the newest change to any part
	parts    []livePart
	shape    message // which parts there are
	beat     []byte
	broken   bool // it could not be painted: what readers have is old
}

type livePart struct {
	id string
	message
}

// message is a server-sent event, ready to be written to any number of readers.
type message struct {
	version uint64
	data    []byte
}

type reader struct {
	wake chan struct{} // has room for one
	seen uint64
}

// NewHub returns a hub without pages.
func NewHub(o HubOptions) *Hub {
	if o.Streams == 0 {
		o.Streams = DefaultStreams
	}
	return &Hub{
		o: o, painters: map[string]Painter{}, topics: map[Audience]*topic{},
		changed: make(chan struct{}, 1), joined: make(chan struct{}, 1), ended: make(chan struct{}),
	}
}

// Readers is how many pages are kept live now.
func (h *Hub) Readers() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.readers
}

// Paint adds a kind of page. Add every kind before the first reader comes.
func (h *Hub) Paint(page string, paint Painter) { h.painters[page] = paint }

// Changed says that there is a new view. It never waits.
func (h *Hub) Changed() { nudge(h.changed) }

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Run paints and beats until ctx ends, which ends every stream too. While it rests
// from a painting it beats all the same, and paints the page of a new reader, which
// costs no more than serving it did. A painter that hangs stops the beat with it, so
// that its readers see that something is wrong.
func (h *Hub) Run(ctx context.Context) error {
	defer close(h.ended)
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	changed := h.changed // nil while the hub rests
	var rested <-chan time.Time
	var painted time.Time
	for {
		due := false
		select {
		case <-changed:
			due = true
		case <-h.joined:
			h.paintAll(h.read((*topic).isNew), beat.C)
		case <-rested:
			changed = h.changed
		case <-beat.C:
			h.beat()
			due = changed != nil && time.Since(painted) >= repaintEvery
		case <-ctx.Done():
			return nil
		}
		if !due {
			continue
		}
		painted = time.Now()
		h.paintAll(h.read(nil), beat.C)
		changed, rested = nil, time.After(max(paintEvery, restPerPaint*time.Since(painted)))
	}
}

// beat tells all readers how well the watch is. A page that nobody has painted yet
// gets none: it would say that the page is whole.
func (h *Hub) beat() {
	ready, now := h.o.Pulse().Ready, h.o.Kit.o.Now()
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, t := range h.topics {
		if !t.isNew() {
			t.tell(ready, now)
		}
	}
}

// paintAll paints some topics. Between two of them it beats when that is due, so
// that a page does not fall silent while others are painted.
func (h *Hub) paintAll(topics []*topic, beat <-chan time.Time) {
	for _, t := range topics {
		h.renew(t)
		select {
		case <-beat:
			h.beat()
		default:
		}
	}
}

// renew paints a topic. The pulse is felt before the painting: a page must not
// claim to be better than it is.
func (h *Hub) renew(t *topic) {
	ready := h.o.Pulse().Ready
	parts, err := h.paint(t.audience)
	if err != nil && !t.broken && h.o.Failed != nil {
		h.o.Failed(t.audience, err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	t.update(parts, err, h.o.Kit.Asset("live.js"))
	t.tell(ready, h.o.Kit.o.Now())
}

// paint makes the parts of one audience. A painter that panics has broken its
// page and must not end the watch with it.
func (h *Hub) paint(a Audience) (parts []Part, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("paint the page: %v\n%s", cause, debug.Stack())
		}
	}()
	return h.painters[a.Page](a)
}

// read lists the topics that somebody reads: all of them, or those that are wanted.
func (h *Hub) read(want func(*topic) bool) []*topic {
	h.mu.Lock()
	defer h.mu.Unlock()
	list := make([]*topic, 0, len(h.topics))
	for _, t := range h.topics {
		if want == nil || want(t) {
			list = append(list, t)
		}
	}
	return list
}

// isNew reports whether nobody has painted the topic yet.
func (t *topic) isNew() bool { return t.beat == nil }

// tell makes the beat of now, and wakes the readers for it and for what else is new.
func (t *topic) tell(ready bool, now time.Time) {
	t.beat = beatOf(ready && !t.broken, now)
	for r := range t.readers {
		nudge(r.wake)
	}
}

// update takes a painting: parts that look as before keep their version.
func (t *topic) update(parts []Part, err error, script string) {
	if t.broken = err != nil; t.broken {
		return
	}
	next := t.version + 1
	fresh := make([]livePart, len(parts))
	ids := make([]string, len(parts))
	for i, p := range parts {
		ids[i] = p.ID
		fresh[i] = livePart{p.ID, message{next, sse("part", struct {
			ID   string `json:"id"`
			HTML string `json:"html"`
		}{p.ID, string(p.HTML)})}}
		k := slices.IndexFunc(t.parts, func(old livePart) bool { return old.id == p.ID })
		if k >= 0 && bytes.Equal(t.parts[k].data, fresh[i].data) {
			fresh[i] = t.parts[k]
		} else {
			t.version = next
		}
	}
	t.parts = fresh
	shape := sse("shape", struct {
		IDs    []string `json:"ids"`
		Script string   `json:"script"` // a page made by another build loads itself again
	}{ids, script})
	if !bytes.Equal(shape, t.shape.data) {
		t.version, t.shape = next, message{next, shape}
	}
}

func beatOf(ready bool, now time.Time) []byte {
	return sse("beat", struct {
		Now   int64 `json:"now"` // by the watch's clock, ms since 1970 as a browser counts
		Ready bool  `json:"ready"`
	}{now.UnixMilli(), ready})
}

// sse writes one event. JSON has no line ends of its own, so it is one line of
// data.
func sse(name string, v any) []byte {
	data, err := json.Marshal(v, jsontext.AllowInvalidUTF8(true))
	if err != nil {
		panic(err) // text and whole numbers can always be written
	}
	return slices.Concat([]byte("event: "+name+"\ndata: "), data, []byte("\n\n"))
}

// Audience is who asks for a page.
func (h *Hub) Audience(r *http.Request, page, of string) Audience {
	a := Audience{Page: page, Of: of, Lang: h.o.Kit.Lang(r)}
	if h.o.Role != nil {
		a.Role = h.o.Role(r)
	}
	if user := h.o.Kit.o.User; user != nil {
		a.Named = user(r) != ""
	}
	return a
}

// Stream is the address from which a page of an audience is kept up to date:
// its main element has it as data-stream.
func (a Audience) Stream() string {
	q := url.Values{"page": {a.Page}, "lang": {a.Lang}}
	if a.Of != "" {
		q.Set("of", a.Of)
	}
	return "/stream?" + q.Encode()
}

// ServeHTTP serves /stream.
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	a := h.Audience(r, q.Get("page"), q.Get("of"))
	if lang := q.Get("lang"); slices.Contains(h.o.Kit.Languages(), lang) {
		a.Lang = lang
	}
	if h.painters[a.Page] == nil {
		Problem(w, r, http.StatusNotFound, "page: there is no live page of that kind")
		return
	}
	if r.Method == http.MethodHead { // nothing is to follow, and nobody waits for it
		w.Header().Set("Content-Type", "text/event-stream")
		return
	}
	t, me := h.join(a)
	if t == nil {
		w.Header().Set("Retry-After", "10")
		Problem(w, r, http.StatusServiceUnavailable, "as many pages are open as are kept live: close one, or let the watch keep more")
		return
	}
	defer h.leave(t, me)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	h.feed(http.NewResponseController(w), w, r.Context(), t, me)
}

// join finds a place for a reader, or none when all are taken.
func (h *Hub) join(a Audience) (*topic, *reader) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.readers >= h.o.Streams {
		return nil, nil
	}
	h.readers++
	t := h.topics[a]
	if t == nil {
		t = &topic{audience: a, readers: map[*reader]bool{}}
		h.topics[a] = t
	}
	me := &reader{wake: make(chan struct{}, 1)}
	t.readers[me] = true
	if t.isNew() {
		nudge(h.joined)
	} else {
		nudge(me.wake)
	}
	return t, me
}

func (h *Hub) leave(t *topic, me *reader) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.readers--
	delete(t.readers, me)
	if len(t.readers) == 0 {
		delete(h.topics, t.audience)
	}
}

// feed writes what is new whenever the reader is woken. A server's limits on a
// whole request would end the stream, so each message has a limit of its own,
// by which a reader that has gone away is noticed.
func (h *Hub) feed(rc *http.ResponseController, w http.ResponseWriter, gone context.Context, t *topic, me *reader) {
	rc.SetReadDeadline(time.Time{}) // what cannot set one has none
	for messages := [][]byte{[]byte(": hello\n\n")}; ; messages = h.news(t, me) {
		rc.SetWriteDeadline(time.Now().Add(writeLimit))
		for _, m := range messages {
			if _, err := w.Write(m); err != nil {
				return
			}
		}
		if rc.Flush() != nil {
			return
		}
		select {
		case <-me.wake:
		case <-gone.Done():
			return
		case <-h.ended:
			return
		}
	}
}

// news is what the reader has not got yet, and a beat after it, so that a beat
// always says that the page is whole.
func (h *Hub) news(t *topic, me *reader) [][]byte {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out [][]byte
	if t.shape.version > me.seen {
		out = append(out, t.shape.data)
	}
	for i := range t.parts {
		if t.parts[i].version > me.seen {
			out = append(out, t.parts[i].data)
		}
	}
	me.seen = t.version
	if t.isNew() {
		return out
	}
	return append(out, t.beat)
}
