package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rollwarden/cmd/rollwarden/config"
)

// mostExposure is what systemd may rate the unit at most, in tenths: 0 is
// perfect, 100 is no protection at all.
const mostExposure = "15"

// TestSystemdUnits has the units judged by systemd's own checkers, which need no
// running systemd.
func TestSystemdUnits(t *testing.T) {
	analyze := tool(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	program := filepath.Join(dir, "rollwarden")
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	units := []string{"rollwarden.service", "rollwarden-backup.service", "rollwarden-backup.timer"}
	for _, name := range units { // a timer is judged with its service
		text := strings.ReplaceAll(readFile(t, deployed("systemd", name)), "/usr/local/bin/rollwarden", program)
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range units {
		unit := filepath.Join(dir, name)
		// What it does not understand it only mentions.
		if out, err := exec.Command(analyze, "verify", unit).CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("systemd-analyze verify %s: %v\n%s", name, err, out)
		}
		if filepath.Ext(name) != ".service" {
			continue
		}
		if out, err := exec.Command(analyze, "security", "--offline=true", "--threshold="+mostExposure, unit).CombinedOutput(); err != nil {
			t.Errorf("systemd-analyze security %s: %v\n%s", name, err, out)
		}
		for _, m := range regexp.MustCompile(`(?m)^Environment=(\w+)=`).FindAllStringSubmatch(readFile(t, unit), -1) {
			if !slices.Contains(config.EnvNames(), m[1]) {
				t.Errorf("%s sets %s, which the configuration does not know", name, m[1])
			}
		}
	}
}

// TestExamplesInUnits takes the # from what the units have for other shops, which
// systemd has to understand, and wants a backup of a journal elsewhere to reach it and
// one that fails to be told.
func TestExamplesInUnits(t *testing.T) {
	analyze, dir := tool(t, "systemd-analyze", "systemd"), t.TempDir()
	teller := "[Service]\nType=oneshot\nExecStart=/bin/true\n"
	if err := os.WriteFile(filepath.Join(dir, "tell@.service"), []byte(teller), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, wants := range map[string][]string{
		"rollwarden.service":        {"IPAddressAllow=192.168.17.0/24", "LoadCredential="},
		"rollwarden-backup.service": {"IPAddressAllow=192.168.17.0/24", "OnFailure=tell@%n.service"},
	} {
		text := strings.ReplaceAll(readFile(t, deployed("systemd", name)), "/usr/local/bin/rollwarden", "/bin/true")
		for _, want := range wants {
			if !strings.Contains(text, "\n#"+want) {
				t.Errorf("%s: want an example of %s", name, want)
			}
		}
		text = regexp.MustCompile(`(?m)^#([A-Z]\w+=)`).ReplaceAllString(text, "$1")
		unit := filepath.Join(dir, name)
		if err := os.WriteFile(unit, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(analyze, "verify", unit).CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("systemd-analyze verify %s: %v\n%s", name, err, out)
		}
	}
}

func TestSystemdUsers(t *testing.T) {
	users, err := filepath.Abs(deployed("systemd", "rollwarden.sysusers"))
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool(t, "systemd-sysusers", "systemd"), "--dry-run", users).CombinedOutput()
	if err != nil {
		t.Errorf("systemd-sysusers: %v\n%s", err, out)
	}
}
