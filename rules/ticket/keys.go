package ticket

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"rollwarden/rules/units"
)

// KeyMap says where a shop keeps what the open standards have no attribute
// for. Its keys are members of the JSON ticket: passes, cure_c,
// ink_density_pct, mark_spacing_mm, rest_s, film_class, stock, start_at and
// finish_at. All keys of a member are looked up; where they give different
// values, none is taken and the ticket is flagged.
type KeyMap map[string][]Key

// Key is one place to look: a foreign attribute on any element, or a
// GeneralID. Exactly one of Attribute and GeneralID is set.
type Key struct {
	// Attribute is "{namespace}name", or "name" for that name in any foreign
	// namespace. An attribute without namespace never matches.
	Attribute string
	// GeneralID is the whole IDUsage, such as "shop:PrintPasses".
	GeneralID string
	// Unit is the unit the value is written in; empty means the unit that the
	// member's name carries. Durations may be ISO 8601 in any case.
	Unit string
}

// keyed describes a member that a KeyMap may carry.
type keyed struct {
	member   string
	printing bool // only elements of the printing process can carry it
	units    map[string]func(float64) float64
}

func scaled(factor float64) func(float64) float64 {
	return func(v float64) float64 { return v * factor }
}

// keyedMembers lists what a KeyMap may carry, with the units of each.
func keyedMembers() []keyed {
	one := scaled(1)
	return []keyed{
		{"passes", true, map[string]func(float64) float64{"": one}},
		{"cure_c", true, map[string]func(float64) float64{"": one, "C": one, "F": units.FahrenheitToC, "K": func(k float64) float64 { return k - units.ZeroCelsius }}},
		{"ink_density_pct", true, map[string]func(float64) float64{"": one, "pct": one, "ratio": scaled(100)}},
		{"mark_spacing_mm", false, map[string]func(float64) float64{"": one, "mm": one, "cm": scaled(10), "m": scaled(1000), "in": scaled(units.MMPerInch), "pt": units.PointsToMM}},
		{"rest_s", false, map[string]func(float64) float64{"": one, "s": one, "min": scaled(60), "h": scaled(3600)}},
		{"film_class", true, map[string]func(float64) float64{"": nil}},
		{"stock", true, map[string]func(float64) float64{"": nil}},
		{"start_at", false, map[string]func(float64) float64{"": nil}},
		{"finish_at", false, map[string]func(float64) float64{"": nil}},
	}
}

func keyedMember(member string) (keyed, bool) {
	for _, m := range keyedMembers() {
		if m.member == member {
			return m, true
		}
	}
	return keyed{}, false
}

// Check reports the first key that could never be found, as an *Error. A
// configuration calls it once so that a slip is seen at start.
func (m KeyMap) Check() error {
	for _, member := range slices.Sorted(maps.Keys(m)) {
		k, ok := keyedMember(member)
		if !ok {
			return &Error{Field: "key map", Kind: unsupported, Want: "one of " + keyedNames(), Got: quote(member)}
		}
		for _, key := range m[member] {
			if err := k.check(key); err != nil {
				return err
			}
		}
	}
	return nil
}

func keyedNames() string {
	var names []string
	for _, m := range keyedMembers() {
		names = append(names, m.member)
	}
	return strings.Join(names, ", ")
}

func (k keyed) check(key Key) error {
	field := "key map " + k.member
	if (key.Attribute == "") == (key.GeneralID == "") {
		return &Error{Field: field, Kind: badValue, Want: "either an attribute or a general id", Got: "both or neither"}
	}
	if strings.Contains(key.Attribute, ":") && !strings.HasPrefix(key.Attribute, "{") {
		return &Error{Field: field, Kind: badValue, Want: `"{namespace}name", or "name" for any namespace; a prefix means something else in every ticket`, Got: quote(key.Attribute)}
	}
	if _, ok := k.units[key.Unit]; !ok {
		return &Error{Field: field + " unit", Kind: unsupported, Want: "one of " + strings.Join(slices.Sorted(maps.Keys(k.units)), ", "), Got: quote(key.Unit)}
	}
	return nil
}

// reading is a text found somewhere in a ticket.
type reading struct {
	text string
	at   *node
	name string // attribute, as messages name it
	unit string
}

func (v reading) bad(want string) *Error {
	return v.at.fault(v.name, badValue, want, quote(v.text))
}

// matches reports whether a foreign attribute is the one that the key names.
func (k Key) matches(a attr) bool {
	if space, local, ok := strings.Cut(strings.TrimPrefix(k.Attribute, "{"), "}"); ok && strings.HasPrefix(k.Attribute, "{") {
		return a.space == space && a.local == local
	}
	return a.local == k.Attribute && familyOf(a.space) == foreignFamily
}

// readings finds all values of one key in the elements of a scope.
func (k Key) readings(scope scope) []reading {
	var out []reading
	scope.walk(func(n *node) {
		if k.GeneralID != "" {
			if n.own && n.local == "GeneralID" && n.get("IDUsage") == k.GeneralID {
				out = append(out, reading{n.get("IDValue"), n, "IDValue", k.Unit})
			}
			return
		}
		for _, a := range n.foreign {
			if k.matches(a) {
				out = append(out, reading{strings.TrimSpace(a.value), n, a.local, k.Unit})
			}
		}
	})
	return out
}

// scope is a set of elements: single ones, and whole subtrees.
type scope struct {
	single []*node
	trees  []*node
}

func (s scope) walk(visit func(*node)) {
	for _, n := range s.single {
		visit(n)
	}
	for _, n := range s.trees {
		n.walk(func(k *node) bool {
			visit(k)
			return true
		})
	}
}

// keyedScopes are where the printing process keeps its values and where the
// whole ticket does.
type keyedScopes struct{ printing, whole scope }

// fromKeys fills the draft with everything that the shop's key map finds.
func (d *draft) fromKeys(scopes keyedScopes) error {
	for _, k := range keyedMembers() {
		in := scopes.whole
		if k.printing {
			in = scopes.printing
		}
		var found []reading
		for _, key := range d.r.keys[k.member] {
			found = append(found, key.readings(in)...)
		}
		if len(found) == 0 {
			continue
		}
		if err := d.keyed(k, found); err != nil {
			return err
		}
	}
	return nil
}

func (d *draft) keyed(k keyed, found []reading) error {
	switch k.member {
	case "film_class":
		return d.keyedClass(found)
	case "stock":
		d.Stock, _ = agree(d, "stock", texts(found))
		return nil
	case "start_at":
		return d.time(&d.StartAt, "start_at", found)
	case "finish_at":
		return d.time(&d.FinishAt, "finish_at", found)
	}
	return d.keyedNumber(k, found)
}

func (d *draft) keyedNumber(k keyed, found []reading) error {
	values := make([]float64, len(found))
	for i, f := range found {
		v, err := d.numberOrSpan(k, f)
		if err != nil {
			return err
		}
		values[i] = v
	}
	if v, ok := agree(d, k.member, values); ok {
		d.set(k.member, v, found[0])
	}
	return nil
}

func (d *draft) numberOrSpan(k keyed, f reading) (float64, error) {
	if k.member == "rest_s" && strings.HasPrefix(f.text, "P") {
		s, calendar, err := parseDuration(f.text)
		if err != nil {
			return 0, f.bad("an ISO 8601 duration such as PT24H")
		}
		if calendar {
			d.flag("rest_s: %s has no fixed length and was read at its longest", f.text)
		}
		return s, nil
	}
	v, ok := parseNumber(f.text)
	if !ok {
		return 0, f.bad(fmt.Sprintf("a number for %s", k.member))
	}
	return k.units[f.unit](v), nil
}

func texts(found []reading) []string {
	out := make([]string, len(found))
	for i, f := range found {
		out[i] = f.text
	}
	return out
}
