package strip

import (
	"fmt"
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/text/encoding/charmap"
)

// PDF writes the sheet as one page of its size, made at a moment. Its letters
// are those that every reader of PDF has, which know the languages of western
// Europe; the error names a text that has other ones.
func (s *Sheet) PDF(w io.Writer, made time.Time) error {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: s.WidthMM, Ht: s.HeightMM}})
	doc.SetCompression(false) // it is small, and can be looked into
	doc.SetCatalogSort(true)
	doc.SetCreationDate(made)
	doc.SetModificationDate(made)
	doc.SetTitle(s.Title, true)
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	doc.AddPage()
	for _, l := range s.lines {
		doc.SetLineWidth(l.thick)
		doc.Line(l.x1, l.y1, l.x2, l.y2)
	}
	for _, t := range s.words {
		text, err := charmap.Windows1252.NewEncoder().String(t.text)
		if err != nil {
			return fmt.Errorf("text %q: has letters that a PDF's own fonts do not have: write it as SVG", t.text)
		}
		weight := ""
		if t.bold {
			weight = "B"
		}
		doc.SetFont("Helvetica", weight, 0)
		doc.SetFontUnitSize(t.size)
		doc.Text(t.x, t.y, text)
	}
	if err := doc.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}
