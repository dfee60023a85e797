// Package ipp asks printers how they are, by the Internet Printing Protocol, and
// tells the journal when the answer changes.
//
// A printer is asked with Get-Printer-Attributes (RFC 8011, section 4.2.5) over
// HTTP (RFC 8010). What it says becomes a machine.reported: its state, the reasons
// for it, whether it takes jobs and which media are ready. That it still says the
// same is told once in a while too, so that the machine counts as heard.
//
// A printer that does not answer, or not in a way that can be understood, is told
// nothing of: the machine falls silent, which the rules judge. It is warned of once
// and asked ever more seldom until it is back.
package ipp

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// Source is the CloudEvents source of what printers said.
const Source = "/rollwarden/ipp"

// Printer is one printer and the machine that it is.
type Printer struct {
	URL     string // ipp, ipps, http or https
	Site    string
	Machine string
}

// Options say whom to ask and whom to tell.
type Options struct {
	Printers  []Printer
	Every     time.Duration  // between two questions to one printer; 30 s when zero
	Heartbeat time.Duration  // between two events that say the same; 10 min when zero
	Roots     *x509.CertPool // authorities of ipps and https; the system's when nil

	// Publish returns nil only when the journal has stored all events.
	Publish func(ctx context.Context, events ...event.Event) error

	Now func() time.Time // clock for event times; time.Now when nil
	Log zerolog.Logger
}

// The longest wait for an answer, and before a printer that gave none is asked
// again.
const (
	patience  = 10 * time.Second
	lastRetry = 5 * time.Minute
)

// Watch asks the printers until ctx ends, and then returns nil. The only errors
// are options that cannot work.
func Watch(ctx context.Context, o Options) error {
	if o.Publish == nil {
		return errors.New("ask printers: options: Publish must be set")
	}
	if o.Every == 0 {
		o.Every = 30 * time.Second
	}
	if o.Heartbeat == 0 {
		o.Heartbeat = 10 * time.Minute
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	client := newClient(o.Roots)
	defer client.CloseIdleConnections()
	pollers := make([]*poller, len(o.Printers))
	for i, p := range o.Printers {
		t, err := parse(p.URL)
		if err != nil {
			return fmt.Errorf("ask printers: %w", err)
		}
		pollers[i] = &poller{Options: o, printer: p, target: t, client: client}
	}
	var all sync.WaitGroup
	for _, l := range pollers {
		all.Go(func() { l.run(ctx) })
	}
	all.Wait()
	return nil
}

// newClient is a client for devices in the same building: it asks no proxy and
// follows no redirection to somewhere else.
func newClient(roots *x509.CertPool) *http.Client {
	return &http.Client{
		Timeout: patience,
		Transport: &http.Transport{
			TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12},
			MaxIdleConns:    16, IdleConnTimeout: time.Minute, DisableCompression: true,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// poller asks one printer.
type poller struct {
	Options
	printer Printer
	target  target
	client  *http.Client

	asked  uint32                 // requests that were made
	last   *event.MachineReported // as the journal has it; nil when it has none, or an old one
	toldAt time.Time              // when it was told
	away   string                 // why there is no answer; empty when there is one
	full   bool                   // the journal did not take the last event
}

// run asks until ctx ends.
func (l *poller) run(ctx context.Context) {
	slower := backoff.NewExponentialBackOff()
	slower.InitialInterval, slower.MaxInterval = l.Every, max(l.Every, lastRetry)
	for {
		wait := time.Duration(float64(l.Every) * (0.9 + 0.2*rand.Float64())) // not all printers at once
		if said, err := l.ask(ctx); err == nil {
			slower.Reset()
			l.here()
			l.tell(ctx, said)
		} else if ctx.Err() == nil {
			wait = slower.NextBackOff()
			l.gone(err)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}

// gone notes that there is no answer. When there is one again it is news, whatever
// it says.
func (l *poller) gone(err error) {
	l.last = nil
	if l.away == "" {
		l.Log.Warn().Str("printer", l.printer.URL).Str("machine", l.printer.Site+"/"+l.printer.Machine).Err(err).
			Msg("the printer does not say how it is; it is asked again, and its machine counts as silent")
	}
	l.away = err.Error()
}

func (l *poller) here() {
	if l.away != "" {
		l.Log.Info().Str("printer", l.printer.URL).Msg("the printer says how it is again")
	}
	l.away = ""
}

// tell publishes what is new. What the journal does not take is told with the next
// answer.
func (l *poller) tell(ctx context.Context, said event.MachineReported) {
	now := l.Now().UTC()
	if l.last != nil && same(l.last, &said) && now.Sub(l.toldAt) < l.Heartbeat {
		return
	}
	err := l.Publish(ctx, event.Event{
		ID:     event.DerivedID("ipp", l.printer.URL, l.printer.Site, l.printer.Machine, now.Format(time.RFC3339Nano)),
		Source: Source, Type: "machine.reported", Time: now, Site: l.printer.Site, Machine: l.printer.Machine, Data: &said,
	})
	if err == nil {
		l.last, l.toldAt, l.full = &said, now, false
		return
	}
	if !l.full && ctx.Err() == nil {
		l.Log.Warn().Str("printer", l.printer.URL).Err(err).Msg("the journal did not take what the printer said; it is told again")
	}
	l.full = true
}

// same reports whether two answers mean the same. A message may count pages.
func same(a, b *event.MachineReported) bool {
	return a.State == b.State && slices.Equal(a.Reasons, b.Reasons) && slices.Equal(a.Media, b.Media) &&
		(a.Accepting == nil) == (b.Accepting == nil) && (a.Accepting == nil || *a.Accepting == *b.Accepting)
}
