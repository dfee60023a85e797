package strip_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rollwarden/metrics/strip"
)

var made = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func sheet(t *testing.T, width, length float64) *strip.Sheet {
	t.Helper()
	s, err := strip.New(strip.Options{WidthMM: width, LengthMM: length, Texts: strip.English("heron", "MONO-GLOSS-137")})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// segment is a straight line read back from a file, in mm from the top left.
type segment struct{ x1, y1, x2, y2 float64 }

// element is one element of an SVG file.
type element struct {
	name string
	attr map[string]string
	text string
}

// readSVG takes a file apart; one that is not well-formed fails the test.
func readSVG(t *testing.T, data []byte) (all []element) {
	t.Helper()
	d, inside := xml.NewDecoder(bytes.NewReader(data)), false
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			e := element{name: token.Name.Local, attr: map[string]string{}}
			for _, a := range token.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			all, inside = append(all, e), true
		case xml.EndElement:
			inside = false
		case xml.CharData:
			if inside {
				all[len(all)-1].text += string(token)
			}
		}
	}
}

func svgSegments(t *testing.T, s *strip.Sheet) (all []segment) {
	t.Helper()
	var b bytes.Buffer
	if err := s.SVG(&b); err != nil {
		t.Fatal(err)
	}
	root := readSVG(t, b.Bytes())[0]
	// One unit is one mm: the size in mm and the view box say the same.
	if want := fmt.Sprintf("0 0 %g %g", s.WidthMM, s.HeightMM); root.attr["viewBox"] != want || root.attr["width"] != fmt.Sprintf("%gmm", s.WidthMM) || root.attr["height"] != fmt.Sprintf("%gmm", s.HeightMM) {
		t.Fatalf("want one unit per mm, got %v", root.attr)
	}
	for _, e := range readSVG(t, b.Bytes()) {
		if e.name != "path" {
			continue
		}
		var g segment
		if _, err := fmt.Sscanf(e.attr["d"], "M%f %fL%f %f", &g.x1, &g.y1, &g.x2, &g.y2); err != nil {
			t.Fatalf("path %q: %v", e.attr["d"], err)
		}
		all = append(all, g)
	}
	return all
}

var (
	mediaBox = regexp.MustCompile(`/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]`)
	stroke   = regexp.MustCompile(`(?m)^([0-9.]+) ([0-9.]+) m ([0-9.]+) ([0-9.]+) l S$`)
)

// pdfSegments reads the lines of a PDF. Its unit is the point of 1/72 inch, its
// origin the bottom left corner (ISO 32000-1, 8.3.2.3 and 8.5.2).
func pdfSegments(t *testing.T, s *strip.Sheet) (all []segment) {
	t.Helper()
	var b bytes.Buffer
	if err := s.PDF(&b, made); err != nil {
		t.Fatal(err)
	}
	mm := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v * 25.4 / 72
	}
	pages := mediaBox.FindAllStringSubmatch(b.String(), -1)
	if len(pages) != 1 || math.Abs(mm(pages[0][1])-s.WidthMM) > 0.01 || math.Abs(mm(pages[0][2])-s.HeightMM) > 0.01 {
		t.Fatalf("want one page of %g x %g mm, got %v", s.WidthMM, s.HeightMM, pages)
	}
	for _, m := range stroke.FindAllStringSubmatch(b.String(), -1) {
		all = append(all, segment{mm(m[1]), s.HeightMM - mm(m[2]), mm(m[3]), s.HeightMM - mm(m[4])})
	}
	return all
}

// TestToScale measures each known length in both files as a person would, from
// the middle of one end mark to the middle of the other.
func TestToScale(t *testing.T) {
	for _, size := range [][2]float64{{1370, 1000}, {610, 600}, {320, 400}, {4900, 4900}} {
		s := sheet(t, size[0], size[1])
		for kind, lines := range map[string][]segment{"SVG": svgSegments(t, s), "PDF": pdfSegments(t, s)} {
			for _, l := range s.Lengths {
				if got := markToMark(lines, l); math.Abs(got-l.MM) > 0.02 {
					t.Errorf("%s of %g mm: length %s, %s %g mm, measures %g mm", kind, size[0], l.Name, l.Axis, l.MM, got)
				}
			}
		}
	}
}

// markToMark finds the marks that cross both ends of a length.
func markToMark(lines []segment, l strip.Length) float64 {
	mark := func(x, y float64) (mx, my float64) {
		for _, g := range lines {
			mx, my = (g.x1+g.x2)/2, (g.y1+g.y2)/2
			across := (g.y1 == g.y2) == (l.Axis == "feed")
			if short := math.Hypot(g.x2-g.x1, g.y2-g.y1) < 20; short && across && math.Hypot(mx-x, my-y) < 0.05 {
				return mx, my
			}
		}
		return math.NaN(), math.NaN()
	}
	x1, y1 := mark(l.X1, l.Y1)
	x2, y2 := mark(l.X2, l.Y2)
	if l.Axis == "feed" {
		return y2 - y1
	}
	return x2 - x1
}

func TestLengths(t *testing.T) {
	var got []string
	for _, l := range sheet(t, 1370, 1000).Lengths {
		got = append(got, fmt.Sprintf("%s %s %g", l.Name, l.Axis, l.MM))
	}
	if want := "A feed 1000, B feed 500, C feed 250, D feed 1000, E cross 1300, F cross 650, G cross 1300"; strings.Join(got, ", ") != want {
		t.Errorf("want %s, got %s", want, got)
	}
}

// TestEverySizeFits keeps all lines off the edge of the film, or refuses.
func TestEverySizeFits(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := strip.Options{WidthMM: rapid.Float64Range(200, 5200).Draw(rt, "width"), LengthMM: rapid.Float64Range(200, 5200).Draw(rt, "length"), Texts: strip.English("heron", "")}
		s, err := strip.New(o)
		if err != nil {
			if !strings.Contains(err.Error(), "want") {
				rt.Fatalf("the error does not say what would do: %v", err)
			}
			return
		}
		for _, g := range svgSegments(t, s) {
			if min(g.x1, g.x2) < 9.9 || max(g.x1, g.x2) > s.WidthMM-9.9 || min(g.y1, g.y2) < 9.9 || max(g.y1, g.y2) > s.HeightMM-9.9 {
				rt.Fatalf("a line runs off the film: %+v on %g x %g mm", g, s.WidthMM, s.HeightMM)
			}
		}
	})
}

func TestSizesAreRefused(t *testing.T) {
	for _, row := range []struct {
		width, length float64
		want          string
	}{
		{299, 1000, "width of a control strip: want 300 to 4900 mm, got 299"},
		{1370, 5000, "length of a control strip: want 300 to 4900 mm, got 5000"},
		{math.NaN(), 1000, "width of a control strip"},
		{300, 300, "for the words to fit, got 300"},
	} {
		_, err := strip.New(strip.Options{WidthMM: row.width, LengthMM: row.length, Texts: strip.English("", "")})
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%g x %g mm: want %q, got %v", row.width, row.length, row.want, err)
		}
	}
}

// TestWords looks for what a person needs on the film.
func TestWords(t *testing.T) {
	s := sheet(t, 1370, 1000)
	var svg, pdf bytes.Buffer
	if err := errors.Join(s.SVG(&svg), s.PDF(&pdf, made)); err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, e := range readSVG(t, svg.Bytes()) {
		if e.name == "text" {
			words = append(words, e.text)
		}
	}
	text := strings.Join(words, " ")
	for _, want := range []string{"heron", "MONO-GLOSS-137", "Cure temperature", "Passes", "Date", "with the machine stopped and the film cold", "cool down", "A feed 1000 mm", "E cross 1300 mm"} {
		if !strings.Contains(text, want) {
			t.Errorf("the strip does not say %q:\n%s", want, text)
		}
	}
	for _, want := range []string{"(heron) Tj", "(MONO-GLOSS-137) Tj", "(Cure temperature) Tj"} {
		if !strings.Contains(pdf.String(), want) {
			t.Errorf("the PDF does not say %s", want)
		}
	}
}

func TestWordsOfOtherLanguages(t *testing.T) {
	o := strip.Options{WidthMM: 1370, LengthMM: 1000, Texts: strip.English("Möwe", "<&\x00>")}
	o.Texts.Title = "Prüfstreifen für 93 °C"
	s, err := strip.New(o)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := s.PDF(&b, made); err != nil || !strings.Contains(b.String(), "Pr\xfcfstreifen f\xfcr 93 \xb0C") {
		t.Errorf("want the title in the letters of Windows code page 1252, got %v", err)
	}
	svgSegments(t, s) // is well-formed all the same
	o.Texts.Caution = "осторожно"
	if s, err = strip.New(o); err != nil {
		t.Fatal(err)
	}
	if err := s.PDF(io.Discard, made); err == nil || !strings.Contains(err.Error(), "write it as SVG") {
		t.Errorf("letters that the PDF cannot show: want an error, got %v", err)
	}
	if err := s.SVG(io.Discard); err != nil {
		t.Error(err)
	}
}

func TestTheSameStripGivesTheSameFile(t *testing.T) {
	var a, b bytes.Buffer
	if err := errors.Join(sheet(t, 1370, 1000).PDF(&a, made), sheet(t, 1370, 1000).PDF(&b, made)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two files of one strip differ")
	}
}
