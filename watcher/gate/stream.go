package gate

import (
	"net/http"
	"sync"
	"time"
)

// streamWait is told to those who find every place taken.
const streamWait = 30 * time.Second

// streams counts the requests that stay open.
type streams struct {
	most, share int

	mu    sync.Mutex
	total int
	of    map[string]int
}

func newStreams(most, share int) *streams {
	return &streams{most: most, share: share, of: map[string]int{}}
}

func (s *streams) enter(client string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.total >= s.most || s.of[client] >= s.share {
		return false
	}
	s.total++
	s.of[client]++
	return true
}

func (s *streams) leave(client string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.total--
	if s.of[client]--; s.of[client] == 0 {
		delete(s.of, client)
	}
}

// Stream bounds how many requests are within a handler at once, in total and of
// each client, for one that keeps them open to send what is new. It goes behind
// Wrap. A client is a session or a token, or an address where nobody logs in.
func (g *Gate) Stream(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		client := ""
		if v := visitOf(r.Context()); v != nil {
			client = v.client
		}
		if !g.streams.enter(client) {
			g.refuse(w, r, TooMany, streamWait)
			return
		}
		defer g.streams.leave(client)
		next.ServeHTTP(w, r)
	})
}
