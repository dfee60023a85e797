package ticket_test

import (
	"os"
	"path/filepath"
	"testing"

	"rollwarden/rules/ticket"
)

// BenchmarkParse reads one sample of each format.
func BenchmarkParse(b *testing.B) {
	for _, c := range []struct{ format, file string }{
		{ticket.FormatXJDF, "01-decals-print-contourcut.xjdf"},
		{ticket.FormatJDF, "30-classic-combined.jdf"},
		{ticket.FormatXJMF, "12-waste-and-finished.xjmf"},
		{ticket.FormatJMF, "31-classic-status.jmf"},
		{ticket.FormatPackage, "edge/package.zip"},
	} {
		data, err := os.ReadFile(filepath.Join(samples, c.file))
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.format, func(b *testing.B) { benchmark(b, data, c.format) })
	}
	b.Run(ticket.FormatJSON, func(b *testing.B) {
		benchmark(b, []byte(`{"job":"J-1042","machine":"heron","stock":"MONO-GLOSS-137","film_class":"monomeric","roll_width_mm":1370,"length_m":12.5,"due":"2026-03-04T16:00:00+01:00"}`), ticket.FormatJSON)
	})
}

func benchmark(b *testing.B, data []byte, format string) {
	o := ticket.Options{Keys: shopKeys()}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		doc, err := ticket.Parse("b", data, o)
		if err != nil || doc.Format != format {
			b.Fatal(doc.Format, err)
		}
	}
}
