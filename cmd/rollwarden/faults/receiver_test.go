package faults

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
)

// receiver takes pages, and can hold one back while its sender is killed.
type receiver struct {
	server *httptest.Server

	mu    sync.Mutex
	taken []page
	asked func() // called with each request, before it is answered; may be nil
	done  func() // called after each answer; may be nil
}

func newReceiver(tb testing.TB) *receiver {
	r := &receiver{}
	r.server = httptest.NewServer(r)
	tb.Cleanup(r.server.Close)
	return r
}

// paged is the configuration of a shop whose pages go to a receiver.
const paged = "pager: {routes: {high: [webhook], medium: [], low: []}}\n"

// environ leads the pages of a shop here.
func (r *receiver) environ() []string {
	return []string{
		"ROLLWARDEN_PAGER_WEBHOOK_URL=" + r.server.URL,
		"ROLLWARDEN_PAGER_WEBHOOK_SECRET=kestrel-lane-page-secret",
	}
}

// ServeHTTP takes a page, whether or not its sender lives to hear of it.
func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	var body struct {
		Alarm string `json:"alarm_id"`
	}
	if err := json.NewDecoder(req.Body).Decode(&body); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	r.taken = append(r.taken, page{req.Header.Get("Idempotency-Key"), body.Alarm})
	asked, done := r.asked, r.done
	r.mu.Unlock()
	if asked != nil {
		asked()
	}
	w.WriteHeader(http.StatusNoContent)
	if done != nil {
		_ = http.NewResponseController(w).Flush() // the sender may be gone
		done()
	}
}

func (r *receiver) pages() []page {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.taken)
}
