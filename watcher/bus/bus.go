// Package bus gives the watch its NATS connection. By default it runs a
// nats-server with JetStream inside this process, so that a shop installs one
// program; with an external URL it runs nothing and only connects.
//
// The package knows nothing about the floor: what is stored, and how it is
// read back, is the journal's business.
package bus

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// Options say which NATS to use. With URL set, only URL, Name,
// Login and Log count.
type Options struct {
	URL        string        // external NATS, several addresses separated by commas; nothing is embedded when set
	Listen     string        // host:port of the embedded server; empty for none, port 0 or -1 for any free one
	MQTT       string        // host:port of its MQTT 3.1.1 listener; empty for none, port 0 or -1 for any free one
	TLS        ServeTLS      // what both are served with; nil for plain connections
	Users      []User        // who may log in to both; with none, whoever reaches them may do everything
	StoreDir   string        // folder of the embedded server; one daemon at a time
	SyncAlways bool          // write to the disk itself before each acknowledgement
	MaxStore   int64         // most that the embedded server may store, bytes; above 0
	Name       string        // name of the connection and of the embedded server
	Login      []nats.Option // credentials and TLS for an external NATS
	Log        zerolog.Logger
}

// ServeTLS reads what the embedded server is served with, when it starts.
type ServeTLS func() (*tls.Config, error)

// Bus is an open NATS connection, together with the embedded server when
// there is one.
type Bus struct {
	conn   *nats.Conn
	js     jetstream.JetStream
	srv    *embedded // nil with an external NATS
	closed chan struct{}
	once   sync.Once
	err    error
}

const (
	connectTimeout = 5 * time.Second
	drainTimeout   = 5 * time.Second
	reconnectWait  = 250 * time.Millisecond
	ackTimeout     = 30 * time.Second // forgets acknowledgements that will never come

	// A connection that is dead but not closed, as after a switch has lost power,
	// is given up for a new one after pingsMissed+1 pings. The library's own
	// values would take six minutes, and no alarm could be written meanwhile.
	pingEvery   = 5 * time.Second
	pingsMissed = 2
)

// Open connects to NATS, starting the embedded server first when no URL is
// set. The context bounds the start only; Close ends what was opened.
func Open(ctx context.Context, o Options) (*Bus, error) {
	if o.URL != "" {
		return openExternal(o)
	}
	srv, err := startEmbedded(ctx, o)
	if err != nil {
		return nil, err
	}
	b, err := connect(o, "", srv)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("connect to the built-in NATS server: %w", err), srv.stop())
	}
	return b, nil
}

// openExternal connects to a NATS that somebody else runs. Whether that one
// syncs its disk before it acknowledges is for its operator to set.
func openExternal(o Options) (*Bus, error) {
	shown, err := redact(o.URL)
	if err != nil {
		return nil, err
	}
	b, err := connect(o, o.URL, nil)
	if err != nil {
		return nil, fmt.Errorf("connect to NATS at %s: %w: start that server or correct its address", shown, err)
	}
	return b, nil
}

// connect opens the connection: inside the process when there is a server,
// over the network otherwise.
func connect(o Options, address string, srv *embedded) (*Bus, error) {
	b := &Bus{srv: srv, closed: make(chan struct{})}
	opts := append(connectionOptions(o), nats.ClosedHandler(func(*nats.Conn) { close(b.closed) }))
	if srv != nil {
		opts = append(opts, nats.InProcessServer(srv.server))
		if srv.login != nil {
			opts = append(opts, srv.login)
		}
	} else {
		opts = append(opts, o.Login...)
	}
	var err error
	if b.conn, err = nats.Connect(address, opts...); err != nil {
		return nil, err
	}
	if b.js, err = jetstream.New(b.conn, jetstream.WithPublishAsyncTimeout(ackTimeout)); err != nil {
		b.conn.Close()
		return nil, fmt.Errorf("open JetStream: %w", err)
	}
	return b, nil
}

// connectionOptions reconnects for ever. Nothing is buffered while the
// connection is down: a sender learns at once that its message did not go
// out, and decides itself whether to send it again.
func connectionOptions(o Options) []nats.Option {
	log := o.Log
	return []nats.Option{
		nats.Name(o.Name),
		nats.Timeout(connectTimeout),
		nats.DrainTimeout(drainTimeout),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(reconnectWait),
		nats.ReconnectBufSize(-1),
		nats.PingInterval(pingEvery),
		nats.MaxPingsOutstanding(pingsMissed),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn().Err(err).Msg("NATS connection lost, reconnecting")
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) {
			log.Info().Str("url", c.ConnectedUrlRedacted()).Msg("NATS connection is back")
		}),
		nats.ErrorHandler(func(_ *nats.Conn, s *nats.Subscription, err error) {
			e := log.Error().Err(err)
			if s != nil {
				e = e.Str("subject", s.Subject)
			}
			e.Msg("NATS reported an error")
		}),
	}
}

// Conn returns the connection. It stays the Bus's: do not close it.
func (b *Bus) Conn() *nats.Conn { return b.conn }

// JetStream returns the JetStream context of the connection.
func (b *Bus) JetStream() jetstream.JetStream { return b.js }

// URL returns the address that other programs can connect to, without
// passwords. It is empty when the embedded server listens nowhere.
func (b *Bus) URL() string {
	if b.srv != nil {
		return b.srv.url()
	}
	return b.conn.ConnectedUrlRedacted()
}

// MQTT returns the address of the MQTT listener, as mqtt://host:port or mqtts://
// over TLS; empty when there is none.
func (b *Bus) MQTT() string {
	if b.srv == nil {
		return ""
	}
	return b.srv.mqttURL()
}

// Health reports why messages cannot be stored at this moment, or nil.
func (b *Bus) Health() error {
	if s := b.conn.Status(); s != nats.CONNECTED {
		return fmt.Errorf("NATS connection is %s", strings.ToLower(s.String()))
	}
	return b.GivenUp()
}

// GivenUp reports why the embedded server stores nothing any more, or nil. When
// its disk is full it switches JetStream off or gives the stream up that it could
// not write, and takes up neither again by itself: only another server can.
func (b *Bus) GivenUp() error {
	if b.srv == nil {
		return nil
	}
	if why := b.srv.said.writeFailure(); why != "" {
		return fmt.Errorf("the journal in %s could not be written and takes nothing more: %s: %s", b.srv.dir, freeSpace, why)
	}
	if !b.srv.server.JetStreamEnabled() {
		return fmt.Errorf("the journal is switched off because %s could not be written: %s", b.srv.dir, freeSpace)
	}
	return nil
}

// freeSpace is the next step when a disk is full.
const freeSpace = "free disk space, and the watch opens it again by itself"

// roomToGoOn is how much can be written, in bytes, before an embedded server that
// had given up is worth another try: more than the largest message takes.
const roomToGoOn = 2 << 20

// Mendable reports whether the embedded server has given up for want of room and
// there is some again, so that a bus opened in the place of this one would store.
// Nothing but writing shows for certain that a disk can be written.
func (b *Bus) Mendable() bool {
	return b.GivenUp() != nil && canWrite(b.srv.dir, roomToGoOn) == nil
}

func canWrite(dir string, bytes int) error {
	f, err := os.CreateTemp(dir, ".room-*")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, bytes))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

// Close drains the connection for as long as the context allows, then shuts
// the embedded server down, waits for it and gives its folder back. Closing
// again returns the same answer.
func (b *Bus) Close(ctx context.Context) error {
	b.once.Do(func() { b.err = b.close(ctx) })
	return b.err
}

func (b *Bus) close(ctx context.Context) error {
	err := b.drain(ctx)
	b.conn.Close()
	<-b.closed
	if b.srv != nil {
		err = errors.Join(err, b.srv.stop())
	}
	return err
}

// drain lets what was received be handled and what was sent go out. A
// connection that is down has nothing to drain.
func (b *Bus) drain(ctx context.Context) error {
	if err := b.conn.Drain(); err != nil {
		return nil
	}
	select {
	case <-b.closed:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("drain the NATS connection: %w", ctx.Err())
	}
}

// redact removes user names, passwords and tokens from a list of addresses. An
// address that cannot be read is not shown, for it may hold a password too.
func redact(addresses string) (string, error) {
	list := strings.Split(addresses, ",")
	for i, a := range list {
		a = strings.TrimSpace(a)
		if !strings.Contains(a, "://") {
			a = "nats://" + a
		}
		u, err := url.Parse(a)
		if err != nil || u.Host == "" {
			return "", fmt.Errorf("NATS address %d of %d: want nats://host:port", i+1, len(list))
		}
		if u.User != nil {
			u.User = url.User("xxxxx")
		}
		list[i] = u.String()
	}
	return strings.Join(list, ","), nil
}
