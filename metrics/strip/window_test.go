package strip_test

import (
	"bytes"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"rollwarden/metrics/strip"
	"rollwarden/rules/plant"
	"rollwarden/rules/units"
)

func heron() *plant.Machine {
	return &plant.Machine{Path: plant.Path{CureEntryMM: 180, CureExitMM: 330}, SwathMM: 54, StrokeS: 1.6, Ink: plant.DefaultInk}
}

func window(t *testing.T, edit func(*strip.WindowOptions)) []element {
	t.Helper()
	o := strip.WindowOptions{
		ID: "heron", Bands: heron().Window(100, []plant.Ceiling{{Code: "hot-recipe", C: 98}}), Spot: &strip.Spot{Passes: 12, CureC: 93},
		Texts: strip.WindowTexts{Label: "Cure window of heron: safe from 88 to 98 °C", Passes: "passes", Temperature: "cure", TooCold: "too cold", TooHot: "too hot", Safe: "safe", Here: "KL-1042 <&>"},
	}
	edit(&o)
	var b bytes.Buffer
	if err := strip.Window(&b, o); err != nil {
		t.Fatal(err)
	}
	return readSVG(t, b.Bytes())
}

func as(*strip.WindowOptions) {}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestWindowToScale reads the edges back through the axes' own words: a straight
// line through two of them turns places into passes and temperatures.
func TestWindowToScale(t *testing.T) {
	all := window(t, as)
	var x, y [][2]float64 // place and what it stands for
	for _, e := range all {
		if e.attr["class"] != "window-word" {
			continue
		}
		if n, err := strconv.ParseFloat(e.text, 64); err == nil {
			x = append(x, [2]float64{number(t, e.attr["x"]), n})
		} else if c, is := strings.CutSuffix(e.text, " °C"); is && e.attr["text-anchor"] == "end" {
			y = append(y, [2]float64{number(t, e.attr["y"]) - 5, number(t, c)})
		}
	}
	read := func(axis [][2]float64, at float64) float64 {
		a, b := axis[0], axis[len(axis)-1]
		return a[1] + (at-a[0])/(b[0]-a[0])*(b[1]-a[1])
	}
	var edges [][][2]float64
	for _, e := range all {
		if e.attr["class"] != "window-edge" {
			continue
		}
		var edge [][2]float64
		for _, p := range strings.FieldsFunc(e.attr["d"], func(r rune) bool { return r == 'M' || r == 'L' }) {
			px, py, _ := strings.Cut(p, " ")
			edge = append(edge, [2]float64{read(x, number(t, px)), read(y, number(t, py))})
		}
		edges = append(edges, edge)
	}
	bands := heron().Window(100, []plant.Ceiling{{Code: "hot-recipe", C: 98}})
	if len(edges) != 2 || len(edges[0]) != len(bands) || len(edges[1]) != len(bands) {
		t.Fatalf("want two edges over %d passes, got %v", len(bands), edges)
	}
	for i, b := range bands {
		for _, row := range []struct{ got, want float64 }{{edges[0][i][0], b.Passes}, {edges[0][i][1], b.LowC}, {edges[1][i][1], b.HighC}} {
			if math.Abs(row.got-row.want) > 0.05 {
				t.Errorf("at %g passes: drawn at %.2f, want %.2f", b.Passes, row.got, row.want)
			}
		}
	}
	for _, e := range all {
		if e.name == "circle" {
			if px, py := read(x, number(t, e.attr["cx"])), read(y, number(t, e.attr["cy"])); math.Abs(px-12) > 0.05 || math.Abs(py-93) > 0.05 {
				t.Errorf("the recipe sits at %.2f passes and %.2f °C, want 12 and 93", px, py)
			}
		}
	}
}

// TestWindowOnAPage holds the picture to what a page asks of it: no style
// attributes and no scripts, which the page's policy forbids, a text for those
// who do not see it, regions that differ by more than colour, and ids of its own.
func TestWindowOnAPage(t *testing.T) {
	all := window(t, as)
	if root := all[0]; root.attr["role"] != "img" || root.attr["aria-label"] != "Cure window of heron: safe from 88 to 98 °C" {
		t.Errorf("root: %v", root.attr)
	}
	patterns, fills := map[string]bool{}, map[string]bool{}
	var words []string
	for _, e := range all {
		if e.name == "script" || e.name == "style" {
			t.Errorf("the page's policy forbids %s", e.name)
		}
		for name, value := range e.attr {
			if name == "style" || strings.HasPrefix(name, "on") {
				t.Errorf("the page's policy forbids %s=%q", name, value)
			}
			if name == "id" && !strings.HasPrefix(value, "heron-") {
				t.Errorf("id %q is not of its own", value)
			}
		}
		switch {
		case e.name == "pattern":
			patterns["url(#"+e.attr["id"]+")"] = true
		case e.attr["class"] == "window-region":
			fills[e.attr["fill"]] = true
		case e.name == "text":
			words = append(words, e.text)
		}
	}
	if len(patterns) != 2 || len(fills) != 2 {
		t.Errorf("want two regions with hatchings of their own, got %v and %v", fills, patterns)
	}
	for fill := range fills {
		if !patterns[fill] {
			t.Errorf("no hatching for %s", fill)
		}
	}
	for _, want := range []string{"too cold", "too hot", "safe", "passes", "cure", "KL-1042 <&>"} {
		if !strings.Contains(strings.Join(words, "\n"), want) {
			t.Errorf("no word %q", want)
		}
	}
}

// TestNoWordsLieOverEachOther puts a recipe everywhere in a window, under words of
// the lengths that the languages have: each word is there, and none lies over another
// or over the recipe's place.
func TestNoWordsLieOverEachOther(t *testing.T) {
	for _, words := range []strip.WindowTexts{
		{TooCold: "too cold for the ink", TooHot: "too hot for the film", Safe: "suits ink and film", Here: "this ticket"},
		{TooCold: "zu kalt für die Tinte", TooHot: "zu heiß für die Folie", Safe: "passt zu Tinte und Folie", Here: "dieser Auftrag"},
	} {
		for passes := 2.0; passes <= 32; passes += 2 {
			for cure := 60.0; cure <= 140; cure += 4 {
				all := window(t, func(o *strip.WindowOptions) { o.Texts, o.Spot = words, &strip.Spot{Passes: passes, CureC: cure} })
				var boxes [][4]float64
				said := ""
				for _, e := range all {
					said += e.text + "\n"
					if e.attr["class"] == "window-plate" {
						x, y := number(t, e.attr["x"]), number(t, e.attr["y"])
						boxes = append(boxes, [4]float64{x, y, x + number(t, e.attr["width"]), y + number(t, e.attr["height"])})
					}
					if e.name == "circle" {
						x, y := number(t, e.attr["cx"]), number(t, e.attr["cy"])
						boxes = append(boxes, [4]float64{x - 8, y - 8, x + 8, y + 8})
					}
				}
				for i, a := range boxes {
					for _, b := range boxes[:i] {
						if a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3] {
							t.Fatalf("%g passes, %g °C: %v lies over %v", passes, cure, a, b)
						}
					}
				}
				for _, want := range []string{words.TooCold, words.TooHot, words.Here} {
					if !strings.Contains(said, want) {
						t.Fatalf("%g passes, %g °C: %q is left out", passes, cure, want)
					}
				}
			}
		}
	}
}

func TestWindowEnds(t *testing.T) {
	text := func(all []element) (s string) {
		for _, e := range all {
			s += e.text + "\n"
		}
		return s
	}
	// Where nothing is safe, nothing is called safe; what cannot be drawn stays
	// inside the frame.
	never := window(t, func(o *strip.WindowOptions) {
		o.Bands = heron().Window(100, []plant.Ceiling{{Code: "register-drift", C: math.Inf(-1)}})
	})
	if strings.Contains(text(never), "safe\n") {
		t.Error("a window without a safe band names one")
	}
	for _, e := range never {
		for _, bad := range []string{"NaN", "Inf", "e+"} {
			if strings.Contains(e.attr["d"], bad) {
				t.Errorf("path %s", e.attr["d"])
			}
		}
	}
	far := window(t, func(o *strip.WindowOptions) { o.Spot = &strip.Spot{Passes: 32, CureC: 140} })
	for _, e := range far {
		if e.name == "circle" && (number(t, e.attr["cx"]) > 640 || number(t, e.attr["cy"]) < 0) {
			t.Errorf("the recipe is drawn off the picture: %v", e.attr)
		}
	}
	if got := text(window(t, func(o *strip.WindowOptions) { o.Display = units.Display{Fahrenheit: true} })); !strings.Contains(got, "200 °F") || strings.Contains(got, " °C") {
		t.Errorf("in °F: %s", got)
	}
	if all := window(t, func(o *strip.WindowOptions) { o.Spot = nil }); strings.Contains(text(all), "KL-1042") {
		t.Error("a recipe is named that is not there")
	}
	if err := strip.Window(io.Discard, strip.WindowOptions{}); err == nil || !strings.Contains(err.Error(), "stroke") {
		t.Errorf("no bands: want an error that says what to give, got %v", err)
	}
}
