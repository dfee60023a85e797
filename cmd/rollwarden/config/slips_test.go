package config

import (
	"slices"
	"strings"
	"testing"
)

// The measures of the invented shop, each typed in another unit than the key's. The
// values in the right unit were worked out by hand: 1 in is 25.4 mm, 1 mil 25.4 um.
func TestASlipOfTheUnitIsDoubted(t *testing.T) {
	for name, test := range map[string]struct {
		file string
		want []string
	}{
		"a path in inches": {
			"machines:\n  - {site: north, name: heron, path: {cure_entry_mm: 7.1, cure_exit_mm: 13, take_up_mm: 35, carriage_gap_um: 1500}}\n",
			[]string{
				"machine north/heron: path.cure_exit_mm is 13 mm, and 100 to 5000 mm is usual: was it measured in inches (330.2 mm) or cm (130 mm)?",
				"machine north/heron: path.take_up_mm is 35 mm, and 200 to 10000 mm is usual: was it measured in inches (889 mm) or cm (350 mm)?",
			},
		},
		"a path in m": {
			"machines:\n  - {site: north, name: heron, path: {cure_entry_mm: 0.18, cure_exit_mm: 0.33, take_up_mm: 0.9, carriage_gap_um: 1500}}\n",
			[]string{
				"machine north/heron: path.cure_exit_mm is 0.33 mm, and 100 to 5000 mm is usual: was it measured in m (330 mm)?",
				"machine north/heron: path.take_up_mm is 0.9 mm, and 200 to 10000 mm is usual: was it measured in m (900 mm)?",
			},
		},
		"a path in cm, and a gap in mils": {
			"machines:\n  - {site: north, name: heron, path: {cure_entry_mm: 18, cure_exit_mm: 33, take_up_mm: 90, carriage_gap_um: 118}}\n",
			[]string{
				"machine north/heron: path.cure_exit_mm is 33 mm, and 100 to 5000 mm is usual: was it measured in inches (838.2 mm) or cm (330 mm)?",
				"machine north/heron: path.take_up_mm is 90 mm, and 200 to 10000 mm is usual: was it measured in inches (2286 mm) or cm (900 mm)?",
				"machine north/heron: path.carriage_gap_um is 118 um, and 500 to 10000 um is usual: was it measured in mils (2997 um) or hundredths of a mm (1180 um)?",
			},
		},
		"what is beside the path": {
			"machines:\n  - {site: north, name: heron, swath_mm: 2.1, stroke_s: 0.1, max_width_mm: 54}\n" +
				"stocks:\n  - {code: MONO-GLOSS-137, class: monomeric, width_mm: 137, thickness_um: 10}\n",
			[]string{
				"machine north/heron: swath_mm is 2.1 mm, and 10 to 1000 mm is usual: was it measured in inches (53.34 mm) or cm (21 mm)?",
				"machine north/heron: stroke_s is 0.1 s, and 0.2 to 30 s is usual: was it measured in minutes (6 s)?",
				"machine north/heron: max_width_mm is 54 mm, and 250 to 5500 mm is usual: was it measured in inches (1372 mm) or cm (540 mm)?",
				"stock MONO-GLOSS-137: width_mm is 137 mm, and 250 to 5500 mm is usual: was it measured in inches (3480 mm) or cm (1370 mm)?",
				"stock MONO-GLOSS-137: thickness_um is 10 um, and 50 to 3000 um is usual: was it measured in mils (254 um) or hundredths of a mm (100 um)?",
			},
		},
		"no unit explains it": {
			"machines:\n  - {site: north, name: heron, stroke_s: 90}\n",
			[]string{"machine north/heron: stroke_s is 90 s, and 0.2 to 30 s is usual: measure it again"},
		},
		"the right units": {
			"machines:\n  - {site: north, name: heron, swath_mm: 54, stroke_s: 1.6, max_width_mm: 1370, path: {cure_entry_mm: 180, cure_exit_mm: 330, take_up_mm: 900, carriage_gap_um: 1500}}\n" +
				"stocks:\n  - {code: MONO-GLOSS-137, class: monomeric, width_mm: 1370, thickness_um: 220}\n",
			nil,
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := load(t, test.file)
			if got := c.Doubts(); !slices.Equal(got, test.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(test.want, "\n"))
			}
			for _, doubt := range test.want {
				if !slices.Contains(c.Warnings, doubt) {
					t.Errorf("no warning says %q", doubt)
				}
			}
		})
	}
}
