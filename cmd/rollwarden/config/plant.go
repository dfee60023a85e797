package config

import (
	"cmp"

	"rollwarden/rules/plant"
)

func (m Machine) folder() string { return cmp.Or(m.Folder, m.Name) }

// unmeasured lists the keys of a machine that nobody has measured yet.
func (m Machine) unmeasured() []string {
	var keys []string
	for _, f := range []struct {
		key   string
		known bool
	}{
		{"path", m.Path.whole()}, {"swath_mm", m.SwathMM != nil},
		{"stroke_s", m.StrokeS != nil}, {"max_width_mm", m.MaxWidthMM != nil},
	} {
		if !f.known {
			keys = append(keys, f.key)
		}
	}
	return keys
}

func (p Path) whole() bool {
	return p.CureEntryMM != nil && p.CureExitMM != nil && p.TakeUpMM != nil && p.CarriageGapUM != nil
}

// plant describes a machine for the rules. One that is not measured in full
// is judged with careful assumptions and counts as not configured.
func (c *Config) plant(m Machine) plant.Machine {
	out := assumed
	out.Site, out.Name, out.DeviceIDs = m.Site, m.Name, m.DeviceIDs
	out.Inbox = m.folder()
	out.Configured = len(m.unmeasured()) == 0
	if m.Path.whole() {
		out.Path = plant.Path{CureEntryMM: *m.Path.CureEntryMM, CureExitMM: *m.Path.CureExitMM, TakeUpMM: *m.Path.TakeUpMM, GapUM: *m.Path.CarriageGapUM}
	}
	out.SwathMM, out.StrokeS = or(m.SwathMM, out.SwathMM), or(m.StrokeS, out.StrokeS)
	out.MaxWidthMM, out.ToleranceMM = or(m.MaxWidthMM, out.MaxWidthMM), or(m.ToleranceMM, out.ToleranceMM)
	out.Ink = c.ink(cmp.Or(m.Ink, plant.DefaultInk.Family))
	return out
}

func (c *Config) ink(family string) plant.Ink {
	k := c.Inks[family]
	return plant.Ink{
		Family:      family,
		ActivationJ: or(k.ActivationJPerMol, plant.DefaultInk.ActivationJ), ReferenceC: or(k.ReferenceC, plant.DefaultInk.ReferenceC),
		NeedS: or(k.NeedS, plant.DefaultInk.NeedS), RestLaminateS: k.RestLaminate.Seconds(), RestCutS: k.RestCut.Seconds(),
	}
}

func or[T any](p *T, other T) T {
	if p == nil {
		return other
	}
	return *p
}
