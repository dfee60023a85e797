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

// TestSystemdUnit has the unit judged by systemd's own checkers, which need no
// running systemd.
func TestSystemdUnit(t *testing.T) {
	analyze := tool(t, "systemd-analyze", "systemd")
	text := readFile(t, deployed("systemd", "rollwarden.service"))
	dir := t.TempDir()
	program := filepath.Join(dir, "rollwarden")
	unit := filepath.Join(dir, "rollwarden.service")
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(unit, []byte(strings.ReplaceAll(text, "/usr/local/bin/rollwarden", program)), 0o644); err != nil {
		t.Fatal(err)
	}
	// What it does not understand it only mentions.
	if out, err := exec.Command(analyze, "verify", unit).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
	if out, err := exec.Command(analyze, "security", "--offline=true", "--threshold="+mostExposure, unit).CombinedOutput(); err != nil {
		t.Errorf("systemd-analyze security: %v\n%s", err, out)
	}
	for _, m := range regexp.MustCompile(`(?m)^Environment=(\w+)=`).FindAllStringSubmatch(text, -1) {
		if !slices.Contains(config.EnvNames(), m[1]) {
			t.Errorf("the unit sets %s, which the configuration does not know", m[1])
		}
	}
	users, err := filepath.Abs(deployed("systemd", "rollwarden.sysusers"))
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool(t, "systemd-sysusers", "systemd"), "--dry-run", users).CombinedOutput()
	if err != nil {
		t.Errorf("systemd-sysusers: %v\n%s", err, out)
	}
}
