package config

import (
	"strings"
	"testing"
)

func TestWithoutSecrets(t *testing.T) {
	const text = `shop: {name: "Kestrel Lane #1"} # the one in the lane
# before: argon2id of mira, https://hooks.kestrel-lane.example/0LD
http:
  # - {name: ines, role: viewer, password_hash: "` + someHash + `"}
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
	for _, secret := range []string{"argon2id", "T0K3N", "0LD", "in the lane"} {
		if strings.Contains(string(got), secret) {
			t.Errorf("%s is still there:\n%s", secret, got)
		}
	}
	for _, kept := range []string{`{name: "Kestrel Lane #1"}`, "password_hash_file: ines.hash"} {
		if !strings.Contains(string(got), kept) {
			t.Errorf("%s is gone:\n%s", kept, got)
		}
	}
	// The whole example comes through, and each setting stays on its line.
	full := settings.ReplaceAll(Example(), []byte("$1$2"))
	got, err = WithoutSecrets(full)
	if err != nil || strings.Count(string(got), removed) != 2 || lineOf(got, "log:") != lineOf(full, "log:") {
		t.Errorf("%v\n%s", err, got)
	}
	if _, err := WithoutSecrets([]byte(`pager: {webhook: {url: "https://hooks\u002ekestrel-lane.example/T"}}`)); err == nil {
		t.Error("an address that is written with an escape was left in")
	}
	if _, err := WithoutSecrets([]byte("shop: {")); err == nil {
		t.Error("a torn file was believed")
	}
}

// lineOf is the line of a text that begins with some words.
func lineOf(text []byte, begin string) int {
	before, _, _ := strings.Cut(string(text), "\n"+begin)
	return strings.Count(before, "\n")
}

// TestCommentsAreLeftOut takes them from where YAML 1.2.2, sections 6.6 and 8.1.1,
// has them, and leaves what only looks like one.
func TestCommentsAreLeftOut(t *testing.T) {
	for text, want := range map[string]string{
		"a: 1 # S3CRET\nb: 2\n":              "a: 1 \nb: 2",
		"# S3CRET\r\na: [1, # S3CRET\r\n2]":  "[1, ",
		"a: |  # S3CRET\n  # text\nb: x#y\n": "# text\nb: x#y",
		"a: 'it''s # é'\n#S3CRET":            "a: 'it''s # é'",
		"a:\n  # S3CRET\n  - \"#\"\n":        "- \"#\"",
		"\ufeff# S3CRET\na: 1":               "a: 1",
		"# S3CRET":                           "",
	} {
		got, err := withoutComments([]byte(text))
		if err != nil || strings.Contains(string(got), "S3CRET") || !strings.Contains(string(got), want) {
			t.Errorf("%q: got %q, %v", text, got, err)
		}
	}
}
