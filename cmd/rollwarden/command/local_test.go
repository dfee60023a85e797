package command

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"os"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/bus"
)

// TestTheWatchOfThisComputer reaches a watch that listens on every address with a
// certificate for the shop's name of it, and none for this computer's own.
func TestTheWatchOfThisComputer(t *testing.T) {
	for _, name := range []string{"nats.kestrel-lane.example", "*.kestrel-lane.example"} {
		t.Chdir(t.TempDir())
		pair := issue(t, name)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		watch, err := bus.Open(ctx, bus.Options{
			Listen: "127.0.0.1:0", StoreDir: "store", MaxStore: 1 << 20, Name: "test", Log: zerolog.Nop(),
			TLS: func() (*tls.Config, error) { return &tls.Config{Certificates: []tls.Certificate{pair}}, nil },
		})
		if err != nil {
			t.Fatal(err)
		}
		defer watch.Close(context.WithoutCancel(ctx))
		at, err := url.Parse(watch.URL())
		if err != nil {
			t.Fatal(err)
		}
		cfg := config.Default()
		cfg.NATS.Listen = net.JoinHostPort("0.0.0.0", at.Port())
		cfg.NATS.ServerTLS = config.Certificate{CertFile: "cert.pem", KeyFile: "key.pem"}
		if b, err := connect(ctx, cfg, ""); err == nil {
			b.Close(ctx)
			t.Errorf("%s: nobody vouches for the certificate, and it is taken", name)
		}
		cfg.NATS.TLS.CAFile = "cert.pem"
		b, err := connect(ctx, cfg, "")
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		b.Close(ctx)
	}
}

// issue makes a certificate for a name, in cert.pem too.
func issue(t *testing.T, name string) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	like := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{name}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, like, like, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("cert.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}
