package faults

import (
	"bufio"
	"io"
	"net"
	"net/mail"
	"net/textproto"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailbox is a small SMTP server (RFC 5321) that can die at the worst moment:
// after it has taken a message and before it says so.
type mailbox struct {
	listener net.Listener
	wg       sync.WaitGroup

	mu    sync.Mutex
	dies  int // so many messages more are taken without a word
	ids   []string
	conns map[net.Conn]bool
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mailbox{listener: l, conns: map[net.Conn]bool{}}
	m.wg.Go(m.accept)
	t.Cleanup(func() {
		l.Close()
		m.mu.Lock()
		for c := range m.conns {
			c.Close()
		}
		m.mu.Unlock()
		m.wg.Wait()
	})
	return m
}

func (m *mailbox) port() int { return m.listener.Addr().(*net.TCPAddr).Port }

func (m *mailbox) accept() {
	for {
		conn, err := m.listener.Accept()
		if err != nil {
			return
		}
		m.mu.Lock()
		m.conns[conn] = true
		m.mu.Unlock()
		m.wg.Go(func() {
			defer conn.Close()
			_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
			m.serve(textproto.NewConn(conn))
		})
	}
}

// replies are what the server says to the commands that need no thought.
var replies = map[string]string{
	"EHLO": "250 mail.test", "MAIL": "250 2.1.0 Ok", "RCPT": "250 2.1.5 Ok", "NOOP": "250 2.0.0 Ok", "RSET": "250 2.0.0 Ok",
}

func (m *mailbox) serve(text *textproto.Conn) {
	say := func(line string) { _ = text.PrintfLine("%s", line) }
	say("220 mail.test ready")
	for {
		line, err := text.ReadLine()
		if err != nil {
			return
		}
		verb, _, _ := strings.Cut(strings.ToUpper(line), " ")
		switch reply := replies[verb]; {
		case verb == "DATA":
			say("354 End with a dot")
			if !m.take(text.DotReader()) {
				return
			}
			say("250 2.0.0 Queued")
		case verb == "QUIT":
			say("221 2.0.0 Bye")
			return
		case reply == "":
			say("502 5.5.2 Unknown command")
		default:
			say(reply)
		}
	}
}

// take keeps a message's id, and reports whether the server lives on.
func (m *mailbox) take(in io.Reader) bool {
	letter, err := mail.ReadMessage(bufio.NewReader(in))
	if err != nil {
		return false
	}
	if _, err := io.Copy(io.Discard, letter.Body); err != nil {
		return false
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ids = append(m.ids, letter.Header.Get("Message-Id"))
	if m.dies > 0 {
		m.dies--
		return false
	}
	return true
}

// dieAfter lets so many messages more be taken without a word.
func (m *mailbox) dieAfter(messages int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dies = messages
}

// messages are the Message-IDs of what was taken, copies too.
func (m *mailbox) messages() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.ids)
}
