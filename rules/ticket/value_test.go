package ticket

import (
	"math"
	"testing"
	"time"
	_ "time/tzdata" // one test needs a zone wherever it runs

	"rollwarden/rules/event"
)

func TestTimes(t *testing.T) {
	berlin := time.FixedZone("shop", 3600)
	for _, c := range []struct {
		text, want string
		zoned      bool
	}{
		// W3C XML Schema 1.1 part 2, 3.3.7: 24:00:00 is the first instant of the
		// next day, and 2002-10-10T12:00:00-05:00 is 17:00:00Z.
		{"1999-12-31T24:00:00Z", "2000-01-01T00:00:00Z", true},
		{"2002-10-10T12:00:00-05:00", "2002-10-10T17:00:00Z", true},
		{"2002-10-10T12:00:00Z", "2002-10-10T12:00:00Z", true},
		{"2026-03-04T16:00:00.25+01:00", "2026-03-04T15:00:00.25Z", true},
		{"2026-03-04T16:00:00+0100", "2026-03-04T15:00:00Z", true}, // no colon: seen in real tickets
		{"2026-03-04T24:00:00.000+01:00", "2026-03-04T23:00:00Z", true},
		{"2026-03-04T16:00:00", "2026-03-04T15:00:00Z", false},
		{"2026-03-04T24:00:00", "2026-03-04T23:00:00Z", false},
		{"2024-02-28T24:00:00Z", "2024-02-29T00:00:00Z", true},
	} {
		got, zoned, err := parseTime(c.text, berlin)
		if err != nil || zoned != c.zoned || got.Format(time.RFC3339Nano) != c.want || got.Location() != time.UTC {
			t.Errorf("%s: want %s (zoned %v), got %v (%v), %v", c.text, c.want, c.zoned, got, zoned, err)
		}
	}
	for _, bad := range []string{"", "soon", "2026-03-04", "16:00:00", "2026-02-30T00:00:00Z", "2026-03-04T24:00:01Z", "2026-03-04T24:00:00.5Z", "2026-03-04T25:00:00Z", "2026-03-04 16:00:00Z", "2026-03-04T16:00:00+1"} {
		if got, _, err := parseTime(bad, berlin); err == nil {
			t.Errorf("%q: want an error, got %v", bad, got)
		}
	}
}

// The end of a day by the shop's clock is not always 24 hours after its
// beginning. Clocks of Central Europe went forward on 2026-03-29.
func TestEndOfShortDay(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := parseTime("2026-03-29T24:00:00", zone)
	if want := "2026-03-29T22:00:00Z"; err != nil || got.Format(time.RFC3339) != want {
		t.Errorf("want %s, got %v, %v", want, got, err)
	}
}

func TestDurations(t *testing.T) {
	for _, c := range []struct {
		text     string
		want     float64
		calendar bool
	}{
		{"PT24H", 86400, false},
		{"P1D", 86400, false},
		{"PT1H35M", 5700, false},
		{"PT0.5S", 0.5, false},
		{"P1DT12H", 129600, false},
		{"P2W", 1209600, false},
		{"P1M", 31 * 86400, true}, // never shorter than any month
		{"P1Y", 366 * 86400, true},
		// W3C XML Schema 1.1 part 2, 3.3.6: 1 year, 2 months, 3 days, 10 hours, 30 minutes.
		{"P1Y2M3DT10H30M", 366*86400 + 62*86400 + 3*86400 + 10*3600 + 1800, true},
	} {
		got, calendar, err := parseDuration(c.text)
		if err != nil || got != c.want || calendar != c.calendar {
			t.Errorf("%s: want %g (%v), got %g (%v), %v", c.text, c.want, c.calendar, got, calendar, err)
		}
	}
	long := "PT"
	for range 100 {
		long += "9"
	}
	for _, bad := range []string{"", "P", "PT", "P1DT", "-P1D", "24H", "P1H", "PT1D", "PT5", "P1.5.2D", "PT1e3S", "pt1h", long + "S"} {
		if got, _, err := parseDuration(bad); err == nil {
			t.Errorf("%q: want an error, got %g", bad, got)
		}
	}
}

func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{"8": 8, "-1.5": -1.5, "2.05": 2.05, "1E3": 1000, "+4": 4, ".5": 0.5} {
		if got, ok := parseNumber(text); !ok || got != want {
			t.Errorf("%s: want %g, got %g %v", text, want, got, ok)
		}
	}
	for _, bad := range []string{"", "INF", "NaN", "0x10", "1_000", "1,5", "8 ", "1e999", "e", "."} {
		if got, ok := parseNumber(bad); ok {
			t.Errorf("%q: want a refusal, got %g", bad, got)
		}
	}
}

// An A4 page is 595.276 x 841.890 points and 210 x 297 mm (ISO 216; the points
// are common in page descriptions). The 1370 mm roll is the sample shop's.
func TestPoints(t *testing.T) {
	for pt, mm := range map[float64]float64{595.276: 210, 841.890: 297, 3883.465: 1370, 72: 25.4} {
		if got := roundedMM(pt); math.Abs(got-mm) > 0.0005 {
			t.Errorf("%g pt: want %g mm, got %g", pt, mm, got)
		}
	}
}

// The words are common trade use, no source.
func TestClassify(t *testing.T) {
	w := newWordlist(map[string]event.Class{"House Film": event.Polymeric, "silk": event.Textile})
	for _, c := range []struct {
		texts []string
		want  verdict
	}{
		{[]string{"calendered monomeric, permanent", "Calendered"}, verdict{class: event.Monomeric}},
		{[]string{"Calendered"}, verdict{class: event.Monomeric, soft: true}},
		{[]string{"calendered polymeric"}, verdict{class: event.Polymeric}},
		{[]string{"", "Cast", "", "Vinyl"}, verdict{class: event.Cast}},
		{[]string{"CastVinyl"}, verdict{class: event.Cast}},
		{[]string{"broadcast castle"}, verdict{}},
		{[]string{"SelfAdhesive"}, verdict{}},
		{[]string{"Paper"}, verdict{class: event.Paper}},
		{[]string{"polymeric on paper liner"}, verdict{class: event.Polymeric}},
		{[]string{"monomeric", "cast"}, verdict{class: event.Monomeric, against: event.Cast}},
		{[]string{"cast", "monomeric"}, verdict{class: event.Monomeric, against: event.Cast}},
		{[]string{"cast", "polymeric"}, verdict{class: event.Unknown, against: event.Polymeric}},
		{[]string{"cast", "polymeric", "monomeric"}, verdict{class: event.Monomeric, against: event.Unknown}},
		{[]string{"cast coated", "Paper"}, verdict{class: event.Unknown, against: event.Paper}},
		{[]string{"house-film"}, verdict{class: event.Polymeric}},
		{[]string{"housefilm"}, verdict{}},
		{[]string{"Silk, calendered"}, verdict{class: event.Textile}},
	} {
		if got := w.classify(c.texts); got != c.want {
			t.Errorf("%q: want %+v, got %+v", c.texts, c.want, got)
		}
	}
	redefined := newWordlist(map[string]event.Class{"calendered": event.Polymeric})
	if got := redefined.classify([]string{"Calendered"}); got != (verdict{class: event.Polymeric}) {
		t.Errorf("the shop's own word: got %+v", got)
	}
}

// Levenshtein's distance between kitten and sitting is 3, and between Saturday
// and Sunday 3: the examples that every description of it has.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"Saturday", "Sunday", 3}, {"", "abc", 3}, {"abc", "", 3}, {"é", "e", 1}, {"same", "same", 0}} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("%s, %s: want %d, got %d", c.a, c.b, c.want, got)
		}
	}
}

func TestWasteCauses(t *testing.T) {
	p := (&reader{}).newReport(&Document{})
	for token, want := range map[string]string{"HeadStrike": "head-strike", "MakeReady": "make-ready", "RollEnd": "roll-end", "EdgeAdvance": "edge-advance", "Trim": "trim", "PaperJam": "other", "": "other"} {
		if got := p.wasteCause(token); got != want {
			t.Errorf("%s: want %s, got %s", token, want, got)
		}
	}
}
