package pager

import (
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

func emailTo(t *testing.T, s *mailServer, change func(*EmailOptions)) *Email {
	t.Helper()
	o := EmailOptions{
		Name: "mail", Host: "127.0.0.1", Port: s.listener.Addr().(*net.TCPAddr).Port,
		TLSConfig: &tls.Config{RootCAs: s.roots}, Timeout: 10 * time.Second,
		From: "Rollwarden <pages@kestrel.test>", To: []string{"front desk <desk@kestrel.test>"},
		Now: func() time.Time { return time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC) },
	}
	if change != nil {
		change(&o)
	}
	e, err := NewEmail(o)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// parts parses a message with the standard library and returns its header and
// the decoded bodies by media type.
func parts(t *testing.T, data string) (mail.Header, map[string]string) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(data))
	if err != nil {
		t.Fatalf("%v in %s", err, data)
	}
	media, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || media != "multipart/alternative" {
		t.Fatalf("content type %s: %v", m.Header.Get("Content-Type"), err)
	}
	bodies := make(map[string]string)
	r := multipart.NewReader(m.Body, params["boundary"])
	for {
		p, err := r.NextRawPart()
		if err == io.EOF {
			return m.Header, bodies
		}
		if err != nil {
			t.Fatal(err)
		}
		if enc := p.Header.Get("Content-Transfer-Encoding"); enc != "quoted-printable" {
			t.Errorf("encoding %s", enc)
		}
		text, err := io.ReadAll(quotedprintable.NewReader(p))
		if err != nil {
			t.Fatal(err)
		}
		kind, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type"))
		bodies[kind] = strings.ReplaceAll(string(text), "\r\n", "\n")
	}
}

// dotAtomID is msg-id without comments and quoting, RFC 5322 section 3.6.4.
var dotAtomID = regexp.MustCompile(`^<[A-Za-z0-9!#$%&'*+/=?^_{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_{|}~-]+)*@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*>$`)

func TestMailGoesOverStartTLS(t *testing.T) {
	server := newMailServer(t, func(s *mailServer) { s.user, s.pass = "pages", "correct horse" })
	e := emailTo(t, server, func(o *EmailOptions) {
		o.Username, o.Password = "pages", NewSecret("correct horse")
		o.Location = time.FixedZone("CET", 3600)
	})
	page := pageOf(t, "a1", nil)
	page.BoardURL = "http://127.0.0.1:8477/floor/heron"
	if err := e.Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	mails := server.received()
	if len(mails) != 1 || !mails[0].tls || mails[0].from != "pages@kestrel.test" || mails[0].to != "desk@kestrel.test" {
		t.Fatalf("got %+v", mails)
	}
	// RFC 3207 section 4.2: after TLS the client must say EHLO again; and the
	// login comes after that.
	verbs := server.verbs()
	if !slices.Equal(verbs[:6], []string{"EHLO", "STARTTLS", "TLS", "EHLO", "AUTH", "NOOP"}) {
		t.Errorf("the session began with %v", verbs)
	}

	header, bodies := parts(t, mails[0].data)
	for name, want := range map[string]string{
		"Subject":        "HIGH bare-edge, heron: job K-101/P1, starts 09:12 CET",
		"From":           `"Rollwarden" <pages@kestrel.test>`,
		"To":             `"front desk" <desk@kestrel.test>`,
		"Date":           "Mon, 02 Mar 2026 08:00:30 +0000",
		"Auto-Submitted": "auto-generated",
	} {
		if got := header.Get(name); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	if id := header.Get("Message-Id"); !dotAtomID.MatchString(id) || !strings.HasSuffix(id, "@kestrel.test>") {
		t.Errorf("Message-ID %s", id)
	}
	plain := bodies["text/plain"]
	if first, _, _ := strings.Cut(plain, "\n"); first != "HIGH bare-edge, heron: job K-101/P1, starts 09:12 CET" {
		t.Errorf("first line %q", first)
	}
	for _, want := range []string{
		"Expected start: 2026-03-02 09:12 CET\n", "Caution: The carriage can hit a lifted edge.\n",
		"- Tape a leader ahead of the edge (0.20 USD, settles it, cheapest in expectation)\n",
		"- Do not cut the job before off (not here: it is cut)\n",
		"- edge: 0 mm (limit at least 420 mm)\n", "Board: http://127.0.0.1:8477/floor/heron\n",
		"Rollwarden advises. It does not stop the machine.",
	} {
		if !strings.Contains(plain, want) {
			t.Errorf("plain body lacks %q:\n%s", want, plain)
		}
	}
	html := bodies["text/html"]
	for _, want := range []string{"<strong>HIGH bare-edge", `<a href="http://127.0.0.1:8477/floor/heron">Board</a>`, "<li>edge: 0 mm"} {
		if !strings.Contains(html, want) {
			t.Errorf("html body lacks %q:\n%s", want, html)
		}
	}
}

func TestMessageIDFollowsFromTheKey(t *testing.T) {
	server := newMailServer(t, nil)
	page := pageOf(t, "a1", nil)
	for _, p := range []Page{page, page, pageOf(t, "a2", nil)} {
		if err := emailTo(t, server, nil).Send(t.Context(), p); err != nil {
			t.Fatal(err)
		}
	}
	var ids []string
	for _, m := range server.received() {
		header, _ := parts(t, m.data)
		ids = append(ids, header.Get("Message-Id"))
	}
	if len(ids) != 3 || ids[0] != ids[1] || ids[0] == ids[2] {
		t.Errorf("ids %v: want one for the same page and another for another", ids)
	}
}

// What comes from an event cannot add a header, a recipient or markup.
func TestNothingIsInjected(t *testing.T) {
	server := newMailServer(t, nil)
	evil := "x\r\nBcc: thief@kestrel.test\r\n\r\n.\r\nMAIL FROM:<thief@kestrel.test>\r\n<script>alert(1)</script>"
	page := pageOf(t, "a1", func(a *event.AlarmChanged) {
		a.Hazard, a.Job, a.Part, a.Message, a.Caution, a.Priority = evil, "Ä"+evil, evil, evil, evil, evil
		a.Evidence = []event.Evidence{{Name: evil, Value: evil}}
		a.Remedies = []event.Remedy{{Text: evil, Cost: evil}}
		a.From, a.To = evil, evil
	})
	page.Machine, page.BoardURL, page.RunbookURL, page.Key = evil, "javascript:alert(1)", evil, evil
	if err := emailTo(t, server, nil).Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	mails := server.received()
	if len(mails) != 1 || server.reached() != "map[desk@kestrel.test:1]" {
		t.Fatalf("got %d mails to %s", len(mails), server.reached())
	}
	header, bodies := parts(t, mails[0].data)
	allowed := []string{"Auto-Submitted", "Content-Type", "Date", "From", "Message-Id", "Mime-Version", "Subject", "To"}
	for name := range header {
		if !slices.Contains(allowed, name) {
			t.Errorf("unexpected header %s: %v", name, header[name])
		}
	}
	if !dotAtomID.MatchString(header.Get("Message-Id")) {
		t.Errorf("Message-ID %q", header.Get("Message-Id"))
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(header.Get("Subject"))
	if err != nil || strings.ContainsAny(subject, "\r\n") || len(subject) > maxSummary {
		t.Errorf("subject %q, %v", subject, err)
	}
	if strings.Contains(bodies["text/html"], "<script>") || strings.Contains(bodies["text/html"], `href="javascript:`) {
		t.Errorf("markup came through:\n%s", bodies["text/html"])
	}
	if strings.Contains(bodies["text/plain"], "\nBcc:") {
		t.Errorf("line break came through:\n%s", bodies["text/plain"])
	}
	// RFC 5322 section 2.1.1: no line of more than 998 characters.
	for line := range strings.Lines(mails[0].data) {
		if len(line) > 1000 {
			t.Errorf("line of %d bytes", len(line))
		}
	}
}

func TestWithoutStartTLSNothingIsSent(t *testing.T) {
	server := newMailServer(t, func(s *mailServer) { s.noStartTLS = true })
	err := emailTo(t, server, nil).Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || isPermanent(err) || !strings.Contains(err.Error(), "STARTTLS") {
		t.Errorf("got %v, want a complaint about STARTTLS", err)
	}
	if slices.Contains(server.verbs(), "MAIL") || len(server.received()) != 0 {
		t.Errorf("the session went on in plain text: %v", server.verbs())
	}
}

func TestStrangeCertificateIsRefused(t *testing.T) {
	server := newMailServer(t, nil)
	err := emailTo(t, server, func(o *EmailOptions) { o.TLSConfig = nil }).Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || !strings.Contains(err.Error(), "certificate") || len(server.received()) != 0 {
		t.Errorf("got %v", err)
	}
}

func TestImplicitTLSAndPlainText(t *testing.T) {
	for mode, want := range map[TLSMode]bool{ImplicitTLS: true, NoTLS: false} {
		server := newMailServer(t, func(s *mailServer) {
			s.implicit, s.noStartTLS = mode == ImplicitTLS, true
			if mode == ImplicitTLS {
				s.user, s.pass = "pages", "correct horse"
			}
		})
		e := emailTo(t, server, func(o *EmailOptions) {
			o.TLS = mode
			if mode == ImplicitTLS {
				o.Username, o.Password = "pages", NewSecret("correct horse")
			}
		})
		if err := e.Send(t.Context(), pageOf(t, "a1", nil)); err != nil {
			t.Errorf("%s: %v", mode, err)
		}
		if mails := server.received(); len(mails) != 1 || mails[0].tls != want {
			t.Errorf("%s: got %+v", mode, mails)
		}
	}
}

// Reply codes by RFC 5321 section 4.2.1: 4yz may pass, 5yz will not.
func TestRefusalsAreSorted(t *testing.T) {
	for _, c := range []struct {
		name      string
		replies   map[string]string
		permanent bool
	}{
		{"sender refused", map[string]string{"MAIL": "550 5.7.1 Not you"}, true},
		{"recipient unknown", map[string]string{"RCPT": "550 5.1.1 No such user"}, true},
		{"content refused", map[string]string{"DATA": "554 5.6.0 Not that"}, true},
		{"greylisted", map[string]string{"RCPT": "451 4.7.1 Try later"}, false},
		{"busy", map[string]string{"MAIL": "421 4.3.2 Shutting down"}, false},
		{"disk full", map[string]string{"DATA": "452 4.3.1 No space"}, false},
	} {
		server := newMailServer(t, func(s *mailServer) { s.replies = c.replies })
		err := emailTo(t, server, nil).Send(t.Context(), pageOf(t, "a1", nil))
		if err == nil || isPermanent(err) != c.permanent || len(server.received()) != 0 {
			t.Errorf("%s: %v, permanent %t, want %t", c.name, err, isPermanent(err), c.permanent)
		}
	}
}

// The server has the message and then fails at goodbye: it is not sent again.
func TestTakenAndThenFailedIsTaken(t *testing.T) {
	for _, verb := range []string{"RSET", "QUIT"} {
		server := newMailServer(t, func(s *mailServer) { s.replies[verb] = "451 4.3.0 Lost my thread" })
		if err := emailTo(t, server, nil).Send(t.Context(), pageOf(t, "a1", nil)); err != nil {
			t.Errorf("%s: %v", verb, err)
		}
		if n := len(server.received()); n != 1 {
			t.Errorf("%s: %d mails", verb, n)
		}
	}
}

func TestOneBadAddressKeepsNoOneElseFromBeingTold(t *testing.T) {
	server := newMailServer(t, func(s *mailServer) {
		s.replies["RCPT TO:<gone@kestrel.test>"] = "550 5.1.1 No such user"
	})
	e := emailTo(t, server, func(o *EmailOptions) { o.To = []string{"gone@kestrel.test", "desk@kestrel.test"} })
	err := e.Send(t.Context(), pageOf(t, "a1", nil))
	if !isPermanent(err) || !strings.Contains(err.Error(), "1 of 2 recipients have it") || !strings.Contains(err.Error(), "gone@kestrel.test") {
		t.Errorf("got %v", err)
	}
	if got := server.reached(); got != "map[desk@kestrel.test:1]" {
		t.Errorf("reached %s", got)
	}
}

func TestWhoHasItIsNotSentItAgain(t *testing.T) {
	server := newMailServer(t, func(s *mailServer) {
		s.replies["RCPT TO:<slow@kestrel.test>"] = "451 4.7.1 Try later"
	})
	e := emailTo(t, server, func(o *EmailOptions) { o.To = []string{"slow@kestrel.test", "desk@kestrel.test"} })
	page := pageOf(t, "a1", nil)
	for range 3 {
		if err := e.Send(t.Context(), page); err == nil || isPermanent(err) {
			t.Fatalf("got %v, want an error that may pass", err)
		}
	}
	if got := server.reached(); got != "map[desk@kestrel.test:1]" {
		t.Errorf("reached %s", got)
	}
	server.mu.Lock()
	server.replies = map[string]string{}
	server.mu.Unlock()
	if err := e.Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	if got := server.reached(); got != "map[desk@kestrel.test:1 slow@kestrel.test:1]" {
		t.Errorf("reached %s", got)
	}
	if len(e.took) != 0 {
		t.Errorf("%d pages are still remembered", len(e.took))
	}
}

func TestHangingMailServerEndsWithTheContext(t *testing.T) {
	for _, verb := range []string{"EHLO", "STARTTLS", "RCPT", "DATA"} {
		server := newMailServer(t, func(s *mailServer) { s.hangOn = verb })
		ctx, cancel := context.WithTimeout(t.Context(), 150*time.Millisecond)
		start := time.Now()
		err := emailTo(t, server, nil).Send(ctx, pageOf(t, "a1", nil))
		cancel()
		if err == nil || isPermanent(err) || !strings.Contains(err.Error(), "no answer in time") {
			t.Errorf("%s: %v", verb, err)
		}
		if took := time.Since(start); took > 5*time.Second { // the channel's own timeout is 10 s
			t.Errorf("%s: the context ended long before %s", verb, took)
		}
	}
}

func TestDeadMailServerIsTriedAgain(t *testing.T) {
	server := newMailServer(t, nil)
	server.listener.Close()
	err := emailTo(t, server, nil).Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || isPermanent(err) || !strings.Contains(err.Error(), "connection refused") {
		t.Errorf("got %v", err)
	}
}

// The server of the test repeats the refused login in full, both ways.
func TestPasswordNeverShows(t *testing.T) {
	server := newMailServer(t, func(s *mailServer) { s.user, s.pass = "pages", "another" })
	e := emailTo(t, server, func(o *EmailOptions) { o.Username, o.Password = "pages", NewSecret("hunter-of-edges") })
	err := e.Send(t.Context(), pageOf(t, "a1", nil))
	if !isPermanent(err) || !strings.Contains(err.Error(), "535") {
		t.Fatalf("got %v, want the refused login", err)
	}
	var out bytes.Buffer
	logger := zerolog.New(&out)
	logger.Error().Err(err).Any("options", e.options.Password).Any("channel", e).Msg("")
	shown := fmt.Sprintf("%v %+v %#v %+v %s", err, e, e, e.options, out.String())
	for _, form := range loginForms("pages", "hunter-of-edges") {
		if strings.Contains(shown, form) {
			t.Errorf("%q shows in %s", form, shown)
		}
	}
}

func TestEmailOptionsAreChecked(t *testing.T) {
	good := EmailOptions{Name: "mail", Host: "127.0.0.1", From: "a@kestrel.test", To: []string{"b@kestrel.test"}}
	for name, change := range map[string]func(*EmailOptions){
		"no host":              func(o *EmailOptions) { o.Host = "" },
		"no sender":            func(o *EmailOptions) { o.From = "" },
		"two senders":          func(o *EmailOptions) { o.From = "a@kestrel.test, c@kestrel.test" },
		"header in sender":     func(o *EmailOptions) { o.From = "a@kestrel.test\r\nBcc: c@kestrel.test" },
		"no recipient":         func(o *EmailOptions) { o.To = nil },
		"broken recipient":     func(o *EmailOptions) { o.To = []string{"b@kestrel.test", "nobody"} },
		"header in recipient":  func(o *EmailOptions) { o.To = []string{"b@kestrel.test\nBcc: c@kestrel.test"} },
		"unknown mode":         func(o *EmailOptions) { o.TLS = "perhaps" },
		"login in plain text":  func(o *EmailOptions) { o.TLS, o.Username, o.Password = NoTLS, "u", NewSecret("p") },
		"user, no password":    func(o *EmailOptions) { o.Username = "u" },
		"password but no user": func(o *EmailOptions) { o.Password = NewSecret("p") },
	} {
		o := good
		change(&o)
		if _, err := NewEmail(o); err == nil || !strings.HasPrefix(err.Error(), "email mail: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for mode, port := range map[TLSMode]int{"": 587, ImplicitTLS: 465, NoTLS: 25} { // RFC 6409, RFC 8314, RFC 5321
		o := good
		o.TLS = mode
		e, err := NewEmail(o)
		if err != nil || e.options.Port != port {
			t.Errorf("%q: port %d, %v; want %d", mode, e.options.Port, err, port)
		}
	}
}
