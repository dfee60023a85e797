package ipp

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"

	"github.com/OpenPrinting/goipp"

	"rollwarden/rules/event"
)

// target is where a printer is asked, and as which printer.
type target struct {
	http string // address of the HTTP request
	uri  string // the printer-uri of the operation (RFC 8011, section 4.1.5)
}

// schemes are how a printer's address may begin: the scheme over HTTP, the one by
// which the printer calls itself, and the port (RFC 8010, section 4, RFC 3510 and
// RFC 7472).
var schemes = map[string]struct{ http, ipp, port string }{
	"ipp": {"http", "ipp", "631"}, "http": {"http", "ipp", "80"},
	"ipps": {"https", "ipps", "631"}, "https": {"https", "ipps", "443"},
}

// CheckURL refuses what cannot be the address of a printer.
func CheckURL(text string) error {
	_, err := parse(text)
	return err
}

func parse(text string) (target, error) {
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" || schemes[u.Scheme].port == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return target{}, &event.Fault{Field: "url", Want: "the address of a printer such as ipp://heron.example/ipp/print, without user, query and fragment", Got: fmt.Sprintf("%q", text)}
	}
	s := schemes[u.Scheme]
	port := u.Port()
	if port == "" {
		port = s.port
	}
	host := net.JoinHostPort(u.Hostname(), port)
	path := u.EscapedPath()
	if path == "" {
		path = "/"
	}
	t := target{http: s.http + "://" + host + path, uri: s.ipp + "://" + host + path}
	if port == "631" {
		t.uri = s.ipp + "://" + strings.TrimSuffix(host, ":631") + path // as printers write it
	}
	return t, nil
}

// wanted are the attributes that are asked for.
var wanted = []string{"printer-state", "printer-state-reasons", "printer-state-message", "printer-is-accepting-jobs", "media-ready"}

// request is a Get-Printer-Attributes of IPP/1.1, which every later printer takes
// too (RFC 8011, sections 4.1.8 and 4.2.5.1). The charset and the language come
// first (section 4.1.4.1).
func request(t target, id uint32) ([]byte, error) {
	m := goipp.NewRequest(goipp.MakeVersion(1, 1), goipp.OpGetPrinterAttributes, id)
	m.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	m.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
	m.Operation.Add(goipp.MakeAttribute("printer-uri", goipp.TagURI, goipp.String(t.uri)))
	ask := goipp.MakeAttribute("requested-attributes", goipp.TagKeyword, goipp.String(wanted[0]))
	for _, name := range wanted[1:] {
		ask.Values.Add(goipp.TagKeyword, goipp.String(name))
	}
	m.Operation.Add(ask)
	return m.EncodeBytes()
}

// maxAnswer is the largest answer that is read, bytes. What is asked for takes a
// few hundred.
const maxAnswer = 1 << 20

// mediaType is what both messages are sent as (RFC 8010, section 4).
const mediaType = "application/ipp"

// ask asks the printer once.
func (l *poller) ask(ctx context.Context) (event.MachineReported, error) {
	l.asked++
	body, err := request(l.target, l.asked)
	if err != nil {
		return event.MachineReported{}, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, l.target.http, bytes.NewReader(body))
	if err != nil {
		return event.MachineReported{}, err
	}
	req.Header.Set("Content-Type", mediaType)
	resp, err := l.client.Do(req)
	if err != nil {
		return event.MachineReported{}, err
	}
	defer resp.Body.Close()
	if media := resp.Header.Get("Content-Type"); resp.StatusCode != http.StatusOK || !strings.HasPrefix(media, mediaType) {
		return event.MachineReported{}, fmt.Errorf("want an answer of %s, got %s of %q: correct the address", mediaType, resp.Status, media)
	}
	answer, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer+1))
	if err != nil {
		return event.MachineReported{}, fmt.Errorf("read the answer: %w", err)
	}
	if len(answer) > maxAnswer {
		return event.MachineReported{}, fmt.Errorf("want an answer of at most %d bytes", maxAnswer)
	}
	return Decode(answer, l.asked)
}
