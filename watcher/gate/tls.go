package gate

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"
)

// lookEvery is how often the files are looked at, at most.
const lookEvery = time.Second

// TLSConfig serves with a certificate and its key, PEM files, from TLS 1.2 on
// (RFC 9325 section 3.1.1). Files that are replaced are taken up by a connection of
// the next second; when they cannot be used, the ones before stay and the log says
// why. The error says what is wrong with them now.
func TLSConfig(cert, key string, log zerolog.Logger) (*tls.Config, error) {
	f := &certificate{cert: cert, key: key, log: log, now: time.Now, stat: os.Stat}
	if err := f.load(); err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", cert, key, err)
	}
	return f.config(), nil
}

// certificate is the newest pair of files that could be used.
type certificate struct {
	cert, key string
	log       zerolog.Logger
	now       func() time.Time
	stat      func(name string) (os.FileInfo, error)

	pair atomic.Pointer[tls.Certificate]

	mu     sync.Mutex   // held by the one who looks
	looked time.Time    // when somebody did
	stamps [2]time.Time // of the files when they were last read
	told   string       // why they cannot be used, as the log has it
}

func (c *certificate) config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil },
	}
}

// current is the pair to show. One connection of each second looks whether the files
// have changed, and no other waits for it: they may lie on a share that hangs.
func (c *certificate) current() *tls.Certificate {
	if c.mu.TryLock() {
		defer c.mu.Unlock()
		if now := c.now(); now.Sub(c.looked) >= lookEvery {
			c.looked = now
			c.renew()
		}
	}
	return c.pair.Load()
}

// renew reads the files again if they have changed since they were last read.
func (c *certificate) renew() {
	if stamps, err := c.look(); err == nil && stamps == c.stamps {
		c.told = ""
	} else if err != nil {
		c.tell(err, "cannot look at the certificate, keeping the one before")
	} else if err := c.load(); err != nil {
		c.tell(err, "cannot use the new certificate, keeping the one before")
	} else {
		c.told = ""
		c.log.Info().Str("file", c.cert).Msg("took up a new certificate")
	}
}

// tell says why the files cannot be used, once until they can or another reason comes.
func (c *certificate) tell(err error, what string) {
	if why := err.Error(); why != c.told {
		c.told = why
		c.log.Warn().Err(err).Msg(what)
	}
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
	c.pair.Store(&pair)
	return nil
}

// look says when the files were changed last.
func (c *certificate) look() (stamps [2]time.Time, err error) {
	for i, name := range []string{c.cert, c.key} {
		info, err := c.stat(name)
		if err != nil {
			return stamps, err
		}
		stamps[i] = info.ModTime()
	}
	return stamps, nil
}
