package reliability_test

import (
	"slices"
	"testing"

	"rollwarden/rules/reliability"
)

// beyond lists the points outside their limits, counted from 1.
func beyond(c reliability.Chart) (list []int) {
	for i, p := range c.Points {
		if p.Beyond() {
			list = append(list, i+1)
		}
	}
	return list
}

func limits(t *testing.T, what string, c reliability.Chart, point int, low, high, tolerance float64) {
	t.Helper()
	p := c.Points[point-1]
	within(t, what, reliability.Interval{Low: p.Low, High: p.High}, low, high, tolerance)
}

func signals(t *testing.T, what string, c reliability.Chart, want ...int) {
	t.Helper()
	if got := beyond(c); !slices.Equal(got, want) {
		t.Errorf("%s: points %v are beyond the limits, want %v", what, got, want)
	}
}

func each(n int, v float64) []float64 { return slices.Repeat([]float64{v}, n) }

// TestIndividuals has the flow rates of the NIST/SEMATECH e-Handbook, 6.3.2.2.
func TestIndividuals(t *testing.T) {
	c, ok := reliability.Individuals([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1})
	if !ok {
		t.Fatal("no chart")
	}
	near(t, "center", c.Center, 50.81, 1e-9)
	limits(t, "flow rates", c, 1, 45.8159, 55.8041, 2e-3) // printed with d2 = 1.128
	signals(t, "flow rates", c)
	if _, ok := reliability.Individuals([]float64{1}); ok {
		t.Error("one value has limits")
	}
}

// TestEWMA has the example of the NIST/SEMATECH e-Handbook, 6.3.2.4.
func TestEWMA(t *testing.T) {
	c := reliability.EWMA([]float64{
		52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
	}, 0.3, 50, 2.0539)
	for i, want := range []float64{
		50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
	} {
		near(t, "average", c.Points[i].Value, want, 5e-3)
	}
	limits(t, "averages", c, 20, 47.4115, 52.5884, 1e-4)
	signals(t, "averages", c)
}

// TestRates has the counts of the NIST/SEMATECH e-Handbook, 6.3.3.1: center 16,
// limits 4 and 28, and the third wafer, with 28, on the limit and not beyond.
func TestRates(t *testing.T) {
	wafers := []float64{16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13}
	c, ok := reliability.Rates(wafers, each(len(wafers), 1))
	if !ok {
		t.Fatal("no chart")
	}
	near(t, "center", c.Center, 16, 1e-12)
	limits(t, "wafers", c, 1, 4, 28, 1e-12)
	signals(t, "wafers", c, 24)
}

// TestRatesOfUnequalGroups has the dyed cloth of D. C. Montgomery, Introduction
// to Statistical Quality Control (data as in the R package qcc): the book
// computes with a center rounded to 1.42, values from memory.
func TestRatesOfUnequalGroups(t *testing.T) {
	c, _ := reliability.Rates([]float64{14, 12, 20, 11, 7, 10, 21, 16, 19, 23}, []float64{10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5})
	near(t, "center", c.Center, 1.42, 5e-3)
	limits(t, "10 units", c, 1, 0.29, 2.55, 0.01)
	limits(t, "8 units", c, 2, 0.16, 2.68, 0.01)
	limits(t, "13 units", c, 3, 0.43, 2.41, 0.01)
	signals(t, "cloth", c)
}

// TestProportions has the wafers of the NIST/SEMATECH e-Handbook, 6.3.3.2.
func TestProportions(t *testing.T) {
	bad := []float64{12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6}
	c, ok := reliability.Proportions(bad, each(len(bad), 50))
	if !ok {
		t.Fatal("no chart")
	}
	near(t, "center", c.Center, 0.2313333, 1e-7)
	limits(t, "wafers", c, 1, 0.05242755, 0.4102391, 1e-7)
	signals(t, "wafers", c, 15, 23)
}

// TestLaney has the weekly share of patients seen within four hours in English
// accident departments: Mohammed, Panesar, Laney and Wilson (2013), BMJ Quality
// and Safety 22, doi 10.1136/bmjqs-2012-001373, data as in the R package
// qicharts2. A p chart finds 16 of 20 weeks beyond its limits, the p' chart
// none; its factor of 10.640422 was computed with R 4.2.2.
func TestLaney(t *testing.T) {
	seen := []float64{
		266501, 264225, 276532, 281461, 269071, 261215, 270409, 279778, 270483, 270320, 267923, 271478, 255353, 256820, 261835, 259144, 255910,
		260863, 264465, 260989,
	}
	came := []float64{
		280443, 276823, 291681, 296155, 282343, 275888, 283867, 295251, 284468, 282529, 279618, 283932, 266629, 268091, 276803, 271578, 266005,
		273520, 278574, 273772,
	}
	plain, _ := reliability.Proportions(seen, came)
	near(t, "center", plain.Center, 0.9528997, 5e-8)
	limits(t, "p", plain, 1, 0.9516996, 0.9540999, 1e-6)
	if n := len(beyond(plain)); n != 16 {
		t.Errorf("%d weeks are beyond the limits of the p chart, want 16", n)
	}
	laney, _ := reliability.LaneyProportions(seen, came)
	limits(t, "p'", laney, 1, 0.9401296, 0.9656698, 5e-6) // computed with d2 = 1.128
	signals(t, "p'", laney)
}

// TestProportionsOfNothing looks at the ends.
func TestProportionsOfNothing(t *testing.T) {
	for name, chart := range map[string]func(_, _ []float64) (reliability.Chart, bool){"p": reliability.Proportions, "p'": reliability.LaneyProportions, "u": reliability.Rates} {
		if _, ok := chart(nil, nil); ok {
			t.Errorf("%s: no groups have a chart", name)
		}
		c, ok := chart([]float64{0, 0}, []float64{5, 9})
		if !ok || c.Center != 0 {
			t.Errorf("%s: %+v", name, c)
		}
		limits(t, name, c, 2, 0, 0, 0)
	}
}

// TestGeometric has two published examples, days between events and
// opportunities between events (test data of an open statistics program,
// rareEventCharts.csv, which says that another was used to verify them).
func TestGeometric(t *testing.T) {
	days := []float64{7, 9, 3, 6, 11, 35, 3, 9, 1, 18, 9, 17, 2, 6, 10, 26, 16, 2, 14, 13, 5, 15, 10, 2, 7, 36, 7, 3, 19, 2, 2, 1, 15, 2, 5, 10}
	c, ok := reliability.Geometric(days)
	if !ok {
		t.Fatal("no chart")
	}
	near(t, "center", c.Center, 6.46, 5e-3)
	near(t, "upper limit", c.Points[0].High, 70.03, 5e-3)
	signals(t, "days", c)
	opportunities := []float64{
		94, 6, 72, 86, 86, 39, 31, 81, 50, 34, 4, 13, 69, 25, 52, 22, 89, 32, 25, 87, 35, 40, 30, 12, 31, 30, 64, 99, 14, 93, 96, 71, 67, 23, 79, 85, 37,
	}
	c, _ = reliability.Geometric(opportunities)
	near(t, "center", c.Center, 36.01, 5e-3)
	near(t, "upper limit", c.Points[0].High, 351.77, 5e-3)
	if _, ok := reliability.Geometric([]float64{3}); ok {
		t.Error("one gap has limits")
	}
}

// TestTimesBetween has the valve failures of D. C. Montgomery, Introduction to
// Statistical Quality Control: hours and transformed values from memory (the
// book raises to 0.2777), mean and limit computed with R 4.2.2.
func TestTimesBetween(t *testing.T) {
	hours := []float64{286, 948, 536, 124, 816, 729, 4, 143, 431, 8, 2837, 596, 81, 227, 603, 492, 1199, 1214, 2831, 96}
	c, ok := reliability.TimesBetween(hours)
	if !ok {
		t.Fatal("no chart")
	}
	near(t, "center", c.Center, 429.6, 1.5) // 5.386624 ^ (1/0.2777)
	near(t, "upper limit", c.Points[0].High, 6923, 35)
	near(t, "lower limit", c.Points[0].Low, 0, 0)
	signals(t, "valves", c)
}
