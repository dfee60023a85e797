package command

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

// TestCheckKnowsTheStocks reads a ticket that names a stock of the configuration, and
// says its class as the watch will.
func TestCheckKnowsTheStocks(t *testing.T) {
	t.Chdir(t.TempDir())
	for name, text := range map[string]string{
		"rollwarden.yaml": "machines: [{site: north, name: heron}]\nstocks: [{code: MONO-GLOSS-137, class: monomeric}]\n",
		"order.json":      `{"job":"KL-1","stock":"MONO-GLOSS-137"}`,
	} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	if code := Main([]string{"check", "order.json"}, nil, &out, &out); code != exitOK {
		t.Fatalf("exit code %d:\n%s", code, out.String())
	}
	if !strings.Contains(out.String(), "KL-1: MONO-GLOSS-137 (monomeric)") || !strings.Contains(out.String(), "machines: 1, stocks: 1") {
		t.Errorf("got\n%s", out.String())
	}
}
