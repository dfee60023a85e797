package gate

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// maxKeys bounds the clients that one limit remembers.
const maxKeys = 4096

// limits lets each key do something at a steady rate, with some at once. Whoever
// finds the table full shares one limiter with all the others who do: filling
// the table frees nobody.
type limits struct {
	rate  rate.Limit
	burst int

	mu     sync.Mutex
	table  map[string]*rate.Limiter
	shared *rate.Limiter
	swept  time.Time
}

func newLimits(every rate.Limit, burst int) *limits {
	return &limits{rate: every, burst: burst, table: map[string]*rate.Limiter{}, shared: rate.NewLimiter(every, burst)}
}

// take returns 0 if a key may go on now, which counts, and else how long it has
// to wait, which does not.
func (l *limits) take(now time.Time, key string) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	taken := l.of(now, key).ReserveN(now, 1)
	after := taken.DelayFrom(now)
	if after > 0 {
		taken.CancelAt(now)
	}
	return after
}

func (l *limits) of(now time.Time, key string) *rate.Limiter {
	if one, ok := l.table[key]; ok {
		return one
	}
	if len(l.table) >= maxKeys {
		l.sweep(now)
	}
	if len(l.table) >= maxKeys {
		return l.shared
	}
	one := rate.NewLimiter(l.rate, l.burst)
	l.table[key] = one
	return one
}

// sweep forgets who has all of his burst again and so is like a new one. It
// looks once a second at most, so that a flood does not pay for it.
func (l *limits) sweep(now time.Time) {
	if now.Sub(l.swept) < time.Second {
		return
	}
	l.swept = now
	for key, one := range l.table {
		if one.TokensAt(now) >= float64(l.burst) {
			delete(l.table, key)
		}
	}
}
