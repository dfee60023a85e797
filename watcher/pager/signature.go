package pager

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// SignatureHeader is the name of the header that VerifySignature reads.
const SignatureHeader = "Rollwarden-Signature"

// ErrSignature is what every refusal of VerifySignature wraps.
var ErrSignature = errors.New("signature refused")

const (
	signatureVersion   = "v1"
	maxSignatureHeader = 4096
)

// Sign returns the value of the Rollwarden-Signature header:
//
//	t=<unix seconds>,v1=<hex>[,v1=<hex>...]
//
// with one v1 for every secret, so that a receiver can change over from one
// secret to the next without a gap. Each v1 is the lowercase hexadecimal
// HMAC-SHA256 (RFC 2104) under that secret of the decimal seconds, a full stop
// and the body, byte for byte.
func Sign(body []byte, at time.Time, secrets ...Secret) string {
	stamp := strconv.FormatInt(at.Unix(), 10)
	var b strings.Builder
	b.WriteString("t=" + stamp)
	for _, s := range secrets {
		b.WriteString("," + signatureVersion + "=" + hex.EncodeToString(mac(s.text(), stamp, body)))
	}
	return b.String()
}

func mac(secret, stamp string, body []byte) []byte {
	h := hmac.New(sha256.New, []byte(secret))
	h.Write([]byte(stamp))
	h.Write([]byte{'.'})
	h.Write(body)
	return h.Sum(nil)
}

// VerifySignature is for receivers of the webhook: it checks the header
// against the body as it came, before that is parsed. One signature that fits
// one of the secrets is enough. A time stamp further than tolerance from now,
// before or after, is refused, which bounds how long a recorded request can be
// played again; within the tolerance, use the key in the body to take a page
// once: the header Idempotency-Key has the same, and is not signed. Comparison takes constant time. Every refusal wraps
// ErrSignature.
func VerifySignature(header string, body []byte, secrets []Secret, now time.Time, tolerance time.Duration) error {
	stamp, signatures, err := parseSignature(header)
	if err != nil {
		return err
	}
	if !fits(stamp, body, signatures, secrets) {
		return fmt.Errorf("%w: no signature fits: check that both sides hold the same secret and that the body is unchanged", ErrSignature)
	}
	// The stamp is only worth a look once it is known to be ours.
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil {
		return fmt.Errorf("%w: t: want unix seconds", ErrSignature)
	}
	if age := now.Sub(time.Unix(seconds, 0)); age.Abs() > tolerance {
		return fmt.Errorf("%w: the time stamp is %s off: want at most %s; check both clocks", ErrSignature, age.Round(time.Second), tolerance)
	}
	return nil
}

// parseSignature returns the stamp as it was signed and the v1 signatures.
// Unknown schemes are passed over, so that a later one can be added.
func parseSignature(header string) (stamp string, signatures [][]byte, err error) {
	if len(header) > maxSignatureHeader {
		return "", nil, fmt.Errorf("%w: header: want at most %d bytes", ErrSignature, maxSignatureHeader)
	}
	for field := range strings.SplitSeq(header, ",") {
		name, value, _ := strings.Cut(strings.TrimSpace(field), "=")
		switch name {
		case "t":
			if stamp != "" {
				return "", nil, fmt.Errorf("%w: header: want one t", ErrSignature)
			}
			stamp = value
		case signatureVersion:
			sum, err := hex.DecodeString(value)
			if err != nil || len(sum) != sha256.Size {
				return "", nil, fmt.Errorf("%w: v1: want %d hexadecimal digits", ErrSignature, 2*sha256.Size)
			}
			signatures = append(signatures, sum)
		}
	}
	if stamp == "" || len(signatures) == 0 {
		return "", nil, fmt.Errorf("%w: header %s: want t=<unix seconds>,v1=<hex>", ErrSignature, SignatureHeader)
	}
	return stamp, signatures, nil
}

func fits(stamp string, body []byte, signatures [][]byte, secrets []Secret) bool {
	found := false
	for _, secret := range secrets {
		if secret.empty() {
			continue // anyone can sign with an empty key
		}
		want := mac(secret.text(), stamp, body)
		for _, got := range signatures {
			found = hmac.Equal(want, got) || found
		}
	}
	return found
}
