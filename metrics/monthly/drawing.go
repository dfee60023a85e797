package monthly

import (
	"math"
	"unicode/utf8"
)

// drawing is a chart that is laid out: marks in units of its own, x to the right
// and y down. SVG and PDF are written from the same marks, and nothing in them
// is told by colour alone: what is beyond a limit has another shape, what is
// expected is hollow, and values stand beside their marks.
type drawing struct {
	Width, Height float64
	Title         string // for those who do not see it
	Text          string // what it shows, likewise
	Legend        string // how to read it, for all; empty when that goes without saying
	marks         []mark
}

// mark is one thing on a drawing. Its look is the name of a row of looks.
type mark struct {
	shape  shape
	x, y   float64 // the middle of a sign, the start of a line, a corner, or where a text stands
	x2, y2 float64 // the end of a line, the other corner
	look   string
	text   string
	anchor anchor
}

type shape int

const (
	line shape = iota
	box
	dot
	diamond
	word
)

type anchor int

const (
	atStart anchor = iota
	atMiddle
	atEnd
)

// look is how marks of one kind are drawn by day and on paper.
type look struct {
	stroke, fill string // #rrggbb; empty for none
	width        float64
	dash         bool
	size         float64 // of letters, or half the width of a sign
	bold         bool
}

// looks has one row for each kind of mark. Every stroke and letter has a
// contrast of 4.5:1 or more on white, apart from the grid.
var looks = map[string]look{
	"grid":   {stroke: "#d5dcda", width: 1},
	"axis":   {stroke: "#4a5b62", width: 1},
	"series": {stroke: "#2f6f9f", width: 1.5},
	"center": {stroke: "#14242b", width: 1},
	"limit":  {stroke: "#7c4700", width: 1.2, dash: true},
	"inside": {stroke: "#2f6f9f", fill: "#ffffff", width: 1.5, size: 3.2},
	"beyond": {stroke: "#a4102c", fill: "#a4102c", width: 1, size: 6},
	"range":  {stroke: "#2f6f9f", width: 3},
	"value":  {stroke: "#14242b", fill: "#14242b", width: 1, size: 4.5},
	"said":   {stroke: "#7c4700", fill: "#ffffff", width: 2, size: 5.5},
	"bar":    {fill: "#2f6f9f"},
	"sum":    {stroke: "#7c4700", width: 1.5},
	"label":  {fill: "#14242b", size: 12},
	"quiet":  {fill: "#4a5b62", size: 11},
	"loud":   {fill: "#a4102c", size: 11, bold: true},
}

func (d *drawing) add(m mark) { d.marks = append(d.marks, m) }

func (d *drawing) line(name string, x1, y1, x2, y2 float64) {
	d.add(mark{shape: line, x: x1, y: y1, x2: x2, y2: y2, look: name})
}

func (d *drawing) sign(s shape, name string, x, y float64) {
	d.add(mark{shape: s, x: x, y: y, look: name})
}

func (d *drawing) word(name string, a anchor, x, y float64, text string) {
	d.add(mark{shape: word, x: x, y: y, look: name, text: text, anchor: a})
}

// The measures that charts share.
const (
	chartWidth = 640.0
	rowHeight  = 26.0
	axisRoom   = 30.0 // below, for its numbers
	labelRoom  = 168.0
	valueRoom  = 150.0

	letterWidth = 6.8 // of a label, on average
	mostLetters = 40
)

// shorten cuts a text that would run out of its place.
func shorten(text string, most int) string {
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:most-1]) + "…"
}

// step is a round distance between the marks of an axis that ends at most, so
// that there are four to ten of them.
func step(most float64) float64 {
	if !(most > 0) || math.IsInf(most, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(most/4)))
	for _, round := range []float64{5, 2} {
		if most/(round*power) >= 4 {
			return round * power
		}
	}
	return power
}

// digits is how many a number on an axis needs behind its decimal sign.
func digits(step float64) int {
	return max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
}

// span is one row of a chart of intervals. What is not known is not drawn; an
// interval without an upper end runs out of the chart.
type span struct {
	label, text      string
	value, low, high float64 // NaN when not known
	said             float64 // what was expected; NaN for none
}

// intervals draws values with their intervals, a row each.
func (p *writer) intervals(title, text, unit string, rows []span) *drawing {
	d := &drawing{Width: chartWidth, Height: float64(len(rows))*rowHeight + axisRoom + 18, Title: title, Text: text, Legend: text}
	most := reach(rows)
	left, right, bottom := labelRoom, chartWidth-valueRoom, float64(len(rows))*rowHeight+4
	at := func(v float64) float64 { return left + (right-left)*min(1, v/most) }
	by := step(most)
	for i := 0.0; i*by <= most*(1+1e-9); i++ {
		d.line("grid", at(i*by), 4, at(i*by), bottom)
		d.word("quiet", atMiddle, at(i*by), bottom+14, p.number(i*by, digits(by)))
	}
	d.word("quiet", atMiddle, (left+right)/2, bottom+30, unit)
	for i, r := range rows {
		y := 4 + rowHeight*(float64(i)+0.5)
		d.word("label", atEnd, left-10, y+4, shorten(r.label, 23))
		d.word("quiet", atStart, right+12, y+4, r.text)
		if !math.IsNaN(r.low) {
			d.interval(at(r.low), y, at, r.high, most, right)
		}
		if !math.IsNaN(r.said) {
			d.sign(dot, "said", at(r.said), y)
		}
		if !math.IsNaN(r.value) {
			d.sign(dot, "value", at(r.value), y)
		}
	}
	d.line("axis", left, 4, left, bottom)
	return d
}

// interval draws one from x on, with an arrow where it leaves the chart.
func (d *drawing) interval(x, y float64, at func(float64) float64, high, most, right float64) {
	if math.IsNaN(high) || high > most {
		d.line("range", x, y, right, y)
		d.line("range", right-6, y-5, right, y)
		d.line("range", right-6, y+5, right, y)
		return
	}
	d.line("range", x, y, at(high), y)
}

// reach is how far an axis goes: over all intervals, yet not so far for one
// that tells little that the others can no longer be told apart.
func reach(rows []span) float64 {
	value, high := 0.0, 0.0
	for _, r := range rows {
		for _, v := range []float64{r.value, r.low, r.said} {
			if v > value { // not NaN
				value = v
			}
		}
		if r.high > high {
			high = r.high
		}
	}
	switch {
	case value == 0 && high == 0:
		return 1
	case value == 0:
		return high
	case high > 4*value || high == 0:
		return 4 * value
	}
	return max(value, high)
}

// plotted is one point of a control chart.
type plotted struct {
	label            string
	value, low, high float64
	beyond           bool
}

// control draws a control chart.
func (p *writer) control(title, text, unit string, center float64, points []plotted) *drawing {
	const height, top = 190.0, 18.0
	d := &drawing{Width: chartWidth, Height: height + 44, Title: title, Text: text}
	left, right := 52.0, chartWidth-92
	most := center
	for _, q := range points {
		most = max(most, q.value, q.high)
	}
	if most <= 0 {
		most = 1
	}
	y := func(v float64) float64 { return height - (height-top)*min(1, v/most) }
	x := func(i float64) float64 { return left + (right-left)*(i+0.5)/float64(len(points)) }
	by := step(most)
	for i := 0.0; i*by <= most*(1+1e-9); i++ {
		d.line("grid", left, y(i*by), right, y(i*by))
		d.word("quiet", atEnd, left-6, y(i*by)+4, p.number(i*by, digits(by)))
	}
	d.word("quiet", atStart, 4, 11, unit)
	for i, q := range points {
		d.line("limit", x(float64(i)-0.5), y(q.high), x(float64(i)+0.5), y(q.high))
		if q.low > 0 {
			d.line("limit", x(float64(i)-0.5), y(q.low), x(float64(i)+0.5), y(q.low))
		}
	}
	d.line("center", left, y(center), right, y(center))
	if n := len(points); n > 0 {
		d.word("quiet", atStart, right+6, apart(y(center), y(points[n-1].high))+4, p.Say("report.chart.center")+" "+p.brief(center))
		d.word("quiet", atStart, right+6, y(points[n-1].high)+4, p.Say("report.chart.limit"))
	}
	for i := 1; i < len(points); i++ {
		d.line("series", x(float64(i-1)), y(points[i-1].value), x(float64(i)), y(points[i].value))
	}
	for i, q := range points {
		if q.beyond {
			d.sign(diamond, "beyond", x(float64(i)), y(q.value))
			d.word("loud", atMiddle, x(float64(i)), max(10, y(q.value)-10), p.brief(q.value))
		} else {
			d.sign(dot, "inside", x(float64(i)), y(q.value))
		}
	}
	d.line("axis", left, height, right, height)
	each := max(1, (len(points)+5)/6)
	for i := 0; i < len(points); i += each {
		d.word("quiet", atMiddle, x(float64(i)), height+16, points[i].label)
	}
	return d
}

// growth is strikes over starts, and the curve λ·t^β where lambda is not 0.
type growth struct {
	points       [][2]float64 // starts, strikes
	end, strikes float64      // all of both
	beta, lambda float64
}

// curveSteps is of how many straight pieces a curve is made.
const curveSteps = 48

// growth draws strikes over starts. A straight row of points means that nothing
// changes; one that bends down, that strikes become rarer.
func (p *writer) growth(title, text string, g growth) *drawing {
	const height, top = 210.0, 22.0
	d := &drawing{Width: chartWidth, Height: height + 48, Title: title, Text: text, Legend: text}
	left, right := 52.0, chartWidth-92
	x := func(v float64) float64 { return left + (right-left)*v/max(1, g.end) }
	y := func(v float64) float64 { return height - (height-top)*v/max(1, g.strikes) }
	for by, i := max(1, step(g.strikes)), 0.0; i*by <= g.strikes; i++ {
		d.line("grid", left, y(i*by), right, y(i*by))
		d.word("quiet", atEnd, left-6, y(i*by)+4, p.number(i*by, 0))
	}
	for by, i := max(1, step(g.end)), 0.0; i*by <= g.end; i++ {
		d.line("axis", x(i*by), height, x(i*by), height+4)
		d.word("quiet", atMiddle, x(i*by), height+17, p.number(i*by, 0))
	}
	d.word("quiet", atStart, 4, 11, p.Say("report.col.strikes"))
	d.word("quiet", atMiddle, (left+right)/2, height+34, p.Say("report.chart.growth.unit"))
	expected := func(i int) (at, n float64) {
		at = g.end * float64(i) / curveSteps
		return at, g.lambda * math.Pow(at, g.beta)
	}
	for i := 1; g.lambda > 0 && i <= curveSteps; i++ {
		from, before := expected(i - 1)
		to, after := expected(i)
		d.line("sum", x(from), y(before), x(to), y(after))
	}
	if g.lambda > 0 {
		d.word("quiet", atStart, right+6, y(g.strikes)+4, p.Say("report.chart.growth.curve"))
	}
	for _, q := range g.points {
		d.sign(dot, "inside", x(q[0]), y(q[1]))
	}
	d.line("axis", left, height, right, height)
	d.line("axis", left, top, left, height)
	return d
}

// apart moves a label away from another one that it would lie on.
func apart(y, other float64) float64 {
	if math.Abs(y-other) < 13 {
		return other + 13
	}
	return y
}

// piece is one bar of a chart of shares.
type piece struct {
	label, text string
	share, sum  float64 // of all, and with those above it
}

// pareto draws shares as bars, and their sum as a line from bar to bar.
func (p *writer) pareto(title, text string, list []piece) *drawing {
	d := &drawing{Width: chartWidth, Height: float64(len(list))*rowHeight + axisRoom + 18, Title: title, Text: text, Legend: text}
	most := 0
	for _, b := range list {
		most = max(most, utf8.RuneCountInString(b.label))
	}
	letters := min(most, mostLetters)
	left, right, bottom := max(labelRoom, letterWidth*float64(letters)+14), chartWidth-valueRoom, float64(len(list))*rowHeight+4
	at := func(share float64) float64 { return left + (right-left)*share }
	for i := range 5 {
		share := float64(i) / 4
		d.line("grid", at(share), 4, at(share), bottom)
		d.word("quiet", atMiddle, at(share), bottom+14, p.percent(share, 0))
	}
	d.word("quiet", atMiddle, (left+right)/2, bottom+30, p.Say("report.chart.share"))
	y := func(i int) float64 { return 4 + rowHeight*(float64(i)+0.5) }
	for i, b := range list {
		d.word("label", atEnd, left-10, y(i)+4, shorten(b.label, max(23, letters)))
		d.add(mark{shape: box, x: left, y: y(i) - 8, x2: at(b.share), y2: y(i) + 8, look: "bar"})
		d.word("quiet", atStart, right+12, y(i)+4, b.text)
	}
	for i, b := range list {
		if i > 0 {
			d.line("sum", at(list[i-1].sum), y(i-1), at(b.sum), y(i))
		}
	}
	for i, b := range list {
		d.sign(dot, "said", at(b.sum), y(i))
	}
	d.line("axis", left, 4, left, bottom)
	return d
}
