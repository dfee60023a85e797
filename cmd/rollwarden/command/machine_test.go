package command

import (
	"errors"
	"strings"
	"testing"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/floor"
)

// twoSites have one name in common.
func twoSites() *config.Config {
	return &config.Config{Machines: []config.Machine{{Site: "north", Name: "heron"}, {Site: "north", Name: "wren"}, {Site: "quay", Name: "wren"}}}
}

func TestAMachineIsNamedWithItsSiteOrWithout(t *testing.T) {
	for _, c := range []struct {
		machine, flag string
		want, problem string
	}{
		{"heron", "", "north/heron", ""},
		{"north/heron", "", "north/heron", ""},
		{"quay/wren", "", "quay/wren", ""},
		{"wren", "quay", "quay/wren", ""},
		{"quay/wren", "quay", "quay/wren", ""},
		{"north/any", "", "north/any", ""},
		{"wren", "", "", `"wren" is on north and quay: say which, as in north/wren`},
		{"quay/wren", "north", "", "want one site, got quay in quay/wren and --site north"},
		{"north/hern", "", "", `no machine "north/hern" in the configuration: did you mean "north/heron"?`},
		{"quay/heron", "", "", "want one of north/heron, north/wren, quay/wren"},
	} {
		site, machine, err := sendCommand{Machine: c.machine, Site: c.flag}.place(twoSites())
		if c.problem != "" {
			if err == nil || !strings.Contains(err.Error(), c.problem) {
				t.Errorf("send to %s, --site %q: got %v, want %s", c.machine, c.flag, err, c.problem)
			}
		} else if got := floor.Key(site, machine); err != nil || got != c.want {
			t.Errorf("send to %s, --site %q: got %s, %v", c.machine, c.flag, got, err)
		}
	}
	width := 1370.0
	cfg := &config.Config{Machines: []config.Machine{{Site: "north", Name: "heron", MaxWidthMM: &width}}}
	for _, name := range []string{"heron", "north/heron"} {
		if mm, err := (stripCommand{Machine: name}).width(cfg); err != nil || mm != width {
			t.Errorf("a strip for %s is %g mm wide, %v", name, mm, err)
		}
	}
}

// A machine that is configured and silent is no slip of the name.
func TestAMachineThatNothingWasToldOf(t *testing.T) {
	for name, want := range map[string]string{
		"heron":     "nothing has been told of north/heron yet: begin with the roll that is on it, as in rollwarden send roll.loaded north/heron ",
		"quay/wren": "nothing has been told of quay/wren yet",
		"wren":      "nothing has been told of north/wren, quay/wren yet",
	} {
		_, err := look{Machines: []string{name}}.chosen(&floor.State{}, twoSites())
		if err == nil || !strings.HasPrefix(err.Error(), want) || errors.As(err, &usageError{}) {
			t.Errorf("%s: got %v, want %s", name, err, want)
		}
	}
	_, err := look{Machines: []string{"hern"}}.chosen(&floor.State{}, twoSites())
	if err == nil || !strings.Contains(err.Error(), `did you mean "heron"?`) || !errors.As(err, &usageError{}) {
		t.Errorf("a slip: got %v", err)
	}
}

// Where nothing was told at all, the commands that show machines say how to begin.
func TestAFloorThatNothingWasToldOf(t *testing.T) {
	var b strings.Builder
	if err := (scene{cfg: twoSites()}).empty(&b); err != nil || !strings.HasPrefix(b.String(), "nothing has been told of north/heron, north/wren, quay/wren yet: begin with") {
		t.Errorf("got %q, %v", b.String(), err)
	}
}
