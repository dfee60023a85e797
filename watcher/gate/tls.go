package gate

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/rs/zerolog"
)

// TLSConfig serves with a certificate and its key, PEM files, from TLS 1.2 on
// (RFC 9325 section 3.1.1). Files that are replaced are taken up by the next
// connection; when they cannot be used, the ones before stay and the log says
// why. The error says what is wrong with them now.
func TLSConfig(cert, key string, log zerolog.Logger) (*tls.Config, error) {
	f := &certificate{cert: cert, key: key, log: log}
	if err := f.load(); err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", cert, key, err)
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return f.current(), nil },
	}, nil
}

// certificate is the newest pair of files that could be used.
type certificate struct {
	cert, key string
	log       zerolog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	stamps [2]time.Time // of the files when they were last read
}

// current reads the files again if they have changed since they were last read.
func (c *certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if stamps, err := c.look(); err == nil && stamps == c.stamps {
		return c.pair
	} else if err != nil {
		c.log.Warn().Err(err).Msg("cannot look at the certificate, keeping the one before")
	} else if err := c.load(); err != nil {
		c.log.Warn().Err(err).Msg("cannot use the new certificate, keeping the one before")
	} else {
		c.log.Info().Str("file", c.cert).Msg("took up a new certificate")
	}
	return c.pair
}

func (c *certificate) load() error {
	stamps, err := c.look()
	if err != nil {
		return err
	}
	c.stamps = stamps
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return err
	}
	c.pair = &pair
	return nil
}

// look says when the files were changed last.
func (c *certificate) look() (stamps [2]time.Time, err error) {
	for i, name := range []string{c.cert, c.key} {
		info, err := os.Stat(name)
		if err != nil {
			return stamps, err
		}
		stamps[i] = info.ModTime()
	}
	return stamps, nil
}
