package doctor_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/bus"
)

// TestSecretsOfMachinesAreLookedAt has what machines log in with, readable for
// everybody.
func TestSecretsOfMachinesAreLookedAt(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	certify(t, "nats.kestrel-lane.example", time.Now().Add(-time.Hour), time.Now().Add(1000*time.Hour))
	hash, err := bus.HashPassword("a long and boring password")
	if err != nil {
		t.Fatal(err)
	}
	write(t, "heron.hash", hash+"\n", 0o644)
	if err := os.Chmod("key.pem", 0o644); err != nil {
		t.Fatal(err)
	}
	p := at(t, strings.Replace(shop, `nats: {listen: "127.0.0.1:0"}`, `nats:
  listen: "127.0.0.1:0"
  server_tls: {cert_file: `+dir+`/cert.pem, key_file: `+dir+`/key.pem}
  users: [{name: heron, machine: north/heron, password_hash_file: `+dir+`/heron.hash}]`, 1))
	found := p.examine()
	wants(t, found, "secrets", doctor.OK, "2 files")
	wants(t, found, "secrets", doctor.Look, "nats.server_tls.key_file: other people")
	wants(t, found, "secrets", doctor.Look, "nats.users heron: other people")
	for _, f := range found {
		if f.Check == "configuration" && strings.Contains(f.What, "heron.hash") {
			t.Errorf("told twice: %s", f.What)
		}
	}
}

// TestAWarningWithACommandIsTold keeps a warning for that it names a command, which
// is no reason to keep it back.
func TestAWarningWithACommandIsTold(t *testing.T) {
	p := at(t, shop)
	p.config.Warnings = append(p.config.Warnings, "tickets: nobody can write there: chmod g+w tickets")
	wants(t, p.examine(), "configuration", doctor.Look, "chmod g+w tickets")
}
