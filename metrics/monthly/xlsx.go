package monthly

import (
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"rollwarden/rules/units"
)

// book writes a workbook sheet by sheet. The first error stops it.
type book struct {
	file          *excelize.File
	bold, heading int // styles
	err           error
}

// xlsx writes a workbook: a sheet for each section with its tables, all figures
// on one sheet as in the CSV, and every start on another.
func (p *Press) xlsx(w io.Writer, e *Edition, made time.Time) error {
	b := &book{file: excelize.NewFile()}
	defer b.file.Close()
	stamp := made.UTC().Format(time.RFC3339)
	d := p.lay(e)
	b.try(b.file.SetDocProps(&excelize.DocProperties{Title: d.Title, Creator: "Rollwarden", LastModifiedBy: "Rollwarden", Created: stamp, Modified: stamp, Language: d.Lang}))
	b.bold = b.style(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	b.heading = b.style(&excelize.Style{Font: &excelize.Font{Bold: true, Size: 14}})
	for _, s := range d.Sections {
		b.section(d, s)
	}
	b.figures(e, p.pen.Say("report.sheet.figures"))
	b.starts(e, p.pen.Say("report.sheet.starts"))
	b.try(b.file.DeleteSheet("Sheet1"))
	b.file.SetActiveSheet(0)
	if b.err != nil {
		return b.err
	}
	return b.file.Write(w)
}

func (b *book) try(err error) {
	if b.err == nil {
		b.err = err
	}
}

func (b *book) style(s *excelize.Style) int {
	id, err := b.file.NewStyle(s)
	b.try(err)
	return id
}

// sheet is a sheet that is written from its top down.
type sheet struct {
	*book
	name string
	row  int
	wide []int // letters in each column
}

func (b *book) sheet(name string) *sheet {
	s := &sheet{book: b, name: sheetName(name)}
	_, err := b.file.NewSheet(s.name)
	b.try(err)
	return s
}

// sheetName keeps to what a sheet may be called: 31 letters, and none of these.
func sheetName(title string) string {
	return shorten(strings.Map(func(r rune) rune {
		if strings.ContainsRune(`[]:*?/\'`, r) {
			return '-'
		}
		return r
	}, title), 31)
}

// write puts values into the next row. Texts are stored as texts, so that none
// is ever a formula.
func (s *sheet) write(style int, values ...any) {
	s.row++
	for i, v := range values {
		name, err := excelize.CoordinatesToCellName(i+1, s.row)
		s.try(err)
		switch v := v.(type) {
		case nil:
		case float64:
			s.try(s.file.SetCellFloat(s.name, name, v, -1, 64))
		case string:
			s.try(s.file.SetCellStr(s.name, name, v))
			s.widen(i, v)
		}
		if style != 0 {
			s.try(s.file.SetCellStyle(s.name, name, name, style))
		}
	}
}

func (s *sheet) widen(column int, text string) {
	for len(s.wide) <= column {
		s.wide = append(s.wide, 8)
	}
	s.wide[column] = min(48, max(s.wide[column], utf8.RuneCountInString(text)+2))
}

// finish sets the widths of the columns.
func (s *sheet) finish() {
	for i, w := range s.wide {
		name, err := excelize.ColumnNumberToName(i + 1)
		s.try(err)
		s.try(s.file.SetColWidth(s.name, name, name, float64(w)))
	}
}

// section writes one section of the document.
func (b *book) section(d *document, from section) {
	s := b.sheet(from.Title)
	s.row++
	s.try(s.file.SetCellStr(s.name, "A1", d.Title+": "+from.Title)) // no reason for a wide column
	s.try(s.file.SetCellStyle(s.name, "A1", "A1", s.heading))
	if d.Notice.Text != "" {
		s.write(s.bold, d.Notice.Text)
	}
	for _, block := range from.Blocks {
		s.block(block)
	}
	s.finish()
}

func (s *sheet) block(b block) {
	switch {
	case b.Text != nil:
		s.row++
		name, err := excelize.CoordinatesToCellName(1, s.row)
		s.try(err)
		s.try(s.file.SetCellStr(s.name, name, b.Text.Text))
	case b.Keys != nil:
		s.row++
		for _, k := range b.Keys {
			s.write(0, k.Name, k.Value, k.Note.Text)
		}
		s.row++
	case b.Steps != nil:
		s.row++
		for _, t := range b.Steps {
			s.write(0, t.Title.Text, t.Saving, t.Reason.Text)
		}
	case b.Table != nil:
		s.table(b.Table)
	}
}

func (s *sheet) table(t *table) {
	s.row++
	s.write(s.bold, t.Title)
	var head []any
	for _, c := range t.Head {
		head = append(head, c.Text)
	}
	s.write(s.bold, head...)
	for _, row := range t.Rows {
		var values []any
		for _, c := range row {
			if v, known := c.Value.Get(); known {
				values = append(values, v)
			} else {
				values = append(values, c.Text)
			}
		}
		s.write(0, values...)
	}
}

// cellOf is a number, or nothing when it is not known.
func cellOf(m units.Maybe) any {
	if v, known := m.Get(); known {
		return v
	}
	return nil
}

func (b *book) figures(e *Edition, name string) {
	s := b.sheet(name)
	var head []any
	for _, c := range columns {
		head = append(head, c)
	}
	s.write(s.bold, head...)
	for _, f := range figuresOf(&e.Report) {
		s.write(0, e.Month.String(), e.Site, f.section, f.name, f.of, f.unit, cellOf(f.value), cellOf(f.low), cellOf(f.high), cellOf(f.n), f.note)
	}
	s.under()
}

// under keeps the head of a long list in sight, and lets it be filtered.
func (s *sheet) under() {
	s.try(s.file.SetPanes(s.name, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
	last, err := excelize.CoordinatesToCellName(len(s.wide), max(2, s.row))
	s.try(err)
	s.try(s.file.AutoFilter(s.name, "A1:"+last, nil))
	s.finish()
}

func (b *book) starts(e *Edition, name string) {
	s := b.sheet(name)
	s.write(s.bold, "at", "site", "machine", "job", "part", "stock", "film_class", "treatment", "rh_pct", "cure_c", "warned_at", "strikes", "id")
	for _, k := range e.Report.Starts {
		warned := ""
		if k.Warned() {
			warned = k.AlarmAt.UTC().Format(time.RFC3339)
		}
		s.write(0, k.At.UTC().Format(time.RFC3339), k.Site, k.Machine, k.Job, k.Part, k.Stock, string(k.Class), k.Treatment,
			cellOf(k.RHPct), cellOf(k.CureC), warned, float64(k.Strikes), k.ID)
	}
	s.under()
}
