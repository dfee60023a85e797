package ticket_test

import (
	"archive/zip"
	"bytes"
	"io"
	"testing"
)

func inflate(t *testing.T, data []byte, name string) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := z.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // read only
	out, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return out
}
