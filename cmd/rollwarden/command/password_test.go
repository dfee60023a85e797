package command

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/gate"
)

// TestPasswordFromAProgram takes one line, and prints a hash that the gate
// reads.
func TestPasswordFromAProgram(t *testing.T) {
	for input, want := range map[string]string{
		"three words apart\n": "three words apart", "three words apart\r\nand more\n": "three words apart",
		"no line end": "no line end", " spaces stay \n": " spaces stay ", "": "",
	} {
		in, out, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(out, input); err != nil {
			t.Fatal(err)
		}
		out.Close()
		got, err := askPassword(context.Background(), in, io.Discard)
		in.Close()
		if err != nil || got != want {
			t.Errorf("%q: want %q, got %q, %v", input, want, got, err)
		}
	}
	if _, err := firstLine(iotest.ErrReader(os.ErrClosed)); !errors.Is(err, os.ErrClosed) {
		t.Errorf("want the reader's error, got %v", err)
	}
}

func TestPrintHash(t *testing.T) {
	var out, errs bytes.Buffer
	e := &env{out: &out, err: &errs}
	if err := e.printHash("three words apart"); err != nil || errs.Len() != 0 {
		t.Fatalf("got %v, %s", err, &errs)
	}
	hash, ok := strings.CutSuffix(out.String(), "\n")
	if _, err := gate.NewAccount("mira", gate.Viewer, hash); err != nil || !ok {
		t.Errorf("want a line with a hash, got %q, %v", out.String(), err)
	}
	out.Reset()
	if err := e.printHash("12345678"); err != nil || !strings.Contains(errs.String(), "15 characters or more") || strings.Contains(errs.String(), "12345678") {
		t.Errorf("want a note, got %v, %s", err, &errs)
	}
	out.Reset()
	err := e.printHash("1234567")
	if ended(io.Discard, false, err) != exitUsage || out.Len() != 0 || strings.Contains(err.Error(), "1234567") {
		t.Errorf("want a short password refused without showing it, got %v, %s", err, &out)
	}
}

// TestPasswordOfAMachine prints a hash that the built-in NATS server takes.
func TestPasswordOfAMachine(t *testing.T) {
	var out bytes.Buffer
	e := &env{out: &out}
	if err := e.printMachineHash("0123456789abcdef0123456789abcdef"); err != nil {
		t.Fatal(err)
	}
	if err := bus.CheckPasswordHash(strings.TrimSpace(out.String())); err != nil {
		t.Errorf("%s: %v", out.String(), err)
	}
	err := e.printMachineHash("too short")
	if !errors.As(err, new(usageError)) || strings.Contains(err.Error(), "too short") {
		t.Errorf("want a short password refused and not shown, got %v", err)
	}
}
