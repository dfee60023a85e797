package pager

import (
	"cmp"
	"context"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/mail"
	"net/textproto"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"rollwarden/rules/event"
)

// TLSMode says how the connection to the mail server is protected.
type TLSMode string

// The modes. The zero value is StartTLS: without it no mail is sent.
const (
	StartTLS    TLSMode = "starttls" // RFC 3207, required
	ImplicitTLS TLSMode = "tls"      // TLS from the first byte, RFC 8314 section 3.3
	NoTLS       TLSMode = "none"     // plain text, for a relay on the same host; no login
)

// EmailOptions configure an e-mail channel.
type EmailOptions struct {
	Name      string // channel name
	Host      string // mail server
	Port      int    // 587, or 465 with ImplicitTLS, or 25 with NoTLS
	TLS       TLSMode
	TLSConfig *tls.Config // nil for the system's roots
	Username  string      // empty for no login
	Password  Secret
	From      string   // address, with or without a name
	To        []string // addresses, one each
	Location  *time.Location
	Timeout   time.Duration    // for one try; 20 s
	Now       func() time.Time // time.Now
}

// Email sends pages by SMTP (RFC 5321). Every recipient gets a message of
// their own, so that one bad address keeps no one else from being told, and a
// recipient who has it is not sent it again while others are tried again. The
// Message-ID follows from the idempotency key and the recipient: a mail system
// that sees a repeated page can tell.
type Email struct {
	options EmailOptions
	from    *mail.Address
	to      []*mail.Address
	redact  func(string) string
	html    *template.Template
	took    map[string]map[string]bool // recipients that have an unfinished page, by key
}

// maxUnfinished bounds the memory of partly delivered pages that were given
// up. Forgetting them repeats a message at worst.
const maxUnfinished = 1000

// NewEmail returns the channel. It fails on an address that is not one, and on
// a login that would cross the network in plain text.
func NewEmail(o EmailOptions) (*Email, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("email %s: %w", o.Name, err)
	}
	e := &Email{options: o, took: make(map[string]map[string]bool)}
	if e.from, err = mail.ParseAddress(o.From); err != nil {
		return nil, fmt.Errorf("email %s: from: want one address, got %q", o.Name, o.From)
	}
	if len(o.To) == 0 {
		return nil, fmt.Errorf("email %s: to: want at least one address", o.Name)
	}
	for _, text := range o.To {
		to, err := mail.ParseAddress(text)
		if err != nil {
			return nil, fmt.Errorf("email %s: to: want one address, got %q", o.Name, text)
		}
		e.to = append(e.to, to)
	}
	if e.html, err = template.New("page").Parse(htmlPage); err != nil {
		return nil, fmt.Errorf("email %s: %w", o.Name, err)
	}
	e.redact = redactor(loginForms(o.Username, o.Password.text())...)
	return e, nil
}

func (o EmailOptions) withDefaults() (EmailOptions, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Location == nil {
		o.Location = time.UTC
	}
	o.Timeout = cmp.Or(o.Timeout, 20*time.Second)
	o.TLS = cmp.Or(o.TLS, StartTLS)
	port := 0
	switch o.TLS {
	case StartTLS:
		port = 587
	case ImplicitTLS:
		port = 465
	case NoTLS:
		port = 25
	default:
		return o, fmt.Errorf("tls: want %s, %s or %s, got %q", StartTLS, ImplicitTLS, NoTLS, o.TLS)
	}
	o.Port = cmp.Or(o.Port, port)
	if o.Host == "" {
		return o, errors.New("host is missing: want the name of the mail server")
	}
	if o.Username != "" && o.TLS == NoTLS {
		return o, errors.New("username: a login needs tls: set tls to starttls or tls")
	}
	if (o.Username == "") != o.Password.empty() {
		return o, errors.New("username and password: want both or neither")
	}
	return o, nil
}

// loginForms lists the forms in which a login crosses the wire (RFC 4616 and
// the LOGIN mechanism), since a server may echo what it was sent.
func loginForms(user, password string) []string {
	if password == "" {
		return nil
	}
	b64 := base64.StdEncoding.EncodeToString
	return []string{password, b64([]byte(password)), b64([]byte("\x00" + user + "\x00" + password))}
}

// Name implements Channel.
func (e *Email) Name() string { return e.options.Name }

// Send implements Channel.
func (e *Email) Send(ctx context.Context, p Page) error {
	return e.deliver(ctx, p.Key, func(to *mail.Address) (*gomail.Msg, error) { return e.message(p, to) })
}

// deliver sends every recipient who has not got it yet a message of their own.
func (e *Email) deliver(ctx context.Context, key string, write func(to *mail.Address) (*gomail.Msg, error)) error {
	ctx, cancel := context.WithTimeout(ctx, e.options.Timeout)
	defer cancel()
	took := e.took[key]
	if took == nil {
		took = make(map[string]bool)
	}
	var messages []*gomail.Msg
	var addresses []string
	for _, to := range e.to {
		if took[to.Address] {
			continue
		}
		m, err := write(to)
		if err != nil {
			return Permanent(fmt.Errorf("mail: %s", e.clean(err)))
		}
		messages, addresses = append(messages, m), append(addresses, to.Address)
	}
	err := e.dialAndSend(ctx, messages)
	result := e.result(messages, addresses, took, err)
	e.remember(key, took, result)
	return result
}

// result sorts the messages into taken, refused for good and to be tried
// again. A message that the server took stays taken, whatever went wrong in
// saying goodbye.
func (e *Email) result(messages []*gomail.Msg, addresses []string, took map[string]bool, err error) error {
	var refused, open error
	for i, m := range messages {
		switch why := reasonFor(m, err); {
		case m.IsDelivered():
			took[addresses[i]] = true
		case refusedForGood(why):
			refused = cmp.Or(refused, why)
		default:
			open = cmp.Or(open, why)
		}
	}
	note := fmt.Sprintf("mail to %s: %d of %d recipients have it", e.options.Host, len(took), len(e.to))
	switch {
	case len(took) == len(e.to):
		return nil
	case open != nil:
		return fmt.Errorf("%s: %s", note, e.clean(open))
	case refused != nil:
		return Permanent(fmt.Errorf("%s: %s", note, e.clean(refused)))
	}
	return fmt.Errorf("%s: the server did not say why", note)
}

// reasonFor says why a message was not taken: the session's own end says more
// than what the message met then, and otherwise the message knows better.
func reasonFor(m *gomail.Msg, session error) error {
	if errors.Is(session, context.DeadlineExceeded) || errors.Is(session, context.Canceled) {
		return session
	}
	return cmp.Or(m.SendError(), session)
}

// remember keeps who has a page while others do not.
func (e *Email) remember(key string, took map[string]bool, result error) {
	delete(e.took, key)
	if result == nil || isPermanent(result) || len(took) == 0 {
		return
	}
	if len(e.took) >= maxUnfinished {
		clear(e.took)
	}
	e.took[key] = took
}

func (e *Email) clean(err error) string {
	if n, ok := errors.AsType[net.Error](err); ok && n.Timeout() || errors.Is(err, context.DeadlineExceeded) {
		return "no answer in time: see that the mail server can be reached"
	}
	return e.redact(err.Error())
}

// refusedForGood reports a 5xx reply: the same command must not be repeated
// (RFC 5321 section 4.2.1).
func refusedForGood(err error) bool {
	if s, ok := errors.AsType[*gomail.SendError](err); ok {
		return s.ErrorCode() >= 500
	}
	if r, ok := errors.AsType[*textproto.Error](err); ok {
		return r.Code >= 500
	}
	return false
}

// dialAndSend opens a connection for these messages only. The library watches
// ctx while it dials; closing the connection makes ctx count afterwards too.
func (e *Email) dialAndSend(ctx context.Context, messages []*gomail.Msg) error {
	dial := func(dialCtx context.Context, network, address string) (net.Conn, error) {
		var d net.Dialer
		conn, err := d.DialContext(dialCtx, network, address)
		if err != nil {
			return nil, err
		}
		context.AfterFunc(ctx, func() { conn.Close() })
		if e.options.TLS == ImplicitTLS {
			return tls.Client(conn, e.tlsConfig()), nil
		}
		return conn, nil
	}
	client, err := gomail.NewClient(e.options.Host, e.clientOptions(dial)...)
	if err != nil {
		return Permanent(err)
	}
	err = client.DialAndSendWithContext(ctx, messages...)
	return cmp.Or(ctx.Err(), err) // "connection closed" would say less
}

func (e *Email) clientOptions(dial gomail.DialContextFunc) []gomail.Option {
	o := e.options
	list := []gomail.Option{
		gomail.WithPort(o.Port), gomail.WithTimeout(o.Timeout),
		gomail.WithTLSConfig(e.tlsConfig()), gomail.WithDialContextFunc(dial),
	}
	switch o.TLS {
	case StartTLS:
		list = append(list, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case ImplicitTLS:
		list = append(list, gomail.WithSSL())
	case NoTLS:
		list = append(list, gomail.WithTLSPolicy(gomail.NoTLS))
	}
	if o.Username != "" {
		list = append(list, gomail.WithUsername(o.Username), gomail.WithPassword(o.Password.text()),
			gomail.WithOpportunisticSMTPAuth(gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthPlain, gomail.SMTPAuthLogin))
	}
	return list
}

func (e *Email) tlsConfig() *tls.Config {
	c := &tls.Config{}
	if e.options.TLSConfig != nil {
		c = e.options.TLSConfig.Clone()
	}
	c.ServerName = cmp.Or(c.ServerName, e.options.Host)
	c.MinVersion = max(c.MinVersion, tls.VersionTLS12)
	return c
}

// message writes the page for one recipient. Everything that comes from an
// event passes through oneLine before it goes in a header, and the library
// encodes what is left (RFC 2047).
func (e *Email) message(p Page, to *mail.Address) (*gomail.Msg, error) {
	m := e.blank(p.Key, summary(p, e.options.Location), to)
	if p.Priority == "high" && !p.Cleared() {
		m.SetImportance(gomail.ImportanceHigh)
	}
	view := e.view(p)
	m.SetBodyString(gomail.TypeTextPlain, view.text())
	var html strings.Builder
	if err := e.html.Execute(&html, view); err != nil {
		return nil, err
	}
	m.AddAlternativeString(gomail.TypeTextHTML, html.String())
	return m, nil
}

// blank is a message to one recipient without a body yet.
func (e *Email) blank(key, subject string, to *mail.Address) *gomail.Msg {
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	m.FromMailAddress(e.from)
	m.ToMailAddress(to)
	m.Subject(subject)
	m.SetMessageIDWithValue(messageID(key, to.Address, e.from.Address))
	m.SetDateWithValue(e.options.Now())
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834 section 5: no holiday replies
	return m
}

// messageID is a dot-atom of hexadecimal digits at the sender's domain (RFC
// 5322 section 3.6.4), the same for every try.
func messageID(key, to, from string) string {
	domain := from[strings.LastIndex(from, "@")+1:]
	return event.DerivedID("message", key, to) + "@" + domain
}

// mailView is what the two bodies show.
type mailView struct {
	Page
	Summary  string
	Seen     []string
	Remedy   []string
	Starts   string
	Changed  string
	Disclaim string
}

func (e *Email) view(p Page) mailView {
	v := mailView{
		Page: p, Summary: summary(p, e.options.Location),
		Changed:  p.At.In(e.options.Location).Format("2006-01-02 " + clock),
		Disclaim: "Rollwarden advises. It does not stop the machine.",
	}
	for _, seen := range p.Evidence {
		v.Seen = append(v.Seen, evidenceLine(seen))
	}
	for _, r := range p.Remedies {
		v.Remedy = append(v.Remedy, remedyLine(r))
	}
	if p.ReadyAt != nil && !p.Cleared() {
		v.Starts = p.ReadyAt.In(e.options.Location).Format("2006-01-02 " + clock)
	}
	return v
}

// text is the plain body. Its first line is the summary, which is what a
// phone shows.
func (v mailView) text() string {
	var b strings.Builder
	line := func(prefix, s string) {
		if s != "" {
			b.WriteString(prefix + oneLine(s, event.MaxText) + "\n")
		}
	}
	line("", v.Summary)
	b.WriteString("\n")
	line("", v.Message)
	line("Expected start: ", v.Starts)
	line("Caution: ", v.Caution)
	section := func(title string, items []string) {
		if len(items) > 0 {
			b.WriteString("\n" + title + "\n")
		}
		for _, item := range items {
			line("- ", item)
		}
	}
	section("What helps:", v.Remedy)
	section("What was seen:", v.Seen)
	b.WriteString("\n")
	line("Changed: ", v.Changed+", "+v.From+" to "+v.To)
	line("Board: ", v.BoardURL)
	line("Instructions: ", v.RunbookURL)
	b.WriteString("\n" + v.Disclaim + "\n")
	return b.String()
}

const htmlPage = `<!doctype html>
<html lang="en"><body style="font-family:sans-serif">
<p><strong>{{.Summary}}</strong></p>
<p>{{.Message}}</p>
{{with .Starts}}<p>Expected start: {{.}}</p>{{end}}
{{with .Caution}}<p><strong>Caution:</strong> {{.}}</p>{{end}}
{{with .Remedy}}<p>What helps:</p><ol>{{range .}}<li>{{.}}</li>{{end}}</ol>{{end}}
{{with .Seen}}<p>What was seen:</p><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
<p>Changed: {{.Changed}}, {{.From}} to {{.To}}</p>
{{with .BoardURL}}<p><a href="{{.}}">Board</a></p>{{end}}
{{with .RunbookURL}}<p><a href="{{.}}">Instructions</a></p>{{end}}
<p>{{.Disclaim}}</p>
</body></html>
`
