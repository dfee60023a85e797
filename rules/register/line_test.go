package register_test

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rollwarden/rules/register"
)

// strd reads a file of NIST's Statistical Reference Datasets: y and x.
func strd(t *testing.T, name string) (x, y []float64) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/strd/" + name)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(data)) {
		f := strings.Fields(line)
		if len(f) == 0 || f[0] == "#" {
			continue
		}
		for i, to := range []*[]float64{&y, &x} {
			v, err := strconv.ParseFloat(f[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			*to = append(*to, v)
		}
	}
	return x, y
}

// TestNorris fits a line to NIST's Norris data and compares it with the
// certified values (NIST Statistical Reference Datasets, linear regression,
// Norris; 15 digits are printed). A double keeps nearly 16 digits of the data
// and some are lost in the sums; 12 must be left.
func TestNorris(t *testing.T) {
	x, y := strd(t, "Norris.dat")
	if len(x) != 36 {
		t.Fatalf("want 36 observations, got %d", len(x))
	}
	l, err := register.FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		name      string
		got, want float64
	}{
		{"intercept", l.Intercept, -0.262323073774029},
		{"its standard deviation", l.InterceptSE, 0.232818234301152},
		{"slope", l.Slope, 1.00211681802045},
		{"its standard deviation", l.SlopeSE, 0.429796848199937e-3},
		{"residual standard deviation", l.SD, 0.884796396144373},
		{"R²", l.R2, 0.999993745883712},
	} {
		digits := -math.Log10(math.Abs(row.got-row.want) / math.Abs(row.want))
		t.Logf("%-28s %.15g agrees to %.1f digits", row.name, row.got, digits)
		if digits < 12 {
			t.Errorf("%s: want %.15g, got %.15g", row.name, row.want, row.got)
		}
	}
}

// TestPrediction compares with R: lm(dist ~ speed, cars) gives -17.579095 and
// 3.932409, and predict(m, data.frame(speed = 10), interval = "prediction")
// 21.74499, -9.809601 and 53.29959, as courses print them. The data are
// Ezekiel's stopping distances of 1930, as R's package datasets has them.
func TestPrediction(t *testing.T) {
	speed := []float64{4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25}
	dist := []float64{2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85}
	l, err := register.FitLine(speed, dist)
	if err != nil {
		t.Fatal(err)
	}
	low, high := l.Predict(10, 0.95)
	for _, row := range []struct{ got, want, within float64 }{
		{l.Intercept, -17.579095, 5e-7}, {l.Slope, 3.932409, 5e-7}, {l.At(10), 21.74499, 5e-6}, {low, -9.809601, 5e-7}, {high, 53.29959, 5e-6},
	} {
		if math.Abs(row.got-row.want) > row.within {
			t.Errorf("want %v, got %v", row.want, row.got)
		}
	}
	if l.Low != 4 || l.High != 25 {
		t.Errorf("fitted from %v to %v, want 4 to 25", l.Low, l.High)
	}
}

func TestLineRefuses(t *testing.T) {
	for _, row := range []struct {
		x, y []float64
		want string
	}{
		{[]float64{1, 2}, []float64{1, 2}, "at least 3"},
		{[]float64{1, 1, 1}, []float64{1, 2, 3}, "2 different x"},
		{[]float64{1, 2, 3}, []float64{1, 2}, "as many"},
		{nil, nil, "at least 3"},
	} {
		if _, err := register.FitLine(row.x, row.y); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%v: want an error with %q, got %v", row.x, row.want, err)
		}
	}
}

// TestPredictionCovers lets many shops measure few strips each and counts how
// often the next strip falls into its interval: 95 of 100, by construction. Four
// standard deviations of that count are allowed.
func TestPredictionCovers(t *testing.T) {
	const shops = 4000
	noise := rand.New(rand.NewPCG(1, 2))
	x := []float64{80, 80, 93, 105, 116}
	y := make([]float64, len(x))
	inside := 0.0
	for range shops {
		strain := func(c float64) float64 { return -1e-4*(c-70) + 1e-4*noise.NormFloat64() }
		for i := range x {
			y[i] = strain(x[i])
		}
		l, err := register.FitLine(x, y)
		if err != nil {
			t.Fatal(err)
		}
		low, high := l.Predict(98, register.Confidence)
		if v := strain(98); low <= v && v <= high {
			inside++
		}
	}
	if sd := math.Sqrt(shops * 0.95 * 0.05); math.Abs(inside-0.95*shops) > 4*sd {
		t.Errorf("of %d next strips %v fell inside, want about %v", shops, inside, 0.95*shops)
	}
}

// TestExactLine finds any line again from points on it.
func TestExactLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-5, 5).Draw(t, "a"), rapid.Float64Range(-2, 2).Draw(t, "b")
		x := rapid.SliceOfNDistinct(rapid.IntRange(20, 200), 3, 12, rapid.ID[int]).Draw(t, "x")
		xs, ys := make([]float64, len(x)), make([]float64, len(x))
		for i, v := range x {
			xs[i], ys[i] = float64(v), a+b*float64(v)
		}
		l, err := register.FitLine(xs, ys)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l.Intercept-a) > 1e-9 || math.Abs(l.Slope-b) > 1e-10 || l.SD > 1e-9 {
			t.Fatalf("%v + %v x was fitted as %v + %v x, sd %v", a, b, l.Intercept, l.Slope, l.SD)
		}
	})
}
