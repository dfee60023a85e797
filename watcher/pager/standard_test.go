package pager

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// TestStandardVector is the test of the specification's own library
// (standard-webhooks/libraries v0.0.1, go/webhook_test.go, TestWebhookSign).
func TestStandardVector(t *testing.T) {
	got := standardHeader("msg_p5jXN8AQM9LWM0D4loKWxJek", []byte(`{"test": 2432232314}`), time.Unix(1614265330, 0), []Secret{NewSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")})
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got.Get("webhook-signature") != want {
		t.Errorf("want %s, got %s", want, got.Get("webhook-signature"))
	}
}

// TestStandardReceiver lets that library verify what the webhook sends, while the
// secret is changed from one to another, and refuse what was changed on the way.
func TestStandardReceiver(t *testing.T) {
	const next = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	var header http.Header
	var body []byte
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		body, _ = io.ReadAll(r.Body)
	}))
	defer server.Close()
	page := pageOf(t, "a1", nil)
	hook := webhookTo(t, server.URL, func(o *WebhookOptions) { o.Secrets = append(o.Secrets, NewSecret(next)) })
	if err := hook.Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	old, err := standardwebhooks.NewWebhookRaw([]byte(testSecret))
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := standardwebhooks.NewWebhook(next)
	if err != nil {
		t.Fatal(err)
	}
	other, err := standardwebhooks.NewWebhookRaw([]byte(testSecret + "x"))
	if err != nil {
		t.Fatal(err)
	}
	for name, receiver := range map[string]*standardwebhooks.Webhook{"old": old, "fresh": fresh} {
		if err := receiver.Verify(body, header); err != nil {
			t.Errorf("%s secret: %v", name, err)
		}
	}
	if header.Get("webhook-id") != page.Key {
		t.Errorf("want the page's key as the id, got %s", header.Get("webhook-id"))
	}
	if other.Verify(body, header) == nil || old.Verify([]byte(strings.Replace(string(body), "heron", "wren", 1)), header) == nil {
		t.Error("want a foreign secret and a changed body refused")
	}
	header.Set("webhook-id", page.Key+"0")
	if old.Verify(body, header) == nil {
		t.Error("want another id refused")
	}
}
