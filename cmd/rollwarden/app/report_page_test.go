package app

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"rollwarden/rules/event"
)

// aMonthOfEverything lets a shop have what each section of a report shows: starts
// on several days, strikes with and without a downtime, waste, reprints, a change.
func aMonthOfEverything(t *testing.T, a *App) {
	t.Helper()
	for i := range 24 {
		at := lisbon(t, time.March, 3+i, 9, 0)
		machine, job := fmt.Sprint("m", i%3), fmt.Sprint("KL-", 100+i)
		list := append(loaded(machine, at, float64(400*(i%2))), say(machine, at.Add(time.Minute), "run.started", &event.RunStarted{Run: event.Run{Job: job}}))
		switch i % 4 {
		case 0:
			list = append(list, say(machine, at.Add(2*time.Minute), "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: f(float64(600 * (1 + i%3)))}))
		case 1:
			list = append(list, say(machine, at.Add(2*time.Minute), "film.wasted", &event.FilmWasted{LengthM: 1 + float64(i%5), Cause: "register"}))
		case 2:
			list = append(list, say(machine, at.Add(2*time.Minute), "job.reprinted", &event.JobReprinted{Job: job, Cause: "misprint"}))
		}
		list = append(list, say(machine, at.Add(9*time.Minute), "run.finished", &event.RunFinished{Run: event.Run{Job: job, Metres: f(3)}}))
		publish(t, a, list...)
	}
	publish(t, a, say(event.AnyMachine, lisbon(t, time.March, 28, 9, 0), "change.marked", &event.ChangeMarked{Label: "new tape for leaders"}))
}

// TestTheReportIsAccessible lets axe-core look at the list of reports, at a month
// with something in every section and at one without anything, in both languages
// and looks, on a telephone and on a screen, with every fold open; and wants
// nothing to be wider than the screen or than the paper that it is printed on.
func TestTheReportIsAccessible(t *testing.T) {
	script := axe(t)
	a, _, _ := marchShop(t, lisbon(t, time.March, 29, 8, 0))
	aMonthOfEverything(t, a)
	p := tab{t, browser(t)}
	said := complaints(t, p.ctx)
	const check = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
		.then((r) => [r.passes.length > 10 ? "" : "the checker did not look", ...r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.map((n) => n.html).join(" | "))].filter((s) => s))`
	const tooWide = `[...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.scroll')).map((e) => e.outerHTML.slice(0, 200)).join(' | ')`
	for _, lang := range []string{"en", "de"} {
		for _, look := range []string{"day", "night"} {
			for _, width := range []int64{390, 1440} {
				for _, page := range []string{"", "2026-02", "2026-03"} {
					name := fmt.Sprintf("report%s-%s-%s-%d", page, lang, look, width)
					t.Run(name, func(t *testing.T) {
						p := tab{t, p.ctx}
						p.speak(lang)
						p.do(chromedp.EmulateViewport(width, 900), chromedp.Navigate(a.URL()+"/report/"+page))
						eval[bool](p, fmt.Sprintf("document.documentElement.dataset.look = %q; true", look))
						p.shot(name)
						if !eval[bool](p, "document.querySelectorAll('details').forEach((d) => { d.open = true }); document.documentElement.lang === '"+lang+"' && document.querySelector('main.report') !== null") {
							t.Fatalf("no report in %s: %s", lang, eval[string](p, "document.body.innerText"))
						}
						if charts := eval[int](p, "document.querySelectorAll('svg.chart').length"); page == "2026-03" && charts < 8 {
							t.Errorf("%d charts", charts)
						}
						eval[bool](p, script+"; true")
						found, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](check, chromedp.EvalAwaitPromise))
						if err != nil {
							t.Fatal(err)
						}
						if len(found) > 0 {
							t.Errorf("%s", strings.Join(found, "\n"))
						}
						if wide := eval[float64](p, "document.documentElement.scrollWidth"); int64(wide) > width {
							t.Errorf("the page is %g px wide on a screen of %d: %s", wide, width, eval[string](p, tooWide))
						}
					})
				}
			}
		}
	}
	printed(p, a)
	if got := said(); got != "" {
		t.Errorf("the browser complains: %s", got)
	}
}

// printed looks at a report as it is printed on A4: 178 mm between the margins
// are 673 px, and no control of the page is on the paper.
func printed(p tab, a *App) {
	p.t.Helper()
	p.do(chromedp.EmulateViewport(673, 900), chromedp.Navigate(a.URL()+"/report/2026-03"), func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return chromedp.Void{}, err
	})
	p.shot("report-print")
	if wide := eval[float64](p, "Math.max(...[...document.querySelectorAll('main *')].map((e) => e.getBoundingClientRect().right))"); wide > 674 {
		p.t.Errorf("the printed page is %g px wide on a sheet of 673: %s", wide,
			eval[string](p, "[...document.querySelectorAll('main *')].filter((e) => e.getBoundingClientRect().right > 674).map((e) => e.outerHTML.slice(0, 160)).slice(0, 6).join(' | ')"))
	}
	if seen := eval[string](p, "[...document.querySelectorAll('.files, .contents, summary, .top')].filter((e) => e.getClientRects().length > 0).map((e) => e.outerHTML.slice(0, 100)).join(' | ')"); seen != "" {
		p.t.Errorf("on paper there is %s", seen)
	}
}
