package monthly

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules/reliability"
)

// Options are what the pages of reports need. Each is required.
type Options struct {
	Kit   *web.Kit
	Books *Books
	Shop  string
	Sites []string // those that can be chosen
	Now   func() time.Time
	Life  context.Context // of the watch: a reading goes on while its reader gives up, and ends with this
}

// How long things may take.
const (
	patience = 15 * time.Second // of a page, before it says that it takes longer
	longest  = 10 * time.Minute // of a reading
	fresh    = time.Minute      // how old a report may be while nothing new is in the journal
)

// Register serves the reports on a mux: /report/ lists the months, /report/2026-03
// is a page, and /report/2026-03/report.pdf a file. The function that it returns
// waits for what is still being read when life has ended.
func Register(mux *http.ServeMux, o Options) (wait func()) {
	o.Kit.Add(files, "assets")
	p := &pages{o: o, templates: o.Kit.Parse(files, "templates/*.html", nil), press: map[string]*Press{}, jobs: map[job]*reading{}}
	for _, lang := range o.Kit.Languages() {
		p.press[lang] = NewPress(o.Kit, lang)
	}
	for pattern, serve := range map[string]http.HandlerFunc{
		"/report/{$}": p.list, "/report/{month}": p.page, "/report/{month}/{file}": p.file,
	} {
		mux.Handle(pattern, web.ReadOnly(serve))
	}
	return p.readings.Wait
}

type pages struct {
	o         Options
	templates web.Pages
	press     map[string]*Press

	readings sync.WaitGroup

	mu   sync.Mutex
	jobs map[job]*reading
}

// job is what somebody asked for.
type job struct {
	month Month
	site  string
}

// reading is the making of one report, which any number of readers wait for.
type reading struct {
	done   chan struct{}
	began  time.Time
	seq    uint64             // of the journal's last entry then
	report reliability.Report // once done
	err    error
}

// mostJobs is how many reports are remembered, and so the most that may be waiting
// to be read.
const mostJobs = 24

// report waits for a report. It is not ok when it takes too long, or fails: the
// reader has then been told.
func (p *pages) report(w http.ResponseWriter, r *http.Request, j job) (reliability.Report, bool) {
	made := p.begin(j, p.newest(r.Context(), j.site))
	if made == nil {
		p.o.Kit.Later(w, r, "report.reading")
		return reliability.Report{}, false
	}
	wait := time.NewTimer(patience)
	defer wait.Stop()
	select {
	case <-made.done:
	case <-wait.C:
		p.o.Kit.Later(w, r, "report.reading")
		return reliability.Report{}, false
	case <-r.Context().Done():
		return reliability.Report{}, false
	}
	switch {
	case errors.Is(made.err, ErrNotYet):
		p.o.Kit.Notice(w, r, http.StatusNotFound, "report.not-yet", 0)
		return reliability.Report{}, false
	case made.err != nil:
		p.o.Kit.Later(w, r, "history.away")
		return reliability.Report{}, false
	}
	return made.report, true
}

// newest is the sequence of the journal's last entry; 0 when nobody can tell, and
// then reading fails too.
func (p *pages) newest(ctx context.Context, site string) uint64 {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	_, last, err := p.o.Books.source(site).Span(ctx)
	if err != nil {
		return 0
	}
	return last
}

// begin starts a reading, unless one is on its way or was made of the same
// journal. It returns nil when as many are on their way as may be.
func (p *pages) begin(j job, seq uint64) *reading {
	p.mu.Lock()
	defer p.mu.Unlock()
	if old := p.jobs[j]; old != nil && (!old.finished() || old.err == nil && old.seq == seq && p.o.Now().Sub(old.began).Abs() < fresh) {
		return old
	}
	if len(p.jobs) >= mostJobs {
		maps.DeleteFunc(p.jobs, func(_ job, old *reading) bool { return old.finished() })
	}
	if len(p.jobs) >= mostJobs {
		return nil
	}
	n := &reading{done: make(chan struct{}), began: p.o.Now(), seq: seq}
	p.jobs[j] = n
	p.readings.Go(func() {
		defer close(n.done)
		ctx, cancel := context.WithTimeout(p.o.Life, longest)
		defer cancel()
		n.report, n.err = p.o.Books.Report(ctx, j.month, j.site)
	})
	return n
}

func (n *reading) finished() bool {
	select {
	case <-n.done:
		return true
	default:
		return false
	}
}

// asked reads which report a request is for; it is not ok when there is none.
func (p *pages) asked(w http.ResponseWriter, r *http.Request) (job, bool) {
	m, err := ParseMonth(r.PathValue("month"))
	if err != nil {
		p.o.Kit.Missing(w, r)
		return job{}, false
	}
	site := r.URL.Query().Get("site")
	if site == "" && p.bySite() {
		http.Redirect(w, r, m.link(p.o.Sites[0], r.PathValue("file")), http.StatusTemporaryRedirect)
		return job{}, false
	}
	for _, known := range append([]string{""}, p.o.Sites...) {
		if site == known {
			return job{m, site}, true
		}
	}
	p.o.Kit.Missing(w, r)
	return job{}, false
}

// bySite reports whether every site has a report of its own and all together
// have none.
func (p *pages) bySite() bool { return p.o.Books.o.SourceOf != nil && len(p.o.Sites) > 0 }

// months lists the months of all sites.
func (p *pages) months(ctx context.Context) (months []Month, err error) {
	if !p.bySite() {
		return p.o.Books.Months(ctx, "")
	}
	for _, site := range p.o.Sites {
		of, err := p.o.Books.Months(ctx, site)
		if err != nil {
			return nil, err
		}
		if len(of) > len(months) { // each begins with this month
			months = of
		}
	}
	return months, nil
}

type pageView struct {
	web.Frame
	Doc          *document
	Again        int    // s, until a running month is loaded again
	Older, Newer string // addresses
	Files        []link
}

type link struct{ Name, Link string }

func (p *pages) page(w http.ResponseWriter, r *http.Request) {
	j, ok := p.asked(w, r)
	if !ok {
		return
	}
	report, ok := p.report(w, r, j)
	if !ok {
		return
	}
	press := p.press[p.o.Kit.Lang(r)]
	doc := press.lay(&Edition{report, j.month, j.site, p.o.Shop})
	v := pageView{Frame: p.o.Kit.Frame(r, "report", doc.Title), Doc: doc, Older: j.month.Add(-1).link(j.site, "")}
	v.Shop, doc.Shop = cmp.Or(v.Shop, p.o.Shop), "" // the frame says it already
	if next := j.month.Add(1); !MonthOf(p.o.Now(), press.pen.Zone).Before(next) {
		v.Newer = next.link(j.site, "")
	}
	for _, format := range Formats {
		v.Files = append(v.Files, link{strings.ToUpper(format), j.month.link(j.site, "report."+format)})
	}
	if (j.site == "" || p.bySite()) && len(p.o.Sites) > 1 {
		for _, site := range p.o.Sites {
			v.Files = append(v.Files, link{site, j.month.link(site, "")})
		}
	}
	p.templates.Render(w, press.pen.Lang, "report-page", http.StatusOK, v)
}

// link is the address of a report, or of a file of it.
func (m Month) link(site, file string) string {
	address := "/report/" + m.String()
	if file != "" {
		address += "/" + file
	}
	if site != "" {
		address += "?" + url.Values{"site": {site}}.Encode()
	}
	return address
}

func (p *pages) file(w http.ResponseWriter, r *http.Request) {
	format, ok := strings.CutPrefix(r.PathValue("file"), "report.")
	if !ok || !known(format) {
		p.o.Kit.Missing(w, r)
		return
	}
	j, ok := p.asked(w, r)
	if !ok {
		return
	}
	report, ok := p.report(w, r, j)
	if !ok {
		return
	}
	e := &Edition{report, j.month, j.site, p.o.Shop}
	lang := p.o.Kit.Lang(r)
	var body bytes.Buffer
	if err := p.press[lang].Write(&body, e, format, e.Report.Until); err != nil {
		web.Plain(w, http.StatusInternalServerError, err.Error())
		return
	}
	w.Header().Set("Content-Type", mediaTypes[format])
	w.Header().Set("Content-Language", lang)
	w.Header().Set("Content-Disposition", `attachment; filename="rollwarden-`+e.Name()+"."+format+`"`)
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(body.Bytes())
}

// list lists the months.
func (p *pages) list(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	months, err := p.months(ctx)
	if err != nil {
		p.o.Kit.Later(w, r, "history.away")
		return
	}
	press := p.press[p.o.Kit.Lang(r)]
	words := &writer{Pen: press.pen}
	v := pageView{Frame: p.o.Kit.Frame(r, "report", words.Say("report.list"))}
	for _, m := range months {
		v.Files = append(v.Files, link{words.monthName(m), m.link("", "")})
	}
	p.templates.Render(w, press.pen.Lang, "report-list", http.StatusOK, v)
}
