package app

import (
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/rules/queue"
)

// mixedShop is a shop whose prices are known, and whose machine m0 has a queue
// that is better taken in another order: cheap film, film that lies flat, and
// cheap film again.
func mixedShop(t *testing.T) *config.Config {
	t.Helper()
	cfg := shopOf(t, 3)
	cfg.Stocks = []config.Stock{
		{Code: "MONO-GLOSS-137", Class: event.Monomeric, WidthMM: f(1370), Film: config.Film{PricePerM2: "1.20"}},
		{Code: "POLY-GLOSS-137", Class: event.Polymeric, WidthMM: f(1370), Film: config.Film{PricePerM2: "2.60"}},
	}
	return cfg
}

func mixedQueue(t *testing.T, a *App) {
	t.Helper()
	at, due := time.Now(), time.Now().Add(24*time.Hour)
	publish(t, a, loaded("m0", at, 0)...)
	for i, stock := range []string{"MONO-GLOSS-137", "POLY-GLOSS-137", "MONO-GLOSS-137"} {
		ticket := ticketFor(fmt.Sprint("KL-", i+1))
		ticket.Stock, ticket.Due, ticket.ContourCut, ticket.MarkSpacingMM = stock, &due, true, f(400)
		if i == 1 {
			ticket.FilmClass = event.Polymeric
		}
		publish(t, a, say("m0", at, "ticket.received", ticket))
	}
}

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)"`)

// TestAcceptingAnOrder takes the advised order from the page, as a browser
// without a script sends it, and finds the queue in that order.
func TestAcceptingAnOrder(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, mixedShop(t))})
	mixedQueue(t, a)
	v := visit(t, a)
	if strings.Contains(v.as("operator").get("/advice/north/m0").wants(t, 200).body, `class="accept"`) {
		t.Error("an operator is offered what only a supervisor may do")
	}
	lead := v.as("supervisor")
	page := lead.get("/advice/north/m0", asPerson).wants(t, 200)
	_, part, found := strings.Cut(page.body, `class="accept"`)
	if !found {
		t.Fatal("the order is not offered to a supervisor")
	}
	part, _, _ = strings.Cut(part, "</form>")
	form := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(part, -1) {
		form.Add(m[1], m[2])
	}
	if got := strings.Join(form["order"], " "); got != "KL-1 KL-3 KL-2" {
		t.Fatalf("advised: %s", got)
	}
	const to = "/api/v1/machines/north/m0/advice"
	v.as("operator").ask("POST", to, form.Encode(), asForm, asPerson).wants(t, 403)
	answer := lead.ask("POST", to, form.Encode(), asForm, asPerson).wants(t, 303)
	back := lead.get(answer.Header.Get("Location"), asPerson).wants(t, 200)
	back.says(t, "Keep the order", "a person gave it its place")

	var order []string
	for _, r := range a.View().Floor.Machine("north", "m0").Queue {
		order = append(order, event.JobName(r.Job, r.Part))
	}
	if got := strings.Join(order, " "); got != "KL-1 KL-3 KL-2" {
		t.Errorf("the queue is %s", got)
	}
	taken, err := event.Decode(lastEntry(t, a))
	if d, ok := taken.Data.(*event.AdviceAccepted); err != nil || !ok || d.By != "ines" || len(d.Order) != 3 {
		t.Errorf("the journal's newest entry is %+v, %v", taken, err)
	}
	lead.ask("POST", to, form.Encode(), asForm, asPerson).wants(t, 303, "sent twice it counts once")
}

// TestThePricesOfTheConfiguration lets an hour late cost a hundredfold, and finds
// it in the advice.
func TestThePricesOfTheConfiguration(t *testing.T) {
	cfg := mixedShop(t)
	cfg.Queue.ChangeWork, cfg.Queue.ThreadM = time.Hour, 0
	a := startApp(t, Options{Config: cfg})
	mixedQueue(t, a)
	// A change of the roll takes an hour of labour and of standstill, 30 and 60
	// USD: two of them now, one as advised.
	visit(t, a).get("/api/v1/machines/north/m0/advice").wants(t, 200).says(t, `"roll_changes": "180.00 USD"`, `"roll_changes": "90.00 USD"`)
	if got, err := cfg.QueuePrices(); err != nil || got == queue.DefaultPrices() {
		t.Errorf("prices %+v, %v", got, err)
	}
}

// TestTheAdviceInABrowser looks at the page in both languages and looks, on a
// telephone and on a screen, with every fold open, by axe-core's rules for WCAG
// 2.2, levels A and AA; and sees it told when the machine changes.
func TestTheAdviceInABrowser(t *testing.T) {
	script := axe(t)
	a := startApp(t, Options{Config: mixedShop(t)})
	mixedQueue(t, a)
	p := tab{t, browser(t)}
	said := complaints(t, p.ctx)
	const check = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
		.then((r) => [r.passes.length > 10 ? "" : "the checker did not look", ...r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.map((n) => n.html).join(" | "))].filter((s) => s))`
	for _, c := range []struct {
		lang, look, machine string
		width               int64
	}{
		{"en", "day", "m0", 390}, {"en", "night", "m0", 390}, {"en", "day", "m0", 1440}, {"en", "night", "m0", 1440},
		{"de", "day", "m0", 390}, {"de", "night", "m0", 1440}, {"en", "day", "m2", 390},
	} {
		name := fmt.Sprintf("advice-%s-%s-%s-%d", c.machine, c.lang, c.look, c.width)
		t.Run(name, func(t *testing.T) {
			p := tab{t, p.ctx}
			p.speak(c.lang)
			p.do(chromedp.EmulateViewport(c.width, 900), chromedp.Navigate(a.URL()+"/advice/north/"+c.machine))
			eval[bool](p, fmt.Sprintf("document.documentElement.dataset.look = %q; document.documentElement.lang === %q", c.look, c.lang))
			p.shot(name)
			eval[bool](p, "document.querySelectorAll('details').forEach((d) => { d.open = true }); true")
			p.shot(name + "-open")
			eval[bool](p, script+"; true")
			found, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](check, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			if len(found) > 0 {
				t.Errorf("%s", strings.Join(found, "\n"))
			}
			if wide := eval[float64](p, "document.documentElement.scrollWidth"); int64(wide) > c.width {
				t.Errorf("the page is %g px wide on a screen of %d: %s", wide, c.width,
					eval[string](p, "[...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.scroll')).map((e) => e.outerHTML.slice(0, 200)).join(' | ')"))
			}
		})
	}
	p.speak("en")
	p.do(chromedp.Navigate(a.URL() + "/advice/north/m0"))
	p.until("the page is live", "document.getElementById('newest') !== null && document.getElementById('newer').hidden")
	publish(t, a, say("m1", time.Now(), "edge.moved", &event.EdgeMoved{PositionMM: f(10), Cause: event.CauseAdvance}))
	publish(t, a, say("m0", time.Now(), "edge.moved", &event.EdgeMoved{PositionMM: f(700), Cause: event.CauseAdvance}))
	p.until("the page says that it is old", "!document.getElementById('newer').hidden")
	p.do(chromedp.Click("#newer a"))
	p.until("the new decision", "document.body?.innerText.includes('there is no bare edge before the cure zone') ?? false")
	p.until("the new page is not old", "document.getElementById('newer')?.hidden ?? false")
	if got := said(); got != "" {
		t.Errorf("the browser complains: %s", got)
	}
}

// TestTheWayToWhatPays finds the decision in one line on the board and on the
// operator's page, in both languages, and the link to all of it.
func TestTheWayToWhatPays(t *testing.T) {
	a := startApp(t, Options{Config: mixedShop(t)})
	mixedQueue(t, a)
	v := visit(t, a)
	for _, path := range []string{"/", "/floor/m0"} {
		v.get(path, "Accept-Language: en").wants(t, 200).says(t, `href="/advice/north/m0"`, "<p>advance: 0.68 USD against ", "pays from a strike chance of 0.8 % up")
		v.get(path, "Accept-Language: de").wants(t, 200).says(t, `href="/advice/north/m0"`, "<p>Vorschub: 0,68 USD gegen ", "lohnt sich ab einer Crash-Wahrscheinlichkeit von 0,8 %")
	}
}
