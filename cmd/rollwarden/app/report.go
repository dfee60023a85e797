package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"slices"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/metrics/monthly"
	"rollwarden/metrics/web"
	"rollwarden/watcher/pager"
)

// reports serves the reports of months as pages, writes that of each month into
// a folder when it is over, and mails it. It reads the journal by itself: the
// loop knows nothing of it.
type reports struct {
	books   *monthly.Books
	press   *monthly.Press
	kit     *web.Kit
	clock   Clock
	zone    *time.Location
	shop    string
	sites   []string
	formats []string
	folder  string                      // of the reports
	mail    poster                      // nil when nobody gets one
	mailed  notes                       // which were mailed
	ready   func(context.Context) error // waits until the journal has been read
	log     zerolog.Logger

	life context.Context // of what pages read
	end  context.CancelFunc
	wait func() // for what pages still read

	mine    func() []string          // sites to report on by itself; the empty name for all as one
	moves   bool                     // whether those may change
	done    map[string]monthly.Month // nothing is left to do for this one, by site
	retryAt map[string]time.Time     // not before, after a failure, by site
}

// poster sends a letter, as pager.Email does.
type poster interface {
	Post(context.Context, pager.Letter) error
}

// How long a month that is over is left to lie, so that what is still on its way
// gets in, and when a failure is tried again.
const (
	settleMonth = time.Hour
	retryReport = 15 * time.Minute
	mailWithin  = 5 * time.Minute
)

// mostBehind is how many months may have gone by without a watch whose reports are
// still written.
const mostBehind = 12

func (a *App) newReports(kit *web.Kit) (*reports, error) {
	o := monthly.BooksOptions{
		Source: a.journals[0], Zone: a.tickets.Location, Now: a.clock.Now, Params: monthly.ParamsOf(a.site), Folder: a.cfg.MonthStates(), Log: a.part("report"),
	}
	if a.partitions.Len() > 1 {
		o.SourceOf = func(site string) monthly.Source { return a.journalOf(site) }
	}
	r := &reports{
		kit: kit, clock: a.clock, zone: a.tickets.Location, shop: a.cfg.Shop.Name, formats: a.cfg.Report.Formats,
		folder: a.cfg.ReportFolder(), mailed: a.mailNotes(), log: a.part("report"), books: monthly.NewBooks(o),
		ready: func(ctx context.Context) error {
			return a.held.each(ctx, func(s *shard) error { return s.caughtUp(ctx) })
		},
		mine: a.reported, moves: a.shared(), done: map[string]monthly.Month{}, retryAt: map[string]time.Time{},
	}
	r.life, r.end = context.WithCancel(context.Background())
	r.sites = a.sites()
	lang := a.cfg.ReportLanguage()
	if !slices.Contains(kit.Languages(), lang) {
		lang = "en"
	}
	r.press = monthly.NewPress(kit, lang)
	mail, err := a.cfg.ReportMail(time.Now)
	if err != nil {
		return nil, err
	}
	if mail != nil { // a nil *pager.Email is no nil poster
		r.mail = mail
	}
	return r, nil
}

// reported are the sites that this daemon writes reports on: those that it watches,
// each by itself where they are in several journals, or all as one.
func (a *App) reported() (sites []string) {
	all := a.sites()
	if a.partitions.Len() == 1 {
		all = []string{""}
	}
	return slices.DeleteFunc(all, func(site string) bool { return !a.here(site) })
}

// register serves the pages.
func (r *reports) register(mux *http.ServeMux) {
	r.wait = monthly.Register(mux, monthly.Options{Kit: r.kit, Books: r.books, Shop: r.shop, Sites: r.sites, Now: r.clock.Now, Life: r.life})
}

// run writes the report of each month that is over until ctx ends, those first that
// are missing because no watch was there. What pages read ends with it.
func (r *reports) run(ctx context.Context) error {
	defer func() {
		r.end()
		if r.wait != nil {
			r.wait()
		}
	}()
	if len(r.formats) == 0 && r.mail == nil || r.ready(ctx) != nil {
		<-ctx.Done()
		return nil
	}
	for {
		due, stop := r.clock.At(r.round(ctx))
		select {
		case <-due:
		case <-ctx.Done():
			stop()
			return nil
		}
		stop()
	}
}

// round does what is due, and returns when to look again. A site whose report fails
// keeps no other from its own.
func (r *reports) round(ctx context.Context) time.Time {
	now := r.clock.Now()
	m := monthly.MonthOf(now.Add(-settleMonth), r.zone).Add(-1)
	next := m.Add(2).In(r.zone).From.Add(settleMonth)
	if r.moves {
		next = now.Add(retryReport)
	}
	for _, site := range r.mine() {
		if again := r.attempt(ctx, now, m, site); !again.IsZero() && again.Before(next) {
			next = again
		}
	}
	return next
}

// attempt finishes the reports of a site up to month m if that is due, and returns
// when to try again; zero when they are done.
func (r *reports) attempt(ctx context.Context, now time.Time, m monthly.Month, site string) time.Time {
	switch {
	case r.done[site] == m:
		return time.Time{}
	case now.Before(r.retryAt[site]):
		return r.retryAt[site]
	}
	if err := r.catchUp(ctx, m, site); err != nil {
		if ctx.Err() == nil {
			r.log.Error().Err(err).Str("site", site).Stringer("up_to", m).Dur("again_in", retryReport).Msg("the reports of months are not done; it is tried again")
		}
		r.retryAt[site] = now.Add(retryReport)
		return r.retryAt[site]
	}
	r.done[site] = m
	return time.Time{}
}

// catchUp finishes the reports of the months up to m that are missing. It begins with
// the oldest, so that one that fails or is cut short leaves none out.
func (r *reports) catchUp(ctx context.Context, m monthly.Month, site string) error {
	missing, err := r.missing(ctx, m, site)
	if err != nil {
		return err
	}
	for _, month := range slices.Backward(missing) {
		if err := r.finish(ctx, month, site); err != nil {
			return err
		}
	}
	return nil
}

// missing looks back from m to the first month that something is there of, since
// those before it were done in their time, and no further than the journal goes: each
// month that is asked for has its entries read. The newest comes first.
func (r *reports) missing(ctx context.Context, m monthly.Month, site string) (months []monthly.Month, err error) {
	all, err := r.books.Months(ctx, site)
	if err != nil {
		return nil, err
	}
	for _, month := range all {
		if m.Before(month) {
			continue
		}
		if month.Before(m.Add(1 - mostBehind)) {
			break
		}
		months = append(months, month)
		if begun, err := r.begun(month, site); err != nil || begun {
			return months, err
		}
	}
	return months, nil
}

// begun reports whether anything was done of a month's report.
func (r *reports) begun(m monthly.Month, site string) (bool, error) {
	e := &monthly.Edition{Month: m, Site: site, Shop: r.shop}
	if slices.ContainsFunc(r.formats, func(format string) bool { return there(e.Path(r.folder, format)) }) {
		return true, nil
	}
	if r.mail == nil {
		return false, nil
	}
	return r.wasMailed(e)
}

// finish writes and mails what is still missing of a month's report. A month
// that nothing was watched in has none.
func (r *reports) finish(ctx context.Context, m monthly.Month, site string) error {
	e := &monthly.Edition{Month: m, Site: site, Shop: r.shop}
	missing := slices.DeleteFunc(slices.Clone(r.formats), func(format string) bool { return there(e.Path(r.folder, format)) })
	mailed, err := r.wasMailed(e)
	if err != nil || len(missing) == 0 && mailed {
		return err
	}
	if e.Report, err = r.books.Report(ctx, m, site); err != nil || e.Report.Events == 0 {
		return err
	}
	for _, format := range missing {
		path, err := r.press.Save(r.folder, e, format, r.clock.Now())
		if err != nil {
			return err
		}
		r.log.Info().Str("file", path).Msg("wrote the report of a month")
	}
	if mailed {
		return nil
	}
	return r.post(ctx, e)
}

// post mails the report. The mark comes after the mail, so that a crash between
// the two repeats it and never loses it; its Message-ID is the same both times.
func (r *reports) post(ctx context.Context, e *monthly.Edition) error {
	ctx, cancel := context.WithTimeout(ctx, mailWithin)
	defer cancel()
	var file bytes.Buffer
	if err := r.press.Write(&file, e, "pdf", r.clock.Now()); err != nil {
		return err
	}
	subject := r.press.Title(e)
	if r.shop != "" {
		subject = r.shop + ": " + subject
	}
	err := r.mail.Post(ctx, pager.Letter{
		Key: "report " + r.shop + " " + e.Name(), Subject: subject, Text: r.press.Text(e),
		File: &pager.Attachment{Name: e.Name() + ".pdf", Type: "application/pdf", Data: file.Bytes()},
	})
	if pager.IsPermanent(err) {
		r.log.Error().Err(err).Stringer("month", e.Month).Msg("the report cannot be mailed: see report.mail_to and pager.mail; it is tried again at the next start")
		return nil
	}
	if err != nil {
		return fmt.Errorf("mail the report of %s: %w", e.Month, err)
	}
	if err := r.mailed.Note(mailNote(e)); err != nil {
		return fmt.Errorf("remember that the report of %s was mailed: %w", e.Month, err)
	}
	r.log.Info().Stringer("month", e.Month).Msg("mailed the report of a month")
	return nil
}

// wasMailed reports whether nobody is left to mail a report to.
func (r *reports) wasMailed(e *monthly.Edition) (bool, error) {
	if r.mail == nil {
		return true, nil
	}
	return r.mailed.Noted(mailNote(e))
}

func mailNote(e *monthly.Edition) string { return "mailed-" + e.Name() }

// there reports whether a file is there. One that cannot be looked at counts as
// there: writing it would not do better.
func there(path string) bool {
	_, err := os.Stat(path)
	return !errors.Is(err, fs.ErrNotExist)
}
