// Package strip draws the control strip that a shop prints, cures and measures
// to learn how its film strains, and the picture of the cure window.
//
// A sheet is laid out once, as lines and texts in mm, and written as SVG or PDF
// to scale: what is drawn as 1000 mm is 1000 mm on the film before the cure. All
// words come from the caller, since people print it in their own language.
package strip

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// Texts are the words on a strip.
type Texts struct {
	Title   string
	Fields  []Field  // to fill in by hand
	Feed    string   // along the roll, above what is measured there
	Cross   string   // across the roll, likewise
	Steps   []string // what to do, in order
	Caution string
}

// Field is something to fill in by hand, with what is known already.
type Field struct{ Name, Value string }

// English are the words in English. What is empty is filled in by hand.
func English(machine, stock string) Texts {
	return Texts{
		Title:  "Control strip",
		Fields: []Field{{"Machine", machine}, {"Stock", stock}, {"Cure temperature", ""}, {"Passes", ""}, {"Date", ""}},
		Feed:   "feed: along the roll",
		Cross:  "cross: across the roll",
		Steps: []string{
			"Print at 100 %, with no scaling in any program on the way. Cure as for a job.",
			"Let the film cool down to the room for half an hour, lying flat and free of pull.",
			"Stop the machine and cut the strip off before you measure. Never measure film that is on the machine.",
			"Measure each length from the middle of one end mark to the middle of the other, to half a millimetre or better.",
			"Enter each length with the machine, the cure temperature and the passes. Print it again at other cure temperatures: three lengths on each axis at two temperatures are the least, more are better.",
		},
		Caution: "Caution: film and cure zone are hot after a run, and a carriage moves without warning. Measure only with the machine stopped and the film cold.",
	}
}

// Options say what to draw.
type Options struct {
	WidthMM  float64 // of the roll
	LengthMM float64 // the longest known length along the roll
	Texts    Texts
}

// The limits of a strip. A PDF page is at most 14400 points long (ISO 32000-1,
// annex C), which is 5080 mm.
const (
	LeastMM = 300
	MostMM  = 4900
)

// Length is one known length on a sheet, from the middle of one end mark to the
// middle of the other.
type Length struct {
	Name           string // a letter
	Axis           string // feed or cross
	MM             float64
	X1, Y1, X2, Y2 float64 // mm from the top left corner
}

// Sheet is a strip laid out in mm from its top left corner: y is along the roll,
// x across it.
type Sheet struct {
	WidthMM, HeightMM float64
	Title             string
	Lengths           []Length
	lines             []line
	words             []words
}

type line struct{ x1, y1, x2, y2, thick float64 }

// words are one line of text. x and y are where its baseline begins.
type words struct {
	x, y, size float64
	bold       bool
	text       string
}

// Where things lie on a sheet, in mm.
const (
	edge     = 15.0 // free film on all sides: machines do not print to the edge
	endMark  = 10.0 // length of an end mark
	hairline = 0.25
	column   = 24.0 // from one length along the roll to the next
	band     = 45.0 // room for lengths across the roll, above and below
	small    = 4.5  // sizes of letters
	body     = 6.0
	large    = 12.0
	leading  = 1.45
)

// New lays out a strip. The error says which size does not do, and what does.
func New(o Options) (*Sheet, error) {
	for _, size := range []struct {
		name string
		mm   float64
	}{{"width", o.WidthMM}, {"length", o.LengthMM}} {
		if !(size.mm >= LeastMM && size.mm <= MostMM) {
			return nil, fmt.Errorf("%s of a control strip: want %d to %d mm, got %g", size.name, LeastMM, MostMM, size.mm)
		}
	}
	s := &Sheet{WidthMM: o.WidthMM, HeightMM: o.LengthMM + 2*band, Title: o.Texts.Title}
	s.feed(o.LengthMM)
	s.cross(o.WidthMM)
	bottom := s.write(o.Texts)
	if room := band + o.LengthMM; bottom > room {
		return nil, fmt.Errorf("length of a control strip: want at least %.0f mm for the words to fit, got %g", math.Ceil(o.LengthMM+bottom-room), o.LengthMM)
	}
	return s, nil
}

// feed draws known lengths along the roll: the longest on both sides, since film
// may strain more on one of them, and shorter ones beside it.
func (s *Sheet) feed(longest float64) {
	x := edge + endMark/2
	for _, mm := range []float64{longest, round(longest / 2), round(longest / 4)} {
		s.known(Length{Axis: "feed", MM: mm, X1: x, Y1: band, X2: x, Y2: band + mm})
		x += column
	}
	x = s.WidthMM - edge - endMark/2
	s.known(Length{Axis: "feed", MM: longest, X1: x, Y1: band, X2: x, Y2: band + longest})
}

// cross draws known lengths across the roll: the longest that fits at both ends,
// and a shorter one.
func (s *Sheet) cross(width float64) {
	longest := round(width - 2*edge - 2*endMark)
	for _, at := range []struct{ mm, y float64 }{
		{longest, edge}, {round(longest / 2), edge + 14}, {longest, s.HeightMM - edge},
	} {
		x := (width - longest) / 2
		s.known(Length{Axis: "cross", MM: at.mm, X1: x, Y1: at.y, X2: x + at.mm, Y2: at.y})
	}
}

// round takes a length down to one that is easy to name.
func round(mm float64) float64 {
	step := 10.0
	if mm >= 500 {
		step = 50
	}
	return math.Floor(mm/step) * step
}

// known draws one length with its end marks and its name.
func (s *Sheet) known(l Length) {
	l.Name = string(rune('A' + len(s.Lengths)))
	s.Lengths = append(s.Lengths, l)
	s.rule(l.X1, l.Y1, l.X2, l.Y2)
	const h = endMark / 2
	mm := fmt.Sprintf("%g mm", l.MM)
	if l.Axis == "cross" {
		s.rule(l.X1, l.Y1-h, l.X1, l.Y1+h)
		s.rule(l.X2, l.Y2-h, l.X2, l.Y2+h)
		s.words = append(s.words, words{x: l.X1 + 3, y: l.Y1 - 1.5, size: small, text: l.Name + " " + l.Axis + " " + mm})
		return
	}
	s.rule(l.X1-h, l.Y1, l.X1+h, l.Y1)
	s.rule(l.X2-h, l.Y2, l.X2+h, l.Y2)
	for i, row := range []string{l.Name, l.Axis, mm} {
		x := l.X1 + 1.5
		if l.X1 > s.WidthMM/2 { // on the other side, away from the edge of the film
			x = l.X1 - 1.5 - small*letter*float64(len(row))
		}
		s.words = append(s.words, words{x: x, y: l.Y1 + 6 + float64(i)*small*leading, size: small, text: row})
	}
}

func (s *Sheet) rule(x1, y1, x2, y2 float64) {
	s.lines = append(s.lines, line{x1, y1, x2, y2, hairline})
}

// write sets the words in the middle of the sheet and returns where they end.
func (s *Sheet) write(t Texts) (bottom float64) {
	left := edge + 3*column + 5
	c := cursor{sheet: s, x: left, y: band + large, width: min(s.WidthMM-left-edge-column, 420)}
	c.set(t.Title, large, true)
	for _, f := range t.Fields {
		c.field(f)
	}
	c.y += body
	for i, step := range t.Steps {
		c.set(fmt.Sprintf("%d. %s", i+1, step), body, false)
	}
	c.y += body / 2
	c.set(t.Caution, body, true)
	c.y += body / 2
	for _, axis := range []struct{ code, name string }{{"feed", t.Feed}, {"cross", t.Cross}} {
		c.set(axis.name, body, true)
		c.y += body / 4
		for _, l := range s.Lengths {
			if l.Axis == axis.code {
				c.field(Field{Name: fmt.Sprintf("%s  %s %g mm =", l.Name, l.Axis, l.MM)})
			}
		}
	}
	return c.y
}

// cursor sets one line below the other.
type cursor struct {
	sheet       *Sheet
	x, y, width float64
}

func (c *cursor) set(text string, size float64, bold bool) {
	for _, row := range wrap(text, int(c.width/(size*letter))) {
		c.sheet.words = append(c.sheet.words, words{c.x, c.y, size, bold, row})
		c.y += size * leading
	}
}

// field sets a name and, where the value is not known, a line to write it on.
func (c *cursor) field(f Field) {
	const gap = 62.0
	c.sheet.words = append(c.sheet.words, words{x: c.x, y: c.y, size: body, text: f.Name})
	if f.Value == "" {
		c.sheet.rule(c.x+gap, c.y+1, c.x+min(c.width, gap+80), c.y+1)
	} else {
		c.sheet.words = append(c.sheet.words, words{x: c.x + gap, y: c.y, size: body, bold: true, text: f.Value})
	}
	c.y += 1.25 * body * leading
}

// letter is the width of a usual letter in its size: wide enough for all but
// rows of capitals in the sans-serif letters that are used.
const letter = 0.55

// wrap breaks a text at spaces into rows of at most so many letters. A word that
// is longer stands alone.
func wrap(text string, letters int) (rows []string) {
	row := ""
	for _, word := range strings.Fields(text) {
		switch {
		case row == "":
			row = word
		case utf8.RuneCountInString(row)+1+utf8.RuneCountInString(word) <= letters:
			row += " " + word
		default:
			rows, row = append(rows, row), word
		}
	}
	if row != "" {
		rows = append(rows, row)
	}
	return rows
}
