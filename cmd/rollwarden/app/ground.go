package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"reflect"
	"sync/atomic"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/gate"
)

// Ground is what a watch stands on, and what stays in place while a reload puts
// another watch on it: the bus, so that machines stay connected and what they
// send is stored; the socket of the board, so that browsers only wait; and who
// is logged in there. One watch stands on it at a time.
type Ground struct {
	bus    *bus.Bus
	busAs  *config.Config // what the bus was opened for
	socket *net.TCPListener
	listen string     // the address of the socket as it was asked for
	gate   *gate.Gate // of the watch that stood on it last
}

// openBus returns the bus for a configuration: the one that is open, if it works
// and is as the configuration wants it, or else a new one in its place.
func (g *Ground) openBus(ctx context.Context, cfg *config.Config, o bus.Options) (*bus.Bus, error) {
	if g.bus != nil && sameBus(g.busAs, cfg) && g.bus.GivenUp() == nil {
		return g.bus, nil
	}
	if err := g.closeBus(ctx); err != nil {
		return nil, err
	}
	b, err := bus.Open(ctx, o)
	if err == nil {
		g.bus, g.busAs = b, cfg
	}
	return b, err
}

// sameBus reports whether two configurations want one bus. Signals are part of
// what a machine may say there.
func sameBus(a, b *config.Config) bool {
	return reflect.DeepEqual(a.NATS, b.NATS) && reflect.DeepEqual(a.Sources.Signals, b.Sources.Signals) && a.DataFolder() == b.DataFolder()
}

// bears reports why another watch could not start on the ground at this moment,
// and the one that stands on it had better go on: a NATS of somebody else that is
// to be used again is away.
func (g *Ground) bears(ctx context.Context, a *App, cfg *config.Config) error {
	if cfg.NATS.URL == "" || !sameBus(g.busAs, cfg) {
		return nil
	}
	if err := a.reachJournals(ctx); err != nil {
		return fmt.Errorf("%w: have the configuration read again when NATS answers", err)
	}
	return nil
}

func (g *Ground) closeBus(ctx context.Context) error {
	if g.bus == nil {
		return nil
	}
	b := g.bus
	g.bus, g.busAs = nil, nil
	return b.Close(ctx)
}

// openSocket returns a listener on an address. To close it ends what is served
// and leaves the socket itself open.
func (g *Ground) openSocket(address string) (net.Listener, error) {
	if g.socket == nil || g.listen != address {
		if err := g.closeSocket(); err != nil {
			return nil, err
		}
		l, err := net.Listen("tcp", address)
		if err != nil {
			return nil, fmt.Errorf("serve the board on %s: %w: stop the program that has this port or set another http.listen", address, err)
		}
		g.socket, g.listen = l.(*net.TCPListener), address
	}
	return &lent{TCPListener: g.socket}, g.socket.SetDeadline(time.Time{})
}

// handOver leaves who is logged in to the gate of the watch that is about to stand on
// the ground. A watch that cannot start has logged nobody out.
func (g *Ground) handOver(to *gate.Gate) {
	if g.gate != nil {
		to.Succeed(g.gate)
	}
	g.gate = to
}

func (g *Ground) closeSocket() error {
	if g.socket == nil {
		return nil
	}
	s := g.socket
	g.socket = nil
	return s.Close()
}

// Close lets go of everything.
func (g *Ground) Close(ctx context.Context) error {
	return errors.Join(g.closeSocket(), g.closeBus(ctx))
}

// lent is a socket in the hands of one server.
type lent struct {
	*net.TCPListener
	back atomic.Bool
}

// Accept waits for a connection, until the socket is given back.
func (l *lent) Accept() (net.Conn, error) {
	c, err := l.TCPListener.Accept()
	if err != nil && l.back.Load() {
		return nil, net.ErrClosed
	}
	return c, err
}

// Close gives the socket back. Who connects from now on waits for the next
// server.
func (l *lent) Close() error {
	if l.back.Swap(true) {
		return nil
	}
	err := l.SetDeadline(time.Unix(1, 0)) // wakes Accept
	if errors.Is(err, net.ErrClosed) {
		return nil // the socket itself is closed, and with it this
	}
	return err
}
