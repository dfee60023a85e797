package pager

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	maxAnswer   = 64 << 10 // of a response's head, and of its body, in bytes
	maxSnippet  = 200      // of a response's body in a reason, in bytes
	httpTimeout = 10 * time.Second
	userAgent   = "Rollwarden"
)

// poster posts JSON to one address. Pages are rare, so it keeps no connection
// open: none goes stale and none has to be closed.
type poster struct {
	url    string
	host   string // all that errors say of the address: the rest can be secret
	client *http.Client
	redact func(string) string
	now    func() time.Time
}

type posterOptions struct {
	URL     string
	TLS     *tls.Config
	Timeout time.Duration
	Secrets []Secret
	Now     func() time.Time
}

func newPoster(o posterOptions) (*poster, error) {
	u, err := url.Parse(o.URL)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || u.Fragment != "" {
		return nil, errors.New("url: want http:// or https://, a host and no fragment (the address is not shown, it can hold a secret)")
	}
	if u.User != nil {
		return nil, fmt.Errorf("url of %s: want an address without user and password", u.Host)
	}
	p := &poster{url: u.String(), host: u.Host, now: o.Now}
	if p.now == nil {
		p.now = time.Now
	}
	hide := addressParts(u)
	for _, s := range o.Secrets {
		hide = append(hide, s.text())
	}
	p.redact = redactor(hide...)
	p.client = &http.Client{
		Timeout:       cmp.Or(o.Timeout, httpTimeout),
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			Proxy: http.ProxyFromEnvironment, TLSClientConfig: o.TLS,
			DisableKeepAlives: true, MaxResponseHeaderBytes: maxAnswer,
		},
	}
	return p, nil
}

// addressParts lists what could be a token within an address. A server's
// answer may repeat it, and 8 characters are where a path's word ends and a
// token begins.
func addressParts(u *url.URL) []string {
	parts := strings.FieldsFunc(u.Path+"/"+u.EscapedPath(), func(r rune) bool { return r == '/' })
	for _, values := range u.Query() {
		parts = append(parts, values...)
	}
	parts = append(parts, u.RawQuery)
	return slices.DeleteFunc(parts, func(s string) bool { return len(s) < 8 })
}

// post sends body and reports anything but a 2xx answer as an error.
func (p *poster) post(ctx context.Context, body []byte, header http.Header) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url, bytes.NewReader(body))
	if err != nil {
		return Permanent(fmt.Errorf("post to %s: the address cannot be used", p.host))
	}
	req.Header = header
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", userAgent)
	resp, err := p.client.Do(req)
	if err != nil {
		return p.explain(err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	return p.judge(resp, text)
}

// explain leaves the address out of a transport error: url.Error repeats it.
func (p *poster) explain(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	if n, ok := errors.AsType[net.Error](err); ok && n.Timeout() || errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("post to %s: no answer in time: see that the receiver runs and can be reached", p.host)
	}
	return fmt.Errorf("post to %s: %s", p.host, p.redact(err.Error()))
}

// judge says what an answer means: 408, 429 and everything from 500 on can
// pass, the rest will be the same next time (RFC 9110 section 15).
func (p *poster) judge(resp *http.Response, text []byte) error {
	code := resp.StatusCode
	if code >= 200 && code < 300 {
		return nil
	}
	err := fmt.Errorf("post to %s: answered %d %s%s", p.host, code, http.StatusText(code), p.snippet(text))
	switch {
	case code >= 300 && code < 400:
		return Permanent(fmt.Errorf("%w: redirects are not followed: set the final address", err))
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		if wait := parseRetryAfter(resp.Header.Get("Retry-After"), p.now()); wait > 0 {
			return RetryAfter(err, wait)
		}
		return err
	case code == http.StatusRequestTimeout || code >= 500:
		return err
	}
	return Permanent(err)
}

func (p *poster) snippet(text []byte) string {
	// Redact before cutting: half a secret is still too much.
	line := oneLine(p.redact(string(text)), maxSnippet)
	if line == "" {
		return ""
	}
	return ": " + line
}

// parseRetryAfter reads Retry-After: seconds or an HTTP date (RFC 9110 section
// 10.2.3). What is neither counts as absent.
func parseRetryAfter(v string, now time.Time) time.Duration {
	v = strings.TrimSpace(v)
	if s, err := strconv.ParseUint(v, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if at, err := http.ParseTime(v); err == nil {
		return max(at.Sub(now), 0)
	}
	return 0
}
