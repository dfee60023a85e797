package queue

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"rollwarden/rules/units"
)

// turned is the advice to run three jobs of one stock the other way round; the last
// of them was an hour late, and is no longer.
func turned() *Advice {
	a := &Advice{Present: Plan{Order: []int{0, 1, 2}, EndS: []float64{3600, 7200, 10800}}, Advised: Plan{Order: []int{2, 1, 0}, EndS: []float64{3600, 7200, 10800}}}
	a.Problem.Start.Stock = "MONO-GLOSS-137"
	for i := range 3 {
		a.Problem.Jobs = append(a.Problem.Jobs, Job{Name: fmt.Sprintf("KL-%d", i+1), Stock: "MONO-GLOSS-137"})
	}
	a.Problem.Jobs[2].DueS = units.Some(7200.0)
	return a
}

// No run is moved from a number to the same one.
func TestAPlaceThatStaysIsNotSaidToChange(t *testing.T) {
	want := []string{"run KL-2 behind KL-3, still as number 2", "run KL-1 as number 3 instead of 1: so KL-3 gains: it ends 60 min less late"}
	if got := turned().changes(); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// One gain is the reason of one move.
func TestOneGainIsToldOnce(t *testing.T) {
	a := turned()
	a.Present.Order, a.Present.EndS = []int{0, 1, 2, 3}, []float64{3600, 7200, 10800, 14400}
	a.Advised.Order, a.Advised.EndS = []int{2, 3, 0, 1}, []float64{3600, 7200, 10800, 14400}
	a.Problem.Jobs = append(a.Problem.Jobs, Job{Name: "KL-4", Stock: "MONO-GLOSS-137"})
	text := strings.Join(a.changes(), "\n")
	if strings.Count(text, "so KL-3 gains") != 1 || strings.Count(text, "together with the other moves") != 1 {
		t.Errorf("got\n%s", text)
	}
}

// A long queue is counted, not listed, behind the first run of each reason.
func TestRunsSetAsideAreCounted(t *testing.T) {
	a := &Advice{Aside: []Aside{{"KL-1", "its length is not known"}}}
	for i := range 2900 {
		a.Aside = append(a.Aside, Aside{fmt.Sprintf("KL-%d", i+2), "it stands behind a run that could not be placed"})
	}
	want := []string{
		"KL-1 stays where it is: its length is not known",
		"KL-2 stays where it is: it stands behind a run that could not be placed",
		"and 2899 more: it stands behind a run that could not be placed",
	}
	if got := a.Kept(); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if lines := a.Explain().Lines; len(lines) > 20 {
		t.Errorf("%d lines explain it", len(lines))
	}
}
