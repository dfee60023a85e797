package strip

import (
	"cmp"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

// WindowTexts are the words of a cure window.
type WindowTexts struct {
	Label       string // what the picture says, for those who do not see it
	Passes      string
	Temperature string
	TooCold     string
	TooHot      string
	Safe        string // for the ink and the film: the register and the machine are another matter
	Here        string // beside the recipe's place
}

// Spot is where a recipe sits.
type Spot struct{ Passes, CureC float64 }

// WindowOptions say what to draw.
type WindowOptions struct {
	ID      string // begins the ids in the picture, which must be unique on a page
	Bands   []plant.Band
	Spot    *Spot // nil for none
	Texts   WindowTexts
	Display units.Display
}

// The window's frame, in units of the drawing.
const (
	windowWidth  = 640.0
	windowHeight = 360.0
	frameLeft    = 90.0
	frameRight   = 620.0
	frameTop     = 15.0
	frameBottom  = 305.0
	letters      = 14.0 // size of letters
	coldest      = 20.0 // °C that a picture goes down and up to
	hottest      = 200.0
)

// Window draws passes against cure temperature: what is too cold for the ink,
// what is too hot for the film, and what is neither. The regions are told apart
// by their hatching and their words, and a style sheet may colour their classes:
// window-cold, window-hot, window-safe, window-edge, window-axis, window-grid,
// window-word, window-plate and window-here. Lines and letters have the colour
// of the text around the picture.
func Window(w io.Writer, o WindowOptions) error {
	if len(o.Bands) < 2 {
		return errors.New("a cure window needs at least two numbers of passes: give the machine's path, swath and stroke")
	}
	d := drawing{WindowOptions: o}
	d.scale()
	d.begin()
	d.regions()
	d.axes()
	d.here()
	d.names()
	d.f("</svg>\n")
	_, err := d.WriteTo(w)
	return err
}

// drawing is a window that is being drawn.
type drawing struct {
	pen
	WindowOptions
	from, to  float64 // passes
	low, high float64 // °C
	taken     []box   // by words and the recipe's place, so that nothing is written over them
}

// box is a part of the drawing.
type box struct{ left, top, right, bottom float64 }

func (b box) meets(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

// place is where a word may stand: its middle.
type place struct{ x, y float64 }

// scale chooses temperatures that show both edges of the window and the spot.
func (d *drawing) scale() {
	d.from, d.to = d.Bands[0].Passes, d.Bands[len(d.Bands)-1].Passes
	d.low, d.high = math.Inf(1), math.Inf(-1)
	see := func(c float64) {
		c = min(max(c, coldest), hottest)
		d.low, d.high = min(d.low, c), max(d.high, c)
	}
	for _, b := range d.Bands {
		see(b.LowC)
		see(b.HighC)
	}
	if d.Spot != nil {
		see(d.Spot.CureC)
		d.from, d.to = min(d.from, d.Spot.Passes), max(d.to, d.Spot.Passes)
	}
	d.low, d.high = 10*math.Floor(d.low/10-0.5), 10*math.Ceil(d.high/10+0.5)
}

func (d *drawing) x(passes float64) float64 {
	return frameLeft + (passes-d.from)/(d.to-d.from)*(frameRight-frameLeft)
}

func (d *drawing) y(c float64) float64 {
	c = min(max(c, d.low), d.high)
	return frameBottom - (c-d.low)/(d.high-d.low)*(frameBottom-frameTop)
}

func (d *drawing) begin() {
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" class="window" viewBox="0 0 %g %g" role="img" aria-label="%s">`+"\n", windowWidth, windowHeight, esc(d.Texts.Label))
	for _, p := range []struct{ name, path string }{{"cold", "M0 10L10 0"}, {"hot", "M0 0L10 10M0 5L5 10M5 0L10 5"}} {
		d.f(`<pattern id="%s-%s" width="10" height="10" patternUnits="userSpaceOnUse"><path class="window-%[2]s" d="%[3]s" stroke="currentColor" stroke-opacity="0.6"/></pattern>`+"\n", esc(d.ID), p.name, p.path)
	}
	d.f(`<rect class="window-safe" x="%g" y="%g" width="%g" height="%g" fill="none" stroke="currentColor"/>`+"\n", frameLeft, frameTop, frameRight-frameLeft, frameBottom-frameTop)
}

// regions hatches what lies below the coolest and above the hottest cure. Where
// the two meet, both lie over each other and nothing is safe.
func (d *drawing) regions() {
	d.region("cold", frameBottom, func(b plant.Band) float64 { return d.y(b.LowC) })
	d.region("hot", frameTop, func(b plant.Band) float64 { return d.y(b.HighC) })
}

func (d *drawing) region(name string, edge float64, y func(plant.Band) float64) {
	var path strings.Builder
	for i, b := range d.Bands {
		path.WriteString(map[bool]string{true: "M", false: "L"}[i == 0] + point(d.x(b.Passes), y(b)))
	}
	first, last := d.x(d.Bands[0].Passes), d.x(d.Bands[len(d.Bands)-1].Passes)
	d.f(`<path class="window-region" d="%sL%sL%sZ" fill="url(#%s-%s)"/>`+"\n", path.String(), point(last, edge), point(first, edge), esc(d.ID), name)
	d.f(`<path class="window-edge" d="%s" fill="none" stroke="currentColor" stroke-width="2"/>`+"\n", path.String())
}

func point(x, y float64) string {
	return strconv.FormatFloat(x, 'f', 2, 64) + " " + strconv.FormatFloat(y, 'f', 2, 64)
}

func (d *drawing) axes() {
	for passes := math.Ceil(d.from/4) * 4; passes <= d.to; passes += 4 {
		d.tick(d.x(passes), frameBottom, 0, 5)
		d.word(d.x(passes), frameBottom+20, "middle", strconv.FormatFloat(passes, 'f', -1, 64))
	}
	d.word((frameLeft+frameRight)/2, frameBottom+42, "middle", d.Texts.Passes)
	for _, c := range d.temperatures() {
		d.tick(frameLeft, d.y(c), -5, 0)
		d.word(frameLeft-9, d.y(c)+5, "end", d.Display.Temp(c))
	}
	d.f(`<text class="window-word" transform="translate(14 %g) rotate(-90)" text-anchor="middle" font-size="%g" fill="currentColor">%s</text>`+"\n", (frameTop+frameBottom)/2, letters, esc(d.Texts.Temperature))
}

// temperatures are round ones in the unit that people read, in °C.
func (d *drawing) temperatures() (ticks []float64) {
	to, from := func(c float64) float64 { return c }, func(t float64) float64 { return t }
	if d.Display.Fahrenheit {
		to, from = units.CToFahrenheit, units.FahrenheitToC
	}
	step := 10.0
	for (to(d.high)-to(d.low))/step > 8 {
		step += 10
	}
	for t := math.Ceil(to(d.low)/step) * step; t <= to(d.high); t += step {
		ticks = append(ticks, from(t))
	}
	return ticks
}

func (d *drawing) tick(x, y, dx, dy float64) {
	d.f(`<path class="window-axis" d="M%sL%s" stroke="currentColor"/>`+"\n", point(x, y), point(x+dx, y+dy))
}

func (d *drawing) word(x, y float64, anchor, text string) {
	d.f(`<text class="window-word" x="%.2f" y="%.2f" text-anchor="%s" font-size="%g" fill="currentColor">%s</text>`+"\n", x, y, anchor, letters, esc(text))
}

// names writes each region's name where there is most room for it, or where nothing
// else stands.
func (d *drawing) names() {
	cold, safe := d.Bands[0], slices.Clone(d.Bands)
	for _, b := range d.Bands {
		if d.y(b.LowC) < d.y(cold.LowC) {
			cold = b
		}
	}
	const middle = (frameLeft + frameRight) / 2
	hotY, coldY := frameTop+letters*1.5, frameBottom-letters*1.5
	d.plate(d.Texts.TooHot, place{0.25*frameLeft + 0.75*frameRight, hotY}, place{frameRight, hotY}, place{frameLeft, hotY}, place{middle, hotY})
	d.plate(d.Texts.TooCold, place{d.x(cold.Passes), coldY}, place{frameRight, coldY}, place{frameLeft, coldY}, place{middle, coldY})

	slices.SortStableFunc(safe, func(a, b plant.Band) int { return cmp.Compare(b.HighC-b.LowC, a.HighC-a.LowC) })
	var places []place
	for _, b := range safe {
		if top, bottom := d.y(b.HighC), d.y(b.LowC); bottom-top > letters*2 {
			places = append(places, place{d.x(b.Passes), (top + bottom) / 2})
		}
	}
	d.plate(d.Texts.Safe, places...)
}

// plate writes a word over a plain ground at the first of some places, as near to
// it as the frame allows, that is free. It is left out where none is: the hatching
// and the picture's text tell the region too.
func (d *drawing) plate(text string, places ...place) {
	wide := plateWidth(text)
	for _, at := range places {
		x := min(max(at.x, frameLeft+wide/2+4), frameRight-wide/2-4)
		y := min(max(at.y, frameTop+letters), frameBottom-letters)
		ground := box{x - wide/2, y - letters*0.8, x + wide/2, y + letters*0.8}
		if slices.ContainsFunc(d.taken, ground.meets) {
			continue
		}
		d.taken = append(d.taken, ground)
		d.f(`<rect class="window-plate" x="%.2f" y="%.2f" width="%.2f" height="%g" rx="3" fill="Canvas"/>`+"\n", ground.left, ground.top, wide, letters*1.6)
		d.word(x, y+letters*0.35, "middle", text)
		return
	}
}

func plateWidth(text string) float64 {
	return letters * (letter*float64(utf8.RuneCountInString(text)) + 0.5)
}

// here marks the recipe's place with a ring around a cross.
func (d *drawing) here() {
	if d.Spot == nil {
		return
	}
	x, y := d.x(d.Spot.Passes), d.y(d.Spot.CureC)
	d.f(`<g class="window-here" stroke="currentColor" stroke-width="2"><circle cx="%.2f" cy="%.2f" r="8" fill="Canvas"/><path d="M%sL%sM%sL%s"/></g>`+"\n",
		x, y, point(x-12, y), point(x+12, y), point(x, y-12), point(x, y+12))
	d.taken = append(d.taken, box{x - 12, y - 12, x + 12, y + 12})
	side := 16 + plateWidth(d.Texts.Here)/2
	d.plate(d.Texts.Here, place{x + side, y}, place{x - side, y})
}
