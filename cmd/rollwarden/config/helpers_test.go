package config

import (
	"os"
	"path/filepath"
	"testing"
)

func write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// tryLoad loads a file of the given text from a working directory of its own.
func tryLoad(t *testing.T, text string, environ ...string) (*Config, error) {
	t.Helper()
	t.Chdir(t.TempDir())
	write(t, FileName, text)
	return Load("", environ)
}

func load(t *testing.T, text string, environ ...string) *Config {
	t.Helper()
	c, err := tryLoad(t, text, environ...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
