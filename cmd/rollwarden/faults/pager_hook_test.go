package faults

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// mood is how a receiver treats a request.
type mood string

const (
	takes  mood = "takes"  // takes it and says so
	slow   mood = "slow"   // takes it, and says so when nobody waits any more
	fails  mood = "fails"  // 500, and takes nothing
	busy   mood = "busy"   // 429 with Retry-After, and takes nothing
	resets mood = "resets" // takes it, and resets the connection instead of an answer
)

// What the watch waits for an answer (the webhook's default), and what a busy
// receiver asks it to wait.
const (
	slowAnswer = 11 * time.Second
	busyWait   = 3 * time.Second
)

// hook is a receiver of pages as a shop could write one: it drops copies by the
// idempotency key. It can be dead, and comes back on the same address.
type hook struct {
	t       *testing.T
	address string
	server  *http.Server // nil while it is dead

	mu     sync.Mutex
	moods  []mood // of the requests that come next; then it takes
	hurry  bool   // a busy receiver was asked again too early
	rested time.Time
	took   map[string]hooked // by idempotency key
	order  []string          // keys in the order in which they were taken first
	copies int
	bad    []string // what was wrong with a request
	met    map[mood]int
}

// hooked is a page that a receiver took, with what it reads of it.
type hooked struct {
	Key                                         string
	Alarm                                       string `json:"alarm_id"`
	Machine, Hazard, Job, Emit, Phase, From, To string

	at    time.Time
	count int // how often it came and was taken
}

func newHook(t *testing.T) *hook {
	t.Helper()
	h := &hook{t: t, address: freeAddress(t), took: map[string]hooked{}, met: map[mood]int{}}
	h.revive()
	t.Cleanup(func() {
		if h.server != nil {
			h.die()
		}
	})
	return h
}

// environ leads the pages of a shop here.
func (h *hook) environ() []string {
	return []string{"ROLLWARDEN_PAGER_WEBHOOK_URL=http://" + h.address, "ROLLWARDEN_PAGER_WEBHOOK_SECRET=kestrel-lane-page-secret"}
}

// revive listens on its address again.
func (h *hook) revive() {
	h.t.Helper()
	l, err := net.Listen("tcp", h.address)
	if err != nil {
		h.t.Fatal(err)
	}
	h.server = &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second}
	go h.server.Serve(l)
}

// die closes everything at once.
func (h *hook) die() {
	h.server.Close()
	h.server = nil
}

// feel sets how the next requests are treated.
func (h *hook) feel(moods ...mood) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.moods = append(h.moods, moods...)
}

// ServeHTTP treats one request as the mood is.
func (h *hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return // cut on the way here: it is no page
	}
	switch m := h.note(r, body); m {
	case slow:
		select {
		case <-time.After(slowAnswer):
		case <-r.Context().Done():
		}
	case fails:
		http.Error(w, "the pager of the crew is broken", http.StatusInternalServerError)
	case busy:
		w.Header().Set("Retry-After", fmt.Sprint(busyWait.Seconds()))
		w.WriteHeader(http.StatusTooManyRequests)
	case resets:
		if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
			_ = conn.(*net.TCPConn).SetLinger(0) // closes with a reset
			conn.Close()
		}
	}
}

// note decides what becomes of a request.
func (h *hook) note(r *http.Request, body []byte) mood {
	h.mu.Lock()
	defer h.mu.Unlock()
	now, m := time.Now(), takes
	if now.Before(h.rested) {
		h.hurry = true
	}
	if len(h.moods) > 0 {
		m, h.moods = h.moods[0], h.moods[1:]
	}
	h.met[m]++
	switch m {
	case fails:
		return m
	case busy:
		h.rested = now.Add(busyWait - 50*time.Millisecond) // it counts from when the answer is read
		return m
	}
	var page hooked
	key := r.Header.Get("Idempotency-Key")
	if err := json.Unmarshal(body, &page); err != nil || key == "" || key != page.Key {
		h.bad = append(h.bad, fmt.Sprintf("key %q, page %q, %v", key, body, err))
	}
	got, again := h.took[key]
	if again {
		h.copies++
	} else {
		got, got.at = page, now
		h.order = append(h.order, key)
	}
	got.count++
	h.took[key] = got
	return m
}

// pages are those that were taken, each once, in the order in which they came.
func (h *hook) pages() []hooked {
	h.mu.Lock()
	defer h.mu.Unlock()
	all := make([]hooked, len(h.order))
	for i, key := range h.order {
		all[i] = h.took[key]
	}
	return all
}

// count is how many pages about a machine's bare edge say this: annunciate or
// clear.
func (h *hook) count(machine, emit string) (n int) {
	for _, p := range h.pages() {
		if p.Machine == machine && p.Hazard == "bare-edge" && p.Emit == emit {
			n++
		}
	}
	return n
}

// received are the pages as the checker wants them.
func (h *hook) received() (all []page) {
	for _, p := range h.pages() {
		all = append(all, page{key: p.Key, alarm: p.Alarm})
	}
	return all
}

// again is how often a page came that was there already.
func (h *hook) again() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.copies
}

// check makes sure that every request was a page, and that the receiver was
// given its rest.
func (h *hook) check() {
	h.t.Helper()
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.bad) > 0 {
		h.t.Errorf("the receiver got what is no page:\n%s", strings.Join(h.bad, "\n"))
	}
	if h.hurry {
		h.t.Errorf("the receiver asked for a rest of %s and did not get it", busyWait)
	}
}

func (h *hook) String() string {
	var b strings.Builder
	for _, p := range h.pages() {
		fmt.Fprintf(&b, "%s %s %s %s>%s %s, %d times\n", p.at.Format("15:04:05.000"), p.Machine, p.Hazard, p.From, p.To, p.Job, p.count)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, m := range slices.Sorted(maps.Keys(h.met)) {
		fmt.Fprintf(&b, "%s: %d requests\n", m, h.met[m])
	}
	return b.String()
}
