package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"

	"github.com/creack/pty"
)

// shells are how each shell is started without anybody's settings, and what it is
// told first.
var shells = map[string]struct {
	args  []string
	setup string
}{
	"bash": {[]string{"--norc", "--noprofile", "-i"}, "source ./rollwarden.bash"},
	"zsh":  {[]string{"-f", "-i"}, "fpath=($PWD/functions $fpath); autoload -Uz compinit && compinit -u -D"},
}

// tab types a command line into a shell on a terminal, presses the tabulator, and
// wants the line to become another.
func (s *shop) tab(args []string) {
	s.usage(!s.negated && len(args) == 3, "tab bash|zsh LINE WANT")
	shell := shells[args[0]]
	cmd := exec.Command(args[0], shell.args...)
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "PATH="+s.Getenv("PATH"), "HOME="+s.dir, "TERM=dumb", "PS1=> ", "INPUTRC=/dev/null", "HISTFILE=")
	terminal, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 200})
	s.Check(err)
	seen := watchTerminal(terminal)
	defer func() {
		_ = cmd.Process.Kill()
		terminal.Close()
		_ = cmd.Wait() // it was killed
	}()
	say := func(text string) {
		_, err := terminal.WriteString(text)
		s.Check(err)
	}
	// What the shell prints, unlike the echo of what was typed, has no quotes in it.
	say(shell.setup + "; echo rea''dy\n")
	s.until(args[0]+" to start", func() (bool, string) { return strings.Contains(seen.String(), "ready"), seen.String() })
	say(args[1] + "\t")
	s.until(fmt.Sprintf("%q to become %q", args[1], args[2]), func() (bool, string) {
		line := strings.ReplaceAll(seen.String(), "\a", "") // a bell may ring
		return strings.Contains(line, args[2]), line
	})
}

// screen is what a terminal was sent.
type screen struct {
	mu   sync.Mutex
	text strings.Builder
}

// watchTerminal reads a terminal until it closes.
func watchTerminal(terminal *os.File) *screen {
	s := &screen{}
	go func() { _, _ = io.Copy(s, terminal) }() // a terminal ends with an error
	return s
}

func (s *screen) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *screen) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}
