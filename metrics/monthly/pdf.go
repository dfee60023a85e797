package monthly

import (
	"cmp"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// The sheet is A4; lengths are in mm.
const (
	sheetWidth  = 210.0
	sheetHeight = 297.0
	sideMargin  = 18.0
	topMargin   = 18.0
	bottomEdge  = sheetHeight - 20 // of what is printed; the foot lies below
	textWidth   = sheetWidth - 2*sideMargin
	pointMM     = 25.4 / 72
)

// paper is a report that is being set.
type paper struct {
	pdf      *fpdf.Fpdf
	press    *Press
	d        *document
	contents map[string]int // page of each section, as an earlier setting found it
	total    int            // pages, likewise
	found    map[string]int
	links    map[string]int
}

// pdf sets the report twice: the contents can name the pages only when they are
// known. The letters are those of the Go fonts, of which the file holds what it
// uses; they have the languages of Europe.
func (p *Press) pdf(w io.Writer, e *Edition, made time.Time) error {
	d := p.lay(e)
	first := p.set(d, nil, 0, made)
	second := p.set(d, first.found, first.pdf.PageCount(), made)
	return second.pdf.Output(w)
}

func (p *Press) set(d *document, contents map[string]int, total int, made time.Time) *paper {
	s := &paper{pdf: fpdf.New("P", "mm", "A4", ""), press: p, d: d, contents: contents, total: total, found: map[string]int{}, links: map[string]int{}}
	s.pdf.SetCatalogSort(true)
	s.pdf.SetCreationDate(made)
	s.pdf.SetModificationDate(made)
	s.pdf.SetTitle(d.Title, true)
	s.pdf.SetCreator("Rollwarden", true)
	s.pdf.SetLang(d.Lang)
	s.pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	s.pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	s.pdf.SetMargins(sideMargin, topMargin, sideMargin)
	s.pdf.SetCellMargin(0)
	s.pdf.SetAutoPageBreak(false, 0)
	s.pdf.SetFooterFunc(s.foot)
	for _, sec := range d.Sections {
		s.links[sec.ID] = s.pdf.AddLink()
	}
	s.pdf.AddPage()
	s.front()
	for i, sec := range d.Sections {
		if i == 1 {
			s.pdf.AddPage()
			s.listContents()
		}
		s.section(sec, i == 0)
	}
	return s
}

// foot writes what stands under every page.
func (s *paper) foot() {
	s.font("", 8)
	s.color("#4a5b62")
	y := sheetHeight - 12
	s.pdf.Text(sideMargin, y, strings.TrimSpace(s.d.Shop+"  "+s.d.Title))
	page := s.press.pen.Say("report.page", s.pdf.PageNo(), cmp.Or(s.total, s.pdf.PageNo()))
	s.pdf.Text(sheetWidth-sideMargin-s.pdf.GetStringWidth(page), y, page)
}

func (s *paper) font(style string, points float64) { s.pdf.SetFont("go", style, points) }

func (s *paper) color(hex string) { s.pdf.SetTextColor(rgb(hex)) }

// rgb reads #rrggbb, which is ours.
func rgb(hex string) (r, g, b int) {
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		panic(fmt.Sprintf("colour %q: %v", hex, err)) // a program built wrong
	}
	return int(v >> 16), int(v >> 8 & 255), int(v & 255)
}

// room begins a new page unless there is so much of it left.
func (s *paper) room(height float64) {
	if s.pdf.GetY()+height > bottomEdge {
		s.pdf.AddPage()
	}
}

// lines is a text broken to a width.
func (s *paper) lines(text string, width float64) []string {
	var out []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		out = append(out, s.pdf.SplitText(paragraph, width)...)
	}
	return out
}

// write writes a text from x on, over as many lines and pages as it takes.
func (s *paper) write(text string, x, width, points float64, style, hex string) {
	s.font(style, points)
	height := points * pointMM * 1.35
	for _, l := range s.lines(text, width) {
		s.room(height)
		s.font(style, points)
		s.color(hex)
		s.pdf.Text(x, s.pdf.GetY()+height*0.75, l)
		s.pdf.SetY(s.pdf.GetY() + height)
	}
}

func (s *paper) paragraph(text string) {
	s.write(text, sideMargin, textWidth, 10, "", ink)
	s.skip(2)
}

func (s *paper) skip(mm float64) { s.pdf.SetY(s.pdf.GetY() + mm) }

const (
	ink    = "#14242b"
	quiet  = "#4a5b62"
	rule   = "#b9c6c4"
	accent = "#2f6f9f"
)

// front is the head of the first page.
func (s *paper) front() {
	if s.d.Shop != "" {
		s.write(s.d.Shop, sideMargin, textWidth, 11, "B", quiet)
	}
	s.write(s.d.Title, sideMargin, textWidth, 20, "B", ink)
	s.write(s.d.Period, sideMargin, textWidth, 9, "", quiet)
	if s.d.Notice.Text != "" {
		s.skip(2)
		s.write(s.d.Notice.Text, sideMargin, textWidth, 11, "B", "#7c4700")
	}
	s.skip(3)
}

func (s *paper) listContents() {
	s.write(s.press.pen.Say("report.contents"), sideMargin, textWidth, 14, "B", ink)
	s.skip(2)
	for _, sec := range s.d.Sections {
		s.font("", 10)
		s.color(ink)
		y := s.pdf.GetY()
		number := strconv.Itoa(s.contents[sec.ID])
		s.pdf.Text(sideMargin, y+4, sec.Title)
		s.pdf.Text(sheetWidth-sideMargin-s.pdf.GetStringWidth(number), y+4, number)
		s.rule(rule, y+5.5)
		s.pdf.Link(sideMargin, y, textWidth, 6, s.links[sec.ID])
		s.pdf.SetY(y + 7)
	}
	s.skip(4)
	s.write(s.d.Adviser, sideMargin, textWidth, 9, "", quiet)
}

func (s *paper) rule(hex string, y float64) {
	s.pdf.SetDrawColor(rgb(hex))
	s.pdf.SetLineWidth(0.2)
	s.pdf.Line(sideMargin, y, sheetWidth-sideMargin, y)
}

// section sets a section, the first one under the head of the first page.
func (s *paper) section(sec section, first bool) {
	if !first {
		s.skip(4)
		s.room(70)
	}
	s.found[sec.ID] = s.pdf.PageNo()
	s.pdf.SetLink(s.links[sec.ID], s.pdf.GetY(), s.pdf.PageNo())
	s.pdf.Bookmark(sec.Title, 0, s.pdf.GetY())
	s.write(sec.Title, sideMargin, textWidth, 14, "B", ink)
	s.rule(ink, s.pdf.GetY()+0.5)
	s.skip(4)
	for _, b := range sec.Blocks {
		s.block(b)
	}
}

func (s *paper) block(b block) {
	switch {
	case b.Text != nil:
		s.paragraph(b.Text.Text)
	case b.Keys != nil:
		s.keys(b.Keys)
	case b.Steps != nil:
		s.steps(b.Steps)
	case b.Chart != nil:
		s.figure(b.Chart)
		s.table(s.beside(b.Table))
	case b.Table != nil:
		s.heading(b.Table.Title, 24)
		s.table(b.Table)
	}
}

// heading keeps a title with what follows it.
func (s *paper) heading(text string, follows float64) {
	s.room(follows)
	s.write(text, sideMargin, textWidth, 10.5, "B", ink)
	s.skip(1)
}

// keys sets the large figures, two beside each other.
func (s *paper) keys(list []key) {
	const width = textWidth/2 - 3
	for i := 0; i < len(list); i += 2 {
		top := s.pdf.GetY()
		lowest := top
		for k := i; k < min(i+2, len(list)); k++ {
			x := sideMargin + float64(k-i)*(textWidth/2) + 4
			s.pdf.SetY(top)
			s.write(list[k].Name, x, width-4, 9, "", quiet)
			s.write(list[k].Value, x, width-4, 15, "B", ink)
			if note := list[k].Note.Text; note != "" && note != "–" {
				s.write(note, x, width-4, 9, "", quiet)
			}
			lowest = max(lowest, s.pdf.GetY())
		}
		s.pdf.SetFillColor(rgb(accent))
		for k := i; k < min(i+2, len(list)); k++ {
			s.pdf.Rect(sideMargin+float64(k-i)*(textWidth/2), top+0.5, 1.4, lowest-top, "F")
		}
		s.pdf.SetY(lowest + 4)
	}
	s.skip(1)
}

func (s *paper) steps(list []thing) {
	s.heading(s.press.pen.Say("report.next"), 20)
	for i, t := range list {
		s.room(20)
		top := s.pdf.GetY()
		s.write(fmt.Sprintf("%d.", i+1), sideMargin, 8, 10, "B", ink)
		s.pdf.SetY(top)
		s.write(t.Title.Text, sideMargin+8, textWidth-8, 10, "B", ink)
		s.write(t.Saving, sideMargin+8, textWidth-8, 10, "", "#7c4700")
		s.write(t.Reason.Text, sideMargin+8, textWidth-8, 9, "", quiet)
		s.skip(2)
	}
}

// figure draws a chart from the same marks as the SVG.
func (s *paper) figure(d *drawing) {
	scale := textWidth / d.Width
	s.room(d.Height*scale + 16)
	s.heading(d.Title, 0)
	top := s.pdf.GetY()
	for _, m := range d.marks {
		s.mark(m, scale, top)
	}
	s.pdf.SetDashPattern(nil, 0)
	s.pdf.SetY(top + d.Height*scale + 1)
	if d.Legend != "" {
		s.write(d.Legend, sideMargin, textWidth, 8, "", quiet)
	}
	s.skip(2)
}

func (s *paper) mark(m mark, scale, top float64) {
	l := looks[m.look]
	x, y := sideMargin+m.x*scale, top+m.y*scale
	style := ""
	if l.fill != "" {
		s.pdf.SetFillColor(rgb(l.fill))
		style = "F"
	}
	if l.stroke != "" {
		s.pdf.SetDrawColor(rgb(l.stroke))
		s.pdf.SetLineWidth(l.width * scale)
		style += "D"
	}
	s.pdf.SetDashPattern(nil, 0)
	if l.dash {
		s.pdf.SetDashPattern([]float64{5 * scale, 3 * scale}, 0)
	}
	size := l.size * scale
	switch m.shape {
	case line:
		s.pdf.Line(x, y, sideMargin+m.x2*scale, top+m.y2*scale)
	case box:
		s.pdf.Rect(x, y, (m.x2-m.x)*scale, (m.y2-m.y)*scale, style)
	case dot:
		s.pdf.Circle(x, y, size, style)
	case diamond:
		s.pdf.Polygon([]fpdf.PointType{{X: x, Y: y - size}, {X: x + size, Y: y}, {X: x, Y: y + size}, {X: x - size, Y: y}}, style)
	case word:
		weight := ""
		if l.bold {
			weight = "B"
		}
		s.font(weight, size/pointMM)
		s.color(l.fill)
		s.pdf.Text(x-float64(m.anchor)*s.pdf.GetStringWidth(m.text)/2, y, m.text)
	}
}

// table sets a table, with its head again on every page.
func (s *paper) table(t *table) {
	points := 8.0
	widths, fits := s.widths(t, points)
	if !fits {
		points = 6.5
		widths, _ = s.widths(t, points)
	}
	head := make([]string, len(t.Head))
	for i, c := range t.Head {
		head[i] = c.Text
	}
	s.room(16) // a head alone tells nothing
	s.row(t, head, widths, points, "B", true)
	for _, r := range t.Rows {
		cells := make([]string, len(r))
		for i, c := range r {
			cells[i] = c.Text
		}
		if s.height(cells, widths, points, "")+s.pdf.GetY() > bottomEdge {
			s.pdf.AddPage()
			s.row(t, head, widths, points, "B", true)
		}
		s.row(t, cells, widths, points, "", false)
	}
	s.skip(5)
}

// longTable is from how many rows on a narrow table is set in columns.
const longTable = 16

// beside sets a long and narrow table in columns beside each other.
func (s *paper) beside(t *table) *table {
	widths, _ := s.widths(t, 8)
	width := 0.0
	for _, w := range widths {
		width += w
	}
	n := int(textWidth / width)
	if len(t.Rows) < longTable || n < 2 {
		return t
	}
	out, each := &table{Title: t.Title}, (len(t.Rows)+n-1)/n
	for range n {
		out.Head = append(out.Head, t.Head...)
	}
	for i := range each {
		row := make([]cell, 0, len(out.Head))
		for k := range n {
			if at := k*each + i; at < len(t.Rows) {
				row = append(row, t.Rows[at]...)
			} else {
				row = append(row, make([]cell, len(t.Head))...)
			}
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

const cellGap = 2.5 // between columns, mm

// widths gives each column what its longest word takes, and shares the rest by
// what they would like. It does not fit when the words alone are too wide.
func (s *paper) widths(t *table, points float64) (widths []float64, fits bool) {
	least, liked := make([]float64, len(t.Head)), make([]float64, len(t.Head))
	measure := func(i int, text string) {
		liked[i] = max(liked[i], min(60, s.pdf.GetStringWidth(text)+cellGap+0.5))
		for _, word := range strings.Fields(text) {
			least[i] = max(least[i], s.pdf.GetStringWidth(word)+cellGap+0.5)
		}
	}
	s.font("B", points)
	for i, c := range t.Head {
		measure(i, c.Text)
	}
	s.font("", points)
	for _, r := range t.Rows {
		for i, c := range r {
			measure(i, c.Text)
		}
	}
	sumLeast, sumMore := 0.0, 0.0
	for i := range least {
		liked[i] = max(liked[i], least[i])
		sumLeast, sumMore = sumLeast+least[i], sumMore+liked[i]-least[i]
	}
	widths = make([]float64, len(t.Head))
	rest := textWidth - sumLeast
	for i := range widths {
		switch {
		case rest < 0: // words are cut
			widths[i] = least[i] * textWidth / sumLeast
		case rest >= sumMore:
			widths[i] = liked[i]
		default:
			widths[i] = least[i] + (liked[i]-least[i])*rest/sumMore
		}
	}
	return widths, rest >= 0
}

func (s *paper) height(cells []string, widths []float64, points float64, style string) float64 {
	s.font(style, points)
	most := 1
	for i, c := range cells {
		most = max(most, len(s.lines(c, widths[i]-cellGap)))
	}
	return float64(most)*points*pointMM*1.3 + 1.6
}

func (s *paper) row(t *table, cells []string, widths []float64, points float64, style string, head bool) {
	height := s.height(cells, widths, points, style)
	s.room(height)
	s.font(style, points)
	s.color(ink)
	x, top := sideMargin, s.pdf.GetY()
	for i, c := range cells {
		for k, l := range s.lines(c, widths[i]-cellGap) {
			at := x
			if t.Head[i].Number {
				at += widths[i] - cellGap - s.pdf.GetStringWidth(l)
			}
			s.pdf.Text(at, top+(float64(k)+1)*points*pointMM*1.3-0.4, l)
		}
		x += widths[i]
	}
	s.pdf.SetDrawColor(rgb(rule))
	if head {
		s.pdf.SetDrawColor(rgb(ink))
	}
	s.pdf.SetLineWidth(0.2)
	s.pdf.Line(sideMargin, top+height, x, top+height)
	s.pdf.SetY(top + height)
}
