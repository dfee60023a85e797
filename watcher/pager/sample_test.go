package pager

import (
	"bufio"
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// startSample builds the sample receiver of deploy/receiver and starts it with
// the secret. It returns where it takes pages, and what it has printed so far.
func startSample(t *testing.T) (url string, printed func() string) {
	t.Helper()
	program := filepath.Join(t.TempDir(), "receiver")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, "../../deploy/receiver").CombinedOutput(); err != nil {
		t.Fatalf("build the receiver: %v\n%s", err, out)
	}
	cmd := exec.CommandContext(t.Context(), program, "-listen", "127.0.0.1:0", "-seen", filepath.Join(t.TempDir(), "seen"))
	cmd.Env = append(os.Environ(), "WEBHOOK_SECRET="+testSecret)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var all bytes.Buffer
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			line, err := lines.ReadString('\n')
			mu.Lock()
			all.WriteString(line)
			mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { cmd.Process.Kill(); <-done; cmd.Wait() })
	return strings.TrimSpace(first[strings.Index(first, "http"):]), func() string {
		mu.Lock()
		defer mu.Unlock()
		return all.String()
	}
}

// TestTheSampleReceiver sends pages to the program that README shows as the other
// end: it prints each once however often it is sent, and none that is signed with
// another secret.
func TestTheSampleReceiver(t *testing.T) {
	url, printed := startSample(t)
	var journal fakeJournal
	stranger := webhookTo(t, url, func(o *WebhookOptions) {
		o.Name, o.Secrets = "stranger", []Secret{NewSecret(testSecret + "x")}
	})
	p, err := New(Options{Channels: []Channel{webhookTo(t, url, nil), stranger}, Publish: journal.publish, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	p.Offer([]Due{due("a1", "hook"), due("a2", "hook"), due("a3", "stranger")})
	until(t, func() bool { return len(journal.all()) == 3 })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	hook := webhookTo(t, url, nil)
	for _, alarm := range []string{"a1", "a1", "a1", "a4"} { // as after a restart that lost the receipt
		page := pageOf(t, alarm, func(a *event.AlarmChanged) { a.Message = "Page of " + alarm })
		page.Key = IdempotencyKey(alarm, "hook")
		if err := hook.Send(t.Context(), page); err != nil {
			t.Error(err)
		}
	}
	until(t, func() bool { return strings.Contains(printed(), "Page of a4") })
	if got := strings.Split(strings.TrimSpace(printed()), "\n"); len(got) != 3 || got[0] != got[1] || got[0] != "2026-03-02T08:00:00Z north/heron high unacknowledged: Bare leading edge of MONO-GLOSS-137 will enter the cure zone." {
		t.Errorf("want a1, a2 and a4, each once, got\n%s", printed())
	}
	for _, e := range journal.all() {
		switch d := e.Data.(type) {
		case *event.PageSent:
			if d.Channel != "hook" {
				t.Errorf("%s took a page", d.Channel)
			}
		case *event.PageFailed:
			if d.Channel != "stranger" || !d.Final {
				t.Errorf("%s: want a foreign signature refused for good, got %+v", d.Channel, d)
			}
		}
	}
}
