package gate

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// writePair writes a certificate with a serial number, and its key.
func writePair(t *testing.T, cert, key string, serial int64, at time.Time) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), DNSNames: []string{"board.kestrel-lane.example"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	put(t, cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), at)
	put(t, key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), at)
}

func put(t *testing.T, name string, text []byte, at time.Time) {
	t.Helper()
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(name, at, at); err != nil {
		t.Fatal(err)
	}
}

// serial shakes hands with a server of the configuration, and returns the
// serial number of the certificate that it shows.
func serial(t *testing.T, c *tls.Config, client *tls.Config) (int64, tls.ConnectionState, error) {
	t.Helper()
	a, b := net.Pipe()
	defer a.Close()
	defer b.Close()
	go tls.Server(a, c).Handshake()
	client.InsecureSkipVerify = true // it is the test's own certificate, read below
	conn := tls.Client(b, client)
	if err := conn.HandshakeContext(t.Context()); err != nil {
		return 0, tls.ConnectionState{}, err
	}
	state := conn.ConnectionState()
	return state.PeerCertificates[0].SerialNumber.Int64(), state, nil
}

func TestTLSFilesAreTakenUp(t *testing.T) {
	dir, log := t.TempDir(), &book{}
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	at := time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)
	writePair(t, cert, key, 1, at)
	now := newClock()
	f := &certificate{cert: cert, key: key, log: zerolog.New(log), now: now.Now, stat: os.Stat}
	if err := f.load(); err != nil {
		t.Fatal(err)
	}
	c := f.config()
	show := func(want int64, logged string) {
		t.Helper()
		now.Pass(lookEvery)
		if got, _, err := serial(t, c, &tls.Config{}); err != nil || got != want {
			t.Errorf("want certificate %d, got %d, %v", want, got, err)
		}
		if !strings.Contains(log.String(), logged) {
			t.Errorf("want %q in the log, got %s", logged, log)
		}
	}
	show(1, "")
	writePair(t, cert, key, 2, at.Add(time.Minute))
	show(2, "took up a new certificate")
	put(t, cert, []byte("half a file"), at.Add(2*time.Minute))
	show(2, "cannot use the new certificate, keeping the one before")
	before := log.String()
	show(2, "")
	if log.String() != before {
		t.Errorf("want a bad file told once, got %s", log)
	}
	if err := os.Remove(cert); err != nil {
		t.Fatal(err)
	}
	show(2, "cannot look at the certificate")
	writePair(t, cert, key, 3, at.Add(3*time.Minute))
	show(3, "")
	for _, missing := range [][2]string{{cert, filepath.Join(dir, "none")}, {filepath.Join(dir, "none"), key}, {key, cert}} {
		if _, err := TLSConfig(missing[0], missing[1], zerolog.Nop()); err == nil || !strings.Contains(err.Error(), "certificate "+missing[0]) {
			t.Errorf("%v: got %v", missing, err)
		}
	}
}

// TestTLSVersions follows RFC 9325 section 3.1.1: TLS 1.0 and 1.1 must not be
// negotiated.
func TestTLSVersions(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writePair(t, cert, key, 1, time.Now())
	c, err := TLSConfig(cert, key, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := serial(t, c, &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("want TLS 1.1 refused")
	}
	for _, version := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
		_, state, err := serial(t, c, &tls.Config{MinVersion: version, MaxVersion: version, NextProtos: []string{"h2", "http/1.1"}})
		if err != nil || state.Version != version || state.NegotiatedProtocol != "h2" {
			t.Errorf("%s: got %v, %v", tls.VersionName(version), state.NegotiatedProtocol, err)
		}
	}
}

// TestAFloodOfConnectionsLooksOnce shakes hands again and again with files that
// cannot be used: they are looked at once a second, and a reason is told once.
func TestAFloodOfConnectionsLooksOnce(t *testing.T) {
	dir, log, now := t.TempDir(), &book{}, newClock()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writePair(t, cert, key, 1, time.Now())
	looks := 0
	f := &certificate{cert: cert, key: key, log: zerolog.New(log), now: now.Now, stat: func(name string) (os.FileInfo, error) {
		looks++
		return os.Stat(name)
	}}
	if err := f.load(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	looks = 0
	for range 3 {
		now.Pass(lookEvery)
		for range 50 {
			f.current()
		}
	}
	if lines := strings.Count(log.String(), "\n"); looks != 2*3 || lines != 1 {
		t.Errorf("looked %d times at a file, and logged %s", looks, log)
	}
	writePair(t, cert, key, 2, time.Now().Add(time.Minute))
	now.Pass(lookEvery)
	f.current()
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	now.Pass(lookEvery)
	f.current()
	if lines := strings.Count(log.String(), "\n"); lines != 3 {
		t.Errorf("want the new certificate told, and the next loss, got %s", log)
	}
}

// TestAShareThatHangsHoldsUpNobody has one look at the files never come back.
func TestAShareThatHangsHoldsUpNobody(t *testing.T) {
	dir, now := t.TempDir(), newClock()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writePair(t, cert, key, 1, time.Now())
	hangs, away := make(chan bool), make(chan bool)
	f := &certificate{cert: cert, key: key, log: zerolog.Nop(), now: now.Now, stat: os.Stat}
	if err := f.load(); err != nil {
		t.Fatal(err)
	}
	f.stat = func(name string) (os.FileInfo, error) {
		close(hangs)
		<-away
		return nil, os.ErrNotExist
	}
	now.Pass(lookEvery)
	done := make(chan bool)
	go func() { f.current(); close(done) }()
	<-hangs
	for range 10 {
		now.Pass(lookEvery)
		if _, _, err := serial(t, f.config(), &tls.Config{}); err != nil {
			t.Fatal(err)
		}
	}
	f.stat = os.Stat // nobody looks meanwhile
	close(away)
	<-done
}
