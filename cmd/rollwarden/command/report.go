package command

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/monthly"
	"rollwarden/metrics/web"
	"rollwarden/rules/reliability"
)

type reportCommand struct {
	Month string `help:"Month, such as 2026-03; the last one that is over when absent." placeholder:"YYYY-MM"`
	Site  string `help:"One site only." placeholder:"SITE" predictor:"site"`
	Out   string `help:"File to write, by its ending .html, .pdf, .csv, .xlsx or .json; a summary is printed when absent." placeholder:"FILE" type:"path"`
	Lang  string `help:"Language, en or de; that of the configuration when absent."`
	NATS  string `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// Run reads the journal and writes the report of a month. For a program it prints
// the whole report, which deploy/report.schema.json describes.
func (r reportCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	press, edition, format, err := r.prepare(cfg, time.Now())
	if err != nil {
		return err
	}
	tick, end := e.progress("reading the journal")
	edition.Report, err = r.read(e.ctx, cfg, edition, time.Now, tick)
	end()
	if err != nil {
		if errors.Is(err, monthly.ErrNotYet) {
			return usageError{fmt.Errorf("--month: %w", err)}
		}
		return err
	}
	var b bytes.Buffer
	if format != "" {
		if err := press.Write(&b, edition, format, time.Now()); err != nil {
			return err
		}
		if err := create(r.Out, b.Bytes()); err != nil {
			return err
		}
	}
	switch {
	case e.json:
		return press.Write(e.out, edition, "json", time.Now())
	case format == "":
		_, err = fmt.Fprint(e.out, press.Text(edition))
	default:
		_, err = fmt.Fprintf(e.out, "wrote %s\n", r.Out)
	}
	return err
}

// prepare checks what was asked for before anything is read.
func (r reportCommand) prepare(cfg *config.Config, now time.Time) (*monthly.Press, *monthly.Edition, string, error) {
	zone, err := cfg.Location()
	if err != nil {
		return nil, nil, "", err
	}
	e := &monthly.Edition{Month: monthly.MonthOf(now, zone).Add(-1), Site: r.Site, Shop: cfg.Shop.Name}
	if r.Month != "" {
		if e.Month, err = monthly.ParseMonth(r.Month); err != nil {
			return nil, nil, "", usageError{fmt.Errorf("--%w", err)}
		}
	}
	if _, err := find(cfg.Machines, "site", r.Site, func(m config.Machine) string { return m.Site }); err != nil {
		return nil, nil, "", usageError{err}
	}
	format := strings.TrimPrefix(strings.ToLower(filepath.Ext(r.Out)), ".")
	if r.Out != "" && !slices.Contains(monthly.Formats, format) {
		return nil, nil, "", usageError{fmt.Errorf("--out: want a file that ends in .%s, got %q", strings.Join(monthly.Formats, ", ."), filepath.Base(r.Out))}
	}
	kit, err := web.New(web.Options{Shop: cfg.Shop.Name, Zone: zone, Display: cfg.Display(), Texts: cfg.Texts(), Now: time.Now})
	if err != nil {
		return nil, nil, "", err
	}
	lang := cmp.Or(r.Lang, cfg.ReportLanguage())
	if !slices.Contains(kit.Languages(), lang) {
		return nil, nil, "", usageError{fmt.Errorf("--lang: want one of %s, got %q", strings.Join(kit.Languages(), ", "), lang)}
	}
	return monthly.NewPress(kit, lang), e, format, nil
}

// read makes the report from the journal of a running watch, or of one that does
// not run. It uses what the watch has kept, and leaves it as it is.
func (r reportCommand) read(ctx context.Context, cfg *config.Config, e *monthly.Edition, now func() time.Time, tick func(done, total int64)) (report reliability.Report, err error) {
	site, err := cfg.Site()
	if err != nil {
		return report, err
	}
	zone, err := cfg.Location()
	if err != nil {
		return report, err
	}
	j, done, err := openJournal(ctx, cfg, r.NATS)
	if err != nil {
		return report, err
	}
	defer done()
	books := monthly.NewBooks(monthly.BooksOptions{
		Source: counted{j, tick}, Zone: zone, Now: now, Params: monthly.ParamsOf(site), Folder: cfg.MonthStates(), ReadOnly: true, Log: zerolog.Nop(),
	})
	return books.Report(ctx, e.Month, e.Site)
}
