package monthly

import (
	"embed"
	"html/template"
	"io"
)

//go:embed templates assets style
var files embed.FS

// html writes a file that stands alone: its style sheet is in it, and it asks
// for nothing from anywhere.
func (p *Press) html(w io.Writer, e *Edition) error {
	var style []byte
	for _, name := range []string{"style/paper.css", "assets/monthly.css"} {
		sheet, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		style = append(style, sheet...)
	}
	page, err := p.pages.Fragment(p.pen.Lang, "report-file", struct {
		Doc   *document
		Style template.CSS // ours, and from no input
	}{p.lay(e), template.CSS(style)})
	if err != nil {
		return err
	}
	_, err = w.Write(page)
	return err
}
