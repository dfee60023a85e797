package board

import (
	"bytes"
	"embed"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/units"
)

//go:embed templates
var templateFiles embed.FS

// parsePages makes one set of templates for each language, with that
// language's words as the function t.
func parsePages(a assets) map[string]*template.Template {
	pages := make(map[string]*template.Template, len(languages))
	for _, lang := range languages {
		pages[lang] = template.Must(template.New("").Funcs(template.FuncMap{
			"t":     catalogue[lang].say,
			"asset": func(name string) string { return a.url[name] },
		}).ParseFS(templateFiles, "templates/*.html"))
	}
	return pages
}

// The number of things on the page that a flood could make many.
const (
	mostStrangers = 20 // machines that are not configured
	mostAnomalies = 10
)

// refreshS is how often the page is loaded again, in s.
const refreshS = 5

// frame is what every page has.
type frame struct {
	Lang    string
	Shop    string
	Title   string
	Refresh int // s; 0 for a page that is held still
	Text    string
}

type statusPage struct {
	frame
	Held      bool
	Ready     bool
	Seq       uint64
	At        stamp
	Age       string
	Zone      string
	Summary   []summary
	Machines  []card
	More      int
	Anomalies []anomalyLine
	AllOdd    uint64
	Refused   []refusedLine
	Untold    []refusedLine // pages that a channel has not taken, by channel
}

// stamp is a moment for people and for programs.
type stamp struct{ Text, Machine string }

type summary struct {
	Priority, Text string
	On             []link
}

type link struct{ Anchor, Name string }

type anomalyLine struct {
	At           stamp
	Machine      string
	Text, Reason string
}

type refusedLine struct {
	Text string
	N    uint64
}

// status serves the page of the whole floor.
func (b *board) status(w http.ResponseWriter, r *http.Request) {
	lang := pick(r.Header.Get("Accept-Language"))
	v := b.o.View()
	if v == nil {
		w.Header().Set("Retry-After", retryAfter)
		b.notice(w, r, http.StatusServiceUnavailable, "reading", refreshS)
		return
	}
	p := &painter{board: b, view: v, words: catalogue[lang], now: b.o.Now(), shown: b.machines(v)}
	page := p.status()
	page.Lang, page.Shop = lang, b.o.Shop
	if page.Held = r.URL.Query().Has("still"); !page.Held {
		page.Refresh = refreshS
	}
	b.render(w, lang, "status", http.StatusOK, page)
}

func (b *board) missing(w http.ResponseWriter, r *http.Request) {
	b.notice(w, r, http.StatusNotFound, "missing", 0)
}

// notice serves a page that says one thing.
func (b *board) notice(w http.ResponseWriter, r *http.Request, status int, key string, refresh int) {
	lang := pick(r.Header.Get("Accept-Language"))
	b.render(w, lang, key, status, frame{
		Lang: lang, Shop: b.o.Shop, Refresh: refresh,
		Title: catalogue[lang].say(key + ".title"), Text: catalogue[lang].say(key + ".text"),
	})
}

// render writes a page only when it is whole, so that a fault in a template
// never leaves half a floor on the screen.
func (b *board) render(w http.ResponseWriter, lang, name string, status int, page any) {
	var body bytes.Buffer
	if err := b.pages[lang].ExecuteTemplate(&body, name, page); err != nil {
		plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Language", lang)
	w.WriteHeader(status)
	w.Write(body.Bytes())
}

// painter turns one view into a page in one language.
type painter struct {
	*board
	words
	view  *rules.View
	now   time.Time
	shown []shown
}

func (p *painter) status() *statusPage {
	page := &statusPage{
		Ready: p.ready(p.view), Seq: p.view.Seq, At: p.stamp(p.view.At), Age: p.ago(p.view.At), Zone: p.zone(),
	}
	strangers := 0
	for _, s := range p.shown {
		if s.plant == nil {
			if strangers++; strangers > mostStrangers {
				page.More++
				continue
			}
		}
		page.Machines = append(page.Machines, p.card(s))
	}
	page.Summary = p.summary()
	page.Title = p.say("title")
	page.Anomalies, page.AllOdd = p.anomalies()
	page.Refused = p.refused()
	page.Untold = p.untold()
	return page
}

// summary counts the active alarms of each priority and says where they are,
// over all machines, whether the page has room for them or not.
func (p *painter) summary() []summary {
	var out []summary
	for _, priority := range hazard.Priorities {
		s, n := summary{Priority: string(priority)}, 0
		for _, m := range p.shown {
			on := 0
			for _, a := range p.view.Alarms.On(m.site, m.machine) {
				if a.State.Active() && a.Change.Priority == string(priority) {
					on++
				}
			}
			if n += on; on > 0 && len(s.On) < mostStrangers {
				s.On = append(s.On, link{anchor(m.site, m.machine), m.machine})
			}
		}
		if n > 0 {
			s.Text = p.say("summary."+string(priority), n)
			out = append(out, s)
		}
	}
	return out
}

// anchor is a machine's place on the page. A dot stands in no name.
func anchor(site, machine string) string { return "m." + site + "." + machine }

// Oddities.

func (p *painter) anomalies() (lines []anomalyLine, all uint64) {
	for _, n := range p.view.Floor.Anomalies.Total {
		all += n
	}
	newest := p.view.Floor.Anomalies.Newest
	for i := len(newest) - 1; i >= 0 && len(lines) < mostAnomalies; i-- {
		n := &newest[i]
		line := anomalyLine{At: p.stamp(n.At), Machine: n.Machine, Text: n.Text}
		if line.Machine == "" {
			line.Machine = p.say("unknown")
		}
		for _, k := range floor.AnomalyKinds {
			if k.Code == n.Kind {
				line.Reason = k.Doc
			}
		}
		lines = append(lines, line)
	}
	return lines, all
}

func (p *painter) refused() []refusedLine {
	var lines []refusedLine
	for _, kind := range append(slices.Clone(event.RejectKinds), "event") {
		if n := p.view.Floor.Counts.Rejected[kind]; n > 0 {
			lines = append(lines, refusedLine{p.name("reject", kind), n})
		}
	}
	return lines
}

// untold counts the pages that a channel has refused at least once and has not
// taken since: the people behind it may not know of the alarm.
func (p *painter) untold() []refusedLine {
	counts := map[string]uint64{}
	for _, page := range p.view.Alarms.Pages {
		for _, open := range page.Open {
			if open.Attempts > 0 {
				counts[open.Channel]++
			}
		}
	}
	var lines []refusedLine
	for _, channel := range slices.Sorted(maps.Keys(counts)) {
		lines = append(lines, refusedLine{channel, counts[channel]})
	}
	return lines
}

// Times.

// ago is how long before now a moment was; one that a clock elsewhere puts in
// the future is now.
func (p *painter) ago(t time.Time) string { return units.Span(max(0, p.now.Sub(t))) }

// zone names the zone of the page's times. That of this computer has no name
// that a reader elsewhere could use, so it goes by what its clock shows.
func (p *painter) zone() string {
	if p.o.Zone == time.Local {
		return p.now.In(p.o.Zone).Format("MST (UTC-07:00)")
	}
	return p.o.Zone.String()
}

// clock writes a moment in the shop's zone, with its date unless it is today's.
func (p *painter) clock(t time.Time) string {
	t, now := t.In(p.o.Zone), p.now.In(p.o.Zone)
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format("15:04:05")
	}
	return t.Format("2006-01-02 15:04")
}

func (p *painter) stamp(t time.Time) stamp {
	return stamp{p.clock(t), t.UTC().Format(time.RFC3339)}
}
