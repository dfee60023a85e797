package config

import (
	"strings"
	"testing"
)

func TestWithoutSecrets(t *testing.T) {
	const text = `shop: {name: Kestrel Lane Decals} # a comment that stays
http:
  users:
    - {name: mira, role: viewer, password_hash: "` + someHash + `"}
    - name: ines
      password_hash_file: ines.hash
pager:
  webhook:
    url: https://hooks.kestrel-lane.example/T0K3N
`
	got, err := WithoutSecrets([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{"argon2id", "T0K3N"} {
		if strings.Contains(string(got), secret) {
			t.Errorf("%s is still there:\n%s", secret, got)
		}
	}
	for _, kept := range []string{"Kestrel Lane Decals} # a comment that stays", "password_hash_file: ines.hash"} {
		if !strings.Contains(string(got), kept) {
			t.Errorf("%s is gone:\n%s", kept, got)
		}
	}
	// The whole example comes through, and nothing else of it changes.
	full := settings.ReplaceAll(Example(), []byte("$1$2"))
	got, err = WithoutSecrets(full)
	if err != nil || strings.Count(string(got), removed) != 2 || strings.Count(string(got), "\n") != strings.Count(string(full), "\n") {
		t.Errorf("%v\n%s", err, got)
	}
	if _, err := WithoutSecrets([]byte(`pager: {webhook: {url: "https://hooks\u002ekestrel-lane.example/T"}}`)); err == nil {
		t.Error("an address that is written with an escape was left in")
	}
	if _, err := WithoutSecrets([]byte("shop: {")); err == nil {
		t.Error("a torn file was believed")
	}
}
