package hazard

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
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
		Require: []string{"roll.class", "roll.stock", "roll.left_m", "roll.thickness_um", "edge.front_mm", "leader.thickness_um", "run.film", "run.length_m", "run.passes", "run.cure_c", "run.mark_spacing_mm"},
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
			return faultf("want %g to %g, got %g", v.low, v.high, v.v).in("settings", v.name)
		}
	}
	if s.StaleAfter <= 0 {
		return faultf("want a time above 0 such as 4h, got %s", s.StaleAfter).in("settings", "stale_after")
	}
	for i, name := range s.Require {
		if _, ok := FactByName(name); !ok {
			return faultf("%q is no fact%s", name, hint.DidYouMean(name, factNames())).in("settings", "require", i)
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
		return faultf("want high, medium or low, got %q", t.Priority).in("hazards", string(code), "priority")
	}
	for _, v := range []struct {
		name string
		v    time.Duration
	}{{"on_delay", t.OnDelay}, {"off_delay", t.OffDelay}, {"horizon", t.Horizon}} {
		if v.v < 0 {
			return faultf("want a time of 0 or more such as 30s, got %s", v.v).in("hazards", string(code), v.name)
		}
	}
	return nil
}

// Rules are the settings and tunings that hold for one machine with one film.
type Rules struct {
	Settings
	Tunings  []Tuning // in the order of Book.Rows
	required []*Fact
	ticking  bool // a condition in use looks at a clock
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

func (w where) check() error {
	if w == (where{}) {
		return faultf("want at least one of site, machine, stock, class").in("where")
	}
	if w.Class != "" && !slices.Contains(event.Classes, w.Class) {
		return faultf("no such film class %q%s", w.Class, hint.DidYouMean(string(w.Class), classNames())).in("where", "class")
	}
	return nil
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
	settings ast.Node
	hazards  map[Code]ast.Node
}

type override struct {
	Where    where             `yaml:"where"`
	Settings ast.Node          `yaml:"settings"`
	Hazards  map[Code]ast.Node `yaml:"hazards"`
}

func (o override) layer() layer { return layer{o.Settings, o.Hazards} }

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

// ParseBook reads a rule book. name is used in errors, which give file, line
// and column; every override is tried and every condition is type-checked.
func ParseBook(name string, data []byte) (*Book, error) {
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, readError(name, err)
	}
	src := source{name, file}
	if n := src.documents(); n > 1 {
		return nil, fmt.Errorf("%s: want one document, got %d: join them, or keep each rule book in a file of its own", name, n)
	}
	if err := src.plain(); err != nil {
		return nil, err
	}
	var f bookFile
	if err := yaml.UnmarshalWithOptions(data, &f, yaml.Strict()); err != nil && !errors.Is(err, io.EOF) {
		return nil, src.explain(err)
	}
	b, err := f.book()
	if err == nil {
		err = src.checkMoments(f.Cases)
	}
	if err != nil {
		return nil, src.explain(err)
	}
	return b, nil
}

// book builds the book and checks all of it, so that a mistake shows at the
// start and not on the day when a place first matches.
func (f *bookFile) book() (*Book, error) {
	if f.Version != 0 && f.Version != 1 {
		return nil, faultf("want 1, got %d", f.Version).in("version")
	}
	b := DefaultBook()
	b.base, b.overrides, b.Cases = layer{f.Settings, f.Hazards}, f.Overrides, f.Cases
	for i, c := range f.Conditions {
		row, err := c.compile()
		if err == nil && b.Index(row.Code) >= 0 {
			err = faultf("%q is taken: choose another", row.Code).in("code")
		}
		if err != nil {
			return nil, below(err, "conditions", i)
		}
		b.Rows = append(b.Rows, row)
	}
	return b, b.validate()
}

// validate tries the base and each override once.
func (b *Book) validate() error {
	rules := b.defaults()
	if err := b.lay(&rules, b.base); err != nil {
		return err
	}
	for i, o := range b.overrides {
		if err := o.Where.check(); err != nil {
			return below(err, "overrides", i)
		}
		tried := rules
		tried.Tunings = slices.Clone(rules.Tunings)
		if err := b.lay(&tried, o.layer()); err != nil {
			return below(err, "overrides", i)
		}
	}
	for i := range b.Cases {
		if err := b.Cases[i].check(b); err != nil {
			return below(err, "cases", i)
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
			_ = b.lay(&rules, o.layer())
		}
	}
	for _, name := range rules.Require {
		if f, ok := FactByName(name); ok {
			rules.required = append(rules.required, f)
		}
	}
	for i, row := range b.Rows {
		rules.ticking = rules.ticking || row.Clocked && rules.Tunings[i].Enabled
	}
	return &rules
}

func (b *Book) defaults() Rules {
	r := Rules{Settings: DefaultSettings(), Tunings: make([]Tuning, len(b.Rows))}
	for i, row := range b.Rows {
		r.Tunings[i] = Tuning{Enabled: true, Priority: row.Priority, OnDelay: row.OnDelay, Horizon: time.Hour}
		if row.Scope == OnQueued {
			r.Tunings[i].Horizon = 24 * time.Hour // the office needs time to change a ticket
		}
	}
	return r
}

func (b *Book) lay(r *Rules, l layer) error {
	if l.settings != nil {
		r.Require = slices.Clone(r.Require)
		if err := yaml.NodeToValue(l.settings, &r.Settings, yaml.Strict()); err != nil {
			return placed(err, "settings")
		}
		if err := r.Settings.check(); err != nil {
			return err
		}
	}
	for _, code := range slices.Sorted(maps.Keys(l.hazards)) {
		i := b.Index(code)
		if i < 0 {
			return faultf("no such hazard%s", hint.DidYouMean(string(code), b.codes())).in("hazards", string(code))
		}
		node := l.hazards[code]
		if node == nil {
			continue // a code with nothing below it changes nothing
		}
		if err := yaml.NodeToValue(node, &r.Tunings[i], yaml.Strict()); err != nil {
			return placed(err, "hazards", string(code))
		}
		if err := r.Tunings[i].check(code); err != nil {
			return err
		}
	}
	return nil
}

// Row returns a row of the book by its code.
func (b *Book) Row(code Code) (*Row, bool) {
	if i := b.Index(code); i >= 0 {
		return &b.Rows[i], true
	}
	return nil, false
}

// Index is the place of a row in Rows and of its Tuning in Rules.Tunings, or -1.
func (b *Book) Index(code Code) int {
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

func classNames() []string {
	names := make([]string, len(event.Classes))
	for i, c := range event.Classes {
		names[i] = string(c)
	}
	return names
}
