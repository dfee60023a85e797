package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// dashboard is what the tests read of deploy/dashboard/rollwarden.json.
type dashboard struct {
	Templating  struct{ List []struct{ Name string } }
	Annotations struct{ List []struct{ Name, Expr string } }
	Panels      []struct {
		ID                       int
		Type, Title, Description string
		GridPos                  struct{ X, Y, W, H int }
		Targets                  []struct{ Expr string }
	}
}

func readDashboard() (d dashboard, text string, err error) {
	data, err := os.ReadFile(deployed("dashboard", "rollwarden.json"))
	if err != nil {
		return d, "", err
	}
	return d, string(data), json.Unmarshal(data, &d)
}

// chosen puts the choice "all" in place of the dashboard's variables, as the
// dashboard server does.
var chosen = strings.NewReplacer("$site", ".*", "$machine", ".*")

// queries returns the queries of all panels and annotations by title.
func (d *dashboard) queries() (titles, exprs []string) {
	for _, p := range d.Panels {
		for _, target := range p.Targets {
			titles, exprs = append(titles, p.Title), append(exprs, chosen.Replace(target.Expr))
		}
	}
	for _, a := range d.Annotations.List {
		titles, exprs = append(titles, a.Name), append(exprs, chosen.Replace(a.Expr))
	}
	return titles, exprs
}

// gridWidth is the number of columns of a dashboard.
const gridWidth = 24

// TestDashboard checks what can be known of the dashboard without its server:
// every panel says what it means and has its own place, and every query names
// metrics and variables that there are and is understood by Prometheus.
func TestDashboard(t *testing.T) {
	d, text, err := readDashboard()
	if err != nil {
		t.Fatal(err)
	}
	checkMetrics(t, "rollwarden.json", text)
	ids, cells := map[int]bool{}, map[[2]int]string{}
	for _, p := range d.Panels {
		if p.ID == 0 || ids[p.ID] || p.Title == "" || p.Type != "row" && (p.Description == "" || len(p.Targets) == 0) {
			t.Errorf("panel %d %q: want an id of its own, a title, a description and a query", p.ID, p.Title)
		}
		ids[p.ID] = true
		g := p.GridPos
		if g.W < 1 || g.H < 1 || g.X < 0 || g.X+g.W > gridWidth {
			t.Errorf("panel %q: want a place within %d columns, got %+v", p.Title, gridWidth, g)
		}
		for x := g.X; x < g.X+g.W; x++ {
			for y := g.Y; y < g.Y+g.H; y++ {
				if other := cells[[2]int{x, y}]; other != "" {
					t.Fatalf("panels %q and %q lie on each other", p.Title, other)
				}
				cells[[2]int{x, y}] = p.Title
			}
		}
	}
	declared := map[string]bool{"__all": true}
	for _, v := range d.Templating.List {
		declared[v.Name] = true
	}
	for _, m := range regexp.MustCompile(`\$(\w+)`).FindAllStringSubmatch(text, -1) {
		if !declared[m[1]] {
			t.Errorf("the dashboard has no variable %s", m[1])
		}
	}
	_, exprs := d.queries()
	run(t, "prometheus", promtool(t), "check", "rules", rulesOf(t, exprs))
}

// rulesOf writes queries as recording rules, which promtool parses without a
// server.
func rulesOf(t *testing.T, exprs []string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("groups:\n  - name: dashboard\n    rules:\n")
	for i, expr := range exprs {
		fmt.Fprintf(&b, "      - {record: 'query:%d', expr: %q}\n", i, expr)
	}
	path := filepath.Join(t.TempDir(), "rules.yml")
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// dashboard runs every query of the dashboard against the Prometheus that runs.
// Each has to find something.
func (s *shop) dashboard(args []string) {
	s.usage(!s.negated && len(args) == 0, "dashboard")
	d, _, err := readDashboard()
	s.Check(err)
	titles, exprs := d.queries()
	if len(exprs) == 0 {
		s.Fatalf("the dashboard has no queries")
	}
	for i, expr := range exprs {
		s.until(titles[i]+": "+expr, func() (bool, string) {
			found, err := s.query(expr)
			return found > 0, fmt.Sprint(err)
		})
	}
}
