package gate

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strings"
)

// Token is a program that shows a bearer token (RFC 6750). Only the hash of the
// token is kept: one that nobody can guess needs no slow one.
type Token struct {
	name string
	role Role
	sum  *[sha256.Size]byte
}

// bearerToken is what can stand in the header (RFC 6750 section 2.1), at the
// length that 128 random bits have in hexadecimal.
var bearerToken = regexp.MustCompile(`^[A-Za-z0-9._~+/-]{32,512}=*$`)

// NewToken describes a program. The error does not show the token.
func NewToken(name string, role Role, secret string) (Token, error) {
	if err := CheckName(name); err != nil {
		return Token{}, err
	}
	if role < Viewer || role > Supervisor {
		return Token{}, fmt.Errorf("token %s: want a role", name)
	}
	if err := CheckToken(secret); err != nil {
		return Token{}, fmt.Errorf("token %s: %w", name, err)
	}
	sum := sha256.Sum256([]byte(secret))
	return Token{name, role, &sum}, nil
}

// CheckToken says what is wrong with a bearer token, without showing it.
func CheckToken(secret string) error {
	if !bearerToken.MatchString(secret) {
		return errors.New("want 32 to 512 letters, digits and . _ ~ + / -, as from openssl rand -hex 32, got something else (not shown)")
	}
	return nil
}

// bearer returns the token that a request shows, if it shows one.
func bearer(r *http.Request) (string, bool) {
	scheme, secret, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(secret), strings.EqualFold(scheme, "Bearer")
}

// token finds the program with a token. It compares with every one, so that the
// time tells nothing.
func (g *Gate) token(secret string) (user User, known bool) {
	sum := sha256.Sum256([]byte(secret))
	for _, t := range g.o.Tokens {
		if subtle.ConstantTimeCompare(sum[:], t.sum[:]) == 1 {
			user, known = User{t.name, t.role}, true
		}
	}
	return user, known
}
