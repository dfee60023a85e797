package config

import (
	"fmt"
	"strconv"
	"strings"
)

// unit is one that a measure is easily taken in instead of the one that is asked for.
type unit struct {
	name string
	size float64 // in the unit that is asked for
}

// The units that people measure in (BIPM, SI brochure; the inch is 25.4 mm and the mil
// a thousandth of it since 1959).
var (
	forMM = []unit{{"inches", 25.4}, {"cm", 10}, {"m", 1000}}
	forUM = []unit{{"mils", 25.4}, {"hundredths of a mm", 10}}
	forS  = []unit{{"minutes", 60}}
)

// usual is what a measure of a wide-format machine or its film commonly is. A value
// outside is allowed, since there is no machine that nobody builds, and doubted.
type usual struct {
	least, most float64
	unit        string
	slips       []unit
}

// Common practice, no source. The limits lie well outside of what is built, so that
// only a slip of the unit goes past them.
var (
	usualExit      = usual{100, 5000, "mm", forMM}
	usualTakeUp    = usual{200, 10000, "mm", forMM}
	usualGap       = usual{500, 10000, "um", forUM}
	usualSwath     = usual{10, 1000, "mm", forMM}
	usualStroke    = usual{0.2, 30, "s", forS}
	usualWidth     = usual{250, 5500, "mm", forMM}
	usualThickness = usual{50, 3000, "um", forUM}
)

// doubt says what is odd about a value; empty when nothing is.
func (u usual) doubt(v float64) string {
	if v >= u.least && v <= u.most {
		return ""
	}
	text := fmt.Sprintf("is %s %s, and %s to %s %s is usual", short(v), u.unit, short(u.least), short(u.most), u.unit)
	var meant []string
	for _, slip := range u.slips {
		if as := v * slip.size; as >= u.least && as <= u.most {
			meant = append(meant, fmt.Sprintf("%s (%s %s)", slip.name, short(as), u.unit))
		}
	}
	if len(meant) == 0 {
		return text + ": measure it again"
	}
	return text + ": was it measured in " + strings.Join(meant, " or ") + "?"
}

// short writes a number with as many digits as a tape measure gives.
func short(v float64) string {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64) // what was just written can be read
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// Doubts name the measures that look like a slip of the unit. A feed path in inches
// would have an edge count as safe that lies in the middle of the cure zone.
func (c *Config) Doubts() (list []string) {
	look := func(of, key string, value *float64, u usual) {
		if value == nil {
			return
		}
		if text := u.doubt(*value); text != "" {
			list = append(list, fmt.Sprintf("%s: %s %s", of, key, text))
		}
	}
	for _, m := range c.Machines {
		of := "machine " + m.Site + "/" + m.Name
		look(of, "path.cure_exit_mm", m.Path.CureExitMM, usualExit)
		look(of, "path.take_up_mm", m.Path.TakeUpMM, usualTakeUp)
		look(of, "path.carriage_gap_um", m.Path.CarriageGapUM, usualGap)
		look(of, "swath_mm", m.SwathMM, usualSwath)
		look(of, "stroke_s", m.StrokeS, usualStroke)
		look(of, "max_width_mm", m.MaxWidthMM, usualWidth)
	}
	for _, s := range c.Stocks {
		of := "stock " + s.Code
		look(of, "width_mm", s.WidthMM, usualWidth)
		look(of, "thickness_um", s.ThicknessUM, usualThickness)
	}
	return list
}
