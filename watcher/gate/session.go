package gate

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"net/http"
	"sync"
	"time"
)

// The names of the cookie. The prefix binds it to this host, TLS and the whole
// path (RFC 6265bis section 4.1.3.2); on a loopback address without TLS a
// browser would not keep such a cookie.
const (
	secureCookie = "__Host-rollwarden"
	plainCookie  = "rollwarden"
)

// maxSessions bounds the sessions of one user; a new one ends the one that was
// not used for the longest time. With it all sessions are bounded.
const maxSessions = 32

// idBytes is the length of a session id: 256 random bits.
const idBytes = 32

type session struct {
	user   User
	client string // whom limits count its requests for
	key    [sha256.Size]byte
	ends   time.Time // at the latest
	seen   time.Time // when it was last used
	open   int       // requests that use it now
	ended  context.Context
	end    context.CancelFunc
}

// sessions holds who is logged in, by the hash of the session id, so that
// nobody who reads the memory of the process can take a session over.
type sessions struct {
	now func() time.Time

	mu          sync.Mutex
	idle, lasts time.Duration
	table       map[[sha256.Size]byte]*session
}

func newSessions(now func() time.Time, idle, lasts time.Duration) *sessions {
	return &sessions{now: now, idle: idle, lasts: lasts, table: map[[sha256.Size]byte]*session{}}
}

// start makes a session and returns its id, which is kept nowhere else.
func (s *sessions) start(u User) (id string) {
	random := make([]byte, idBytes)
	rand.Read(random) // never fails, by its own words
	id = base64.RawURLEncoding.EncodeToString(random)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.makeRoom(u)
	now := s.now()
	one := &session{user: u, key: sha256.Sum256([]byte(id)), ends: now.Add(s.lasts), seen: now}
	one.client = "session " + hex.EncodeToString(one.key[:8])
	one.ended, one.end = context.WithCancel(context.Background())
	s.table[one.key] = one
	return id
}

// makeRoom forgets what has ended, and a user's oldest session when he has as
// many as he may.
func (s *sessions) makeRoom(u User) {
	count := 0
	var oldest *session
	for _, one := range s.table {
		if s.over(one) {
			s.remove(one)
			continue
		}
		if one.user.Name != u.Name {
			continue
		}
		count++
		if oldest == nil || one.seen.Before(oldest.seen) {
			oldest = one
		}
	}
	if count >= maxSessions {
		s.remove(oldest)
	}
}

// over reports whether a session has ended. One with an open request is not
// idle: a page that follows the floor is in use.
func (s *sessions) over(one *session) bool {
	now := s.now()
	return !now.Before(one.ends) || one.open == 0 && now.Sub(one.seen) >= s.idle
}

func (s *sessions) remove(one *session) {
	delete(s.table, one.key)
	one.end()
}

// find returns the session with an id if it has not ended.
func (s *sessions) find(id string) (*session, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one, ok := s.table[sha256.Sum256([]byte(id))]
	if !ok {
		return nil, false
	}
	if s.over(one) {
		s.remove(one)
		return nil, false
	}
	return one, true
}

// enter counts a request as using its session. The context ends with the
// session.
func (s *sessions) enter(ctx context.Context, one *session) (context.Context, func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one.open++
	now := s.now()
	one.seen = now
	ctx, cancel := context.WithTimeout(ctx, one.ends.Sub(now))
	unlink := context.AfterFunc(one.ended, cancel)
	return ctx, func() {
		unlink()
		cancel()
		s.mu.Lock()
		defer s.mu.Unlock()
		one.open--
		one.seen = s.now()
	}
}

// retune gives the sessions other limits. One that has begun ends when it was
// meant to.
func (s *sessions) retune(idle, lasts time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.idle, s.lasts = idle, lasts
}

// keep ends the sessions of all but some users.
func (s *sessions) keep(whose func(User) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, one := range s.table {
		if !whose(one.user) {
			s.remove(one)
		}
	}
}

// drop ends a session.
func (s *sessions) drop(one *session) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.remove(one)
}

func (g *Gate) cookieName() string {
	if g.secure {
		return secureCookie
	}
	return plainCookie
}

// setCookie gives the browser a session id, or takes it away with age -1. The
// cookie itself ends with the browser; how long the session lasts is decided
// here.
func (g *Gate) setCookie(w http.ResponseWriter, id string, age int) {
	http.SetCookie(w, &http.Cookie{
		Name: g.cookieName(), Value: id, Path: "/", MaxAge: age,
		Secure: g.secure, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
}
