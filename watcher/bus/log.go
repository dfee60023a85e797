package bus

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/rs/zerolog"
)

// serverLog hands the server's log to zerolog. What the server calls fatal
// must not end the program: it is kept for Open to return.
type serverLog struct {
	log zerolog.Logger
	now func() time.Time

	mu     sync.Mutex
	denied []Denial // the newest last
	fatal  string   // the first one
	broken string   // likewise, of a stream that could not be written
}

var _ server.Logger = (*serverLog)(nil)

// Noticef logs ordinary progress, which is of interest only to a developer.
func (l *serverLog) Noticef(format string, v ...any) { l.log.Debug().Msgf(format, v...) }

// Warnf logs a warning.
func (l *serverLog) Warnf(format string, v ...any) { l.log.Warn().Msgf(format, v...) }

// unwritable begins what the server says, and nothing but its log tells, when a
// stream could not be written. It stores nothing there any more until it is
// started again, answers no publisher, and goes on as if all were well.
const unwritable = "critical write error"

// Errorf logs an error, and keeps the one that ends the journal and those about what a
// sender may not say.
func (l *serverLog) Errorf(format string, v ...any) {
	l.log.Error().Msgf(format, v...)
	l.deny(fmt.Sprintf(format, v...))
	if strings.Contains(strings.ToLower(format), unwritable) && l.keep(&l.broken, format, v...) {
		l.log.Error().Msg("the journal could not be written and takes nothing more: " + freeSpace)
	}
}

// Debugf drops the server's own debug lines, which it is told not to write.
func (l *serverLog) Debugf(string, ...any) {}

// Tracef drops protocol traces, which the server is told not to write.
func (l *serverLog) Tracef(string, ...any) {}

// Fatalf keeps the reason why the server cannot run.
func (l *serverLog) Fatalf(format string, v ...any) {
	l.keep(&l.fatal, format, v...)
	l.log.Error().Msgf(format, v...)
}

// keep notes a text if it is the first one, and reports whether it is.
func (l *serverLog) keep(first *string, format string, v ...any) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if *first != "" {
		return false
	}
	*first = fmt.Sprintf(format, v...)
	return true
}

// failure returns the first fatal message, empty when there was none.
func (l *serverLog) failure() string { return l.read(&l.fatal) }

// writeFailure returns why the journal cannot be written any more, empty while it
// can.
func (l *serverLog) writeFailure() string { return l.read(&l.broken) }

func (l *serverLog) read(first *string) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return *first
}
