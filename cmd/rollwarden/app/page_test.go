package app

import (
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

// browser opens a headless Chromium. It fails without one, since a page that
// nobody has looked at is not tested.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is not installed: sh deploy/test.sh installs it")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// TestThePageInABrowser looks at the status page of a real watch with a
// standing alarm, at a telephone's and at a screen's width.
func TestThePageInABrowser(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	publish(t, a, append(loaded("m0", time.Now(), 0), say("m0", time.Now(), "ticket.received", ticketFor("KL-<b>1</b>")))...)
	ctx := browser(t)
	var mu sync.Mutex
	var complaints []string
	hear := func(e any) {
		if e, ok := e.(*log.EventEntryAdded); ok {
			mu.Lock()
			defer mu.Unlock()
			complaints = append(complaints, e.Entry.Text)
		}
	}
	if err := chromedp.Listen(ctx, hear); err != nil {
		t.Fatal(err)
	}
	for _, width := range []int64{390, 1440, 1920} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(a.URL()+"/?still")); err != nil {
				t.Fatal(err)
			}
			wide, err := chromedp.Run(ctx, chromedp.Evaluate[float64]("document.documentElement.scrollWidth"))
			if err != nil {
				t.Fatal(err)
			}
			if int64(wide) > width {
				t.Errorf("the page is %g px wide on a screen of %d", wide, width)
			}
			text, err := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range []string{"KL-<b>1</b>", "Bare edge before the cure zone", "no safety interlock", "unknown"} {
				if !strings.Contains(text, want) {
					t.Errorf("the page does not show %q:\n%s", want, text)
				}
			}
		})
	}
	mu.Lock()
	defer mu.Unlock()
	if len(complaints) > 0 {
		t.Errorf("the browser complains: %s", strings.Join(complaints, "; "))
	}
}
