package monthly

import "strings"

// Text is the report in a few lines: what stands on its first page.
func (p *Press) Text(e *Edition) string {
	d := p.lay(e)
	var b strings.Builder
	line := func(parts ...string) {
		b.WriteString(strings.TrimRight(strings.Join(parts, ""), " ") + "\n")
	}
	if d.Shop != "" {
		line(d.Shop, ": ", d.Title)
	} else {
		line(d.Title)
	}
	line(d.Period)
	if d.Notice.Text != "" {
		line(d.Notice.Text)
	}
	for _, block := range d.Sections[0].Blocks {
		switch {
		case block.Text != nil:
			line(block.Text.Text)
		case block.Keys != nil:
			for _, k := range block.Keys {
				note := k.Note.Text
				if note != "" {
					note = "  (" + note + ")"
				}
				line("  ", k.Name, ": ", k.Value, note)
			}
		case block.Steps != nil:
			line(p.pen.Say("report.next"), ":")
			for _, t := range block.Steps {
				line("  - ", t.Title.Text)
				line("    ", t.Saving, ". ", t.Reason.Text)
			}
		}
	}
	return b.String()
}
