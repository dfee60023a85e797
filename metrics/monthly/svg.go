package monthly

import (
	"fmt"
	"html"
	"html/template"
	"strings"
)

// SVG writes the drawing with presentation attributes only: a page may forbid
// inline styles, and a style sheet still has the last word over attributes.
func (d *drawing) SVG() template.HTML {
	var b strings.Builder
	f := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	f(`<svg class="chart" viewBox="0 0 %g %g" role="img" aria-label="%s" font-family="system-ui, 'Noto Sans', 'DejaVu Sans', sans-serif">`,
		d.Width, d.Height, html.EscapeString(d.Title+". "+d.Text))
	for _, m := range d.marks {
		l := looks[m.look]
		switch m.shape {
		case line:
			f(`<path d="M%.1f %.1fL%.1f %.1f"%s/>`, m.x, m.y, m.x2, m.y2, l.attributes(m.look))
		case box:
			f(`<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f"%s/>`, m.x, m.y, m.x2-m.x, m.y2-m.y, l.attributes(m.look))
		case dot:
			f(`<circle cx="%.1f" cy="%.1f" r="%g"%s/>`, m.x, m.y, l.size, l.attributes(m.look))
		case diamond:
			f(`<path d="M%.1f %.1fl%[3]g %[3]gl-%[3]g %[3]gl-%[3]g -%[3]gz"%[4]s/>`, m.x, m.y-l.size, l.size, l.attributes(m.look))
		case word:
			weight := ""
			if l.bold {
				weight = ` font-weight="bold"`
			}
			f(`<text x="%.1f" y="%.1f" text-anchor="%s" font-size="%g"%s%s>%s</text>`,
				m.x, m.y, []string{"start", "middle", "end"}[m.anchor], l.size, weight, l.attributes(m.look), html.EscapeString(m.text))
		}
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) // every text in it was escaped
}

func (l look) attributes(name string) string {
	stroke, fill, dash := "", "none", ""
	if l.stroke != "" {
		stroke = fmt.Sprintf(` stroke="%s" stroke-width="%g"`, l.stroke, l.width)
	}
	if l.fill != "" {
		fill = l.fill
	}
	if l.dash {
		dash = ` stroke-dasharray="5 3"`
	}
	return fmt.Sprintf(` class="%s" fill="%s"%s%s`, name, fill, stroke, dash)
}
