// Command receiver is a sample of the other end of Rollwarden's webhook: it takes
// pages, believes only those that are signed and fresh, and prints each once. It
// uses nothing but the standard library, and is meant to be copied and changed.
//
//	WEBHOOK_SECRET=... go run ./deploy/receiver -listen 127.0.0.1:9300 -seen pages.seen
//
// Put it behind a proxy that speaks TLS when it is not on the watch's computer:
// the signature proves who sent a page, and hides nothing.
package main

import (
	"bufio"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
)

const (
	maxBody = 1 << 20         // bytes; a page has a few thousand
	window  = 5 * time.Minute // how far a stamp may be off, before and after
)

func main() {
	listen := flag.String("listen", "127.0.0.1:9300", "`host:port` to take pages on; port 0 takes any free one")
	seen := flag.String("seen", "pages.seen", "`file` that keeps the keys of the pages that were taken")
	flag.Parse()
	if err := run(*listen, *seen, os.Getenv("WEBHOOK_SECRET"), os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "receiver:", err)
		os.Exit(1)
	}
}

// run serves until it fails. The first line that it prints is its address.
func run(listen, seen, secret string, out io.Writer) error {
	if secret == "" {
		return errors.New("WEBHOOK_SECRET: want the secret that pager.webhook.secret_files of the watch has")
	}
	file, err := os.OpenFile(seen, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	defer file.Close()
	r := &receiver{secret: []byte(secret), out: out, file: file, now: time.Now, seen: map[string]bool{}}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		r.seen[lines.Text()] = true
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "taking pages at http://%s/\n", l.Addr())
	server := &http.Server{Handler: r, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 20 * time.Second, MaxHeaderBytes: 16 << 10}
	return server.Serve(l)
}

// receiver takes pages.
type receiver struct {
	secret []byte
	out    io.Writer
	file   io.Writer // a line for each key
	now    func() time.Time

	mu   sync.Mutex
	seen map[string]bool
}

// page is what is printed of a page. Its key is the same whenever the same page
// comes again. The header Idempotency-Key says it too, but is not signed.
type page struct {
	Key      string    `json:"key"`
	Site     string    `json:"site"`
	Machine  string    `json:"machine"`
	Priority string    `json:"priority"`
	To       string    `json:"to"`
	Message  string    `json:"message"`
	At       time.Time `json:"at"`
}

// ServeHTTP answers 2xx once it has a page for good. What it cannot believe will
// not become better, and is refused so that the watch gives it up and says so;
// what fails here is worth another try.
func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	if req.Method != http.MethodPost {
		http.Error(w, "want POST", http.StatusMethodNotAllowed)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, req.Body, maxBody))
	if err != nil {
		http.Error(w, "the page is cut short or too long", http.StatusBadRequest)
		return
	}
	if err := verify(req.Header.Get("Rollwarden-Signature"), body, r.secret, r.now()); err != nil {
		http.Error(w, err.Error(), http.StatusUnauthorized)
		return
	}
	var p page
	if err := json.Unmarshal(body, &p); err != nil || p.Key == "" || strings.ContainsAny(p.Key, "\r\n") {
		http.Error(w, "want a page with its key", http.StatusBadRequest)
		return
	}
	if err := r.take(p); err != nil {
		http.Error(w, "cannot keep the page: send it again", http.StatusServiceUnavailable)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// take prints a page that was not seen before. It is printed before its key is
// kept: between the two a crash makes it come twice, and the other way round it
// would never come.
func (r *receiver) take(p page) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.seen[p.Key] {
		return nil
	}
	if _, err := fmt.Fprintf(r.out, "%s %s/%s %s %s: %s\n", p.At.Format(time.RFC3339), line(p.Site), line(p.Machine), line(p.Priority), line(p.To), line(p.Message)); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(r.file, p.Key); err != nil {
		return err
	}
	r.seen[p.Key] = true
	return nil
}

// line keeps a text from steering the terminal or the log that it is printed to.
func line(s string) string {
	return strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return '?'
		}
		return c
	}, s)
}

// verify wants a signature of the body that fits, t=<unix seconds>,v1=<hex> with
// one v1 or more, and a stamp that is not too far off. Each v1 is the HMAC-SHA256
// of the seconds, a full stop and the body as it came. The stamp is signed too, so
// it is looked at last.
func verify(header string, body, secret []byte, now time.Time) error {
	stamp, sums := "", []string{}
	for field := range strings.SplitSeq(header, ",") {
		switch name, value, _ := strings.Cut(field, "="); name {
		case "t":
			stamp = value
		case "v1":
			sums = append(sums, value)
		}
	}
	mac := hmac.New(sha256.New, secret)
	fmt.Fprintf(mac, "%s.%s", stamp, body)
	want := []byte(hex.EncodeToString(mac.Sum(nil)))
	fits := false
	for _, sum := range sums {
		fits = hmac.Equal([]byte(sum), want) || fits
	}
	if !fits {
		return errors.New("the signature does not fit: the secret differs, or the page was changed on its way")
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil || now.Sub(time.Unix(seconds, 0)).Abs() > window {
		return errors.New("the stamp is too far off: the page is a recording, or a clock is wrong")
	}
	return nil
}
