package pager

import (
	"context"

	"github.com/rs/zerolog"
)

// LogName is the name of the channel that every pager has.
const LogName = "log"

// logChannel writes pages to the daemon's log. It cannot fail, so a shop with
// no other channel still finds its pages.
type logChannel struct{ log zerolog.Logger }

// Name implements Channel.
func (c logChannel) Name() string { return LogName }

// Send implements Channel.
func (c logChannel) Send(_ context.Context, p Page) error {
	line := c.log.Warn()
	if p.Cleared() {
		line = c.log.Info()
	}
	line.Str("key", p.Key).Str("alarm", p.AlarmID).
		Str("site", p.Site).Str("machine", p.Machine).Str("hazard", p.Hazard).
		Str("job", p.Job).Str("part", p.Part).
		Str("from", p.From).Str("to", p.To).Str("priority", p.Priority).
		Str("remedy", bestRemedy(p)).Str("caution", p.Caution).
		Msg(p.Message)
	return nil
}
