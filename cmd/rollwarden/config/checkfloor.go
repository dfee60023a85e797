package config

import (
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hint"
)

func sorted[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }

func (c *Config) checkMachines(p *problems) {
	if len(c.Machines) == 0 {
		p.missing("machines", "at least one machine, with a site and a name")
	}
	ids := c.machineIDs()
	for i, m := range c.Machines {
		key := fmt.Sprintf("machines[%d]", i)
		checkName(p, key+".site", m.Site)
		checkName(p, key+".name", m.Name)
		if m.Name == event.AnyMachine {
			p.bad(key+".name", "another name, because this one stands for a whole site", m.Name)
		}
		if first := slices.IndexFunc(c.Machines, func(o Machine) bool { return o.Site == m.Site && o.Name == m.Name }); first < i {
			p.bad(key+".name", fmt.Sprintf("each machine once, and machines[%d] is the same", first), m.Site+"/"+m.Name)
		}
		checkPath(p, key+".path", m.Path)
		c.checkIDs(p, key, m, ids)
		if _, known := c.Inks[m.Ink]; m.Ink != "" && !known {
			p.note(key+".ink", fmt.Sprintf("%s.ink: want one of the inks %s, got %s%s",
				key, strings.Join(sorted(c.Inks), ", "), quote(m.Ink), hint.DidYouMean(m.Ink, sorted(c.Inks))))
		}
	}
	c.checkInks(p)
}

// machineIDs counts how many machines answer to a name on a ticket.
func (c *Config) machineIDs() map[string]int {
	ids := map[string]int{}
	for _, m := range c.Machines {
		for _, id := range m.DeviceIDs {
			ids[id]++
		}
	}
	return ids
}

func (c *Config) checkIDs(p *problems, key string, m Machine, ids map[string]int) {
	for i, id := range m.DeviceIDs {
		at := fmt.Sprintf("%s.device_ids[%d]", key, i)
		other := slices.ContainsFunc(c.Machines, func(o Machine) bool { return o.Name == id && (o.Site != m.Site || o.Name != m.Name) })
		switch {
		case strings.TrimSpace(id) == "":
			p.missing(at, "the name that tickets use for the machine")
		case ids[id] > 1 || other:
			p.bad(at, "a name that only this machine has", id)
		}
	}
}

// checkPath wants a path that was measured as a whole, in the order in which
// film passes it.
func checkPath(p *problems, key string, path Path) {
	if path == (Path{}) {
		return
	}
	for _, f := range []struct {
		name  string
		value *float64
	}{
		{"cure_entry_mm", path.CureEntryMM}, {"cure_exit_mm", path.CureExitMM},
		{"take_up_mm", path.TakeUpMM}, {"carriage_gap_um", path.CarriageGapUM},
	} {
		if f.value == nil {
			p.missing(key+"."+f.name, "it measured too; leave the whole path away until it is")
		}
	}
	if entry, exit := path.CureEntryMM, path.CureExitMM; entry != nil && exit != nil && *exit <= *entry {
		p.bad(key+".cure_exit_mm", fmt.Sprintf("more than cure_entry_mm, which is %g", *entry), fmt.Sprint(*exit))
	}
	if exit, up := path.CureExitMM, path.TakeUpMM; exit != nil && up != nil && *up < *exit {
		p.bad(key+".take_up_mm", fmt.Sprintf("at least cure_exit_mm, which is %g", *exit), fmt.Sprint(*up))
	}
}

func (c *Config) checkInks(p *problems) {
	for _, name := range sorted(c.Inks) {
		k, key := c.Inks[name], "inks."+name
		if strings.TrimSpace(name) == "" {
			p.missing("inks", "a name for every ink")
		}
		if k.ActivationJPerMol == nil {
			p.missing(key+".activation_j_per_mol", "the activation energy of its cure, J/mol")
		}
		if k.ReferenceC == nil {
			p.missing(key+".reference_c", "the temperature for which need_s holds, °C")
		}
		if k.NeedS == nil {
			p.missing(key+".need_s", "the dwell that a full ink load needs at reference_c, s")
		}
	}
}

// checkFolders wants every inbox to be a folder of its own, apart from what
// the watch itself writes.
func (c *Config) checkFolders(p *problems) {
	taken := map[string]string{".": "tickets.folder"}
	for i, m := range c.Machines {
		name := m.folder()
		if name == "" {
			continue // its name is missing, which is told already
		}
		key := fmt.Sprintf("machines[%d].folder", i)
		folder := filepath.Clean(name)
		parts := strings.Split(filepath.ToSlash(folder), "/")
		switch {
		case !filepath.IsLocal(folder):
			p.bad(key, "a folder below tickets.folder", name)
		case slices.ContainsFunc(parts, reserved):
			p.bad(key, "another name than accepted, rejected and .taking, where read tickets go", name)
		case taken[strings.ToLower(folder)] != "" && m.Folder == "":
			p.missing(key, fmt.Sprintf("one, such as %s-%s, because %s is %s already", m.Site, m.Name, name, taken[strings.ToLower(folder)]))
		case taken[strings.ToLower(folder)] != "":
			p.bad(key, "a folder of its own, other than "+taken[strings.ToLower(folder)], name)
		default:
			taken[strings.ToLower(folder)] = "that of " + m.Site + "/" + m.Name
		}
	}
	for _, in := range c.Inboxes() {
		if c.Data.Folder != "" && filepath.Clean(in.Dir) == c.DataFolder() {
			p.bad("data.folder", "a folder in which no tickets are dropped", c.Data.Folder)
		}
	}
	if sites := c.sites(); c.Tickets.Site != "" && !slices.Contains(sites, c.Tickets.Site) {
		p.note("tickets.site", fmt.Sprintf("tickets.site: want a site of the machines list (%s), got %s%s",
			strings.Join(sites, ", "), quote(c.Tickets.Site), hint.DidYouMean(c.Tickets.Site, sites)))
	}
}

func reserved(part string) bool {
	return slices.Contains([]string{"accepted", "rejected", ".taking"}, strings.ToLower(part))
}

// sites lists the sites of the machines, in their order.
func (c *Config) sites() []string {
	var sites []string
	for _, m := range c.Machines {
		if !slices.Contains(sites, m.Site) {
			sites = append(sites, m.Site)
		}
	}
	return sites
}

func (c *Config) checkFilms(p *problems) {
	for _, class := range sorted(c.Classes) {
		key := "classes." + string(class)
		checkCeilings(p, key, c.class(class))
		if flat := c.Classes[class].LiesFlat; class == event.Unknown && flat != nil && *flat {
			p.bad(key+".lies_flat", "false, because a film that nobody knows is never taken to be safe", "true")
		}
	}
	seen := map[string]int{}
	for i, s := range c.Stocks {
		key := fmt.Sprintf("stocks[%d]", i)
		if strings.TrimSpace(s.Code) == "" {
			p.missing(key+".code", "the stock code as tickets write it")
		} else if first, twice := seen[s.Code]; twice {
			p.bad(key+".code", fmt.Sprintf("each stock once, and stocks[%d] is the same", first), s.Code)
		} else {
			seen[s.Code] = i
		}
		if s.Class == "" {
			p.missing(key+".class", "one of "+strings.Join(classNames(), ", "))
			continue
		}
		if s.Class == event.Unknown && s.LiesFlat != nil && *s.LiesFlat {
			p.bad(key+".lies_flat", "false, because a film of unknown class is never taken to be safe; give its class", "true")
		}
		checkCeilings(p, key, s.over(c.class(s.Class)))
	}
	treatments := Default().Odds.Treatment
	for _, name := range sorted(c.Odds.Treatment) {
		if _, known := treatments[name]; !known {
			key := "odds.treatment." + name
			p.note(key, fmt.Sprintf("unknown key %q%s", key, knownInstead(name, sorted(treatments))))
		}
	}
}

// checkCeilings wants a film to register on the cutter only where it still
// lies as it should.
func checkCeilings(p *problems, key string, f film.Film) {
	if f.ContourCeilingC > f.CeilingC {
		p.bad(key+".contour_ceiling_c", fmt.Sprintf("at most ceiling_c, which is %g; set both", f.CeilingC), fmt.Sprint(f.ContourCeilingC))
	}
}
