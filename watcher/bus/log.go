package bus

import (
	"fmt"
	"sync"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/rs/zerolog"
)

// serverLog hands the server's log to zerolog. What the server calls fatal
// must not end the program: it is kept for Open to return.
type serverLog struct {
	log zerolog.Logger

	mu    sync.Mutex
	fatal string // the first one
}

var _ server.Logger = (*serverLog)(nil)

// Noticef logs ordinary progress, which is of interest only to a developer.
func (l *serverLog) Noticef(format string, v ...any) { l.log.Debug().Msgf(format, v...) }

// Warnf logs a warning.
func (l *serverLog) Warnf(format string, v ...any) { l.log.Warn().Msgf(format, v...) }

// Errorf logs an error.
func (l *serverLog) Errorf(format string, v ...any) { l.log.Error().Msgf(format, v...) }

// Debugf drops the server's own debug lines, which it is told not to write.
func (l *serverLog) Debugf(string, ...any) {}

// Tracef drops protocol traces, which the server is told not to write.
func (l *serverLog) Tracef(string, ...any) {}

// Fatalf keeps the reason why the server cannot run.
func (l *serverLog) Fatalf(format string, v ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fatal == "" {
		l.fatal = fmt.Sprintf(format, v...)
	}
	l.log.Error().Msgf(format, v...)
}

// failure returns the first fatal message, empty when there was none.
func (l *serverLog) failure() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fatal
}
