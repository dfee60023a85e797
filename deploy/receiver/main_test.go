package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A fixed vector, worked out by
//
//	printf '%s.%s' 1772438400 "$BODY" | openssl dgst -sha256 -hmac kestrel-lane-webhook-secret-2026-a
//
// 1772438400 is 2026-03-02T08:00:00Z.
const (
	secret = "kestrel-lane-webhook-secret-2026-a"
	body   = `{"key":"0f1e2d3c4b5a69788796a5b4c3d2e1f0","hazard":"bare-edge","machine":"heron"}`
	stamp  = "t=1772438400"
	sum    = "v1=33837db3554e015e1592cf5d23e9ddc7d762fa28af233913c8a4b98ce6f36ee6"
)

var sent = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func newReceiver(out, file io.Writer) *receiver {
	return &receiver{secret: []byte(secret), out: out, file: file, now: func() time.Time { return sent }, seen: map[string]bool{}}
}

func post(r http.Handler, header, body string) int {
	req := httptest.NewRequest("POST", "/", strings.NewReader(body))
	req.Header.Set("Rollwarden-Signature", header)
	w := httptest.NewRecorder()
	r.ServeHTTP(w, req)
	return w.Code
}

func TestRefusals(t *testing.T) {
	for name, tt := range map[string]struct {
		header, body string
		off          time.Duration
		want         int
	}{
		"as sent":               {stamp + "," + sum, body, 0, 204},
		"with another beside":   {stamp + ",v1=00," + sum, body, 0, 204},
		"at the window's end":   {stamp + "," + sum, body, window, 204},
		"too late":              {stamp + "," + sum, body, window + time.Second, 401},
		"too soon":              {stamp + "," + sum, body, -window - time.Second, 401},
		"another stamp":         {"t=1772438401," + sum, body, 0, 401},
		"two stamps":            {stamp + ",t=1772438401," + sum, body, 0, 401},
		"a changed page":        {stamp + "," + sum, strings.Replace(body, "heron", "wren", 1), 0, 401},
		"without a signature":   {stamp, body, 0, 401},
		"without a stamp":       {sum, body, 0, 401},
		"an empty one":          {"", body, 0, 401},
		"an empty signature":    {stamp + ",v1=", body, 0, 401},
		"longer than a page is": {stamp + "," + sum, body + strings.Repeat(" ", maxBody), 0, 400},
	} {
		t.Run(name, func(t *testing.T) {
			r := newReceiver(io.Discard, io.Discard)
			r.now = func() time.Time { return sent.Add(tt.off) }
			if got := post(r, tt.header, tt.body); got != tt.want {
				t.Errorf("want %d, got %d", tt.want, got)
			}
		})
	}
	w := httptest.NewRecorder()
	newReceiver(io.Discard, io.Discard).ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != http.StatusMethodNotAllowed {
		t.Errorf("GET: got %d", w.Code)
	}
}

// TestCopies prints a page once, and keeps that over a restart.
func TestCopies(t *testing.T) {
	var out bytes.Buffer
	seen := filepath.Join(t.TempDir(), "seen")
	for range 2 {
		file, err := os.OpenFile(seen, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		r := newReceiver(&out, file)
		r.seen = keysOf(t, seen)
		for range 3 {
			if got := post(r, stamp+","+sum, body); got != 204 {
				t.Errorf("got %d", got)
			}
		}
		file.Close()
	}
	if got := strings.Count(out.String(), "heron"); got != 1 {
		t.Errorf("want the page once, got %s", out.String())
	}
}

func keysOf(t *testing.T, file string) map[string]bool {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	keys := map[string]bool{}
	for key := range strings.FieldsSeq(string(text)) {
		keys[key] = true
	}
	return keys
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// TestAPageThatIsNotKept is asked for again, and not taken for seen.
func TestAPageThatIsNotKept(t *testing.T) {
	var out bytes.Buffer
	r := newReceiver(&out, fullDisk{})
	for range 2 {
		if got := post(r, stamp+","+sum, body); got != http.StatusServiceUnavailable {
			t.Errorf("want the page asked for again, got %d", got)
		}
	}
	if got := strings.Count(out.String(), "heron"); got != 2 {
		t.Errorf("want it printed twice rather than never, got %q", out.String())
	}
}

func TestLines(t *testing.T) {
	if got := line("a\x1b[2J\nb\u202e"); got != "a?[2J?b?" {
		t.Errorf("got %q", got)
	}
}

func TestWithoutASecret(t *testing.T) {
	err := run("127.0.0.1:0", filepath.Join(t.TempDir(), "seen"), "", io.Discard)
	if err == nil || !strings.Contains(fmt.Sprint(err), "WEBHOOK_SECRET") {
		t.Errorf("got %v", err)
	}
}
