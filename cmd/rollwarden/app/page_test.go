package app

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
)

// browser opens a headless Chromium. It fails without one, since a page that
// nobody has looked at is not tested.
//
// In a short run, as under the race detector, a browser is left out: it sees
// nothing there that it has not seen in the full one.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("a short run opens no browser")
	}
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

// doorway stands before a watch, so that a test can take the watch away from its
// readers and give it back.
type doorway struct {
	*httptest.Server
	away atomic.Bool
}

func newDoorway(t *testing.T, a *App) *doorway {
	t.Helper()
	to, err := url.Parse(a.URL())
	if err != nil {
		t.Fatal(err)
	}
	proxy := httputil.NewSingleHostReverseProxy(to)
	proxy.FlushInterval = -1 // a stream is passed on as it comes
	proxy.ErrorHandler = func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) }
	d := &doorway{}
	d.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if d.away.Load() {
			panic(http.ErrAbortHandler) // the connection ends without an answer
		}
		proxy.ServeHTTP(w, r)
	}))
	t.Cleanup(d.Close)
	t.Cleanup(d.CloseClientConnections)
	return d
}

func (f *doorway) leave() { f.away.Store(true); f.CloseClientConnections() }
func (f *doorway) back()  { f.away.Store(false) }

// tab is an open page.
type tab struct {
	t   *testing.T
	ctx context.Context
}

func (p tab) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.t.Fatal(err)
	}
}

// eval is what a script comes to.
func eval[T any](p tab, script string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](script))
	if err != nil {
		p.t.Fatalf("%s: %v", script, err)
	}
	return v
}

// until waits until a script comes to true.
func (p tab) until(what, script string) {
	p.t.Helper()
	for end := time.Now().Add(25 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if eval[bool](p, script) {
			return
		}
	}
	p.t.Fatalf("%s: not within 25 s\n%s", what, eval[string](p, "document.body.innerText"))
}

func (p tab) shows(text string) {
	p.t.Helper()
	p.until(text, fmt.Sprintf("document.body?.innerText.includes(%q) === true", text))
}

// speak makes the browser ask for a language.
func (p tab) speak(lang string) {
	p.t.Helper()
	p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, network.SetExtraHTTPHeaders, network.SetExtraHTTPHeadersParams{Headers: network.Headers{"Accept-Language": lang}})
		return chromedp.Void{}, err
	})
}

// shot keeps a picture of the whole page where ROLLWARDEN_SHOTS says, for a
// person to look at.
func (p tab) shot(name string) {
	p.t.Helper()
	dir := os.Getenv("ROLLWARDEN_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644)
	}
	if err != nil {
		p.t.Error(err)
	}
}

// complaints collects what a browser says about a page, such as a breach of its
// policy.
func complaints(t *testing.T, ctx context.Context) func() string {
	t.Helper()
	var mu sync.Mutex
	var all []string
	hear := func(e any) {
		if e, ok := e.(*log.EventEntryAdded); ok {
			mu.Lock()
			defer mu.Unlock()
			all = append(all, e.Entry.Text)
		}
	}
	if err := chromedp.Listen(ctx, hear); err != nil {
		t.Fatal(err)
	}
	return func() string {
		mu.Lock()
		defer mu.Unlock()
		return strings.Join(all, "; ")
	}
}

// TestThePageInABrowser looks at the board of a real watch with a standing
// alarm, at a telephone's and at a screen's width, with and without a script.
func TestThePageInABrowser(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	publish(t, a, append(loaded("m0", time.Now(), 0), say("m0", time.Now(), "ticket.received", ticketFor("KL-<b>1</b>")))...)
	p := tab{t, browser(t)}
	said := complaints(t, p.ctx)
	for _, scripts := range []bool{true, false} {
		p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !scripts})
			return chromedp.Void{}, err
		})
		for _, width := range []int64{390, 1440, 1920} {
			t.Run(fmt.Sprintf("%d px, scripts %v", width, scripts), func(t *testing.T) {
				p := tab{t, p.ctx}
				p.do(chromedp.EmulateViewport(width, 900), chromedp.Navigate(a.URL()+"/?still"))
				if wide := eval[float64](p, "document.documentElement.scrollWidth"); int64(wide) > width {
					t.Errorf("the page is %g px wide on a screen of %d", wide, width)
				}
				for _, want := range []string{"KL-<b>1</b>", "Bare edge before the cure zone", "no safety interlock", "unknown"} {
					p.shows(want)
				}
			})
		}
	}
	if got := said(); got != "" {
		t.Errorf("the browser complains: %s", got)
	}
}

// TestABoardThatIsAlive shows an alarm as it comes, takes an acknowledgement from
// the keyboard alone, and says it loudly when the watch goes away.
func TestABoardThatIsAlive(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	publish(t, a, loaded("m0", time.Now(), 0)...)
	door := newDoorway(t, a)
	p := tab{t, browser(t)}
	said := complaints(t, p.ctx)
	p.do(chromedp.EmulateViewport(1440, 900), chromedp.Navigate(door.URL+"/"))
	p.shows("No alarm stands.")
	eval[bool](p, "window.sameDocument = true")

	publish(t, a, say("m0", time.Now(), "ticket.received", ticketFor("KL-1")))
	p.shows("Bare edge before the cure zone")
	if !eval[bool](p, "window.sameDocument === true && document.title.startsWith('(1)')") {
		t.Errorf("the alarm came by loading the page again, or the tab %q does not count it", eval[string](p, "document.title"))
	}

	acknowledgeByKeyboard(p, a)
	p.until("the acknowledged state", "document.querySelector('[id=\"m.north.m0\"] .alarm .state').textContent.startsWith('acknowledged')")
	if !eval[bool](p, "window.sameDocument === true") {
		t.Error("the page was loaded again to acknowledge the alarm")
	}
	publish(t, a, say("stray", time.Now(), "roll.removed", &event.RollRemoved{}))
	p.until("a strip for a machine that nobody configured", "document.getElementById('m.north.stray') !== null && window.sameDocument === true")
	p.do(chromedp.Navigate(door.URL + "/"))
	p.until("the name that was typed", "document.querySelector('[id=\"m.north.m0\"] input[name=by]').value === 'Ada'")
	if got := said(); got != "" {
		t.Errorf("the browser complains: %s", got)
	}

	door.leave()
	p.until("the banner", "!document.getElementById('old').hidden && document.documentElement.classList.contains('old')")
	p.shows("Old picture:")
	p.shot("board-old")
	door.back()
	p.until("the banner gone", "document.getElementById('old').hidden && !document.documentElement.classList.contains('old')")
	a.held.list()[0].pipe.ready.Store(false) // as while the journal is out of reach
	p.shows("its journal is out of reach")
	a.held.list()[0].pipe.ready.Store(true)
	p.until("the banner gone again", "document.getElementById('old').hidden")
	publish(t, a, say("m0", time.Now(), "edge.moved", &event.EdgeMoved{PositionMM: f(700), Cause: event.CauseAdvance}))
	p.shows("700 mm past the print line")
}

// TestABoardThatOutlivesItsWatch loads a page of another build anew, but not for
// ever when that does not help, and leads to the login page when the session has
// ended, instead of saying that nobody can be heard.
func TestABoardThatOutlivesItsWatch(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	door := newDoorway(t, a)
	p := tab{t, browser(t)}
	p.do(chromedp.Navigate(door.URL + "/"))
	p.until("the login page", "document.querySelector('form.login') !== null")
	for _, one := range people {
		if one.role == "operator" {
			eval[bool](p, fmt.Sprintf("(() => { const f = document.querySelector('form.login'); f.elements.name.value = %q; f.elements.password.value = %q; f.submit(); return true })()", one.name, one.password))
		}
	}
	reconnect := func() {
		p.until("the floor", "document.getElementById('state') !== null && document.getElementById('old').hidden")
		eval[bool](p, "window.sameDocument = true; document.querySelector(`script[src*='/assets/live.']`).setAttribute('src', '/assets/live.other.js'); true")
		door.leave()
		door.back()
	}
	reconnect()
	p.until("the page loaded anew", "document.readyState === 'complete' && window.sameDocument === undefined")
	reconnect()
	p.until("the banner", "!document.getElementById('old').hidden")
	if !eval[bool](p, "window.sameDocument === true") {
		t.Error("a page that loading anew does not help was loaded anew twice")
	}
	eval[bool](p, "fetch('/logout', { method: 'POST' }); true")
	p.until("the login page again", "document.querySelector('form.login') !== null")
}

// acknowledgeByKeyboard walks to the alarm's form with the tabulator, types a
// name and presses the button. It wants the focus to be seen on the way.
func acknowledgeByKeyboard(p tab, a *App) {
	p.t.Helper()
	const at = "(document.activeElement.closest('form.act')?.querySelector('[name=action]').value ?? '') + ' ' + document.activeElement.nodeName"
	walk := func(to string) {
		p.t.Helper()
		for range 60 {
			p.do(chromedp.KeyEvent("\t"))
			if eval[string](p, at) == to {
				return
			}
			if !eval[bool](p, "document.activeElement === document.body || getComputedStyle(document.activeElement).outlineStyle !== 'none'") {
				p.t.Errorf("no outline around the focus: %s", eval[string](p, "document.activeElement.outerHTML"))
			}
		}
		p.t.Fatalf("60 steps of the tabulator do not lead to %q", to)
	}
	walk("acknowledge INPUT")
	p.do(chromedp.KeyEvent("Ad"))
	publish(p.t, a, say("m0", time.Now(), "climate.read", &event.ClimateRead{RHPct: f(51)}))
	p.shows("51 % humidity") // the strip was painted anew around the form
	p.do(chromedp.KeyEvent("a"))
	walk("acknowledge BUTTON")
	p.do(chromedp.KeyEvent("\r"))
	for end := time.Now().Add(25 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		list := a.View().Alarms.On("north", "m0")
		if len(list) == 1 && list[0].State == alarm.Acked && list[0].Change.By == "Ada" {
			return
		}
	}
	p.t.Fatalf("the alarm is not acknowledged: the form is %s", eval[string](p, `(() => { const f = document.querySelector('[id="m.north.m0"] form.act'); return f.outerHTML + f.elements.by.value + f.checkValidity() + document.activeElement.outerHTML })()`))
}

// The accessibility checker, which the test fetches itself: its licence (MPL-2.0)
// lets anybody use it, and nothing of it is part of this project.
const (
	axeURL    = "https://registry.npmjs.org/axe-core/-/axe-core-4.14.1.tgz"
	axeSHA256 = "e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745"
)

// axe is the checker's script. It fails with what to do when it cannot be had.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(cache, "rollwarden-test")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, path.Base(axeURL))
	if _, err := os.Stat(file); err != nil {
		if err := fetch(axeURL, file); err != nil {
			t.Fatalf("cannot fetch what checks the pages: %v: let this machine reach it once, or put the file into %s", err, dir)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != axeSHA256 {
		t.Fatalf("%s has the SHA-256 %x, want %s: remove it, so that it is fetched again", file, sum, axeSHA256)
	}
	script, err := fromPackage(data, "package/axe.min.js")
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return script
}

// fetch puts what is at an address into a file, whole or not at all.
func fetch(from, to string) error {
	client := http.Client{Timeout: time.Minute}
	answer, err := client.Get(from)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("%s answers %s", from, answer.Status)
	}
	data, err := io.ReadAll(answer.Body)
	if err != nil {
		return err
	}
	part := fmt.Sprintf("%s.%d", to, os.Getpid())
	if err := os.WriteFile(part, data, 0o644); err != nil {
		return err
	}
	return os.Rename(part, to)
}

func fromPackage(data []byte, name string) (string, error) {
	unzipped, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return "", err
	}
	for files := tar.NewReader(unzipped); ; {
		h, err := files.Next()
		if errors.Is(err, io.EOF) {
			return "", fmt.Errorf("no %s in it", name)
		}
		if err != nil {
			return "", err
		}
		if h.Name == name {
			text, err := io.ReadAll(files)
			return string(text), err
		}
	}
}

// TestAccessibility lets axe-core, a checker of others, look at the board in both
// languages and looks, on a telephone and on a screen, with an alarm, what is
// unknown, and every fold open. The rules are those that it has for WCAG 2.2,
// levels A and AA.
func TestAccessibility(t *testing.T) {
	script := axe(t)
	a := startApp(t, Options{Config: shopOf(t, 3)})
	at := time.Now()
	publish(t, a, append(loaded("m0", at, 0), say("m0", at, "ticket.received", ticketFor("KL-1")))...)
	hot := ticketFor("KL-2")
	hot.CureC = f(125)
	publish(t, a, append(loaded("m1", at, 400), say("m1", at, "ticket.received", hot),
		say("m1", at, "operator.noted", &event.OperatorNoted{Action: event.ActNote, By: "Mira", Reason: "a roller squeaks"}),
		say("m1", at, "run.started", &event.RunStarted{Run: event.Run{Job: "KL-2"}}),
		say("m1", at, "strike.recorded", &event.StrikeRecorded{Job: "KL-2"}))...)
	p := tab{t, browser(t)}
	const check = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
		.then((r) => [r.passes.length > 10 ? "" : "the checker did not look", ...r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.map((n) => n.html).join(" | "))].filter((s) => s))`
	for _, lang := range []string{"en", "de"} {
		for _, look := range []string{"day", "night"} {
			for _, width := range []int64{390, 1440} {
				name := fmt.Sprintf("board-%s-%s-%d", lang, look, width)
				t.Run(name, func(t *testing.T) {
					p := tab{t, p.ctx}
					p.speak(lang)
					p.do(chromedp.EmulateViewport(width, 900), chromedp.Navigate(a.URL()+"/"))
					eval[bool](p, fmt.Sprintf("document.documentElement.dataset.look = %q; true", look))
					p.shot(name)
					eval[bool](p, "document.querySelectorAll('details').forEach((d) => { d.open = true }); document.documentElement.lang === '"+lang+"'")
					eval[bool](p, script+"; true")
					found, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](check, chromedp.EvalAwaitPromise))
					if err != nil {
						t.Fatal(err)
					}
					if len(found) > 0 {
						t.Errorf("%s", strings.Join(found, "\n"))
					}
					if wide := eval[float64](p, "document.documentElement.scrollWidth"); int64(wide) > width {
						t.Errorf("with every fold open the page is %g px wide on a screen of %d: %s", wide, width,
							eval[string](p, "[...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.scroll')).map((e) => e.outerHTML.slice(0, 200)).join(' | ')"))
					}
				})
			}
		}
	}
}

// TestShelvingInTwoBrowsers puts an alarm aside in one browser, with a name, a
// reason and a time, sees it aside in another, and takes it off the shelf there.
func TestShelvingInTwoBrowsers(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	publish(t, a, append(loaded("m0", time.Now(), 0), say("m0", time.Now(), "ticket.received", ticketFor("KL-1")))...)
	ada, ben := tab{t, browser(t)}, tab{t, browser(t)}
	for _, p := range []tab{ada, ben} {
		p.do(chromedp.EmulateViewport(1440, 900), chromedp.Navigate(a.URL()+"/"))
		p.shows("Bare edge before the cure zone")
	}
	const form = `document.querySelector('[id="m.north.m0"] form.act[data-key=%s]')`
	fill := func(p tab, action, fields, button string) {
		t.Helper()
		p.until("the form to "+action, fmt.Sprintf(form+" !== null", action))
		eval[bool](p, fmt.Sprintf(`(() => { const f = `+form+`; const set = %s; for (const n in set) f.elements[n].value = set[n]; f.querySelector(%q).click(); return true })()`, action, fields, button))
	}
	state := func() string {
		if list := a.View().Alarms.On("north", "m0"); len(list) == 1 {
			return string(list[0].State) + " " + list[0].Change.By + " " + list[0].Change.Reason
		}
		return ""
	}
	await := func(want string) {
		t.Helper()
		for end := time.Now().Add(25 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			if strings.HasPrefix(state(), want) {
				return
			}
		}
		t.Fatalf("want %q, got %q", want, state())
	}
	fill(ada, "shelve", `{by: "Ada", reason: "the office changes the film"}`, `button[value="900"]`)
	await("shelved Ada the office changes the film")
	ben.shows("the office changes the film")
	fill(ben, "release", `{by: "Ben"}`, "button")
	await("unacknowledged")
	ada.until("the alarm back", fmt.Sprintf(form+" !== null", "acknowledge"))
}
