package pager

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// One page through every real channel at once, past a bad gateway, a request
// to wait, a greylisting mail server and a receiver that hangs for ever. The
// webhook's receiver checks each signature and takes each key once.
func TestDeliveryOverRealChannels(t *testing.T) {
	var journal fakeJournal
	alerts := newAlertServer(t)
	mails := newMailServer(t, func(s *mailServer) { s.replies["RCPT"] = "451 4.7.1 Try later" })
	hook := newHookReceiver(t)
	stuck := make(chan struct{})
	hanging := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		<-stuck
	}))
	defer hanging.Close()
	defer close(stuck)

	now := time.Now()
	var out bytes.Buffer
	p, err := New(Options{
		Channels: []Channel{
			alerts.channel(t, &now), webhookTo(t, hook.URL, nil), emailTo(t, mails, nil),
			webhookTo(t, hanging.URL, func(o *WebhookOptions) { o.Name = "stuck" }),
		},
		Publish: journal.publish, Log: zerolog.New(zerolog.SyncWriter(&out)), Grace: 10 * time.Millisecond,
		Backoff: Backoff{Initial: time.Millisecond, Max: 20 * time.Millisecond},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	var list []Due
	for _, channel := range []string{"stuck", "am", "hook", "mail", LogName} {
		list = append(list, due("a1", channel))
	}
	p.Offer(list)
	p.Active([]Page{pageOf(t, "a1", nil)})
	until(t, func() bool { return len(mails.verbs()) > 10 })
	mails.mu.Lock()
	mails.replies = map[string]string{}
	mails.mu.Unlock()
	until(t, func() bool { return sentCount(&journal) == 4 && len(mails.received()) == 1 })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if len(mails.received()) != 1 || hook.taken() != 1 {
		t.Errorf("%d mails and %d webhook pages, want one each", len(mails.received()), hook.taken())
	}
	alerts.last(t) // something was posted, and every body was checked
	if !bytes.Contains(out.Bytes(), []byte("Bare leading edge")) {
		t.Error("the log lacks the page")
	}
}

func sentCount(j *fakeJournal) int {
	n := 0
	for _, e := range j.all() {
		if e.Type == "page.sent" {
			n++
		}
	}
	return n
}

// until waits for a condition, for at most 20 s.
func until(t *testing.T, met func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(2 * time.Millisecond) {
		if met() {
			return
		}
	}
	t.Fatal("the condition was not met within 20 s")
}

// hookReceiver is a receiver as VerifySignature's comment describes one. It
// answers 502, then takes the page and reports 500 all the same, then 429, and
// is well from then on.
type hookReceiver struct {
	*httptest.Server
	mu    sync.Mutex
	calls int
	keys  map[string]Page
}

func newHookReceiver(t *testing.T) *hookReceiver {
	t.Helper()
	h := &hookReceiver{keys: make(map[string]Page)}
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.calls++
		body, err := io.ReadAll(io.LimitReader(r.Body, 1<<20))
		if err != nil {
			t.Error(err)
		}
		if err := VerifySignature(r.Header.Get(SignatureHeader), body, []Secret{NewSecret(testSecret)}, time.Now(), time.Minute); err != nil {
			t.Error(err)
		}
		if h.calls == 1 {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		var p Page
		if err := json.Unmarshal(body, &p); err != nil {
			t.Error(err)
		}
		if p.Key != r.Header.Get("Idempotency-Key") {
			t.Errorf("key %s in the body, %s in the header", p.Key, r.Header.Get("Idempotency-Key"))
		}
		h.keys[p.Key] = p
		switch h.calls {
		case 2:
			w.WriteHeader(http.StatusInternalServerError)
		case 3:
			w.Header().Set("Retry-After", "1")
			w.WriteHeader(http.StatusTooManyRequests)
		}
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *hookReceiver) taken() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.keys)
}
