// Package monthly renders the reliability report of a month: what a manager
// takes into the meeting and an engineer can trust.
//
//	journal ──► Books ──► reliability.Report ──► document ──► page, HTML, PDF, XLSX
//	                                       └───► figures ───► CSV;  JSON as it is
//
// There is one computation, that of rules/reliability. Books read the journal
// for it from the start of the month on, and a document lays the report out in
// a reader's language, once for every rendering. A chart is a list of marks from
// which both SVG and PDF are drawn, and has its table behind it.
//
// A month begins and ends by the shop's zone. It is closed by the first entry of
// a later month: what is told of it after that changes no figure any more and is
// counted as late by the month in which it came. So a report that was printed
// and the page of the same month a year later show the same numbers.
package monthly

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules/reliability"
)

// Formats are those that Write knows.
var Formats = []string{"html", "pdf", "csv", "xlsx", "json"}

// Edition is a report with what its renderings need beside it.
type Edition struct {
	Report reliability.Report
	Month  Month
	Site   string // empty for all
	Shop   string
}

// Name is what a file of the edition is called, without its ending.
func (e *Edition) Name() string {
	if e.Site == "" {
		return e.Month.String()
	}
	return e.Month.String() + "-" + e.Site
}

// Press writes editions in one language.
type Press struct {
	pen     web.Pen
	phrases *web.Phrases
	pages   web.Pages
}

// NewPress returns a press for a language of the kit's. The pen's zone is that
// of the times in the report.
func NewPress(kit *web.Kit, lang string) *Press {
	return &Press{pen: kit.PenIn(lang), phrases: kit.Phrases(), pages: kit.Parse(files, "templates/*.html", nil)}
}

// Write writes an edition in one of the formats. made is the time that stands in
// a file that has one, and so the same edition gives the same bytes.
func (p *Press) Write(w io.Writer, e *Edition, format string, made time.Time) error {
	var err error
	switch format {
	case "html":
		err = p.html(w, e)
	case "pdf":
		err = p.pdf(w, e, made)
	case "csv":
		err = writeCSV(w, e)
	case "xlsx":
		err = p.xlsx(w, e, made)
	case "json":
		err = writeJSON(w, e)
	default:
		return fmt.Errorf("format %q: want one of %s", format, strings.Join(Formats, ", "))
	}
	if err != nil {
		return fmt.Errorf("write the report of %s as %s: %w", e.Month, format, err)
	}
	return nil
}

// mediaTypes are those of the formats.
var mediaTypes = map[string]string{
	"html": "text/html; charset=utf-8", "pdf": "application/pdf", "csv": "text/csv; charset=utf-8",
	"xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "json": "application/json",
}

// known reports whether Write knows a format.
func known(format string) bool { return slices.Contains(Formats, format) }

// Save writes an edition into a folder, whole or not at all, and leaves a file
// that is there already as it is. It returns the path.
func (p *Press) Save(folder string, e *Edition, format string, made time.Time) (string, error) {
	path := e.Path(folder, format)
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	var b bytes.Buffer
	if err := p.Write(&b, e, format, made); err != nil {
		return path, err
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return path, fmt.Errorf("make the folder of reports: %w", err)
	}
	if err := replaceFile(path, b.Bytes(), 0o644); err != nil {
		return path, fmt.Errorf("write the report of %s: %w", e.Month, err)
	}
	return path, nil
}

// Path is where Save writes.
func (e *Edition) Path(folder, format string) string {
	return filepath.Join(folder, e.Name()+"."+format)
}

// Title is that of the edition.
func (p *Press) Title(e *Edition) string { return p.lay(e).Title }
