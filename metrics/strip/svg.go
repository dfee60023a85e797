package strip

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
)

// SVG writes the sheet. One unit of the drawing is one mm.
func (s *Sheet) SVG(w io.Writer) error {
	var p pen
	p.f(`<svg xmlns="http://www.w3.org/2000/svg" width="%[1]gmm" height="%[2]gmm" viewBox="0 0 %[1]g %[2]g" role="img" aria-label="%[3]s">`+"\n", s.WidthMM, s.HeightMM, esc(s.Title))
	p.f(`<rect width="%g" height="%g" fill="white"/>`+"\n", s.WidthMM, s.HeightMM)
	for _, l := range s.lines {
		p.f(`<path d="M%.3f %.3fL%.3f %.3f" stroke="black" stroke-width="%g"/>`+"\n", l.x1, l.y1, l.x2, l.y2, l.thick)
	}
	for _, t := range s.words {
		weight := ""
		if t.bold {
			weight = ` font-weight="bold"`
		}
		p.f(`<text x="%.3f" y="%.3f" font-family="Helvetica, Arial, sans-serif" font-size="%g"%s>%s</text>`+"\n", t.x, t.y, t.size, weight, esc(t.text))
	}
	p.f("</svg>\n")
	_, err := p.WriteTo(w)
	return err
}

// pen writes SVG.
type pen struct{ bytes.Buffer }

func (p *pen) f(format string, args ...any) { fmt.Fprintf(p, format, args...) }

// esc makes a text fit to stand in XML, between tags and in quotes.
func esc(text string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(text)) // a buffer takes all
	return b.String()
}
