package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"rollwarden/cmd/rollwarden/config"
)

// hookSecret signs the pages of the scripts.
const hookSecret = "kestrel-lane-test-secret"

// receiver stands in for whoever takes a shop's pages. It checks every
// signature by the published recipe: HMAC-SHA256 (RFC 2104) over the time
// stamp, a full stop and the body as it came.
type receiver struct {
	server *httptest.Server
	dir    string

	mu     sync.Mutex
	refuse bool
	taken  int
	keys   []string // in the order in which they were first seen
	told   []string // one line for each request; the same refusal only once
}

func (r *receiver) close() {
	if r != nil {
		r.server.Close()
	}
}

// receive makes the receiver, or changes its mind.
func (s *shop) receive(args []string) {
	s.usage(!s.negated && len(args) == 1 && (args[0] == "take" || args[0] == "refuse"), "receiver take|refuse")
	if s.hook == nil {
		s.hook = &receiver{dir: s.dir}
		s.hook.server = httptest.NewServer(s.hook)
		s.Setenv(config.Variable("pager.webhook.url"), s.hook.server.URL+"/pages")
		s.Setenv(config.Variable("pager.webhook.secret"), hookSecret)
		s.Setenv(config.Variable("pager.routes.high"), "webhook")
	}
	s.hook.mu.Lock()
	defer s.hook.mu.Unlock()
	s.hook.refuse = args[0] == "refuse"
}

// ServeHTTP notes a page and saves its header and body as page-N.
func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	r.mu.Lock()
	defer r.mu.Unlock()
	line := r.describe(req.Header, body)
	switch {
	case err != nil:
		r.tell("broken: " + err.Error())
	case r.refuse:
		r.tell("refused " + line)
		w.WriteHeader(http.StatusServiceUnavailable)
	default:
		r.taken++
		r.told = append(r.told, "took "+line)
		r.save(req.Header, body)
	}
}

// tell keeps a line unless it was the last one: how often a page is tried is
// a matter of time.
func (r *receiver) tell(line string) {
	if len(r.told) == 0 || r.told[len(r.told)-1] != line {
		r.told = append(r.told, line)
	}
}

// describe says which page it was. Idempotency keys are shown as key1, key2
// and so on, so that a repeated one is seen.
func (r *receiver) describe(header http.Header, body []byte) string {
	var page struct{ Machine, Hazard, Job, From, To string }
	if err := json.Unmarshal(body, &page); err != nil {
		return "no page: " + err.Error()
	}
	signed := "signed"
	if !verified(header.Get("Rollwarden-Signature"), body) {
		signed = "NOT SIGNED"
	}
	return fmt.Sprintf("%s %s %s %s %s>%s %s", r.key(header.Get("Idempotency-Key")), page.Machine, page.Hazard, page.Job, page.From, page.To, signed)
}

func (r *receiver) key(key string) string {
	if key == "" {
		return "no-key"
	}
	for i, k := range r.keys {
		if k == key {
			return fmt.Sprint("key", i+1)
		}
	}
	r.keys = append(r.keys, key)
	return fmt.Sprint("key", len(r.keys))
}

func verified(signature string, body []byte) bool {
	stamp, given, _ := strings.Cut(strings.TrimPrefix(signature, "t="), ",v1=")
	sum := hmac.New(sha256.New, []byte(hookSecret))
	sum.Write([]byte(stamp + "." + string(body)))
	got, err := hex.DecodeString(given)
	return err == nil && hmac.Equal(got, sum.Sum(nil))
}

func (r *receiver) save(header http.Header, body []byte) {
	base := filepath.Join(r.dir, fmt.Sprint("page-", r.taken))
	var head strings.Builder
	err := header.Write(&head)
	if err == nil {
		err = os.WriteFile(base+".header", []byte(head.String()), 0o644)
	}
	if err == nil {
		err = os.WriteFile(base+".json", body, 0o644)
	}
	if err != nil {
		r.told = append(r.told, "not saved: "+err.Error())
	}
}

// pages waits until so many were taken and prints every request.
func (s *shop) pages(args []string) {
	var want int
	if len(args) == 1 {
		_, err := fmt.Sscan(args[0], &want)
		s.Check(err)
	}
	s.usage(!s.negated && len(args) == 1 && s.hook != nil, "receiver take, and then: pages N")
	var told string
	s.until(fmt.Sprint(want, " pages"), func() (bool, string) {
		s.hook.mu.Lock()
		defer s.hook.mu.Unlock()
		told = strings.Join(s.hook.told, "\n") + "\n"
		if s.hook.taken > want {
			s.Fatalf("want %d pages, got %d:\n%s", want, s.hook.taken, told)
		}
		return s.hook.taken == want, told
	})
	_, err := io.WriteString(s.Stdout(), told)
	s.Check(err)
}
