package faults

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// natsProxy stands between a NATS server and its clients and does what networks
// do: it cuts connections at the worst moment, holds them without closing them,
// and is slow.
//
// It understands just enough of the protocol to tell which acknowledgement is that
// of which event. Source: NATS documentation, "Client Protocol": PUB, HPUB, MSG and
// HMSG.
type natsProxy struct {
	listener net.Listener
	target   string
	wg       sync.WaitGroup

	mu     sync.Mutex
	links  map[*link]bool
	ends   bool
	steals func(subject string) bool // whether the acknowledgement of an event there gets lost
	stolen int                       // acknowledgements that got lost
	delay  time.Duration             // of everything, each way
	rate   int                       // bytes in a second, each way; 0 for no limit
}

// link is one connection through the proxy.
type link struct {
	proxy          *natsProxy
	client, server net.Conn
	ctx            context.Context // ends with the link
	cut            context.CancelFunc

	mu      sync.Mutex
	held    chan struct{}     // closed when bytes may go on; nil when nothing holds them
	replies map[string]string // subjects of the events that wait for an acknowledgement, by where it goes
}

func newNATSProxy(t *testing.T, target string) *natsProxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &natsProxy{listener: l, target: target, links: map[*link]bool{}, steals: func(string) bool { return false }}
	p.wg.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

func (p *natsProxy) address() string { return p.listener.Addr().String() }

func (p *natsProxy) close() {
	p.listener.Close()
	p.mu.Lock()
	p.ends = true
	p.mu.Unlock()
	p.cutAll()
	p.wg.Wait()
}

func (p *natsProxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", p.target)
		if err != nil {
			client.Close() // the server is away: so is this one
			continue
		}
		p.join(client, server)
	}
}

func (p *natsProxy) join(client, server net.Conn) {
	l := &link{proxy: p, client: client, server: server, replies: map[string]string{}}
	l.ctx, l.cut = context.WithCancel(context.Background())
	context.AfterFunc(l.ctx, func() { client.Close(); server.Close() })
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ends {
		l.cut()
		return
	}
	p.links[l] = true
	p.wg.Go(func() {
		var both sync.WaitGroup
		both.Go(l.up)
		both.Go(l.down)
		both.Wait()
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.links, l)
	})
}

// each does something with every connection that there is now.
func (p *natsProxy) each(do func(*link)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for l := range p.links {
		do(l)
	}
}

// cutAll closes every connection.
func (p *natsProxy) cutAll() { p.each(func(l *link) { l.cut() }) }

// hold keeps back what goes over the connections that there are now, without
// closing them; those that come later are well. The function that it returns
// lets everything go on.
func (p *natsProxy) hold() (release func()) {
	held := make(chan struct{})
	p.each(func(l *link) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.held = held
	})
	return sync.OnceFunc(func() { close(held) })
}

// steal lets acknowledgements get lost: each time that steals says so, the
// connection is cut after the server has stored the event and before its sender
// hears of it.
func (p *natsProxy) steal(steals func(subject string) bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.steals = steals
}

func (p *natsProxy) stolenSoFar() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stolen
}

// slow makes the proxy slow from now on.
func (p *natsProxy) slow(delay time.Duration, bytesPerSecond int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay, p.rate = delay, bytesPerSecond
}

// up carries what the client says, one message after the other.
func (l *link) up() {
	defer l.cut()
	in := bufio.NewReaderSize(l.client, 64<<10)
	for {
		m, err := readMessage(in)
		if err != nil {
			return
		}
		if reply, asked := m.asks(); asked {
			l.mu.Lock()
			l.replies[reply] = m.subject()
			l.mu.Unlock()
		}
		if !l.pass(l.server, m.bytes) {
			return
		}
	}
}

// down carries what the server says.
func (l *link) down() {
	defer l.cut()
	in := bufio.NewReaderSize(l.server, 64<<10)
	for {
		m, err := readMessage(in)
		if err != nil || l.loses(m) || !l.pass(l.client, m.bytes) {
			return
		}
	}
}

// loses reports whether a message is an acknowledgement that gets lost.
func (l *link) loses(m protocolMessage) bool {
	l.mu.Lock()
	subject, waited := l.replies[m.subject()]
	delete(l.replies, m.subject())
	l.mu.Unlock()
	if !waited {
		return false
	}
	l.proxy.mu.Lock()
	defer l.proxy.mu.Unlock()
	if !l.proxy.steals(subject) {
		return false
	}
	l.proxy.stolen++
	return true
}

// pass writes, as slowly as the proxy is, and reports whether it could.
func (l *link) pass(to io.Writer, data []byte) bool {
	l.mu.Lock()
	held := l.held
	l.mu.Unlock()
	if held != nil {
		select {
		case <-held:
		case <-l.ctx.Done():
			return false
		}
	}
	l.proxy.mu.Lock()
	wait := l.proxy.delay
	if l.proxy.rate > 0 {
		wait += time.Duration(len(data)) * time.Second / time.Duration(l.proxy.rate)
	}
	l.proxy.mu.Unlock()
	if wait > 0 {
		select {
		case <-time.After(wait):
		case <-l.ctx.Done():
			return false
		}
	}
	_, err := to.Write(data)
	return err == nil
}

// protocolMessage is one message of the protocol.
type protocolMessage struct {
	words []string // of its first line
	bytes []byte   // all of it
}

// carries reports whether bytes come after the first line.
func (m protocolMessage) carries() bool {
	return len(m.words) >= 3 && slices.Contains([]string{"PUB", "HPUB", "MSG", "HMSG"}, m.words[0])
}

// subject is what a message is about; empty when it carries nothing.
func (m protocolMessage) subject() string {
	if !m.carries() {
		return ""
	}
	return m.words[1]
}

// asks returns where the acknowledgement of an event is to go:
// PUB <subject> [reply] <size>, HPUB <subject> [reply] <size of headers> <size>.
func (m protocolMessage) asks() (reply string, ok bool) {
	with := map[string]int{"PUB": 4, "HPUB": 5}
	if !m.carries() || len(m.words) != with[m.words[0]] || !strings.HasPrefix(m.words[1], "floor.") {
		return "", false
	}
	return m.words[2], true
}

// readMessage reads one message: a line, and for those that carry something as
// many bytes more as the line's last word says, with a line's end after them.
func readMessage(in *bufio.Reader) (m protocolMessage, err error) {
	if m.bytes, err = in.ReadBytes('\n'); err != nil {
		return m, err
	}
	m.words = strings.Fields(string(m.bytes))
	if !m.carries() {
		return m, nil
	}
	size, err := strconv.Atoi(m.words[len(m.words)-1])
	if err != nil {
		return m, fmt.Errorf("read %q: %w", m.bytes, err)
	}
	line := len(m.bytes)
	m.bytes = append(m.bytes, make([]byte, size+len("\r\n"))...)
	_, err = io.ReadFull(in, m.bytes[line:])
	return m, err
}
