package web_test

import (
	"math"
	"os"
	"regexp"
	"strconv"
	"testing"
)

// TestContrast computes every pair of text and ground of the look by day and by
// night. Formula and limits, 4.5:1 for text and 3:1 for what has to be told
// apart without being text: WCAG 2.2, success criteria 1.4.3 and 1.4.11, and the
// definition of relative luminance.
func TestContrast(t *testing.T) {
	sheet, err := os.ReadFile("assets/look.css")
	if err != nil {
		t.Fatal(err)
	}
	if black := contrast("#000000", "#ffffff"); math.Abs(black-21) > 1e-9 {
		t.Fatalf("black on white is %g, want 21", black)
	}
	day, night := map[string]string{}, map[string]string{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)`).FindAllStringSubmatch(string(sheet), -1) {
		day[m[1]], night[m[1]] = m[2], m[3]
	}
	for name, colours := range map[string]map[string]string{"day": day, "night": night} {
		check := func(limit float64, ground string, over ...string) {
			for _, c := range over {
				if got := contrast(colours[c], colours[ground]); !(got >= limit) {
					t.Errorf("%s: %s on %s has a contrast of %.2f, want %g or more", name, c, ground, got, limit)
				}
			}
		}
		check(4.5, "ground", "ink", "quiet", "control", "high")
		check(4.5, "sheet", "ink", "quiet", "high", "medium", "low", "control", "heat-edge")
		check(4.5, "high-wash", "ink", "quiet", "high", "control")
		check(4.5, "medium-wash", "ink", "quiet", "medium", "high", "control")
		check(4.5, "low-wash", "ink", "quiet", "low", "high", "control")
		check(4.5, "control", "on-control")
		check(4.5, "high", "sheet")
		check(3, "sheet", "film", "leader", "heat-edge")
		check(3, "heat", "heat-edge", "film", "leader")
	}
}

func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(colour string) float64 {
	if len(colour) != 7 {
		return math.NaN()
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(colour[1+2*i:3+2*i], 16, 8)
		if err != nil {
			return math.NaN()
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}
