package demo

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/chromedp"
)

// TestTheWeekOnTheBoard keeps the board open in a browser while the whole week
// is played, and then holds it to the page that a second browser loads anew: it
// must not have missed anything, nor be loaded again to show it.
func TestTheWeekOnTheBoard(t *testing.T) {
	first, second := browser(t), browser(t)
	var mu sync.Mutex
	var complaints []string
	if err := chromedp.Listen(first, func(e any) {
		if e, ok := e.(*log.EventEntryAdded); ok {
			mu.Lock()
			defer mu.Unlock()
			complaints = append(complaints, e.Entry.Text)
		}
	}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	var out bytes.Buffer
	s, err := open(ctx, &out, Options{Seed: 7, Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.close(); err != nil {
			t.Error(err)
		}
	}()
	if err := chromedp.Do(first, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(s.app.URL()+"/")); err != nil {
		t.Fatal(err)
	}
	evaluate[bool](t, first, "window.sameDocument = true")
	if err := s.week(); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	if err := s.nextMonday(); err != nil {
		t.Fatal(err)
	}

	if err := s.settle(); err != nil {
		t.Fatal(err)
	}
	until(t, first, "the whole journal on the page", func() string {
		return fmt.Sprintf("document.querySelector('[data-seq]').textContent === '%d'", s.app.View().Seq)
	})
	if err := chromedp.Do(second, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(s.app.URL()+"/")); err != nil {
		t.Fatal(err)
	}
	// Texts that count on with the time are left out.
	const texts = `[...document.querySelectorAll("[data-part]")].map((part) => {
		const still = part.cloneNode(true);
		for (const e of still.querySelectorAll("[data-at]")) e.remove();
		return still.textContent.replace(/\s+/g, " ");
	}).join("\n")`
	live, fresh := evaluate[string](t, first, texts), evaluate[string](t, second, texts)
	if live != fresh {
		t.Errorf("the open page shows\n%s\n----\nand a new one\n%s", live, fresh)
	}
	if !evaluate[bool](t, first, "window.sameDocument === true") {
		t.Error("the open page was loaded again")
	}
	for _, want := range []string{"heron", "wren", "plover", "Bare edge before the cure zone", "advance the film"} {
		if !strings.Contains(live, want) {
			t.Errorf("the board does not say %q", want)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(complaints) > 0 {
		t.Errorf("the browser complains: %s", strings.Join(complaints, "; "))
	}
}

// browser opens a headless Chromium of its own.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is not installed: sh deploy/test.sh installs it")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

func evaluate[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func until(t *testing.T, ctx context.Context, what string, script func() string) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if evaluate[bool](t, ctx, script()) {
			return
		}
	}
	t.Fatalf("%s: not within 30 s\n%s", what, evaluate[string](t, ctx, "document.body.innerText"))
}
