package pager

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// testSecret is what must never show.
const testSecret = "kestrel-lane-webhook-secret-2026-a"

func webhookTo(t testing.TB, url string, change func(*WebhookOptions)) *Webhook {
	t.Helper()
	o := WebhookOptions{Name: "hook", URL: url, Secrets: []Secret{NewSecret(testSecret)}, Timeout: 5 * time.Second}
	if change != nil {
		change(&o)
	}
	w, err := NewWebhook(o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// Classes of status codes by RFC 9110 section 15; 429 by RFC 6585 section 4.
func TestAnswersAreSortedIntoDoneLaterAndNever(t *testing.T) {
	const done, again, never = "done", "again", "never"
	for _, c := range []struct {
		code  int
		after string
		want  string
		wait  time.Duration
	}{
		{200, "", done, 0}, {202, "", done, 0}, {204, "", done, 0},
		{301, "", never, 0}, {302, "", never, 0}, {307, "", never, 0},
		{400, "", never, 0}, {401, "", never, 0}, {404, "", never, 0}, {410, "", never, 0},
		{408, "", again, 0}, {429, "", again, 0}, {429, "7", again, 7 * time.Second},
		{500, "", again, 0}, {502, "9", again, 0}, {503, "30", again, 30 * time.Second},
		{503, "soon", again, 0}, {503, "-5", again, 0}, {504, "", again, 0},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path != "/page" {
				t.Errorf("a redirect to %s was followed", r.URL.Path)
			}
			w.Header().Set("Location", "/elsewhere")
			if c.after != "" {
				w.Header().Set("Retry-After", c.after)
			}
			w.WriteHeader(c.code)
		}))
		err := webhookTo(t, server.URL+"/page", nil).Send(t.Context(), pageOf(t, "a1", nil))
		server.Close()
		got := again
		switch {
		case err == nil:
			got = done
		case isPermanent(err):
			got = never
		}
		if got != c.want || askedWait(err) != c.wait {
			t.Errorf("%d with Retry-After %q: %s after %s (%v), want %s after %s", c.code, c.after, got, askedWait(err), err, c.want, c.wait)
		}
	}
}

// The three date forms are the examples of RFC 9110 section 5.6.7, and name
// the same second.
func TestRetryAfterDates(t *testing.T) {
	now := time.Date(1994, time.November, 6, 8, 47, 37, 0, time.UTC)
	for _, v := range []string{"Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994", " 120 "} {
		if got := parseRetryAfter(v, now); got != 2*time.Minute {
			t.Errorf("%q: %s, want 2m", v, got)
		}
	}
	for _, v := range []string{"", "1.5", "99999999999999999999", "Sun, 06 Nov 1994 08:40:00 GMT", "tomorrow"} {
		if got := parseRetryAfter(v, now); got != 0 {
			t.Errorf("%q: %s, want none", v, got)
		}
	}
}

func TestHangingReceiverEndsWithTheTimeout(t *testing.T) {
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		<-release
	}))
	defer server.Close()
	defer close(release)

	hook := webhookTo(t, server.URL, func(o *WebhookOptions) { o.Timeout = 50 * time.Millisecond })
	err := hook.Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || isPermanent(err) || !strings.Contains(err.Error(), "no answer in time") {
		t.Errorf("client's own timeout: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := webhookTo(t, server.URL, nil).Send(ctx, pageOf(t, "a1", nil)); err == nil || isPermanent(err) {
		t.Errorf("context's timeout: %v", err)
	}
}

func TestSlowBodyEndsWithTheTimeout(t *testing.T) {
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusBadGateway)
		_, _ = io.WriteString(w, "upstream is ")
		w.(http.Flusher).Flush()
		<-release
	}))
	defer server.Close()
	defer close(release)
	hook := webhookTo(t, server.URL, func(o *WebhookOptions) { o.Timeout = 100 * time.Millisecond })
	if err := hook.Send(t.Context(), pageOf(t, "a1", nil)); err == nil || !strings.Contains(err.Error(), "502 Bad Gateway: upstream is") {
		t.Errorf("got %v, want the status and what came of the body", err)
	}
}

func TestSlowReceiverIsWaitedFor(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		time.Sleep(100 * time.Millisecond)
		w.WriteHeader(http.StatusAccepted)
	}))
	defer server.Close()
	if err := webhookTo(t, server.URL, nil).Send(t.Context(), pageOf(t, "a1", nil)); err != nil {
		t.Error(err)
	}
}

func TestDeadPortIsTriedAgain(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	err = webhookTo(t, "http://"+address+"/h/k3y", nil).Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || isPermanent(err) || !strings.Contains(err.Error(), "connection refused") {
		t.Errorf("got %v, want a refused connection that may pass", err)
	}
	if strings.Contains(err.Error(), "k3y") {
		t.Errorf("%v shows the path of the address", err)
	}
}

// The receiver answers without end, and the client stops reading. What it did
// not read may still fill the buffers of both ends, hence the wide bound.
func TestAnswerIsBounded(t *testing.T) {
	written := make(chan int, 1)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusInternalServerError)
		chunk := strings.Repeat("line\r\n\x1b[31m", 1000)
		total := 0
		for {
			n, err := io.WriteString(w, chunk)
			if total += n; err != nil || total > 256<<20 {
				written <- total
				return
			}
		}
	}))
	defer server.Close()
	err := webhookTo(t, server.URL, nil).Send(t.Context(), pageOf(t, "a1", nil))
	if err == nil || len(err.Error()) > maxSnippet+100 || strings.ContainsAny(err.Error(), "\r\n\x1b") {
		t.Errorf("got %q, want one short line", err)
	}
	if n := <-written; n > 64<<20 {
		t.Errorf("%d MiB were taken", n>>20)
	}
}

func TestTLSRootsAreChecked(t *testing.T) {
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	server.Config.ErrorLog = quiet
	defer server.Close()
	roots := x509.NewCertPool()
	roots.AddCert(server.Certificate())
	trusting := webhookTo(t, server.URL, func(o *WebhookOptions) { o.TLS = &tls.Config{RootCAs: roots} })
	if err := trusting.Send(t.Context(), pageOf(t, "a1", nil)); err != nil {
		t.Errorf("with the root: %v", err)
	}
	if err := webhookTo(t, server.URL, nil).Send(t.Context(), pageOf(t, "a1", nil)); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("without the root: %v", err)
	}
}

func TestAddressesAreChecked(t *testing.T) {
	for _, url := range []string{"", "hall", "ftp://127.0.0.1/x", "http://", "http:///x", "https://user:" + testSecret + "@127.0.0.1/", "http://127.0.0.1/#" + testSecret, "http://a:" + testSecret + "/x", "http://127.0.0.1/%" + testSecret} {
		_, err := NewWebhook(WebhookOptions{Name: "hook", URL: url, Secrets: []Secret{NewSecret(testSecret)}})
		if err == nil {
			t.Errorf("%q: want an error", url)
		} else if strings.Contains(err.Error(), testSecret) {
			t.Errorf("%q: error shows the secret: %v", url, err)
		}
	}
}

func TestOneLine(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                    "plain",
		"a\r\nBcc: b\x00c":         "a Bcc: b c",
		" tab\tand\u2028line ":     "tab and line",
		"left\u202eright":          "left right",
		"broken \xff byte":         "broken ? byte",
		"näher an die Heizung ran": "näher an die Hei…",
	} {
		if got := oneLine(in, 20); got != want {
			t.Errorf("oneLine(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestFailureMarksSurviveWrapping(t *testing.T) {
	cause := errors.New("cause")
	if err := errors.Join(errors.New("first"), Permanent(cause)); !isPermanent(err) || !errors.Is(err, cause) {
		t.Error("a permanent error is lost in a join")
	}
	if err := RetryAfter(cause, -time.Second); askedWait(err) != 0 || !errors.Is(err, cause) {
		t.Error("a wait must not be negative")
	}
	if isPermanent(nil) || Permanent(nil) != nil || askedWait(nil) != 0 {
		t.Error("no error is neither")
	}
}
