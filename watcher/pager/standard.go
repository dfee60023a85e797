package pager

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// standardPrefix begins a secret that is written as base64, as the Standard
// Webhooks specification wants secrets to be.
const standardPrefix = "whsec_"

// standardHeader proves a request by the Standard Webhooks specification 1.0.0,
// "Webhook signature scheme" (symmetric): the signature is the HMAC-SHA256 of id,
// seconds and body with full stops between them, in base64, one for each secret
// with spaces between them.
func standardHeader(id string, body []byte, at time.Time, secrets []Secret) http.Header {
	stamp := strconv.FormatInt(at.Unix(), 10)
	var all []string
	for _, s := range secrets {
		h := hmac.New(sha256.New, standardKey(s))
		h.Write([]byte(id + "." + stamp + "."))
		h.Write(body)
		all = append(all, "v1,"+base64.StdEncoding.EncodeToString(h.Sum(nil)))
	}
	return http.Header{"Webhook-Id": {id}, "Webhook-Timestamp": {stamp}, "Webhook-Signature": {strings.Join(all, " ")}}
}

// standardKey is the secret as it stands, or what it stands for where it begins
// with whsec_. One that only looks like base64 is taken as it stands.
func standardKey(s Secret) []byte {
	if text, ok := strings.CutPrefix(s.text(), standardPrefix); ok {
		if key, err := base64.StdEncoding.DecodeString(text); err == nil {
			return key
		}
	}
	return []byte(s.text())
}
