package app

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rollwarden/rules/event"
)

// phone is the width of a common telephone, px.
const phone = 390

// TestReasonsOnAPhone shows why a configuration and a signal were refused within
// the width of a telephone, where nobody thinks of scrolling sideways.
func TestReasonsOnAPhone(t *testing.T) {
	w := runReloaded(t, shopOf(t, 1))
	const key = "rollwarden.yaml:162:5: machines[0].path.take_up_mm is missing: want it measured too; leave the whole path away until it is"
	w.change(nil, errors.New(key))
	reason := "rh_pct: want a number from 0 to 100 percent; the payload was " + strings.Repeat("9", 200)
	publish(t, w.now(), say("m0", time.Now(), "ticket.rejected", &event.TicketRejected{SourceFile: "kestrel/climate", Kind: "bad-value", Reason: reason}))
	p := tab{t, browser(t)}
	for path, sought := range map[string]string{"/upkeep": ".warning li", "/tickets": "#rejected td:last-child"} {
		p.do(chromedp.EmulateViewport(phone, 844), chromedp.Navigate(w.now().URL()+path))
		p.until(path, "document.querySelector('"+sought+"') !== null")
		if wide := eval[float64](p, "document.documentElement.scrollWidth"); wide > phone {
			t.Errorf("%s is %g px wide", path, wide)
		}
		if right := eval[float64](p, "(() => { const r = document.createRange(); r.selectNodeContents(document.querySelector('"+sought+"')); return r.getBoundingClientRect().right })()"); right > phone {
			t.Errorf("%s: the reason reaches to %g px", path, right)
		}
	}
}

// TestTablesOnAPhone reads the due date of a ticket, the values of an entry and the
// advised place of a run within the width of a telephone, each with its name.
func TestTablesOnAPhone(t *testing.T) {
	a := startApp(t, Options{Config: mixedShop(t)})
	mixedQueue(t, a)
	p := tab{t, browser(t)}
	for path, sought := range map[string]string{"/tickets": "Due", "/history/north/m0": "When", "/advice/north/m0": "Advised place"} {
		p.do(chromedp.EmulateViewport(phone, 844), chromedp.Navigate(a.URL()+path))
		p.until(path, "document.querySelector('.stack td[data-label=\""+sought+"\"]') !== null")
		p.shot("phone" + strings.ReplaceAll(path, "/", "-"))
		if hidden := eval[string](p, "[...document.querySelectorAll('main .stack tbody :is(td, th)')].filter((e) => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth).map((e) => e.outerHTML.slice(0, 120)).join(' | ')"); hidden != "" {
			t.Errorf("%s hides behind a sideways scroll: %s", path, hidden)
		}
		if said := eval[string](p, "getComputedStyle(document.querySelector('.stack td[data-label=\""+sought+"\"]'), '::before').content"); !strings.Contains(said, sought) {
			t.Errorf("%s: the cell says %s instead of its name", path, said)
		}
	}
}
