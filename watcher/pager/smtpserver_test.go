package pager

import (
	"bufio"
	"cmp"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/textproto"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailServer is a small SMTP server (RFC 5321) that really speaks STARTTLS
// (RFC 3207) and AUTH PLAIN (RFC 4954, RFC 4616), with a certificate of its own.
type mailServer struct {
	listener net.Listener
	cert     tls.Certificate
	roots    *x509.CertPool

	// What makes it difficult. Set before the first connection.
	noStartTLS bool
	implicit   bool
	user, pass string            // login required when set
	replies    map[string]string // a reply instead of the usual one, by "VERB" or "VERB argument"
	hangOn     string            // a verb that is never answered

	mu    sync.Mutex
	mails []receivedMail
	seen  []string // verbs, with "TLS" where the connection became safe
	conns map[net.Conn]bool
	wg    sync.WaitGroup
}

type receivedMail struct {
	from, to string
	data     string
	tls      bool
}

func newMailServer(t *testing.T, change func(*mailServer)) *mailServer {
	t.Helper()
	s := &mailServer{replies: map[string]string{}, conns: map[net.Conn]bool{}}
	s.cert, s.roots = selfSigned(t)
	if change != nil {
		change(s)
	}
	var err error
	if s.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	s.wg.Go(s.accept)
	t.Cleanup(func() {
		s.listener.Close()
		s.mu.Lock()
		for c := range s.conns {
			c.Close()
		}
		s.mu.Unlock()
		s.wg.Wait()
	})
	return s
}

// selfSigned makes a certificate for 127.0.0.1 that lives for an hour.
func selfSigned(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail.test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}

func (s *mailServer) accept() {
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		s.conns[conn] = true
		s.mu.Unlock()
		s.wg.Go(func() {
			defer conn.Close()
			_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
			s.serve(conn)
		})
	}
}

// session is one connection's state.
type session struct {
	conn   net.Conn
	text   *textproto.Conn
	safe   bool
	login  bool
	from   string
	to     string
	server *mailServer
}

func (s *mailServer) serve(conn net.Conn) {
	x := &session{conn: conn, server: s}
	if s.implicit {
		x.safe = true
		x.conn = tls.Server(conn, &tls.Config{Certificates: []tls.Certificate{s.cert}})
		s.note("TLS")
	}
	x.text = textproto.NewConn(x.conn)
	x.say("220 mail.test ready")
	for {
		line, err := x.text.ReadLine()
		if err != nil {
			return
		}
		verb, argument, _ := strings.Cut(line, " ")
		verb = strings.ToUpper(verb)
		s.note(verb)
		if verb == s.hangOn {
			_, _ = io.Copy(io.Discard, x.conn)
			return
		}
		if reply := s.scripted(verb, argument); reply != "" {
			x.say(reply)
		} else if !x.handle(verb, argument) {
			return
		}
	}
}

func (x *session) say(lines ...string) { _ = x.text.PrintfLine("%s", strings.Join(lines, "\r\n")) }

func (x *session) handle(verb, argument string) (goOn bool) {
	switch verb {
	case "EHLO":
		x.say(x.extensions()...)
	case "STARTTLS":
		return x.startTLS()
	case "AUTH":
		x.auth(argument)
	case "MAIL":
		if x.server.user != "" && !x.login {
			x.say("530 5.7.0 Authentication required")
			break
		}
		x.from = path(argument)
		x.say("250 2.1.0 Ok")
	case "RCPT":
		x.to = path(argument)
		x.say("250 2.1.5 Ok")
	case "DATA":
		x.data()
	case "NOOP", "RSET":
		x.say("250 2.0.0 Ok")
	case "QUIT":
		x.say("221 2.0.0 Bye")
		return false
	default:
		x.say("502 5.5.2 Unknown command")
	}
	return true
}

func (x *session) extensions() []string {
	lines := []string{"250-mail.test", "250-ENHANCEDSTATUSCODES", "250-8BITMIME"}
	if !x.safe && !x.server.noStartTLS {
		lines = append(lines, "250-STARTTLS")
	}
	if x.safe && x.server.user != "" {
		lines = append(lines, "250-AUTH PLAIN")
	}
	return append(lines, "250 SIZE 1000000")
}

// startTLS answers 220 and shakes hands; the session then starts afresh (RFC
// 3207 section 4.2).
func (x *session) startTLS() bool {
	if x.server.noStartTLS {
		x.say("502 5.5.1 Not here")
		return true
	}
	x.say("220 2.0.0 Ready to start TLS")
	safe := tls.Server(x.conn, &tls.Config{Certificates: []tls.Certificate{x.server.cert}})
	if err := safe.Handshake(); err != nil {
		return false
	}
	x.conn, x.text, x.safe = safe, textproto.NewConn(safe), true
	x.server.note("TLS")
	return true
}

func (x *session) auth(argument string) {
	mechanism, initial, _ := strings.Cut(argument, " ")
	text, err := base64.StdEncoding.DecodeString(initial)
	want := "\x00" + x.server.user + "\x00" + x.server.pass
	if mechanism == "PLAIN" && err == nil && string(text) == want {
		x.login = true
		x.say("235 2.7.0 Authentication successful")
		return
	}
	// A talkative server: it repeats what it was given.
	x.say(fmt.Sprintf("535 5.7.8 Refused %s for %q", initial, text))
}

func (x *session) data() {
	x.say("354 End with a dot")
	text, err := io.ReadAll(bufio.NewReader(x.text.DotReader()))
	if err != nil {
		return
	}
	x.server.mu.Lock()
	x.server.mails = append(x.server.mails, receivedMail{x.from, x.to, string(text), x.safe})
	x.server.mu.Unlock()
	x.say("250 2.0.0 Queued")
}

// path takes the address out of FROM:<a@b> BODY=8BITMIME.
func path(argument string) string {
	_, rest, _ := strings.Cut(argument, "<")
	address, _, _ := strings.Cut(rest, ">")
	return address
}

func (s *mailServer) scripted(verb, argument string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return cmp.Or(s.replies[verb+" "+argument], s.replies[verb])
}

func (s *mailServer) note(verb string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seen = append(s.seen, verb)
}

func (s *mailServer) received() []receivedMail {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.mails)
}

func (s *mailServer) verbs() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.seen)
}

// reached counts how many mails each address got.
func (s *mailServer) reached() string {
	counts := map[string]int{}
	for _, m := range s.received() {
		counts[m.to]++
	}
	return fmt.Sprint(counts)
}
