package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// browser is what a script looks at the board with. It keeps cookies, believes
// the certificates that the script made, follows no redirect, and keeps no
// connection, so that none is left over from a killed watch.
type browser struct {
	http.Client
	trusted *x509.CertPool
}

func newBrowser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		panic(err) // never fails, by its own words
	}
	b := &browser{trusted: x509.NewCertPool()}
	b.Client = http.Client{
		Timeout: 30 * time.Second, Jar: jar,
		Transport:     &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: b.trusted}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return b
}

// certificate makes cert.pem and key.pem for 127.0.0.1 in a folder, and believes
// them from then on.
func (s *shop) certificate(args []string) {
	s.usage(!s.negated && len(args) == 1, "certificate FOLDER")
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	s.Check(err)
	form := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: args[0]}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	cert, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	s.Check(err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	s.Check(err)
	s.Check(os.MkdirAll(s.MkAbs(args[0]), 0o700))
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: cert}, "key.pem": {Type: "PRIVATE KEY", Bytes: secret}} {
		s.Check(os.WriteFile(filepath.Join(s.MkAbs(args[0]), name), pem.EncodeToMemory(block), 0o600))
	}
	leaf, err := x509.ParseCertificate(cert)
	s.Check(err)
	s.browser.trusted.AddCert(leaf)
}

// ask sends one request, wants a status, and prints header and body of what came
// back. Values make a form; cookies are kept.
func (s *shop) ask(args []string) {
	s.usage(!s.negated && len(args) >= 3, "ask STATUS METHOD PATH ['Header: value'...] [name=value...]")
	form, header := url.Values{}, http.Header{"Accept": {"text/html"}}
	for _, a := range args[3:] {
		if name, value, ok := strings.Cut(a, ": "); ok {
			header.Set(name, value)
			continue
		}
		name, value, _ := strings.Cut(a, "=")
		form.Add(name, value)
	}
	if len(form) > 0 {
		header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	r, err := http.NewRequest(args[1], s.Getenv("BOARD")+args[2], strings.NewReader(form.Encode()))
	s.Check(err)
	r.Header, r.Host = header, header.Get("Host")
	got, err := s.browser.Do(r)
	s.Check(err)
	defer got.Body.Close()
	var text strings.Builder
	s.Check(got.Header.Write(&text))
	_, err = io.Copy(&text, got.Body)
	s.Check(err)
	_, err = io.WriteString(s.Stdout(), strings.ReplaceAll(text.String(), "\r\n", "\n"))
	s.Check(err)
	if strconv.Itoa(got.StatusCode) != args[0] {
		s.Fatalf("want %s, got %s", args[0], got.Status)
	}
}
