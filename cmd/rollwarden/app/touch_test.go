package app

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

// wire lies between the browsers and a watch, and fails as networks do.
type wire struct {
	*httptest.Server
	to   atomic.Pointer[url.URL]
	cut  atomic.Bool
	lose atomic.Int32 // how many answers to entries get lost on their way back
}

func newWire(t *testing.T, a *App) *wire {
	t.Helper()
	w := &wire{}
	w.lead(t, a)
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(w.to.Load())
			r.Out.Host = r.In.Host
		},
		FlushInterval: -1, // a stream is passed on as it comes
		ErrorHandler:  func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) },
		ModifyResponse: func(r *http.Response) error {
			if r.Request.Method == http.MethodPost && w.lose.Add(-1) >= 0 {
				panic(http.ErrAbortHandler)
			}
			return nil
		},
	}
	w.Server = httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if w.cut.Load() {
			panic(http.ErrAbortHandler)
		}
		proxy.ServeHTTP(rw, r)
	}))
	t.Cleanup(w.Close)
	t.Cleanup(w.CloseClientConnections)
	return w
}

// lead leads the wire to a watch.
func (w *wire) lead(t *testing.T, a *App) {
	t.Helper()
	to, err := url.Parse(a.URL())
	if err != nil {
		t.Fatal(err)
	}
	w.to.Store(to)
}

func (w *wire) sever() { w.cut.Store(true); w.CloseClientConnections() }
func (w *wire) mend()  { w.cut.Store(false) }

// entries are what people have told of a machine, oldest first.
func entries(t *testing.T, a *App, machine string) []event.Event {
	t.Helper()
	messages, err := a.messages(deadline(t), "north", machine, nil, 200)
	if err != nil {
		t.Fatal(err)
	}
	var all []event.Event
	for i := len(messages) - 1; i >= 0; i-- {
		e, err := event.Decode(messages[i])
		if err != nil {
			t.Fatal(err)
		}
		if e.Source == action.Source {
			all = append(all, e)
		}
	}
	return all
}

// awaits waits until people have told n things of a machine, and a little longer,
// in case something arrives twice.
func awaits(t *testing.T, a *App, machine string, n int) []event.Event {
	t.Helper()
	for end := time.Now().Add(25 * time.Second); time.Now().Before(end) && len(entries(t, a, machine)) < n; time.Sleep(50 * time.Millisecond) {
	}
	time.Sleep(300 * time.Millisecond)
	all := entries(t, a, machine)
	if len(all) != n {
		t.Fatalf("want %d entries, got %d: %v", n, len(all), all)
	}
	return all
}

// types lists the types of events.
func types(all []event.Event) string {
	var list []string
	for _, e := range all {
		list = append(list, string(e.Type))
	}
	return strings.Join(list, " ")
}

// scripts lets a browser run scripts or not.
func (p tab) scripts(on bool) {
	p.t.Helper()
	p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return chromedp.Void{}, err
	})
}

// enter presses Enter as a keyboard does: where a page takes the key for itself,
// no character follows.
func (p tab) enter() {
	p.t.Helper()
	p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		key := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: "Enter", Code: "Enter", Text: "\r", WindowsVirtualKeyCode: 13}
		if _, err := cdp.Call(ctx, t, input.DispatchKeyEvent, key); err != nil {
			return chromedp.Void{}, err
		}
		key.Type, key.Text = input.DispatchKeyEventTypeKeyUp, ""
		_, err := cdp.Call(ctx, t, input.DispatchKeyEvent, key)
		return chromedp.Void{}, err
	})
}

// another opens one more page in the same browser.
func (p tab) another() tab {
	ctx, cancel := chromedp.NewContext(p.ctx)
	p.t.Cleanup(cancel)
	return tab{p.t, ctx}
}

// fill opens the tile of an action and types into its fields; names and texts
// come in turn. A choice is pressed.
func (p tab) fill(code string, pairs ...string) {
	p.t.Helper()
	form := fmt.Sprintf("document.querySelector('form[data-entry=%q]')", code)
	if !eval[bool](p, form+".closest('details').open") {
		eval[bool](p, form+".closest('details').querySelector('summary').click() || true")
	}
	for i := 0; i < len(pairs); i += 2 {
		kind := eval[string](p, fmt.Sprintf(`(() => {
			const e = %s.querySelector('[name=%q]');
			const fold = e.closest('details.more');
			if (fold) fold.open = true;
			if (e.type === 'radio') { [...e.form.elements].find((x) => x.name === e.name && x.value === %q).click(); return 'radio'; }
			e.focus();
			e.select?.();
			return e.nodeName;
		})()`, form, pairs[i], pairs[i+1]))
		if kind != "radio" {
			p.do(chromedp.KeyEvent(pairs[i+1]))
		}
	}
}

// record fills a form and presses its button.
func (p tab) record(code string, pairs ...string) {
	p.t.Helper()
	p.fill(code, pairs...)
	eval[bool](p, fmt.Sprintf("document.querySelector('form[data-entry=%q] button.main').click() || true", code))
}

// by types the name of who is at the machine.
func (p tab) by(name string) {
	p.t.Helper()
	eval[bool](p, "document.querySelector('#who input').focus() || true")
	p.do(chromedp.KeyEvent(name + "\t"))
	p.until("the name is taken", fmt.Sprintf("[...document.querySelectorAll('input[name=by]')].every((e) => e.value === %q)", name))
}

// at opens the page of a machine and waits until it is live.
func (p tab) at(url string) {
	p.t.Helper()
	p.do(chromedp.Navigate(url))
	p.until("a live page", "document.documentElement.classList.contains('live')")
}

// TestAnOperatorTellsOfADay tells each thing that can be told, on the page of a
// real watch. Each arrives once, in the units of the contract, with who and when.
func TestAnOperatorTellsOfADay(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 3)})
	ticket := ticketFor("KL-1")
	ticket.Part = "A"
	publish(t, a, say("m0", time.Now(), "ticket.received", ticket), say("m0", time.Now(), "ticket.received", ticketFor("KL-2")))
	p := tab{t, browser(t)}
	said := complaints(t, p.ctx)
	p.do(chromedp.EmulateViewport(820, 1180))
	p.at(a.URL() + "/floor/m0")
	p.by("Ada")

	// A scanner types the code and Enter, which goes on and sends nothing.
	p.fill("load-roll", "field.stock", "MONO-GLOSS-137")
	p.enter()
	if got := eval[string](p, "document.activeElement.name ?? document.activeElement.outerHTML"); got != "field.length_m" || len(entries(t, a, "m0")) > 0 {
		t.Errorf("after the scan the focus is on %q, and %d entries were sent", got, len(entries(t, a, "m0")))
	}
	p.record("load-roll", "field.length_m", "45", "field.edge_mm", "12,5", "field.width_mm", "1370", "field.film_class", "mono")
	awaits(t, a, "m0", 1)
	p.until("the suggestion, without the page being loaded again", "document.querySelector('[data-entry=advance] [name=\"field.by_mm\"]').value > 300")
	p.record("advance")
	p.record("start")
	p.record("finish", "field.metres", "3.25")
	awaits(t, a, "m0", 4)
	p.until("the finished run is the one that is cut", "document.querySelector('[data-entry=cut] select').selectedOptions[0].textContent === 'KL-1/A'")
	p.record("cut", "field.rewound", "true")
	p.record("strike", "field.nozzles_lost", "3", "field.note", "<b>the lip</b>")
	p.record("head-check", "field.nozzles_ok", "true", "field.obstruction_clear", "true")
	p.record("waste", "field.cause", "head-strike", "field.length_m", "0.4")
	p.record("reprint", "field.cause", "head-strike", "field.copies", "2")
	p.record("strip", "field.axis", "feed", "field.nominal_mm", "1000", "field.measured_mm", "998.5", "field.cure_c", "93")
	p.record("trim")
	p.record("round-lip")
	p.record("tape-leader", "field.length_mm", "400")
	p.record("take-leader-off")
	p.record("stop", "field.job", "KL-9", "field.reason", "wrong file")
	p.record("remove-roll")
	p.record("note", "field.reason", "tape is <script>document.title = 'x'</script>")
	all := awaits(t, a, "m0", 17)

	far, yes := all[1].Data.(*event.EdgeMoved).ByMM, true
	want := []event.Payload{
		&event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, LengthM: f(45), WidthMM: f(1370), EdgeMM: f(12.5), By: "Ada"},
		&event.EdgeMoved{ByMM: far, Cause: event.CauseAdvance, By: "Ada"},
		&event.RunStarted{Run: event.Run{Job: "KL-1", Part: "A", By: "Ada"}},
		&event.RunFinished{Run: event.Run{Job: "KL-1", Part: "A", Metres: f(3.25), By: "Ada"}},
		&event.CutFinished{Job: "KL-1", Part: "A", Rewound: &yes, By: "Ada"},
		&event.StrikeRecorded{Job: "KL-1", Part: "A", NozzlesLost: f(3), Note: "<b>the lip</b>", By: "Ada"},
		&event.HeadChecked{NozzlesOK: &yes, ObstructionClear: &yes, By: "Ada"},
		&event.FilmWasted{LengthM: 0.4, Cause: "head-strike", By: "Ada"},
		&event.JobReprinted{Job: "KL-1", Part: "A", Cause: "head-strike", Copies: f(2), By: "Ada"},
		&event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 998.5, CureC: 93, By: "Ada"},
		&event.EdgeMoved{ByMM: f(-10), Cause: event.CauseTrim, By: "Ada"},
		&event.EdgeShaped{Shape: "rounded", By: "Ada"},
		&event.LeaderAttached{LengthMM: 400, By: "Ada"},
		&event.LeaderRemoved{By: "Ada"},
		&event.RunStopped{Run: event.Run{Job: "KL-9", Reason: "wrong file", By: "Ada"}},
		&event.RollRemoved{By: "Ada"},
		&event.OperatorNoted{Action: "note", Reason: "tape is <script>document.title = 'x'</script>", By: "Ada"},
	}
	var got []event.Payload
	for _, e := range all {
		got = append(got, e.Data)
		if d := time.Since(e.Time); d < 0 || d > time.Minute {
			t.Errorf("%s was told at %s", e.Type, e.Time)
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("what arrived (-want +got):\n%s", d)
	}
	if *far < 330-12.5 || *far > 450 {
		t.Errorf("the suggested advance is %g mm", *far)
	}

	p.until("an entry to take back", fmt.Sprintf("document.querySelector('[data-undo=%q]') !== null", all[16].ID))
	p.shot("touch-told")
	eval[bool](p, fmt.Sprintf("document.querySelector('[data-undo=%q] button').click() || true", all[16].ID))
	undone := awaits(t, a, "m0", 18)[17]
	if d := cmp.Diff(&event.EntryUndone{Event: all[16].ID, Type: "operator.noted", By: "Ada"}, undone.Data); d != "" {
		t.Errorf("taking back (-want +got):\n%s", d)
	}
	if got := said(); got != "" {
		t.Errorf("the browser complains: %s", got)
	}
}

// TestARefusedEntryStandsAside keeps what was refused with its reason, lets the
// next ones pass, and gives it back to be mended.
func TestARefusedEntryStandsAside(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	p := tab{t, browser(t)}
	p.speak("de")
	p.at(a.URL() + "/floor/m0")
	p.by("Ada")
	p.record("advance", "field.by_mm", "ein Stück")
	p.record("round-lip")
	if got := types(awaits(t, a, "m0", 1)); got != "edge.shaped" {
		t.Errorf("stored: %s", got)
	}
	p.shows("Wie weit: ")
	p.do(chromedp.EmulateViewport(phone, 844))
	p.until("what can be taken back in sight", `(() => {
		const undo = document.querySelector('.undo button')?.getBoundingClientRect(), slip = document.getElementById('slip').getBoundingClientRect();
		return undo !== undefined && undo.top >= slip.top && undo.bottom <= Math.min(slip.bottom, innerHeight);
	})()`)
	p.shot("touch-refused")
	eval[bool](p, "[...document.querySelectorAll('#pending button')].find((b) => b.textContent === 'Berichtigen').click() || true")
	p.until("the entry in its form", "document.querySelector('[data-entry=advance] [name=\"field.by_mm\"]').value === 'ein Stück' && document.getElementById('pending').hidden")
	p.record("advance", "field.by_mm", "36,5")
	if d := cmp.Diff(&event.EdgeMoved{ByMM: f(36.5), Cause: event.CauseAdvance, By: "Ada"}, awaits(t, a, "m0", 2)[1].Data); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// TestInchesAndAComma tells in the units of the page. An inch is 25.4 mm and a
// foot 304.8 mm (international yard and pound agreement, 1959); 200 °F are
// 93.33 °C (NIST SP 811, appendix B.8).
func TestInchesAndAComma(t *testing.T) {
	cfg := shopOf(t, 1)
	cfg.Shop.Length, cfg.Shop.Temperature = "imperial", "F"
	a := startApp(t, Options{Config: cfg})
	p := tab{t, browser(t)}
	for _, script := range []bool{true, false} {
		p.scripts(script)
		p.speak("de")
		before := len(entries(t, a, "m0"))
		for n, what := range [][]string{
			{"advance", "by", "Ada", "field.by_mm", "14,4"},
			{"advance", "by", "Ada", "field.by_mm", "366 mm"},
			{"strip", "by", "Ada", "field.axis", "feed", "field.nominal_mm", "39.37", "field.measured_mm", "39,3", "field.cure_c", "200"},
			{"waste", "by", "Ada", "field.cause", "trim", "field.length_m", "10"},
			{"load-roll", "by", "Ada", "field.stock", "MONO-GLOSS-137", "field.thickness_um", "8,7"},
		} {
			p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
			p.record(what[0], what[1:]...)
			awaits(t, a, "m0", before+n+1)
		}
		all := entries(t, a, "m0")[before:]
		strip := all[2].Data.(*event.StripMeasured)
		if got := []float64{*all[0].Data.(*event.EdgeMoved).ByMM, *all[1].Data.(*event.EdgeMoved).ByMM, strip.MeasuredMM, strip.CureC, all[3].Data.(*event.FilmWasted).LengthM, *all[4].Data.(*event.RollLoaded).ThicknessUM}; cmp.Diff(
			[]float64{365.76, 366, 998.22, 93.3333333333, 3.048, 220.98}, got) != "" {
			t.Errorf("with a script %v: got %v", script, got)
		}
	}
}

// TestOffline makes entries while the watch is out of reach. They wait on the
// page, outlive its tab, and arrive once and in order, although the answer to the
// first is lost and two pages of the browser could send them.
func TestOffline(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 2)})
	w := newWire(t, a)
	first := tab{t, browser(t)}
	first.do(chromedp.Navigate("about:blank"))
	p := first.another()
	p.at(w.URL + "/floor/m0")
	p.by("Ada")
	w.sever()
	p.record("advance", "field.by_mm", "100")
	p.record("round-lip")
	p.record("head-check", "field.nozzles_ok", "false", "field.obstruction_clear", "true")
	p.shows("m0: Advanced the film: 100 mm")
	p.shows("m0: Checked the heads: No, Yes")
	p.until("three that wait", "document.querySelector('#pending .count').textContent === '3' && !document.getElementById('pending').hidden")
	p.shows("kept on this device")
	p.shot("touch-offline")
	if err := chromedp.Cancel(p.ctx); err != nil { // the tab is closed
		t.Fatal(err)
	}
	w.lose.Store(1)
	w.mend()
	p, q := first.another(), first.another()
	p.at(w.URL + "/floor/m0")
	q.at(w.URL + "/floor/m1") // any page of the watch will do
	if got := types(awaits(t, a, "m0", 3)); got != "edge.moved edge.shaped head.checked" {
		t.Errorf("arrived: %s", got)
	}
	if n := w.lose.Load(); n >= 1 {
		t.Error("no answer was lost: the test tests nothing")
	}
	for _, x := range []tab{p, q} {
		x.until("nothing waits", "document.getElementById('pending').hidden && localStorage.getItem('rollwarden.entries') === '[]'")
	}
}

// TestWhatWaitsGoesOnceTheWatchIsHeard lets no try come by itself: the watch that is
// heard again is told at once.
func TestWhatWaitsGoesOnceTheWatchIsHeard(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	w := newWire(t, a)
	p := tab{t, browser(t)}
	p.at(w.URL + "/floor/m0")
	p.by("Ada")
	eval[bool](p, "((later) => { window.setTimeout = (f, ...more) => (f.name === 'flush' ? 0 : later(f, ...more)); return true })(setTimeout)")
	w.sever()
	p.record("round-lip")
	p.shows("kept on this device")
	w.mend()
	if got := types(awaits(t, a, "m0", 1)); got != "edge.shaped" {
		t.Errorf("stored: %s", got)
	}
	p.until("nothing waits", "document.getElementById('pending').hidden")
}

// TestWhatWaitsGoesByTheShopsClock keeps entries on a tablet in another zone than
// the shop's. India is 330 min ahead of UTC, all year round (IANA time zone
// database), and the zone of the watch's own computer is given by its offset.
func TestWhatWaitsGoesByTheShopsClock(t *testing.T) {
	cfg := shopOf(t, 1)
	cfg.Shop.TimeZone, cfg.Shop.Clock = "Asia/Kolkata", "12h"
	a := startApp(t, Options{Config: cfg})
	w := newWire(t, a)
	p := tab{t, browser(t)}
	p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: "America/Lima"})
		return chromedp.Void{}, err
	})
	p.at(w.URL + "/floor/m0")
	p.by("Ada")
	w.sever()
	for n, zone := range []string{"Asia/Kolkata", "", "no zone that a browser knows"} {
		eval[bool](p, fmt.Sprintf("(() => { document.getElementById('pending').dataset.zone = %q; return true })()", zone))
		p.record("round-lip")
		p.until("one more that waits", fmt.Sprintf("document.querySelectorAll('#pending li').length === %d", n+1))
		line := eval[string](p, "document.querySelector('#pending li:last-child span').textContent")
		shown, _, _ := strings.Cut(strings.ReplaceAll(line, "\u202f", " "), " m0:")
		at := time.Now().UTC().Add(330 * time.Minute)
		for end := at.Add(-time.Minute); at.After(end) && at.Format("3:04:05 PM") != shown; at = at.Add(-time.Second) {
		}
		if at.Format("3:04:05 PM") != shown {
			t.Errorf("zone %q: %q is not the last minute of India's clock", zone, shown)
		}
	}
}

// TestTheTabletsClockIsWrong tells something on a tablet whose clock is put back
// by an hour while the page is open. The watch's clock counts.
func TestTheTabletsClockIsWrong(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	p := tab{t, browser(t)}
	p.at(a.URL() + "/floor/m0")
	p.by("Ada")
	eval[bool](p, "(() => { const now = Date.now; Date.now = () => now() - 3600e3; window.beats = 0; document.addEventListener('watch-clock', () => window.beats++); return true })()")
	p.until("a beat of the watch's clock", "window.beats > 0")
	eval[bool](p, "(() => { const D = Date; window.Date = class extends D { constructor(...a) { super(...(a.length ? a : [D.now()])) } }; return true })()")
	p.record("round-lip")
	if d := time.Since(awaits(t, a, "m0", 1)[0].Time); d < -time.Second || d > time.Minute {
		t.Errorf("it was told %s ago", d)
	}
}

// TestALoginThatEnds keeps what was told when nobody is logged in any more, and
// sends it in no other's name.
func TestALoginThatEnds(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	p := tab{t, browser(t)}
	login := func(who int) {
		t.Helper()
		p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
		p.until("the form", "document.querySelector('form.login') !== null")
		for name, text := range map[string]string{"name": people[who].name, "password": people[who].password} {
			eval[bool](p, fmt.Sprintf("document.querySelector('form.login [name=%s]').focus() || true", name))
			p.do(chromedp.KeyEvent(text))
		}
		p.shot("login-filled")
		p.do(chromedp.KeyEvent("\r"))
		p.until("the page that was asked for", "location.pathname === '/floor/m0' && document.querySelector('main.touch') !== null")
	}
	leave := func() {
		t.Helper()
		p.do(func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, t, network.ClearBrowserCookies, cdp.Empty{})
			return chromedp.Void{}, err
		})
	}
	login(1)
	if eval[bool](p, "document.querySelector('input[name=by]') !== null") {
		t.Error("somebody who is logged in is asked for a name")
	}
	leave()
	p.record("round-lip")
	p.shows("Log in again")
	if n := len(entries(t, a, "m0")); n > 0 {
		t.Fatalf("%d entries of nobody are stored", n)
	}
	login(2)
	p.shows("Told by tomas")
	awaits(t, a, "m0", 0)
	leave()
	login(1)
	if by := awaits(t, a, "m0", 1)[0].Data.(*event.EdgeShaped).By; by != "tomas" {
		t.Errorf("it was told by %q", by)
	}
	leave()
	login(0)
	p.shows("You may look at this page")
	if eval[bool](p, "document.querySelector('main form') !== null") {
		t.Error("a viewer has a form")
	}
}

// TestTwoBrowsersAndARestart shows in one browser what another one tells, and
// lets the watch go and come back under both.
func TestTwoBrowsersAndARestart(t *testing.T) {
	cfg := shopOf(t, 1)
	a, err := Start(context.Background(), Options{Config: cfg})
	if err != nil {
		t.Fatal(err)
	}
	running := a
	t.Cleanup(func() {
		if running != nil {
			running.Stop()
		}
	})
	if err := a.Settle(deadline(t)); err != nil {
		t.Fatal(err)
	}
	w := newWire(t, a)
	ada, ben := tab{t, browser(t)}, tab{t, browser(t)}
	ada.at(w.URL + "/floor/m0")
	ben.at(w.URL + "/floor/m0")
	eval[bool](ben, "window.sameDocument = true")
	ada.by("Ada")
	ada.record("load-roll", "field.stock", "CAST-WRAP-152")
	ben.shows("CAST-WRAP-152")
	ben.until("an entry to take back", "document.querySelector('[data-undo]') !== null")
	ben.by("Ben")
	eval[bool](ben, "document.querySelector('[data-undo] button').click() || true")
	if got := types(awaits(t, a, "m0", 2)); got != "roll.loaded entry.undone" {
		t.Errorf("arrived: %s", got)
	}

	w.sever()
	running = nil
	if err := a.Stop(); err != nil {
		t.Fatal(err)
	}
	ben.shows("Old picture:")
	ben.record("round-lip")
	a = startApp(t, Options{Config: cfg})
	w.lead(t, a)
	w.mend()
	ben.until("a page that is live again", "document.getElementById('old').hidden && window.sameDocument === true")
	if got := types(awaits(t, a, "m0", 3)); got != "roll.loaded entry.undone edge.shaped" {
		t.Errorf("arrived: %s", got)
	}
	ada.until("the other's entry", "[...document.querySelectorAll('.undo')].some((f) => f.textContent.includes('lip shaped'))")
}

// tap presses and lets go where an element is, as a finger does: what moves away
// in between is missed.
func (p tab) tap(selector string) {
	p.t.Helper()
	at := eval[[]float64](p, fmt.Sprintf("(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2] })()", selector))
	p.do(chromedp.MouseClickXY(at[0], at[1]))
}

// TestTheFirstTapAfterTheName types the name under an alarm that asks for one too,
// and goes straight on to a tile.
func TestTheFirstTapAfterTheName(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	publish(t, a, loaded("m0", time.Now(), 0)...)
	publish(t, a, say("m0", time.Now(), "ticket.received", ticketFor("KL-1")))
	p := tab{t, browser(t)}
	p.do(chromedp.EmulateViewport(1024, 1400))
	p.at(a.URL() + "/floor/m0")
	p.until("an alarm that asks for a name", "document.querySelector('.ack .by')?.checkVisibility() === true")
	eval[bool](p, "document.querySelector('#who input').focus() || true")
	p.do(chromedp.KeyEvent("Ada"))
	p.tap("#act-advance > summary")
	p.until("the tile that was tapped", "document.getElementById('act-advance').open")
	p.record("advance", "field.by_mm", "366")
	if by := awaits(t, a, "m0", 1)[0].Data.(*event.EdgeMoved).By; by != "Ada" {
		t.Errorf("it was told by %q", by)
	}
	if eval[bool](p, "document.querySelector('.ack .by')?.checkVisibility() === true") {
		t.Error("the alarm asks for a name that was sent already")
	}
}

// TestTheSlipStaysLow tells many things within a minute. What can be taken back
// leaves the page its room, and asks for a name where there is room for one.
func TestTheSlipStaysLow(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	p := tab{t, browser(t)}
	p.do(chromedp.EmulateViewport(1024, 768))
	p.at(a.URL() + "/floor/m0")
	p.by("Ada")
	for i := range 6 {
		p.record("note", "field.reason", fmt.Sprint("note ", i))
	}
	awaits(t, a, "m0", 6)
	p.until("the newest entry, and the others behind their number", `document.querySelector('.earlier > summary')?.textContent.trim().startsWith('5 ') &&
		[...document.querySelectorAll('.undo')].filter((f) => f.checkVisibility()).length === 1`)
	eval[bool](p, "(() => { localStorage.clear(); document.querySelector('.earlier').open = true; return true })()")
	if high := eval[float64](p, "document.getElementById('slip').getBoundingClientRect().height / innerHeight"); high > 0.3 {
		t.Errorf("the slip takes %.0f %% of the screen", 100*high)
	}
	for _, code := range []string{"round-lip", "note"} {
		eval[bool](p, "document.querySelector('#act-"+code+" > summary').click() || true")
		p.until(code+" clear of the slip", "document.getElementById('act-"+code+"').getBoundingClientRect().bottom <= document.getElementById('slip').getBoundingClientRect().top")
	}
	p.shot("touch-slip")
	p.do(chromedp.Reload())
	p.until("a live page", "document.documentElement.classList.contains('live') && document.querySelector('.undo') !== null")
	if eval[bool](p, "[...document.querySelectorAll('.slip [name=by]')].some((e) => e.checkVisibility())") {
		t.Error("each row of the slip asks for a name")
	}
	eval[bool](p, "document.querySelector('.undo button').click() || true")
	p.until("the question for the name", "document.activeElement === document.querySelector('#who input')")
	p.do(chromedp.KeyEvent("Ben"))
	p.tap(".undo button")
	if d := awaits(t, a, "m0", 7)[6].Data.(*event.EntryUndone); d.By != "Ben" {
		t.Errorf("it was taken back by %q", d.By)
	}
}

// TestAnEmptyRollIsNoRoll sends the form of a fresh roll as it is, with and without
// a script: that tells nothing. A roll without a code has a button of its own.
func TestAnEmptyRollIsNoRoll(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	p := tab{t, browser(t)}
	for n, script := range []bool{true, false} {
		p.scripts(script)
		p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
		p.record("load-roll", "by", "Ada")
		awaits(t, a, "m0", n)
		p.fill("load-roll", "by", "Ada")
		eval[bool](p, "(() => { const f = document.querySelector('[data-entry=load-roll]'); f.elements['field.film_class'].value = 'cast'; f.querySelector('.without').click(); return true })()")
		if d := cmp.Diff(&event.RollLoaded{FilmClass: event.Cast, By: "Ada"}, awaits(t, a, "m0", n+1)[n].Data); d != "" {
			t.Errorf("with a script %v (-want +got):\n%s", script, d)
		}
	}
}

// TestByKeyboardAlone tells an advance without a mouse, and keeps what is being
// typed while the page around it changes.
func TestByKeyboardAlone(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	p := tab{t, browser(t)}
	p.at(a.URL() + "/floor/m0")
	walk := func(to string) {
		t.Helper()
		for range 60 {
			p.do(chromedp.KeyEvent("\t"))
			if eval[bool](p, "document.activeElement.matches("+fmt.Sprintf("%q", to)+")") {
				return
			}
			if !eval[bool](p, "document.activeElement === document.body || getComputedStyle(document.activeElement.closest('.choice') ?? document.activeElement).outlineStyle !== 'none'") {
				t.Errorf("no outline around the focus: %s", eval[string](p, "document.activeElement.outerHTML"))
			}
		}
		t.Fatalf("60 steps of the tabulator do not lead to %q", to)
	}
	walk("#who input")
	p.do(chromedp.KeyEvent("Ada"))
	walk("#act-advance > summary")
	p.do(chromedp.KeyEvent("\r"))
	walk("#act-advance input")
	p.do(chromedp.KeyEvent("36"))
	publish(t, a, loaded("m0", time.Now(), 0)...)
	p.shows("MONO-GLOSS-137")
	p.do(chromedp.KeyEvent("6"))
	p.enter()
	if got := eval[string](p, "document.activeElement.className"); got != "main" {
		t.Fatalf("Enter leads from the last field to %s", eval[string](p, "document.activeElement.outerHTML"))
	}
	p.do(chromedp.KeyEvent("\r"))
	if d := cmp.Diff(&event.EdgeMoved{ByMM: f(366), Cause: event.CauseAdvance, By: "Ada"}, awaits(t, a, "m0", 1)[0].Data); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if !eval[bool](p, "document.activeElement.matches('#act-advance > summary')") {
		t.Errorf("the focus went to %s", eval[string](p, "document.activeElement.outerHTML"))
	}
}

// TestWithoutAScript sends the forms as forms, which lead back to the page.
func TestWithoutAScript(t *testing.T) {
	a := startApp(t, Options{Config: shopOf(t, 1)})
	ticket := ticketFor("KL-1")
	ticket.Part = "left & right"
	publish(t, a, append(loaded("m0", time.Now(), 0), say("m0", time.Now(), "ticket.received", ticket))...)
	p := tab{t, browser(t)}
	p.scripts(false)
	p.do(chromedp.EmulateViewport(390, 844), chromedp.Navigate(a.URL()+"/floor/m0"))
	p.shows("Load the page again before you rely on it")
	p.shot("touch-no-script")
	p.record("start", "by", "Ada")
	p.until("the way back", "location.pathname + location.search === '/floor/m0?site=north'")
	if d := cmp.Diff(&event.RunStarted{Run: event.Run{Job: "KL-1", Part: "left & right", By: "Ada"}}, awaits(t, a, "m0", 1)[0].Data); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
	eval[bool](p, "document.querySelector('form.undo [name=by]').focus() || true")
	p.do(chromedp.KeyEvent("Ada\r"))
	if got := types(awaits(t, a, "m0", 2)); got != "run.started entry.undone" {
		t.Errorf("stored: %s", got)
	}
	p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
	p.record("advance", "by", "Ada", "field.by_mm", "a bit")
	p.shows("That was refused")
	p.shows("How far")
	p.shot("touch-refused-no-script")
	p.do(chromedp.Click(".notice a.button"))
	p.until("the form again", "location.pathname + location.search === '/floor/m0?site=north' && document.querySelector('form.entry') !== null")
}

// TestTheOtherPages looks at the operator's page and the records as a telephone, a
// tablet and a screen show them, in both languages and looks: with axe-core, with
// hostile and long texts, and for targets that a glove hits. 48 px are what the
// operator's page wants for itself; WCAG 2.2 asks for 24 (success criterion 2.5.8).
func TestTheOtherPages(t *testing.T) {
	script := axe(t)
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 3))})
	longFloor(t, a)
	p := tab{t, browser(t)}
	p.do(chromedp.EmulateViewport(820, 1180), chromedp.Navigate(a.URL()+"/login"))
	looks(p, script, "login")
	p.do(chromedp.Navigate(a.URL() + "/floor/m0"))
	eval[bool](p, fmt.Sprintf("(() => { const f = document.querySelector('form.login'); f.elements.name.value = %q; f.elements.password.value = %q; f.submit(); return true })()", people[1].name, people[1].password))
	p.until("the page", "document.querySelector('main.touch') !== null")
	for name, path := range map[string]string{
		"calm": "/floor/m0", "alarms": "/floor/m1", "unknown": "/floor/m2", "tickets": "/tickets", "history": "/history/north/m1?n=200", "entry": "/history/north/m1/12",
	} {
		p.do(chromedp.Navigate(a.URL() + path))
		looks(p, script, name)
	}
	if got := eval[string](p, "document.title"); strings.Contains(got, "hostile") {
		t.Error("a text was run as a script")
	}
}

// longFloor fills a shop with a calm machine, one with alarms and 200 entries, and
// one that nobody has spoken of, with texts that are long or hostile.
func longFloor(t *testing.T, a *App) {
	t.Helper()
	at := time.Now()
	const hostile = `<script>document.title="hostile"</script><img src=x onerror='document.title="hostile"'>`
	long := strings.Repeat("Donaudampfschifffahrt", 6)
	all := append(loaded("m0", at, 400), say("m0", at, "ticket.received", ticketFor("KL-1")), say("m0", at, "run.started", &event.RunStarted{Run: event.Run{Job: "KL-1"}}))
	hot := ticketFor("KL-2" + long)
	hot.CureC, hot.Title, hot.SourceFile = f(125), hostile+long, hostile+long+".json"
	all = append(append(all, loaded("m1", at, 0)...), say("m1", at, "ticket.received", hot), say("m1", at, "strike.recorded", &event.StrikeRecorded{Job: hostile, Note: hostile + long}),
		say("m1", at, "ticket.rejected", &event.TicketRejected{SourceFile: hostile + long, Kind: "malformed", Reason: hostile}))
	for i := range 210 {
		all = append(all, say("m1", at, "operator.noted", &event.OperatorNoted{Action: event.ActNote, By: long, Reason: fmt.Sprint(hostile, i)}))
	}
	publish(t, a, all...)
}

// looks holds the page that is open to what all of them want.
func looks(p tab, script, name string) {
	p.t.Helper()
	const check = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
		.then((r) => [r.passes.length > 10 ? "" : "the checker did not look", ...r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.map((n) => n.html).join(" | "))].filter((s) => s))`
	const small = `[...document.querySelectorAll("main.touch :is(button, a, summary, select, textarea, label.choice, input:not([type=hidden], [type=radio])), main.touch ~ header :is(a, button)")]
		.filter((e) => e.checkVisibility() && Math.min(e.getBoundingClientRect().height, e.getBoundingClientRect().width) < 48).map((e) => e.outerHTML.slice(0, 100)).join(" | ")`
	for _, lang := range []string{"en", "de"} {
		p.speak(lang)
		p.do(chromedp.Reload())
		p.until("the page in "+lang, "document.documentElement.lang === '"+lang+"' && document.documentElement.classList.contains('live')")
		eval[bool](p, script+"; true")
		for _, look := range []string{"day", "night"} {
			eval[bool](p, fmt.Sprintf("document.documentElement.dataset.look = %q; true", look))
			for _, width := range []int64{390, 820, 1440} {
				at := fmt.Sprintf("%s-%s-%s-%d", name, lang, look, width)
				p.do(chromedp.EmulateViewport(width, 900))
				p.shot(at)
				if wide := eval[float64](p, "document.documentElement.scrollWidth"); int64(wide) > width {
					p.t.Errorf("%s: the page is %g px wide", at, wide)
				}
				if got := eval[string](p, small); got != "" {
					p.t.Errorf("%s: too small for a glove: %s", at, got)
				}
			}
			found := violations(p, check)
			for i := range eval[int](p, "document.querySelectorAll('details.tile').length") {
				eval[bool](p, fmt.Sprintf("(() => { const d = document.querySelectorAll('details.tile')[%d]; d.open = true; const m = d.querySelector('.more'); if (m) m.open = true; return true })()", i))
				if name == "alarms" && i%6 == 0 { // the checker takes its time, and the tiles are of one make
					found = append(found, violations(p, check)...)
				}
				if got := eval[string](p, small); got != "" {
					p.t.Errorf("%s, tile %d: too small for a glove: %s", name, i, got)
				}
			}
			eval[bool](p, "document.querySelectorAll('details.tile').forEach((d) => { d.open = false }); true")
			if len(found) > 0 {
				p.t.Errorf("%s-%s-%s: %s", name, lang, look, strings.Join(found, "\n"))
			}
		}
	}
}

func violations(p tab, check string) []string {
	p.t.Helper()
	found, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](check, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatal(err)
	}
	return found
}
