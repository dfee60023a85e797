package command

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// TestProgressOnATerminal wants a bar while work goes on, and a clean line for
// what is printed afterwards.
func TestProgressOnATerminal(t *testing.T) {
	terminal, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer terminal.Close()
	if err := pty.Setsize(tty, &pty.Winsize{Rows: 24, Cols: 80}); err != nil {
		t.Fatal(err)
	}
	e := &env{err: tty}
	tick, end := e.progress("reading the journal")
	for done := range int64(1000) {
		tick(done, 1000) // it ends before all is done, as work that failed does
	}
	end()
	if _, err := io.WriteString(tty, "done\n"); err != nil {
		t.Fatal(err)
	}
	tty.Close()
	seen, _ := io.ReadAll(terminal) // a terminal ends with an error
	if !strings.Contains(string(seen), "reading the journal") || !strings.Contains(string(seen), "%") {
		t.Errorf("want a bar, got %q", seen)
	}
	if line := lastLine(string(seen)); strings.TrimSpace(line) != "done" {
		t.Errorf("want the bar gone, got %q in %q", line, seen)
	}
}

// lastLine is what the last line of a terminal shows in the end: a carriage
// return begins at its left again, and ESC [2K empties it (ECMA-48, 8.3.41 EL).
func lastLine(text string) string {
	text = strings.TrimRight(text, "\r\n")
	text = text[strings.LastIndex(text, "\n")+1:]
	if i := strings.LastIndex(text, "\x1b[2K"); i >= 0 {
		text = text[i+len("\x1b[2K"):]
	}
	var line []rune
	at := 0
	for _, r := range text {
		switch {
		case r == '\r':
			at = 0
		case at < len(line):
			line[at] = r
			at++
		default:
			line = append(line, r)
			at++
		}
	}
	return string(line)
}

// TestNoProgress wants nothing where nobody looks.
func TestNoProgress(t *testing.T) {
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	terminal, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer terminal.Close()
	var plain bytes.Buffer
	for _, e := range []*env{{err: write}, {err: tty, json: true}, {err: &plain}} {
		tick, end := e.progress("reading the journal")
		tick(500, 1000)
		end()
	}
	write.Close()
	tty.Close()
	piped, _ := io.ReadAll(read)
	shown, _ := io.ReadAll(terminal) // a terminal ends with an error
	if len(piped)+len(shown)+plain.Len() > 0 {
		t.Errorf("want nothing, got %q, %q and %q", piped, shown, &plain)
	}
}
