package pager

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// minSecret is the shortest signing secret, in bytes. RFC 2104 section 3
// strongly discourages keys shorter than the hash's output, 32 bytes here;
// half of that still cannot be guessed.
const minSecret = 16

// WebhookOptions configure a webhook.
type WebhookOptions struct {
	Name string // channel name
	URL  string // http or https; redirects are not followed
	// Secrets sign every request, each with a signature of its own. To change
	// the secret, add the new one, change the receiver, take the old one away.
	Secrets []Secret
	TLS     *tls.Config      // nil for the system's roots
	Timeout time.Duration    // for one request; 10 s
	Now     func() time.Time // time.Now
}

// Webhook posts each page as JSON, the form of Page, with the headers
//
//	Content-Type: application/json
//	Idempotency-Key: <the page's key>
//	Rollwarden-Signature: t=<unix seconds>,v1=<hex>[,v1=<hex>...]
//	Webhook-Id, Webhook-Timestamp, Webhook-Signature
//
// Sign says what is signed, and VerifySignature checks it on the other side. The
// last three are the same proof by the Standard Webhooks specification, for which
// receivers find libraries in most languages.
// Any 2xx answer takes the page. 408, 429 and 5xx are tried again, with
// Retry-After honoured on 429 and 503; any other answer gives the page up.
type Webhook struct {
	name    string
	poster  *poster
	secrets []Secret
}

// NewWebhook returns a webhook. It fails on an address that is not plain http
// or https, and on a missing or short secret.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	if len(o.Secrets) == 0 {
		return nil, fmt.Errorf("webhook %s: secrets: want at least one", o.Name)
	}
	for i, s := range o.Secrets {
		if len(s.text()) < minSecret {
			return nil, fmt.Errorf("webhook %s: secret %d: want at least %d bytes", o.Name, i+1, minSecret)
		}
	}
	p, err := newPoster(posterOptions{URL: o.URL, TLS: o.TLS, Timeout: o.Timeout, Secrets: o.Secrets, Now: o.Now})
	if err != nil {
		return nil, fmt.Errorf("webhook %s: %w", o.Name, err)
	}
	return &Webhook{name: o.Name, poster: p, secrets: o.Secrets}, nil
}

// Name implements Channel.
func (w *Webhook) Name() string { return w.name }

// Send implements Channel.
func (w *Webhook) Send(ctx context.Context, p Page) error {
	body, err := json.Marshal(p)
	if err != nil {
		return Permanent(errors.New("webhook: the page cannot be written as JSON; please report it"))
	}
	now := w.poster.now()
	header := standardHeader(p.Key, body, now, w.secrets)
	header.Set("Idempotency-Key", p.Key)
	header.Set(SignatureHeader, Sign(body, now, w.secrets...))
	return w.poster.post(ctx, body, header)
}
