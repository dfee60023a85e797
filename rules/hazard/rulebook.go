package hazard

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"rollwarden/rules/event"
	"rollwarden/rules/hint"
)

// Settings are the thresholds that the checks compare with.
type Settings struct {
	AdvanceMarginMM   float64       `yaml:"advance_margin_mm"`
	LiftAllowanceUM   float64       `yaml:"lift_allowance_um"`
	TailM             float64       `yaml:"tail_m"`
	WidthSlackMM      float64       `yaml:"width_slack_mm"`
	DryAirPct         float64       `yaml:"dry_air_rh_pct"`
	StaleAfter        time.Duration `yaml:"stale_after"`
	AssumedDensityPct float64       `yaml:"assumed_ink_density_pct"`
	AssumedPasses     float64       `yaml:"assumed_passes"`
	Require           []string      `yaml:"require"`
}

// DefaultSettings are used where the rule book says nothing. The margin, the
// ink density (upper end of the usual 90 to 110 percent) and the tail are
// common practice (no source); the humidity limit is a value from memory.
func DefaultSettings() Settings {
	return Settings{
		AdvanceMarginMM: 35, LiftAllowanceUM: 600, TailM: 1, WidthSlackMM: 5,
		DryAirPct: 35, StaleAfter: 4 * time.Hour, AssumedDensityPct: 110, AssumedPasses: 8,
		Require: []string{"roll.class", "roll.left_m", "roll.thickness_um", "edge.front_mm", "leader.thickness_um", "run.film", "run.length_m", "run.passes", "run.cure_c", "run.mark_spacing_mm"},
	}
}

func (s *Settings) check() error {
	for _, v := range []struct {
		name      string
		v         float64
		low, high float64
	}{
		{"advance_margin_mm", s.AdvanceMarginMM, 0, 5000}, {"lift_allowance_um", s.LiftAllowanceUM, 0, 20000},
		{"tail_m", s.TailM, 0, 50}, {"width_slack_mm", s.WidthSlackMM, 0, 500}, {"dry_air_rh_pct", s.DryAirPct, 0, 100},
		{"assumed_ink_density_pct", s.AssumedDensityPct, 0, 1000}, {"assumed_passes", s.AssumedPasses, 1, 64},
	} {
		if !(v.v >= v.low && v.v <= v.high) {
			return fmt.Errorf("settings.%s: want %g to %g, got %g", v.name, v.low, v.high, v.v)
		}
	}
	if s.StaleAfter <= 0 {
		return fmt.Errorf("settings.stale_after: want a time above 0 such as 4h, got %s", s.StaleAfter)
	}
	for _, name := range s.Require {
		if _, ok := FactByName(name); !ok {
			return fmt.Errorf("settings.require: %q is no fact%s", name, hint.DidYouMean(name, factNames()))
		}
	}
	return nil
}

// Tuning is how one hazard is used.
type Tuning struct {
	Enabled  bool          `yaml:"enabled"`
	Priority Priority      `yaml:"priority"`
	OnDelay  time.Duration `yaml:"on_delay"`  // must hold this long before it is an alarm
	OffDelay time.Duration `yaml:"off_delay"` // must be gone this long before the alarm returns to normal
	Horizon  time.Duration `yaml:"horizon"`   // how long before the expected start it is raised
	Latch    bool          `yaml:"latch"`     // stays until a person resets it
}

func (t *Tuning) check(code Code) error {
	if !slices.Contains(Priorities, t.Priority) {
		return fmt.Errorf("hazards.%s.priority: want high, medium or low, got %q", code, t.Priority)
	}
	if t.OnDelay < 0 || t.OffDelay < 0 || t.Horizon < 0 {
		return fmt.Errorf("hazards.%s: want delays and horizon of 0 or more", code)
	}
	return nil
}

// Rules are the settings and tunings that hold for one machine with one film.
type Rules struct {
	Settings
	Tunings  []Tuning // in the order of Book.Rows
	required []*Fact
}

// Book is a shop's rule book: the catalogue with the shop's own conditions
// behind it, and how each hazard is used where. It is read once and never
// changes.
type Book struct {
	Rows      []Row
	Cases     []Case
	base      layer
	overrides []override
}

// where selects what an override applies to; an empty field matches all.
type where struct {
	Site    string      `yaml:"site"`
	Machine string      `yaml:"machine"`
	Stock   string      `yaml:"stock"`
	Class   event.Class `yaml:"class"`
}

func (w where) matches(p Place) bool {
	return (w.Site == "" || w.Site == p.Site) && (w.Machine == "" || w.Machine == p.Machine) &&
		(w.Stock == "" || w.Stock == p.Stock) && (w.Class == "" || w.Class == p.Class)
}

// Place is what rules are resolved for.
type Place struct {
	Site, Machine, Stock string
	Class                event.Class
}

// layer is one set of changes, kept as syntax so that only what is written
// there overrides what is below.
type layer struct {
	Settings ast.Node          `yaml:"settings"`
	Hazards  map[Code]ast.Node `yaml:"hazards"`
}

type override struct {
	Where where `yaml:"where"`
	layer `yaml:",inline"`
}

type bookFile struct {
	Version    int               `yaml:"version"`
	Settings   ast.Node          `yaml:"settings"`
	Hazards    map[Code]ast.Node `yaml:"hazards"`
	Overrides  []override        `yaml:"overrides"`
	Conditions []Condition       `yaml:"conditions"`
	Cases      []Case            `yaml:"cases"`
}

// DefaultBook is the catalogue with its own defaults.
func DefaultBook() *Book { return &Book{Rows: slices.Clone(Builtin)} }

// ParseBook reads a rule book. name is used in errors, which give file and
// line; every override is tried and every condition is type-checked.
func ParseBook(name string, data []byte) (*Book, error) {
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, located(name, err)
	}
	var f bookFile
	if err := yaml.UnmarshalWithOptions(data, &f, yaml.Strict()); err != nil {
		return nil, located(name, err)
	}
	if f.Version != 0 && f.Version != 1 {
		return nil, fmt.Errorf("%s: version: want 1, got %d", name, f.Version)
	}
	b := DefaultBook()
	b.base, b.overrides, b.Cases = layer{f.Settings, f.Hazards}, f.Overrides, f.Cases
	for i, c := range f.Conditions {
		row, err := c.compile()
		if err != nil {
			return nil, fmt.Errorf("%s:%d: conditions[%d].%w", name, lineOf(file, fmt.Sprintf("$.conditions[%d]", i)), i, err)
		}
		if b.index(row.Code) >= 0 {
			return nil, fmt.Errorf("%s:%d: conditions[%d].code: %q is taken: choose another", name, lineOf(file, fmt.Sprintf("$.conditions[%d]", i)), i, row.Code)
		}
		b.Rows = append(b.Rows, row)
	}
	return b, b.validate(name, file)
}

// validate resolves the base and each override once, so that a mistake shows
// at the start and not on the day when a place first matches.
func (b *Book) validate(name string, file *ast.File) error {
	rules := b.defaults()
	if err := b.lay(&rules, b.base); err != nil {
		return at(name, file, "$", err)
	}
	for i, o := range b.overrides {
		if o.Where == (where{}) {
			return at(name, file, fmt.Sprintf("$.overrides[%d]", i), fmt.Errorf("where: want at least one of site, machine, stock, class"))
		}
		tried := rules
		tried.Tunings = slices.Clone(rules.Tunings)
		if err := b.lay(&tried, o.layer); err != nil {
			return at(name, file, fmt.Sprintf("$.overrides[%d]", i), err)
		}
	}
	for i := range b.Cases {
		if err := b.Cases[i].check(b); err != nil {
			return at(name, file, fmt.Sprintf("$.cases[%d]", i), err)
		}
	}
	return nil
}

// Resolve returns the rules for a place. It reads syntax, so callers keep the
// answer.
func (b *Book) Resolve(p Place) *Rules {
	rules := b.defaults()
	// validate has tried every layer, so none can fail here.
	_ = b.lay(&rules, b.base)
	for _, o := range b.overrides {
		if o.Where.matches(p) {
			_ = b.lay(&rules, o.layer)
		}
	}
	for _, name := range rules.Require {
		if f, ok := FactByName(name); ok {
			rules.required = append(rules.required, f)
		}
	}
	return &rules
}

func (b *Book) defaults() Rules {
	r := Rules{Settings: DefaultSettings(), Tunings: make([]Tuning, len(b.Rows))}
	for i, row := range b.Rows {
		r.Tunings[i] = Tuning{Enabled: true, Priority: row.Priority, Horizon: time.Hour}
		if row.Scope == OnQueued {
			r.Tunings[i].Horizon = 24 * time.Hour // the office needs time to change a ticket
		}
	}
	return r
}

func (b *Book) lay(r *Rules, l layer) error {
	if l.Settings != nil {
		r.Require = slices.Clone(r.Require)
		if err := yaml.NodeToValue(l.Settings, &r.Settings, yaml.Strict()); err != nil {
			return err
		}
		if err := r.Settings.check(); err != nil {
			return err
		}
	}
	for code, node := range l.Hazards {
		i := b.index(code)
		if i < 0 {
			return fmt.Errorf("hazards.%s: no such hazard%s", code, hint.DidYouMean(string(code), b.codes()))
		}
		if err := yaml.NodeToValue(node, &r.Tunings[i], yaml.Strict()); err != nil {
			return err
		}
		if err := r.Tunings[i].check(code); err != nil {
			return err
		}
	}
	return nil
}

// Row returns a row of the book by its code.
func (b *Book) Row(code Code) (*Row, bool) {
	if i := b.index(code); i >= 0 {
		return &b.Rows[i], true
	}
	return nil, false
}

func (b *Book) index(code Code) int {
	return slices.IndexFunc(b.Rows, func(r Row) bool { return r.Code == code })
}

func (b *Book) codes() []string {
	codes := make([]string, len(b.Rows))
	for i, r := range b.Rows {
		codes[i] = string(r.Code)
	}
	return codes
}

func factNames() []string {
	names := make([]string, len(Facts))
	for i, f := range Facts {
		names[i] = f.Name
	}
	return names
}

// Errors with a place.

func at(name string, file *ast.File, path string, err error) error {
	if strings.HasPrefix(err.Error(), "[") {
		return located(name, err) // the YAML library knows the place better
	}
	return fmt.Errorf("%s:%d: %w", name, lineOf(file, path), err)
}

func located(name string, err error) error {
	return hint.YAML(name, err, struct {
		bookFile
		Settings `yaml:"settings"`
		Tuning   `yaml:"hazards"`
	}{})
}

func lineOf(file *ast.File, path string) int {
	p, err := yaml.PathString(path)
	if err != nil {
		return 1
	}
	node, err := p.FilterFile(file)
	if err != nil || node == nil || node.GetToken() == nil {
		return 1
	}
	return node.GetToken().Position.Line
}
