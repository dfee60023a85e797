package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
	"rollwarden/rules/hint"
)

// RunCase plays one case of a rule book on an empty floor of the given site
// and returns what differs from the expectation, or nil.
func RunCase(site Site, c hazard.Case) error {
	now := c.Now
	if now.IsZero() {
		now = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	}
	e := New(site)
	where := cmp.Or(c.Site, siteOf(site, c.Machine))
	for i, g := range c.Given {
		ev, err := caseEvent(c, g, where, now, i)
		if err != nil {
			return fmt.Errorf("case %q, given[%d]: %w", c.Name, i, err)
		}
		e.Apply(uint64(i+1), ev)
	}
	return compare(c, Read(site, e.View(now)).Hazards(now, where, c.Machine))
}

func siteOf(site Site, machine string) string {
	for _, m := range site.Machines {
		if m.Name == machine {
			return m.Site
		}
	}
	return "shop"
}

func caseEvent(c hazard.Case, g hazard.CaseEvent, site string, now time.Time, i int) (event.Event, error) {
	kind, known := event.KindOf(event.Type(g.Type))
	if !known {
		names := make([]string, len(event.Kinds))
		for k, kind := range event.Kinds {
			names[k] = string(kind.Type)
		}
		return event.Event{}, fmt.Errorf("type: no such event type %q%s", g.Type, hint.DidYouMean(g.Type, names))
	}
	data, err := json.Marshal(g.Data)
	if err != nil {
		return event.Event{}, fmt.Errorf("data: %w", err)
	}
	payload, err := event.DecodeData(kind, data)
	if err != nil {
		return event.Event{}, err
	}
	return event.Event{
		ID: fmt.Sprintf("%s-%d", c.Name, i), Source: "rollwarden/case", Type: kind.Type,
		Time: now.Add(-g.Ago), Site: site, Machine: cmp.Or(g.Machine, c.Machine), Data: payload,
	}, nil
}

func compare(c hazard.Case, holds []Standing) error {
	var got []string
	for _, s := range holds {
		if !s.Hidden {
			got = append(got, s.Key.Hazard)
		}
	}
	want := make([]string, len(c.Expect))
	for i, code := range c.Expect {
		want[i] = string(code)
	}
	slices.Sort(got)
	slices.Sort(want)
	got, want = slices.Compact(got), slices.Compact(want)
	if !slices.Equal(got, want) {
		return fmt.Errorf("case %q: expected %s, got %s%s", c.Name, list(want), list(got), unexpected(holds, want))
	}
	if c.Remedy == "" || len(c.Expect) == 0 {
		return nil
	}
	for _, s := range holds {
		if s.Key.Hazard == string(c.Expect[0]) && len(s.Change.Remedies) > 0 {
			if best := s.Change.Remedies[0]; best.Code != c.Remedy {
				return fmt.Errorf("case %q: expected remedy %s for %s, got %s", c.Name, c.Remedy, c.Expect[0], best.Code)
			}
		}
	}
	return nil
}

// unexpected says what the hazards saw that no one expected.
func unexpected(holds []Standing, want []string) string {
	text := ""
	for _, s := range holds {
		if !s.Hidden && !slices.Contains(want, s.Key.Hazard) {
			text += "\n  " + s.Key.Hazard + ": " + s.Change.Message
		}
	}
	return text
}

func list(codes []string) string {
	if len(codes) == 0 {
		return "no hazard"
	}
	return strings.Join(codes, ", ")
}
